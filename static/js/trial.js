/** Trying coffees out in a dispatch: the service answers while one chooses. */
import { ask, NoAnswer } from './api.js';
import { button, h, redraw, tableHead } from './dom.js';
import { day, hours, mass, money, percent } from './format.js';
import { inWords } from './parts/page-frame.js';
import { T } from './texts.js';

/** @import { Item } from './types.js' */

const S = T.subscriptions;
/** Certainties to choose from. */
const CERTAINTIES = [0.9, 0.95, 0.99];
/** The one that is asked for until another is chosen. */
export const SURE = 0.95;

/** Whether the green covers a dispatch, in a sentence. @param {any} view */
export function coverageText(view) {
  const short = view.coffees.filter((/** @type {any} */ each) => !each.covered).map((/** @type {any} */ each) => each.name);
  return view.covered ? S.covered(percent(view.service, 0), view.bags, view.parcels) : S.short(short.join(', '), percent(view.service, 0));
}

/**
 * Draws the trial of a dispatch into a box. `keep` saves the coffees that were tried.
 * @param {HTMLElement} box @param {{dispatch: Item, coffees: Item[], name: string, keep: (coffees: any[]) => Promise<void>, close: () => void}} about
 */
export function drawTrial(box, { dispatch, coffees, name, keep, close }) {
  let tried = dispatch.coffees.map((/** @type {any} */ offer) => ({ ...offer }));
  let service = SURE;
  /** @type {AbortController|null} */
  let asking = null;
  const list = h('ol', { class: 'tried' });
  const answer = h('div', { class: 'answer', 'aria-live': 'polite' });
  const certainty = h('select', { id: 'certainty', class: 'certainty', on: { change: () => {
    service = Number(certainty.value);
    look();
  } } }, CERTAINTIES.map((each) => h('option', { value: String(each), selected: each === service }, percent(each, 0))));
  const keeper = button(S.keep, () => keep(tried), { kind: 'main', id: 'keep' });
  const adder = button(S.addCoffee, () => {
    const next = coffees.find((each) => !each.retired && !tried.some((/** @type {any} */ offer) => offer.coffee === each.id));
    if (next) tried = [...tried, { coffee: next.id }];
    draw();
  }, { id: 'add-coffee' });

  function draw() {
    redraw(list, tried.map((/** @type {any} */ offer, /** @type {number} */ i) => row(offer, i)));
    adder.hidden = dispatch.frozen || tried.length >= 12 || tried.length >= coffees.length;
    keeper.hidden = dispatch.frozen || JSON.stringify(tried) === JSON.stringify(dispatch.coffees);
    look();
  }

  /** @param {any} offer @param {number} i */
  function row(offer, i) {
    const others = tried.filter((/** @type {any} */ each) => each !== offer).map((/** @type {any} */ each) => each.coffee);
    const pick = h('select', { id: `coffee-${i}`, 'aria-label': S.place(i + 1), on: { change: () => {
      offer.coffee = pick.value;
      draw();
    } } }, coffees.filter((each) => each.id === offer.coffee || (!each.retired && !others.includes(each.id))).map((each) => h('option', { value: each.id, selected: each.id === offer.coffee }, each.name)));
    const from = h('select', { id: `from-${i}`, 'aria-label': S.fromBags(i + 1), on: { change: () => {
      if (from.value) offer.from_bags = Number(from.value);
      else delete offer.from_bags;
      draw();
    } } }, [null, 2, 3, 4, 5, 6].map((bags) => h('option', { value: bags ? String(bags) : '', selected: (offer.from_bags ?? null) === bags }, bags ? S.onlyFrom(bags) : S.forAll)));
    return h('li', {}, h('span', { class: 'place', 'aria-hidden': 'true' }, String(i + 1)), pick, from, h('div', { class: 'actions' },
      button(S.up, () => move(i), { disabled: i === 0, 'data-key': `up-${i}`, 'aria-label': S.upOf(i + 1) }),
      button(T.form.removeRow, () => {
        tried = tried.filter((/** @type {any} */ each) => each !== offer);
        draw();
      }, { kind: 'quiet', disabled: tried.length === 1, 'data-key': `out-${i}`, 'aria-label': S.outOf(i + 1) })));
  }

  /** @param {number} i */
  function move(i) {
    [tried[i - 1], tried[i]] = [tried[i], tried[i - 1]];
    draw();
  }

  async function look() {
    asking?.abort();
    const mine = new AbortController();
    asking = mine;
    const own = JSON.stringify(tried) === JSON.stringify(dispatch.coffees);
    try {
      const view = await ask('/api/coverage', { dispatch: dispatch.id, service, ...(own ? {} : { coffees: tried }) }, mine.signal);
      if (!mine.signal.aborted) redraw(answer, ...said(view));
    } catch (error) {
      if (!mine.signal.aborted) redraw(answer, h('p', { class: 'error', role: 'alert' }, error instanceof NoAnswer ? T.form.noAnswer : inWords(error)));
    }
  }

  redraw(box, h('div', { class: 'head' }, h('h2', { id: 'trial-name' }, S.trialOf(name, day(dispatch.ship_day))), h('div', { class: 'inline' }, h('label', { for: 'certainty' }, S.certainty), certainty)),
    dispatch.frozen ? h('p', { class: 'help' }, S.frozenHelp) : h('p', { class: 'help' }, S.trialHelp), list, h('div', { class: 'actions' }, keeper, adder, button(S.close, close, { kind: 'quiet', id: 'close-trial' })), answer);
  draw();
}

