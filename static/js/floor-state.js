/**
 * What the floor looks like: what the service last said, with what this tablet keeps laid over it.
 * Pure: the same cards, batches and kept commands always give the same floor.
 */
import { judge } from './range.js';
import { T } from './texts.js';
import { gramsOf } from './weighing.js';

/** @import { BatchView, CardView, Lot, Named, RangeCard, Scale, Verdict } from './types.js' */
/** @import { Entry } from './kept.js' */

/**
 * @typedef {object} Known what the service said last
 * @property {CardView[]} cards
 * @property {BatchView[]} batches
 * @property {Lot[]} lots
 * @property {Named[]} coffees
 * @property {Named[]} styles
 * @property {(Named & {green_scale: string, roasted_scale: string, cycle_min?: number, styles?: string[], retired?: boolean})[]} roasters
 * @property {Named[]} storerooms
 * @property {Scale[]} scales
 * @property {import('./settle.js').Unsettled[]} unsettled
 */

/**
 * @param {Known} known @param {readonly Entry[]} entries
 * @returns {{cards: CardView[], batches: BatchView[]}}
 */
export function lay(known, entries) {
  const batches = new Map(known.batches.map((batch) => [batch.id, { ...batch }]));
  const cards = new Map(known.cards.map((card) => [card.id, { ...card }]));
  const undone = new Set(entries.filter((entry) => entry.kind === 'reversals').map((entry) => entry.body.posting));
  for (const entry of entries) {
    if (!undone.has(entry.id)) STEPS[entry.kind]?.(known, entry, batches, cards);
  }
  const waiting = new Set(entries.flatMap((entry) => (entry.state === 'sent' ? [] : entry.batches)));
  for (const [id, batch] of batches) if (batch.kept && !waiting.has(id)) batches.set(id, { ...batch, kept: false });
  return { cards: [...cards.values()], batches: [...batches.values()] };
}

/** @type {Record<string, (known: Known, entry: Entry, batches: Map<string, BatchView>, cards: Map<string, CardView>) => void>} */
const STEPS = {
  'weigh-ins': (known, entry, batches, cards) => {
    const { body } = entry;
    if (batches.has(body.batch)) return;
    batches.set(body.batch, { ...madeHere(known, body), undo: entry.id });
    const card = cards.get(body.card);
    if (card) Object.assign(card, { state: 'weighed_in', batch: body.batch });
  },
  starts: (known, entry, batches, cards) => step(entry.body.batch, batches, cards, { state: 'in_drum', started_at: entry.body.happened_at, undo: entry.id }),
  scraps: (known, entry, batches, cards) => step(entry.body.batch, batches, cards, { state: 'scrapped' }),
  'weigh-outs': (known, entry, batches, cards) => {
    const { body } = entry;
    const covered = body.batches.flatMap((/** @type {string} */ id) => batches.get(id) ?? []);
    const grams = gramsOf(body.weight, known.scales);
    const verdict = verdictHere(covered, grams, known.cards);
    for (const { id } of covered) {
      step(id, batches, cards, { state: 'weighed_out', weighed_out_g: covered.length > 1 ? null : grams, weighed_out_at: body.happened_at, verdict, loss: verdict?.loss ?? null, undo: entry.id });
    }
  },
  samples: (known, { id, body }, batches) => {
    const batch = batches.get(body.batch);
    if (batch) change(batch.id, batches, { sample_g: batch.sample_g + (batch.state === 'weighed_out' ? 0 : gramsOf(body.weight, known.scales)), undo: id });
  },
  wastes: (known, { id, body }, batches) => change(body.batch, batches, { undo: id }),
  holds: (known, entry, batches) => change(entry.body.batch, batches, { hold: { reason: entry.body.reason }, undo: null }),
  passes: (known, entry, batches) => change(entry.body.batch, batches, { hold: null, undo: null }),
  reversals: (known, entry, batches, cards) => {
    for (const id of entry.batches) {
      const batch = batches.get(id);
      if (batch && batch.undo === entry.body.posting) takeBack(batch, batches, cards);
    }
  },
};

/** The last step that the service knows of a batch is taken back, as far as can be told here which one it was. @param {BatchView} batch @param {Map<string, BatchView>} batches @param {Map<string, CardView>} cards */
function takeBack(batch, batches, cards) {
  if (batch.state === 'weighed_out') step(batch.id, batches, cards, { state: 'in_drum', weighed_out_g: null, verdict: null, loss: null, undo: null });
  else if (batch.sample_g > 0) change(batch.id, batches, { undo: null });
  else if (batch.state === 'in_drum') step(batch.id, batches, cards, { state: 'weighed_in', started_at: null, undo: null });
  else undoWeighIn(batch, batches, cards);
}

