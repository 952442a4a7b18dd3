/** One lot: what it is, what is left of it and how long that lasts, beside its siblings; its pictures and movements. */
import { read, readAll } from './api.js';
import { h, redraw, s, tableHead } from './dom.js';
import { day, fullDay, fullMoment, mass, money, percent } from './format.js';
import { picture } from './picture.js';
import { outlookOf } from './parts/outlook.js';
import { trying } from './parts/page-frame.js';
import { nameOf, title } from './records.js';
import { sack } from './sack.js';
import { T } from './texts.js';

/** @import { Lot } from './types.js' */
/** @import { Lists } from './records.js' */

const G = T.green;
const SHOWN_MOVEMENTS = 40;

/** @param {string} term @param {import('./dom.js').Child} value */
export const pair = (term, value) => h('div', {}, h('dt', {}, term), h('dd', {}, value));

/** @param {HTMLElement} place @param {{lot: Lot, lots: Lot[], from: Lists, today: string, actions: import('./dom.js').Child}} what */
export async function drawLot(place, { lot, lots, from, today, actions }) {
  const siblings = lots.filter((each) => each.delivery === lot.delivery);
  const [movements, loss, outlook] = await Promise.all([trying(() => readAll(`/api/postings?lot=${lot.id}`)), trying(() => read('/api/loss')), trying(() => read(`/api/lots/${lot.id}/outlook`))]);
  redraw(place, h('div', { class: 'head' }, h('h2', {}, sack(lot.name, lot.grade)), h('a', { class: 'button quiet', href: '#', 'data-key': 'close' }, G.close)),
    h('div', { class: 'actions' }, actions),
    facts(lot, from),
    outlook && !lot.used_up ? outlookOf(outlook) : null,
    siblings.length > 1 ? sideBySide(lot, siblings, loss?.lots ?? []) : null,
    lot.received_day ? [lot.received_day < today ? picture(`/api/lots/${lot.id}/drawdown.svg`, G.drawdown(lot.name)) : h('p', { class: 'none' }, G.firstDay), movements?.some((each) => each.kind === 'weigh_out') ? picture(`/api/lots/${lot.id}/loss.svg`, G.lossPicture(lot.name)) : null] : null,
    lot.moisture.length ? moistures(lot) : null,
    h('h3', {}, G.movements), h('p', { class: 'lot-ways' }, [[`/audit?lot=${lot.id}`, G.statement], [`/loss#${lot.id}`, G.toLoss], [`/trace?of=lot&id=${lot.id}`, G.toTrace]].map(([href, text]) => h('a', { href }, text))),
    movements?.length ? h('ol', { class: 'movements' }, [...movements].reverse().slice(0, SHOWN_MOVEMENTS).map((each) => h('li', {}, h('span', { class: 'when' }, fullMoment(each.happened_at)), ' ', h('a', { href: `/posting?id=${each.id}` }, T.postings[each.kind] ?? each.kind), ' ', movedText(each, lot.id)))) : h('p', { class: 'none' }, G.noMovements));
}

/** @param {Lot} lot @param {Lists} from */
function facts(lot, from) {
  const delivery = (from.deliveries ?? []).find((each) => each.id === lot.delivery);
  const latest = inOrder(lot).at(-1);
  return h('dl', { class: 'facts' },
    pair(T.records.coffee, nameOf(from.coffees, lot.coffee)), pair(T.records.delivery, delivery ? title('deliveries', delivery) : '?'), pair(T.records.storeroom, nameOf(from.storerooms, lot.storeroom)),
    pair(G.received, lot.received_day ? `${fullDay(lot.received_day)} · ${mass(lot.received_g)}` : `${G.states.expected} ${delivery ? day(delivery.expected_day) : ''}`),
    lot.ages_from && lot.ages_from !== lot.received_day ? pair(G.agesFrom, fullDay(lot.ages_from)) : null,
    pair(G.inStore, mass(lot.store_g)), pair(G.reserved, mass(lot.reserved_g)), pair(G.free, mass(lot.free_g)), lot.lasts ? pair(G.runsOut, runsOut(lot.lasts)) : null,
    pair(T.records.packing, `${T.packings[/** @type {'jute'} */ (lot.packing.kind)] ?? lot.packing.kind} · ${lot.packing.sacks}\u00a0×\u00a0${mass(lot.packing.sack_g, undefined, 1)}`),
    pair(T.records.moisture, latest ? `${percent(latest.fraction)} · ${fullDay(latest.day)}` : G.noMoisture),
    lot.landed_cost ? pair(T.records.landedCost, money(lot.landed_cost)) : null, lot.process ? pair(T.records.process, lot.process) : null, lot.crop_year ? pair(T.records.cropYear, lot.crop_year) : null,
    lot.screen ? pair(T.records.screen, lot.screen) : null, lot.claims.length ? pair(T.records.claims, lot.claims.map((each) => `${each.claim} ${each.certificate} (${fullDay(each.valid_to)})`).join(', ')) : null);
}

