/** The papers for floor and packing bench: pull list, batch cards, packing list. They lie hidden on the page and are what it prints. */
import { h, redraw, tableHead } from './dom.js';
import { day, mass } from './format.js';
import { sack } from './sack.js';
import { T } from './texts.js';
import { named, places, week } from './week-shared.js';

/** @import { CardView } from './types.js' */

const W = T.week;

/** @param {'pull'|'cards'|'packing'} what */
export function print(what) {
  document.body.dataset.print = what;
  window.print();
}

export function drawPapers() {
  const cards = week.cards.filter((card) => card.state === 'planned');
  redraw(places.papers,
    h('section', { class: 'pull-list' }, h('h1', {}, W.pullList), [...byDay(cards)].map(([date, list]) => h('section', {}, h('h2', {}, day(date)), pullTable(list)))),
    h('section', { class: 'card-sheets' }, cards.map(cardSheet)),
    h('section', { class: 'packing-list' }, h('h1', {}, W.packingList), shipDays().map(([date, orders]) => h('section', {}, h('h2', {}, day(date)), packingTable(orders)))));
}

/** @param {CardView[]} cards */
function byDay(cards) {
  /** @type {Map<string, CardView[]>} */
  const days = new Map();
  for (const card of cards) days.set(card.day, [...(days.get(card.day) ?? []), card]);
  return days;
}

/** @param {CardView} card */
function cardSheet(card) {
  return h('article', { class: 'paper' }, h('header', {}, h('span', {}, `${day(card.day)} ${card.start}`), h('span', {}, card.roaster.name)), sack(card.lot.name, card.grade),
    h('p', { class: 'what' }, `${card.coffee.name} · ${card.style.name}`), h('p', { class: 'charge' }, mass(card.charge_g)), h('p', { class: 'pull' }, `${card.storeroom.name}: ${card.pull}`),
    h('dl', { class: 'blanks' }, W.blanks.map((label) => h('div', {}, h('dt', {}, label), h('dd', {})))));
}

/** What to fetch on a day: one line per lot and storeroom. @param {CardView[]} cards */
function pullTable(cards) {
  /** @type {Map<string, {card: CardView, grams: number, pulls: string[]}>} */
  const lines = new Map();
  for (const card of cards) {
    const key = `${card.lot.id} ${card.storeroom.id}`;
    const line = lines.get(key) ?? { card, grams: 0, pulls: [] };
    line.grams += card.charge_g;
    line.pulls.push(`${card.start} ${card.roaster.name} ${mass(card.charge_g)}`);
    lines.set(key, line);
  }
  return h('table', {}, tableHead(['', T.words.lot, T.records.grade, T.records.storeroom, [T.words.mass], W.forBatches]),
    h('tbody', {}, [...lines.values()].map(({ card, grams, pulls }) => h('tr', {}, tick(), h('th', { scope: 'row' }, card.lot.name), h('td', {}, card.grade), h('td', {}, card.storeroom.name), h('td', { class: 'num' }, mass(grams)), h('td', {}, pulls.map((each) => h('div', {}, each)))))));
}

/** A box to tick by hand. */
const tick = () => h('td', { class: 'tick-box' }, '☐');

/** Open orders of the ship days that this plan covers, by ship day. @returns {[string, any[]][]} */
function shipDays() {
  const fed = new Set(week.plan?.batches.flatMap((batch) => batch.feeds.map((feed) => feed.order)) ?? []);
  /** @type {Map<string, any[]>} */
  const days = new Map();
  const open = (week.from.orders ?? []).filter((order) => !order.cancelled && !order.retired && order.ship_day >= week.today && (fed.has(order.id) || order.ship_day <= lastDay()));
  for (const order of open) days.set(order.ship_day, [...(days.get(order.ship_day) ?? []), order]);
  return [...days].sort(([a], [b]) => a.localeCompare(b));
}

const lastDay = () => week.plan?.roasters[0]?.days.at(-1)?.day ?? week.today;

/** @param {any[]} orders */
function packingTable(orders) {
  const lines = orders.sort((a, b) => a.number.localeCompare(b.number)).flatMap((order) => order.lines.map((/** @type {any} */ line) => ({ order, line })));
  return h('table', {}, tableHead(['', T.records.orderNumber, T.records.customer, T.records.product, [T.records.bags], W.roastedAs]),
    h('tbody', {}, lines.map(({ order, line }) => h('tr', {}, tick(), h('th', { scope: 'row' }, order.number), h('td', {}, order.customer), h('td', {}, named(line.product, week.from.products)), h('td', { class: 'num' }, String(line.bags)), h('td', {}, filledFrom(order, line).map((each) => h('div', {}, each)))))));
}

/** What a line is filled from, coffee by coffee, and what will be missing. @param {any} order @param {any} line */
function filledFrom(order, line) {
  const { short = [], batches = [] } = week.plan ?? {};
  const missing = short.filter((each) => each.order === order.id && each.line === line.line).reduce((sum, each) => sum + each.bags, 0);
  const product = week.from.products?.find((each) => each.id === line.product);
  const parts = product?.parts ?? [];
  const wanted_g = Math.max(0, line.bags - (line.packed_bags ?? 0) - missing) * (product?.bag_g ?? 0);
  const feeds = batches.flatMap((batch) => batch.feeds.filter((feed) => feed.order === order.id && (feed.line === undefined || feed.line === line.line)).map((feed) => ({ batch, mass_g: feed.mass_g })));
  const lines = parts.map((/** @type {any} */ part) => {
    const own = feeds.filter(({ batch }) => batch.coffee.id === part.coffee);
    const roasts = [...new Set(own.map(({ batch }) => `${batch.lot.name} ${day(batch.day)}`))];
    // Less than a bag is what is filled over or rounded.
    const rest = wanted_g * part.share - own.reduce((sum, each) => sum + each.mass_g, 0) > (product?.bag_g ?? 0) * part.share;
    const from = [...roasts, ...(rest ? [W.fromStock] : [])].join(', ');
    return from && parts.length > 1 ? `${named(part.coffee, week.from.coffees)}: ${from}` : from;
  });
  return [...lines.filter(Boolean), ...(missing ? [W.missing(missing)] : [])];
}
