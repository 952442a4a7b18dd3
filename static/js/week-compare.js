/** How the plan on the board differs from what is released: batches that are new, moved, or would be withdrawn. */
import { h, redraw } from './dom.js';
import { day, mass } from './format.js';
import { sack } from './sack.js';
import { T } from './texts.js';
import { isBegun, places, week } from './week-shared.js';

/** @import { CardView, PlanBatch } from './types.js' */

const W = T.week;

/** @typedef {{batch: PlanBatch, card: CardView}} Pair */
/** `moved` to another day, roaster, lot or charge; `retimed` only to another time. @typedef {{fresh: PlanBatch[], moved: Pair[], retimed: Pair[], gone: CardView[]}} Difference */

/**
 * @param {PlanBatch[]} batches the plan's @param {CardView[]} cards released, not begun, of the same days
 * @returns {Difference}
 */
export function difference(batches, cards) {
  const kept = new Map(batches.filter((batch) => batch.card).map((batch) => [batch.card, batch]));
  const pairs = cards.flatMap((card) => {
    const batch = kept.get(card.id);
    return batch ? [{ batch, card }] : [];
  });
  return { fresh: batches.filter((batch) => !batch.card), moved: pairs.filter(({ batch, card }) => !same(batch, card)), retimed: pairs.filter(({ batch, card }) => same(batch, card) && batch.start !== card.start), gone: cards.filter((card) => !kept.has(card.id)) };
}

/** @param {PlanBatch} batch @param {CardView} card */
const same = (batch, card) => batch.day === card.day && batch.roaster.id === card.roaster.id && batch.lot.id === card.lot.id && batch.charge_g === card.charge_g;

const openCards = () => week.cards.filter((card) => card.state === 'planned');

/** Whether the plan on the board is what is released already. */
export function isReleased() {
  const { fresh, moved, retimed, gone } = difference((week.plan?.batches ?? []).filter((batch) => !isBegun(batch.card)), openCards());
  return fresh.length + moved.length + retimed.length + gone.length === 0;
}

export function drawCompare() {
  const cards = openCards();
  places.compare.hidden = !week.plan || cards.length === 0;
  if (!week.plan || cards.length === 0) return;
  const { fresh, moved, retimed, gone } = difference(week.plan.batches, cards);
  const count = fresh.length + moved.length + retimed.length + gone.length;
  /** @param {string} word @param {{lot: {name: string}, grade: string}} of @param {string} text */
  const line = (word, of, text) => h('li', {}, h('b', {}, word), sack(of.lot.name, of.grade), h('span', {}, text));
  redraw(places.compare, count === 0 ? h('p', { class: 'same' }, W.sameAsReleased) : h('details', { 'data-key': 'compare' }, h('summary', {}, W.compare(fresh.length, moved.length, retimed.length, gone.length)), h('ul', { class: 'differences' },
    fresh.map((batch) => line(W.fresh, batch, `${placeOf(batch)} · ${mass(batch.charge_g)}`)),
    moved.map(({ batch, card }) => line(W.movedWord, batch, `${placeOf(card)} · ${mass(card.charge_g)} → ${placeOf(batch)} · ${mass(batch.charge_g)}`)),
    retimed.map(({ batch, card }) => line(W.retimed, batch, `${placeOf(card)} → ${batch.start} · ${mass(batch.charge_g)}`)),
    gone.map((card) => line(W.gone, card, `${placeOf(card)} · ${mass(card.charge_g)}`)))));
}

/** @param {{day: string, start: string, roaster: {name: string}}} of */
const placeOf = (of) => `${day(of.day)} ${of.start} ${of.roaster.name}`;
