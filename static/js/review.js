/** A person's word on a batch: what it was, with what that changes before it is said. */
import { ask, command, happened, uuid7 } from './api.js';
import { button, freshId, h, redraw } from './dom.js';
import { percent } from './format.js';
import { inWords, tell } from './parts/page-frame.js';
import { RecordForm } from './parts/record-form.js';
import { T } from './texts.js';

/** @import { BatchView, Lot } from './types.js' */

const R = T.review;
/** @typedef {keyof typeof R.words} Word */
const WORDS = /** @type {Word[]} */ (Object.keys(R.words));
const reason = /** @type {const} */ ({ name: 'reason', kind: 'text', label: T.words.reason, wide: true });

/** The fields that a word asks for. @param {Word} word @param {Lot[]} lots @returns {any[]} */
const fieldsOf = (word, lots) => ({
  weight: [{ name: 'green_g', kind: 'mass', label: R.green, optional: true }, { name: 'roasted_g', kind: 'mass', label: R.roasted, optional: true }],
  lot: [{ name: 'lot', kind: 'choice', label: R.lot, options: lots.filter((lot) => !lot.retired).map((lot) => ({ value: lot.id, label: `${lot.name} · ${lot.grade}` })) }],
  was_so: [], carried_over: [], set_aside: [],
}[word]);

/** Whether a word corrects what was booked. @param {Word} word */
const corrects = (word) => word === 'weight' || word === 'lot';

/** What a word says, without why. @param {BatchView} batch @param {Word} word @param {any} values */
const said = (batch, word, values) => ({ batch: batch.id, ...(corrects(word) ? values : { finding: word }) });

/**
 * Asks for a word on a batch and books it.
 * @param {{batch: BatchView, lead: string, lots: Lot[], word?: Word}} what
 * @returns {Promise<boolean>} whether it was said
 */
export function askReview({ batch, lead, lots, word: first = 'was_so' }) {
  const heading = freshId('title');
  /** One id for each word, kept over refusals and further taps. @type {Map<Word, string>} */
  const ids = new Map();
  let word = first;
  let form = new RecordForm();
  const why = new RecordForm();
  why.begin([reason]);
  const fields = h('div', {});
  const effect = h('div', { class: 'effect', 'aria-live': 'polite' });
  const submit = h('button', { class: 'button main', type: 'submit' }, T.form.save);
  const choose = (/** @type {Word} */ chosen) => {
    word = chosen;
    form = new RecordForm();
    form.begin(fieldsOf(word, lots), {});
    redraw(fields, form);
    redraw(effect);
    if (!corrects(word)) void look({});
  };
  /** @param {any} values */
  async function look(values) {
    const of = word;
    try {
      const answer = await ask('/api/review-previews', said(batch, of, values));
      if (of === word) redraw(effect, effectOf(answer, lots));
    } catch (error) {
      if (of === word) redraw(effect, h('p', { class: 'error' }, inWords(error)));
    }
  }
  const lookNow = button(R.look, () => {
    const values = form.read();
    if (values) void look(values);
  }, { 'data-key': 'review-look' });
  /** @type {HTMLDialogElement} */
  const dialog = h('dialog', { class: 'sheet form-dialog review', 'aria-labelledby': heading },
    h('form', { method: 'dialog', novalidate: true, on: { submit: onSubmit } }, h('h2', { id: heading }, R.title), h('p', { class: 'lead' }, lead),
      h('fieldset', { class: 'words' }, h('legend', {}, R.what), WORDS.map((each) => h('label', {}, h('input', { type: 'radio', name: 'word', value: each, checked: each === first, autofocus: each === first, on: { change: () => choose(each) } }), h('span', {}, R.words[each])))),
      fields, why, h('p', { class: 'help' }, R.help), effect, h('div', { class: 'actions' }, submit, lookNow, button(T.form.cancel, () => dialog.close()))));
  /** @param {Event} event */
  async function onSubmit(event) {
    event.preventDefault();
    const [values, because] = [form.read(), why.read()];
    if (!values || !because || submit.disabled) return;
    submit.disabled = true;
    const id = ids.get(word) ?? uuid7();
    ids.set(word, id);
    try {
      await command(corrects(word) ? 'corrections' : 'reviews', id, happened({ ...said(batch, word, values), ...because }));
      tell(T.form.saved);
      dialog.close('saved');
    } catch (error) {
      form.refuse(error);
    } finally {
      submit.disabled = false;
    }
  }
  document.body.append(dialog);
  choose(first);
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener('close', () => {
      dialog.remove();
      resolve(dialog.returnValue === 'saved');
    });
  });
}

/** @param {any} effect @param {Lot[]} lots */
function effectOf(effect, lots) {
  const name = (/** @type {string} */ id) => lots.find((lot) => lot.id === id)?.name ?? '';
  const range = (/** @type {any} */ of) => `${percent(of.mean)} (${percent(of.lo)} – ${percent(of.hi)})`;
  return [
    h('h3', {}, R.effect), effect.after ? h('p', {}, `${effect.after.sentence} ${effect.after.learned ? R.learned : R.notLearned}`) : h('p', {}, R.never),
    h('ul', {}, effect.ranges.map((/** @type {any} */ each) => h('li', {}, R.next(name(each.lot)), ' ', range(each.before) === range(each.after) ? R.stays(range(each.after)) : R.becomes(range(each.before), range(each.after))))),
  ];
}