/** What the service says of it. @param {any} view */
function said(view) {
  return [
    h('p', { class: `says ${view.covered ? 'covered' : 'short'}` }, coverageText(view)),
    h('p', {}, S.time(hours(view.roaster_minutes), hours(view.open_minutes)), ' ', view.cost ? S.costs(money(view.cost)) : S.noCost),
    view.own ? h('p', { class: 'own' }, swap(view)) : null,
    table(S.coffees, [S.coffee, [S.bags], [S.most], [S.sure], [S.reached], S.styles], view.coffees.map((/** @type {any} */ each) => [
      each.name, [String(each.bags)], [String(each.most_bags), each.covered ? '' : 'short-cell'], [percent(Math.min(each.certainty, 0.999), 1)], [String(each.reached)], each.styles.map((/** @type {any} */ style) => `${style.name} ${style.bags}`).join(', ')])),
    view.coffees.some((/** @type {any} */ each) => each.together) ? h('p', { class: 'help' }, S.together(view.coffees.filter((/** @type {any} */ each) => each.together).map((/** @type {any} */ each) => each.name).join(', '))) : null,
    table(S.green, [T.words.lot, [S.free], [S.othersBefore], [S.takes], [S.left]], view.lots.map((/** @type {any} */ lot) => [lot.name, [mass(lot.free_g)], [mass(lot.others_g)], [mass(lot.takes_g)], [mass(lot.left_g)]])),
    table(S.arrivals, [S.destination, [S.parcels], S.arrives, [S.age]], view.arrivals.map((/** @type {any} */ each) => [each.name, [String(each.parcels)], day(each.day), [S.days(each.youngest_days, each.oldest_days)]])),
    h('p', {}, `${S.byBags}: `, view.by_bags.map((/** @type {any} */ each) => S.bagsBy(each.bags, each.parcels)).join(' · ')),
    view.left_out_count ? h('details', { 'data-key': 'left-out' }, h('summary', {}, S.leftOut(view.left_out_count)), h('ul', {}, view.left_out.map((/** @type {any} */ each) => h('li', {}, `${each.number} ${each.name}: ${each.words}`)))) : h('p', {}, S.nobodyOut),
  ];
}

/** What a swap does. @param {any} view */
function swap(view) {
  const cost = view.cost && view.own.cost ? S.costChange(signed((view.cost.minor - view.own.cost.minor), view.cost.currency)) : '';
  const takes = (/** @type {any[]} */ lots) => Object.fromEntries(lots.map((lot) => [lot.name, lot.takes_g]));
  const [before, now] = [takes(view.own.lots), takes(view.lots)];
  const changes = [...new Set([...Object.keys(before), ...Object.keys(now)])].map((lot) => ({ lot, change: (now[lot] ?? 0) - (before[lot] ?? 0) })).filter(({ change }) => change !== 0);
  return `${view.own.covered ? S.ownCovered : S.ownShort} ${cost} ${changes.map(({ lot, change }) => `${lot} ${change > 0 ? '+' : '−'}${mass(Math.abs(change))}`).join(', ')}`;
}

/** @param {number} minor @param {string} currency */
const signed = (minor, currency) => `${minor < 0 ? '−' : '+'}${money({ minor: Math.abs(minor), currency })}`;

/** @param {string} title @param {any[]} heads @param {any[][]} rows */
function table(title, heads, rows) {
  return h('div', {}, h('h3', {}, title), h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': title }, h('table', {}, tableHead(heads), h('tbody', {}, rows.map((cells) => h('tr', {}, cells.map((cell, i) => (i === 0 ? h('th', { scope: 'row' }, cell) : Array.isArray(cell) ? h('td', { class: `num ${cell[1] ?? ''}` }, cell[0]) : h('td', {}, cell)))))))));
}
