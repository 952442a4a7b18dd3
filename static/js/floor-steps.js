/** What one tap does on the floor: posting, the further tap, into the drum, undo, hold, pass, scrap, samples, waste, a lot used up. */
import { Problem, uuid7 } from './api.js';
import { button, goOnAt, h } from './dom.js';
import { floor, lotOption, places } from './floor-shared.js';
import { begin } from './floor-weigh.js';
import { mass } from './format.js';
import { askForm } from './forms.js';
import { post } from './kept.js';
import { inWords, tell } from './parts/page-frame.js';
import { T } from './texts.js';
import { finestFirst, sampleDoubt } from './weighing.js';

/** @import { BatchView } from './types.js' */

/**
 * Where a refusal goes: to the pad (which keeps what was typed), to the foot of the page, or to the form that asked.
 * @typedef {{busy: (busy: boolean) => void, refuse: (text: string, error: unknown) => void}} Refusing
 */
/** @type {Refusing} */
export const TOLD = { busy: () => {}, refuse: (text) => tell(text) };
/** @type {Refusing} */
export const THROWN = { busy: () => {}, refuse: (text, error) => {
  throw error;
} };

/**
 * Posts, and asks for the further tap when the service wants one. What was typed stays in the pad.
 * @param {Parameters<typeof post>[0]} what @param {Refusing} to
 * @returns {Promise<import('./kept.js').Outcome|null>}
 */
export async function send(what, to) {
  to.busy(true);
  try {
    return await post(what);
  } catch (error) {
    if (error instanceof Problem && error.confirm.length) {
      if (!(await further(error.message))) return null;
      const confirmed = [...(/** @type {any} */ (what.fields).confirmed ?? []), ...error.confirm];
      return await send({ ...what, fields: { ...what.fields, confirmed } }, to);
    }
    to.refuse(inWords(error), error);
    return null;
  } finally {
    to.busy(false);
  }
}

/** One further tap on the facts. @param {string} sentence @returns {Promise<boolean>} */
function further(sentence) {
  return new Promise((resolve) => {
    const back = button(T.floor.back, () => dialog.close(''), { class: 'button plain huge' });
    /** @type {HTMLDialogElement} */
    const dialog = h('dialog', { class: 'sheet further', 'aria-label': T.floor.further }, h('p', { class: 'words' }, sentence), h('div', { class: 'actions' },
      button(T.form.allTheSame, () => dialog.close('yes'), { kind: 'main', class: 'button main huge' }), back));
    dialog.addEventListener('close', () => {
      dialog.remove();
      resolve(dialog.returnValue === 'yes');
    });
    document.body.append(dialog);
    dialog.showModal();
    // A scale that types may send Enter twice: the second must book nothing.
    back.focus();
  });
}

/** @param {string} batch */
export async function start(batch) {
  const outcome = await send({ kind: 'starts', batches: [batch], fields: { batch } }, TOLD);
  if (!outcome) return;
  places.answer.replaceChildren();
  floor.draw();
  goOnAt(places.drums.querySelector(`[data-key="out-${batch}"]`));
  await floor.reload();
}

/** Takes the last posting of a batch back, and says whether it could. @param {string} posting @param {string[]} batches */
export async function undo(posting, batches) {
  const outcome = await send({ kind: 'reversals', batches, fields: { posting } }, TOLD);
  if (!outcome) return false;
  const said = h('p', { class: 'words quiet', role: 'status', tabindex: -1 }, T.floor.undone);
  places.answer.replaceChildren(said);
  goOnAt(said);
  await floor.reload();
  return true;
}

/** What else can be done with a batch. @param {BatchView} batch */
export function more(batch) {
  const out = batch.state === 'weighed_out';
  /** @param {string} kind @param {string} title @param {boolean} [optional] */
  const withReason = (kind, title, optional = false) => () => askForm({ title, lead: `${batch.lot.name} · ${batch.style.name}`, fields: [{ name: 'reason', kind: 'text', label: T.words.reason, wide: true, optional }],
    save: async ({ reason }) => {
      await post({ kind, batches: [batch.id], fields: { batch: batch.id, ...(reason ? { reason } : {}) } });
      await floor.reload();
    } });
  return h('details', { class: 'more', 'data-key': `more-${batch.id}` }, h('summary', { 'aria-label': `${T.floor.more}: ${batch.lot.name}` }, T.floor.more), h('div', { class: 'more-list' },
    !out && batch.state === 'weighed_in' ? button(T.floor.weighOut, () => begin({ way: 'out', batches: [batch.id] })) : null,
    out ? null : button(T.floor.sample, () => draught('samples', T.floor.sample, batch)),
    out ? button(T.floor.waste, () => draught('wastes', T.floor.waste, batch)) : null,
    batch.hold ? button(T.floor.pass, withReason('passes', T.floor.pass)) : out ? button(T.floor.hold, withReason('holds', T.floor.hold)) : null,
    button(T.floor.scrap, withReason('scraps', T.floor.scrap, true)),
    batch.undo ? button(T.floor.undoLast, () => undo(/** @type {string} */ (batch.undo), [batch.id])) : null));
}

/** Coffee taken out of a batch or a lot: a sample or waste. @param {'samples'|'wastes'} kind @param {string} title @param {BatchView|null} batch */
export function draught(kind, title, batch) {
  const lots = floor.known.lots.filter((lot) => !lot.retired && !lot.used_up);
  /** @type {import('./parts/fields.js').Field[]} */
  const from = batch ? [] : [{ name: 'lot', kind: 'choice', label: T.words.lot, options: lots.map(lotOption) }];
  askForm({
    title, lead: batch ? `${batch.lot.name} · ${batch.style.name}` : undefined,
    fields: [...from, { name: 'weight', kind: 'weight', label: T.words.weight, scales: finestFirst(floor.known.scales), bases: ['weighed', 'reckoned'] }, ...(kind === 'samples' ? [{ name: 'purpose', kind: 'text', label: T.words.purpose, optional: true }] : [])],
    doubt: ({ weight }) => sampleDoubt(kind, weight, floor.known.scales),
    save: async ({ lot, ...rest }, confirmed) => {
      const of = batch ? { batch: batch.id } : { lot, storeroom: floor.known.lots.find((each) => each.id === lot)?.storeroom };
      await post({ kind, batches: batch ? [batch.id] : [`lot:${lot}`], fields: { ...of, ...rest, ...(confirmed.length ? { confirmed } : {}) } });
      tell(T.form.saved);
      await floor.reload();
    },
  });
}

export function usedUp() {
  const lots = floor.known.lots.filter((lot) => !lot.retired && (lot.store_g ?? 0) > 0);
  askForm({
    title: T.floor.usedUp, lead: T.floor.usedUpLead, go: T.floor.usedUp, fields: [{ name: 'lot', kind: 'choice', label: T.words.lot, options: lots.map(lotOption) }],
    save: async ({ lot }, confirmed) => {
      const id = uuid7();
      const outcome = await post({ kind: 'used-ups', id, batches: [`lot:${lot}`], fields: { lot, storeroom: lots.find((each) => each.id === lot)?.storeroom, ...(confirmed.length ? { confirmed } : {}) } });
      const posting = outcome.answer?.posting;
      tell(T.floor.usedUpSaid(mass(outcome.answer?.difference_g)), ...(posting ? [button(T.floor.undo, async () => {
        if (await undo(typeof posting === 'string' ? posting : posting.id ?? id, [`lot:${lot}`])) tell(T.floor.undone);
      })] : []));
      await floor.reload();
    },
  });
}