/** @param {BatchView} batch @param {Map<string, BatchView>} batches @param {Map<string, CardView>} cards */
function undoWeighIn(batch, batches, cards) {
  change(batch.id, batches, { state: 'undone', undo: null });
  const card = batch.card ? cards.get(batch.card) : undefined;
  if (card) Object.assign(card, { state: 'planned', batch: null });
}

/** @param {string} id @param {Map<string, BatchView>} batches @param {Partial<BatchView>} news */
function change(id, batches, news) {
  const batch = batches.get(id);
  if (batch) batches.set(id, { ...batch, ...news, kept: true });
  return batch;
}

/** @param {string} id @param {Map<string, BatchView>} batches @param {Map<string, CardView>} cards @param {Partial<BatchView>} news */
function step(id, batches, cards, news) {
  const batch = change(id, batches, news);
  const card = batch?.card ? cards.get(batch.card) : undefined;
  if (card && news.state && news.state !== 'undone') card.state = news.state;
}

/** A batch that only this tablet knows yet. @param {Known} known @param {any} body @returns {BatchView} */
function madeHere(known, body) {
  const lot = known.lots.find((each) => each.id === body.lot);
  /** @param {Named[]} list @param {string|undefined} id @returns {Named} */
  const named = (list, id) => list.find((each) => each.id === id) ?? { id: id ?? '', name: '?' };
  const { id, name } = named(known.lots, body.lot);
  return {
    id: body.batch, state: 'weighed_in', card: body.card ?? null, lot: { id, name }, coffee: named(known.coffees, lot?.coffee), grade: lot?.grade ?? '',
    style: named(known.styles, body.style), roaster: named(known.roasters, body.roaster), weighed_in_g: gramsOf(body.weight, known.scales), weighed_out_g: null,
    sample_g: 0, loss: null, weighed_in_at: body.happened_at, started_at: null, weighed_out_at: null, day: body.happened_at.slice(0, 10), verdict: null, hold: null,
    review: null, reckoned: body.weight.basis === 'reckoned', roasted_left_g: 0, undo: null, kept: true,
  };
}

/**
 * The numbers that judge a batch without the service: from its own card, or from any card of the same roaster, style and coffee.
 * @param {BatchView} batch @param {CardView[]} cards @returns {RangeCard|null}
 */
export function rangeFor(batch, cards) {
  const like = [...cards.filter((card) => card.id === batch.card), ...cards.filter((card) => card.roaster.id === batch.roaster.id && card.style.id === batch.style.id)];
  for (const card of like) {
    if (card.roaster.id !== batch.roaster.id || card.style.id !== batch.style.id) continue;
    const found = card.ranges.find((range) => range.lot === batch.lot.id);
    if (found) return found;
  }
  return null;
}

/**
 * The verdict over one reading for one or several batches, or null when the cards do not carry the numbers.
 * @param {BatchView[]} batches @param {number} out_g @param {CardView[]} cards @returns {Verdict|null}
 */
export function verdictHere(batches, out_g, cards) {
  const first = batches[0];
  const range = first ? rangeFor(first, cards) : null;
  if (!range) return null;
  const green = batches.reduce((sum, batch) => sum + batch.weighed_in_g, 0);
  const samples = batches.reduce((sum, batch) => sum + batch.sample_g, 0);
  return judge(range, green, out_g + samples);
}

/** The order of the day: by day, then start, then roaster. @param {CardView} a @param {CardView} b */
export const byStart = (a, b) => `${a.day} ${a.start} ${a.roaster.name}`.localeCompare(`${b.day} ${b.start} ${b.roaster.name}`);

/** That a batch is on hold, and why if its verdict does not say so already. @param {BatchView} batch */
export function holdText({ hold, verdict }) {
  if (!hold) return '';
  return hold.reason === verdict?.sentence ? T.words.onHold : `${T.words.onHold}: ${hold.reason}`;
}

/** What may be roasted together: batches of the same lot, style and roaster. @param {BatchView} a @param {BatchView} b */
export const sameRun = (a, b) => a.lot.id === b.lot.id && a.style.id === b.style.id && a.roaster.id === b.roaster.id;
