/** A form in a dialog: for every record and for every command that needs more than a tap. */
import { button, freshId, h, holdFocus } from './dom.js';
import { change, command, create, happened, Problem, sentence, uuid7 } from './api.js';
import { T } from './texts.js';
import { complete } from './records.js';
import { tell, trying } from './parts/page-frame.js';
import { RecordForm } from './parts/record-form.js';

/** @typedef {import('./parts/fields.js').Field} Field */

/**
 * Opens a dialog over fields. `save` gets the values and, after a refusal that only needs a further tap, what that tap confirms.
 * The dialog closes once `save` succeeds; else it says why and keeps what was typed. `doubt` is asked before: what it says of the values needs
 * a further tap as well. A further tap is for what was typed then: whatever is changed is asked about anew.
 * @param {{title: string, lead?: string, fields: Field[], value?: any, go?: string, doubt?: (values: any) => string|null, save: (values: any, confirmed: string[]) => Promise<unknown>, more?: (Node|null)[]}} what
 * @returns {Promise<boolean>} whether it was saved
 */
export function askForm({ title, lead, fields, value, go = T.form.save, doubt = () => null, save, more = [] }) {
  const heading = freshId('title');
  const form = new RecordForm();
  form.begin(fields, value);
  const sentence = h('p', { class: 'confirm', role: 'alert', hidden: true });
  /** @type {string[]} */
  let confirmed = [];
  let asked = '';
  const submit = h('button', { class: 'button main', type: 'submit' }, go);
  /** @type {HTMLDialogElement} */
  const dialog = h('dialog', { class: 'sheet form-dialog', 'aria-labelledby': heading },
    h('form', { method: 'dialog', novalidate: true, on: { submit: onSubmit, input: askAnew } },
      h('h2', { id: heading }, title), lead ? h('p', { class: 'lead' }, lead) : null, form, ...more, sentence,
      h('div', { class: 'actions' }, submit, button(T.form.cancel, () => dialog.close()))));
  /** @param {string} words */
  function askOnce(words) {
    sentence.textContent = words;
    sentence.hidden = false;
    submit.textContent = T.form.allTheSame;
  }
  function askAnew() {
    confirmed = [];
    asked = '';
    sentence.hidden = true;
    submit.textContent = go;
  }
  /** @param {Event} event */
  async function onSubmit(event) {
    event.preventDefault();
    const values = form.read();
    if (!values || submit.disabled) return;
    const odd = doubt(values);
    if (odd && odd !== asked) {
      asked = odd;
      askOnce(odd);
      return;
    }
    submit.disabled = true;
    try {
      await save(values, confirmed);
      dialog.returnValue = 'saved';
      dialog.close('saved');
    } catch (error) {
      if (error instanceof Problem && error.confirm.length > 0) {
        confirmed = [...confirmed, ...error.confirm];
        askOnce(error.message);
      } else {
        form.refuse(error);
      }
    } finally {
      submit.disabled = false;
    }
  }
  const giveBack = holdFocus();
  document.body.append(dialog);
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener('close', () => {
      dialog.remove();
      giveBack();
      resolve(dialog.returnValue === 'saved');
    });
  });
}

/**
 * Edits a record, new (`item` null) or old. An old one is changed against the revision that was read.
 * @param {{kind: import('./records.js').Kind, item: import('./types.js').Item|null, title: string, fields: Field[], value?: any, lead?: string}} what
 */
export function editRecord({ kind, item, title, fields, value, lead }) {
  const id = item?.id ?? uuid7();
  return askForm({
    title, lead, fields, value: value ?? item ?? {},
    save: async (values, confirmed) => {
      const full = complete(kind, values);
      await (item ? change(kind, id, item.revision, strip({ ...carried(kind, item), ...blanked(fields, full) }), confirmed) : create(kind, id, full, confirmed));
      tell(T.form.saved);
    },
  });
}

/** Fields a person emptied must not be carried over from before. @param {Field[]} fields @param {any} values */
function blanked(fields, values) {
  return Object.fromEntries(fields.map((field) => [field.name, values[field.name]]));
}

/** @param {any} body */
const strip = (body) => Object.fromEntries(Object.entries(body).filter(([, value]) => value !== undefined));

/** What the service adds when it answers a record: not sent back. */
const DERIVED = new Set(['id', 'revision', 'state', 'screen_mm', 'received_day', 'ages_from', 'received_g', 'store_g', 'reserved_g', 'free_g', 'used_up', 'lasts', 'cut_off', 'frozen']);

/**
 * The fields of a record as it stands, without what is derived.
 * @param {string} kind @param {import('./types.js').Item} item
 */
export function carried(kind, item) {
  const body = Object.fromEntries(Object.entries(item).filter(([name, value]) => !DERIVED.has(name) && value !== null));
  if (kind === 'orders') body.lines = item.lines.map((/** @type {any} */ line) => ({ line: line.line, product: line.product, bags: line.bags, ...(line.grind ? { grind: line.grind } : {}) }));
  return body;
}

/**
 * Takes a record out of the choice lists or puts it back; nothing is deleted.
 * @param {string} kind @param {import('./types.js').Item} item
 */
export async function retire(kind, item) {
  const body = { ...carried(kind, item), retired: !item.retired };
  const put = async (/** @type {string[]} */ confirmed) => {
    await change(kind, item.id, item.revision, body, confirmed);
    tell(item.retired ? T.form.putBack : T.form.takenOut);
  };
  try {
    await put([]);
  } catch (error) {
    if (!(error instanceof Problem) || error.confirm.length === 0) throw error;
    await askForm({ title: `${T.form.retire}: ${item.name}`, lead: sentence(error.message), go: T.form.retire, fields: [], save: (_, more) => put([...error.confirm, ...more]) });
  }
}

/**
 * A command by form. The id stays the same over refusals and further taps, so that it happens once.
 * @param {{kind: string, title: string, lead?: string, fields: Field[], value?: any, go?: string, doubt?: (values: any) => string|null, body?: (values: any) => any, done?: (answer: any) => string}} what
 */
export function askCommand({ kind, title, lead, fields, value, go, doubt, body = (values) => values, done }) {
  const id = uuid7();
  return askForm({
    title, lead, fields, value, go, doubt,
    save: async (values, confirmed) => {
      const answer = await command(kind, id, happened({ ...body(values), ...(confirmed.length ? { confirmed } : {}) }));
      tell(done ? done(answer) : T.form.saved);
    },
  });
}

/** The way back in the line that says what was booked. @param {string} posting @param {() => unknown} after */
export const undoButton = (posting, after) => button(T.floor.undo, () => trying(async () => {
  await command('reversals', uuid7(), happened({ posting }));
  tell(T.floor.undone);
  await after();
}));