/** @param {NonNullable<Lot['lasts']>} lasts */
const runsOut = (lasts) => [fullDay(lasts.day), h('small', { class: 'range' }, lasts.earliest === lasts.latest ? (lasts.week_g ? G.atRate(mass(lasts.week_g)) : G.byCards) : `${G.between(fullDay(lasts.earliest), fullDay(lasts.latest))} ${G.atRate(mass(lasts.week_g))}`)];

/** The lots of one delivery beside each other: its size grades, mostly, whatever they are sold as. @param {Lot} lot @param {Lot[]} siblings @param {any[]} expected */
function sideBySide(lot, siblings, expected) {
  const shown = [...siblings].sort((a, b) => a.grade.localeCompare(b.grade));
  /** @param {Lot} of */
  const losses = (of) => {
    const known = expected.filter((each) => (each.lot.id ?? each.lot) === of.id && each.batches > 0);
    return known.length ? known.map((each) => h('div', {}, `${each.style.name} · ${each.roaster.name} ${percent(each.expected.lo)} – ${percent(each.expected.hi)}`)) : '–';
  };
  return h('div', { class: 'siblings' }, h('h3', {}, G.siblings), h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': G.siblings }, h('table', {},
    tableHead([T.words.lot, T.records.screen, [G.received], [G.inStore], [G.free], [T.records.moisture], G.expectedLoss, G.runsOut]),
    h('tbody', {}, shown.map((each) => h('tr', { class: each.id === lot.id ? 'self' : undefined }, h('th', { scope: 'row' }, each.id === lot.id ? sack(each.name, each.grade) : h('a', { href: `#${each.id}` }, sack(each.name, each.grade))),
      h('td', {}, each.screen ?? '–'), h('td', { class: 'num' }, each.received_day ? mass(each.received_g) : '–'), h('td', { class: 'num' }, mass(each.store_g)), h('td', { class: 'num' }, mass(each.free_g)),
      h('td', { class: 'num' }, percent(inOrder(each).at(-1)?.fraction)), h('td', {}, losses(each)), h('td', {}, each.lasts ? fullDay(each.lasts.day) : '–')))))));
}

/** @param {Lot} lot */
const inOrder = (lot) => [...lot.moisture].sort((a, b) => a.day.localeCompare(b.day));

const WIDTH = 720;
const HEIGHT = 150;
const PLOT = { left: 64, right: 700, top: 16, bottom: 118 };

/** Moisture as it was read, one point a reading, with the meter's standard deviation as a bar where it is known; and as a table. @param {Lot} lot */
function moistures(lot) {
  const all = inOrder(lot);
  const first = /** @type {typeof all[number]} */ (all[0]);
  const last = /** @type {typeof all[number]} */ (all.at(-1));
  const low = Math.min(...all.map((each) => each.fraction - (each.sd ?? 0))) - 0.002;
  const high = Math.max(...all.map((each) => each.fraction + (each.sd ?? 0))) + 0.002;
  const days = Date.parse(last.day) - Date.parse(first.day);
  const x = (/** @type {string} */ date) => PLOT.left + ((Date.parse(date) - Date.parse(first.day)) / days) * (PLOT.right - PLOT.left);
  const y = (/** @type {number} */ share) => PLOT.bottom - ((share - low) / (high - low)) * (PLOT.bottom - PLOT.top);
  return h('div', { class: 'moistures' }, h('h3', {}, G.moisture), first.day === last.day ? null : s('svg', { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: 'img', 'aria-label': G.moisturePicture(percent(first.fraction), fullDay(first.day), percent(last.fraction), fullDay(last.day)) },
    [low, high].map((share) => [s('line', { class: 'rule', x1: PLOT.left, x2: PLOT.right, y1: y(share), y2: y(share) }), s('text', { x: PLOT.left - 6, y: y(share) + 4, 'text-anchor': 'end' }, percent(share))]),
    s('polyline', { class: 'line', points: all.map((each) => `${x(each.day)},${y(each.fraction)}`).join(' ') }),
    all.map((each) => [each.sd ? s('line', { class: 'bar', x1: x(each.day), x2: x(each.day), y1: y(each.fraction - each.sd), y2: y(each.fraction + each.sd) }) : null, s('circle', { cx: x(each.day), cy: y(each.fraction), r: 5 })]),
    s('text', { x: PLOT.left, y: HEIGHT - 10 }, day(first.day)), s('text', { x: PLOT.right, y: HEIGHT - 10, 'text-anchor': 'end' }, day(last.day))),
  h('ul', { class: 'readings-list' }, all.map((each) => h('li', {}, h('span', { class: 'when' }, fullDay(each.day)), ' ', h('b', {}, percent(each.fraction)), each.sd ? ` ± ${percent(each.sd)}` : ''))));
}

/** What a posting did to a lot, as "store → batch 12.00 kg". @param {any} posting @param {string} lot */
function movedText(posting, lot) {
  const moves = (posting.movements ?? []).filter((/** @type {any} */ move) => move.lot === lot);
  return moves.map((/** @type {any} */ move) => `${T.places[move.from.place] ?? move.from.place} → ${T.places[move.to.place] ?? move.to.place} ${mass(move.mass_g)}`).join(', ');
}
