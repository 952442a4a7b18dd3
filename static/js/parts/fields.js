/** Edit fields: each knows how to show a value, read it back in the service's units, and say what is wrong with it. */
import { button, freshId, h, veiled } from '../dom.js';
import { editable, GRAMS, milligrams, minorDigits, minorOf, noNumber, number, parseNumber, siteUnit } from '../format.js';
import { T } from '../texts.js';
import './weight-entry.js';

/**
 * What one field is. `kind` decides how it looks and reads:
 * text, secret (hidden while it is typed), long, whole, decimal, mass (grams, shown in `unit` or the site's), percent (a fraction), day, month, time, check,
 * choice and many (of `options`), money, hours (a week), span (from/to or closed), group and rows (of `fields`), weight.
 * @typedef {object} Field
 * @property {string} name
 * @property {string} label
 * @property {string} kind
 * @property {string} [help]
 * @property {boolean} [optional]
 * @property {boolean} [wide]
 * @property {{value: string, label: string, past?: boolean}[]} [options] one that is `past` is offered only where it was chosen before, and only by many
 * @property {string} [none] the label of "no choice"; with it the value may be null
 * @property {Field[]} [fields]
 * @property {string} [add] label of the button that adds a row, or of the tick that opens an optional group
 * @property {number} [least] least number of rows, or the least that a number may be: 0 unless said otherwise
 * @property {number} [most] the most that a number may be
 * @property {string} [like] the field of a day that this day is taken from while it is empty
 * @property {{name: string, is: string[]}} [when] the choice beside it, and what must be chosen there for this to be asked at all
 * @property {(read: () => any) => Field[]} [seed]
 * @property {'g'|'kg'|'lb'} [unit]
 * @property {string} [unitOf] the choice of the same form that says the unit of a mass
 * @property {string} [currency]
 * @property {any} [start] the value of a new record
 * @property {import('../types.js').Scale[]} [scales]
 * @property {string[]} [bases]
 * @property {string} [list] id of a datalist
 * @property {string} [autocomplete] what a browser may fill a secret in with
 * @property {boolean} [digits] whether a secret is made of digits
 */

/**
 * @typedef {object} Control
 * @property {HTMLElement} element
 * @property {() => any} read the value in the service's form, `undefined` for "left out"; throws Wrong
 * @property {(path: string[], text: string) => boolean} blame puts an error where the path leads; false if it leads nowhere
 * @property {() => void} clear takes all errors away
 * @property {(unit: 'g'|'kg'|'lb') => void} [inUnit] takes what is typed for a mass in another unit
 */

/** What was typed cannot be read. It is already shown at its field. */
export class Wrong extends Error {}

/** @type {Record<string, (field: Field, value: any) => Control>} */
const KINDS = { check, choice, many, money, hours, span, group, rows, weight, mass, percent, whole, decimal, day: plain('date'), month: plain('month'), time: plain('time'), text: plain('text'), secret, long };

/** @param {Field} field @param {any} value @returns {Control} */
export function control(field, value) {
  const make = KINDS[field.kind];
  if (!make) throw new Error(`no field of kind ${field.kind}`);
  return make(field, value);
}

/**
 * A label, the input, help and a place for the error, tied together for screen readers.
 * @param {Field} field @param {HTMLInputElement|HTMLSelectElement|HTMLTextAreaElement} input @param {() => any} read
 * @param {string} [unit]
 * @param {HTMLElement} [frame] what stands in the input's place, with the input in it
 * @returns {Control}
 */
function labelled(field, input, read, unit, frame = input) {
  const id = freshId('field');
  const error = h('p', { class: 'error', id: `${id}-error`, hidden: true });
  const help = field.help ? h('p', { class: 'help', id: `${id}-help` }, field.help) : null;
  input.id = id;
  input.name = field.name;
  const described = [help ? `${id}-help` : '', `${id}-error`].filter(Boolean).join(' ');
  input.setAttribute('aria-describedby', described);
  if (!field.optional && field.kind !== 'check') input.setAttribute('aria-required', 'true');
  const label = h('label', { for: id }, field.label, unit ? h('span', { class: 'unit' }, ` (${unit})`) : null, field.optional ? h('span', { class: 'optional' }, ` ${T.form.optional}`) : null);
  const element = h('div', { class: `field kind-${field.kind}${field.wide ? ' wide' : ''}` }, ...(field.kind === 'check' ? [frame, label] : [label, frame]), help, error);
  /** @param {string} text */
  const say = (text) => {
    error.textContent = text;
    error.hidden = false;
    input.setAttribute('aria-invalid', 'true');
  };
  return {
    element,
    read: () => {
      try {
        return read();
      } catch (wrong) {
        if (wrong instanceof Wrong) say(wrong.message);
        throw wrong;
      }
    },
    blame: (path, text) => {
      say(text);
      return true;
    },
    clear: () => {
      error.hidden = true;
      input.removeAttribute('aria-invalid');
    },
  };
}

/** @param {Field} field @param {string} text */
function needed(field, text) {
  if (text === '' && !field.optional) throw new Wrong(T.form.needed);
  return text === '' ? undefined : text;
}

/** @param {string} type @returns {(field: Field, value: any) => Control} */
function plain(type) {
  return (field, value) => {
    const input = h('input', { type, value: value ?? '', autocomplete: 'off', list: field.list });
    return labelled(field, input, () => needed(field, input.value.trim()));
  };
}

/** What is typed is taken as it is, blanks too. @param {Field} field @returns {Control} */
function secret(field) {
  const input = h('input', { autocomplete: field.autocomplete ?? 'off', inputmode: field.digits ? 'numeric' : undefined, spellcheck: 'false' });
  return labelled(field, input, () => needed(field, input.value), undefined, veiled(input, T.access));
}

/** @param {Field} field @param {any} value @returns {Control} */
function long(field, value) {
  const input = h('textarea', { rows: 3, value: value ?? '' });
  return labelled(field, input, () => needed(field, input.value.trim()));
}

/**
 * A number field that accepts comma or point, keeps what was typed until it can be read, and says its bounds in the unit in which it was typed.
 * @param {Field} field @param {number|null|undefined} shown @param {(typed: number) => any} convert @param {string} [unit]
 * @param {{digits: number, was: () => any}} [rounded] how many digits are shown, and the value that stays while nobody changes them, if it stays
 */
function numeric(field, shown, convert, unit, rounded) {
  const { least = 0, most } = field;
  const first = shown === null || shown === undefined ? '' : editable(shown, rounded?.digits);
  const input = h('input', { type: 'text', inputmode: 'decimal', autocomplete: 'off', value: first });
  return labelled(field, input, () => {
    const text = needed(field, input.value.trim());
    if (text === undefined) return undefined;
    const was = text === first ? rounded?.was() : undefined;
    if (was !== undefined && was !== null) return was;
    const typed = parseNumber(text);
    if (typed === null) throw new Wrong(noNumber(text));
    if (typed < least) throw new Wrong(T.form.tooSmall(number(least)));
    if (most !== undefined && typed > most) throw new Wrong(T.form.tooLarge(number(most)));
    return convert(typed);
  }, unit);
}

/** @param {Field} field @param {any} value */
function decimal(field, value) {
  return numeric(field, value, (typed) => typed);
}

/** More than any roastery counts of days, minutes or sacks; fields of bags say more. */
const MOST_COUNTED = 10_000;

/** @param {Field} field @param {any} value */
function whole(field, value) {
  return numeric({ most: MOST_COUNTED, ...field }, value, (typed) => {
    if (!Number.isInteger(typed)) throw new Wrong(T.form.noWhole);
    return typed;
  });
}

/** @param {Field} field @param {any} grams */
function mass(field, grams) {
  const first = field.unit ?? siteUnit();
  let unit = first;
  const shown = grams === null || grams === undefined ? grams : grams / GRAMS[unit];
  const made = numeric(field, shown, (typed) => milligrams(typed * GRAMS[unit]), unit, { digits: 3, was: () => (unit === first ? grams : undefined) });
  const said = made.element.querySelector('.unit');
  return { ...made, inUnit: (/** @type {'g'|'kg'|'lb'} */ next) => {
    unit = next;
    if (said) said.textContent = ` (${next})`;
  } };
}

/** @param {Field} field @param {any} share */
function percent(field, share) {
  const shown = share === null || share === undefined ? share : Math.round(share * 1e8) / 1e6;
  return numeric({ most: 100, ...field }, shown, (typed) => Math.round(typed * 1e4) / 1e6, '%');
}

/** @param {Field} field @param {any} value @returns {Control} */
function money(field, value) {
  const currency = value?.currency ?? field.currency ?? 'EUR';
  const digits = minorDigits(currency);
  return numeric(field, value ? value.minor / 10 ** digits : undefined, (typed) => {
    const minor = minorOf(typed, currency);
    if (minor === null) throw new Wrong(T.form.tooFine(currency, digits));
    return { minor, currency };
  }, currency);
}

/** @param {Field} field @param {any} value @returns {Control} */
function check(field, value) {
  const input = h('input', { type: 'checkbox', checked: Boolean(value) });
  return labelled(field, input, () => input.checked);
}

/** @param {Field} field @param {any} value @returns {Control} */
function choice(field, value) {
  const options = field.options ?? [];
  // Where there is one way only, nobody needs to choose it.
  if ((value ?? '') === '' && options.length === 1 && !field.optional && field.none === undefined) value = options[0]?.value;
  const known = options.some((each) => each.value === (value ?? ''));
  const lead = field.none !== undefined || !known ? h('option', { value: '' }, field.none ?? T.form.choose) : null;
  if (options.length === 0 && !field.optional && field.none === undefined) field = { ...field, help: T.form.noneYet };
  const input = h('select', {}, lead, options.map((each) => h('option', { value: each.value }, each.label)));
  input.value = known ? value ?? '' : '';
  return labelled(field, input, () => needed({ ...field, optional: field.optional || field.none !== undefined }, input.value));
}

/**
 * A titled box around fields whose errors it holds itself when they cannot be placed deeper.
 * @param {Field} field @param {Child[]} inside
 * @typedef {import('../dom.js').Child} Child
 */
function box(field, ...inside) {
  const error = h('p', { class: 'error', hidden: true });
  const element = h('fieldset', { class: `box kind-${field.kind}` }, h('legend', {}, field.label, field.optional ? h('span', { class: 'optional' }, ` ${T.form.optional}`) : null), field.help ? h('p', { class: 'help' }, field.help) : null, ...inside, error);
  return {
    element,
    /** @param {string} text */
    say: (text) => {
      error.textContent = text;
      error.hidden = false;
      return true;
    },
    hush: () => {
      error.hidden = true;
    },
  };
}

/** @param {Field} field @param {any} value @returns {Control} */
function many(field, value) {
  const chosen = new Set(value ?? []);
  const offered = (field.options ?? []).filter((each) => !each.past || chosen.has(each.value));
  const boxes = offered.map((each) => h('input', { type: 'checkbox', value: each.value, checked: chosen.has(each.value) }));
  const { element, say, hush } = box(field, h('div', { class: 'many' }, boxes.map((input, i) => h('label', { class: 'tick' }, input, offered[i]?.label ?? ''))));
  return {
    element,
    read: () => {
      const picked = boxes.filter((input) => input.checked).map((input) => input.value);
      return picked.length === 0 && field.optional ? undefined : picked;
    },
    blame: (path, text) => say(text),
    clear: hush,
  };
}

/** Opening hours of one day: two times, or closed. @param {Field} field @param {any} value @returns {Control} */
function span(field, value) {
  const open = h('input', { type: 'checkbox', checked: Boolean(value), 'aria-label': `${field.label}: ${T.form.open}` });
  const from = h('input', { type: 'time', value: value?.from ?? '', 'aria-label': `${field.label}: ${T.form.from}` });
  const to = h('input', { type: 'time', value: value?.to ?? '', 'aria-label': `${field.label}: ${T.form.to}` });
  const error = h('p', { class: 'error', hidden: true });
  const follow = () => {
    from.disabled = to.disabled = !open.checked;
    if (open.checked && !from.value) from.value = '07:00';
    if (open.checked && !to.value) to.value = '15:00';
  };
  open.addEventListener('change', follow);
  if (!value) from.disabled = to.disabled = true;
  const element = h('div', { class: 'span-row' }, h('label', { class: 'tick' }, open, field.label), from, h('span', { 'aria-hidden': 'true' }, '–'), to, error);
  return {
    element,
    read: () => (open.checked ? { from: from.value, to: to.value } : null),
    blame: (path, text) => {
      error.textContent = text;
      error.hidden = false;
      return true;
    },
    clear: () => {
      error.hidden = true;
    },
  };
}

/** The hours of a week, Monday first. @param {Field} field @param {any} value @returns {Control} */
function hours(field, value) {
  const spans = T.weekdays.map((label, i) => span({ name: String(i), kind: 'span', label }, value?.[i] ?? null));
  const { element, say, hush } = box(field, spans.map((each) => each.element));
  return {
    element,
    read: () => spans.map((each) => each.read()),
    blame: ([index, ...rest], text) => spans[Number(index)]?.blame(rest, text) ?? say(text),
    clear: () => {
      hush();
      spans.forEach((each) => each.clear());
    },
  };
}

/**
 * Several fields read as one object.
 * @param {Field[]} fields @param {any} value
 */
export function together(fields, value) {
  const known = (/** @type {Field|undefined} */ field) => field && (value?.[field.name] ?? field.start);
  const parts = fields.map((field) => {
    const unit = field.unitOf ? known(fields.find((each) => each.name === field.unitOf)) : field.unit;
    return { field, control: control({ ...field, unit }, known(field)) };
  });
  const inputOf = (/** @type {string} */ name) => parts.find((part) => part.field.name === name)?.control.element.querySelector('input, select');
  const asked = (/** @type {Field} */ { when }) => !when || when.is.includes(/** @type {HTMLSelectElement|null} */ (inputOf(when.name))?.value ?? '');
  for (const { field, control: each } of parts) {
    const { when, like, unitOf } = field;
    if (when) {
      const follow = () => {
        each.element.hidden = !asked(field);
      };
      inputOf(when.name)?.addEventListener('change', follow);
      follow();
    }
    if (like) proposes(/** @type {HTMLInputElement|null} */ (inputOf(like)), /** @type {HTMLInputElement|null} */ (inputOf(field.name)));
    const unit = unitOf ? /** @type {HTMLSelectElement|null} */ (inputOf(unitOf)) : null;
    unit?.addEventListener('change', () => each.inUnit?.(/** @type {'g'|'kg'|'lb'} */ (unit.value)));
  }
  return {
    elements: parts.map((part) => part.control.element),
    read: () => {
      /** @type {Record<string, any>} */
      const out = {};
      let wrong = null;
      for (const { field, control: each } of parts.filter((part) => asked(part.field))) {
        try {
          const got = each.read();
          if (got !== undefined) out[field.name] = got;
        } catch (error) {
          if (!(error instanceof Wrong)) throw error;
          wrong ??= error;
        }
      }
      if (wrong) throw wrong;
      return out;
    },
    /** @param {string[]} path @param {string} text */
    blame: ([name, ...rest], text) => {
      const part = parts.find((each) => each.field.name === name);
      return part ? part.control.blame(rest, text) : false;
    },
    clear: () => parts.forEach((part) => part.control.clear()),
  };
}

/** What is chosen in one field is proposed in another while nobody has said otherwise there. @param {HTMLInputElement|null|undefined} from @param {HTMLInputElement|null|undefined} to */
function proposes(from, to) {
  let proposed = '';
  from?.addEventListener('change', () => {
    if (!to || (to.value !== '' && to.value !== proposed)) return;
    proposed = from.value;
    to.value = proposed;
  });
}

/** Fields that are all there or, where the group is optional and not ticked, all left out. @param {Field} field @param {any} value @returns {Control} */
function group(field, value) {
  const inner = together(field.fields ?? [], value);
  const fields = h('div', { class: 'fields', hidden: Boolean(field.optional && !value) }, inner.elements);
  const used = h('input', { type: 'checkbox', checked: Boolean(value), on: { change: () => { fields.hidden = !used.checked; } } });
  const { element, say, hush } = box(field, field.optional ? h('label', { class: 'tick' }, used, field.add ?? field.label) : null, fields);
  return {
    element,
    read: () => (fields.hidden ? undefined : inner.read()),
    blame: (path, text) => inner.blame(path, text) || say(text),
    clear: () => {
      hush();
      inner.clear();
    },
  };
}

/** Any number of rows of the same fields. @param {Field} field @param {any[]} value @returns {Control} */
function rows(field, value) {
  /** @type {{inner: ReturnType<typeof together>, element: HTMLElement, remover: HTMLElement}[]} */
  let all = [];
  /** Each row's button says which row it removes. */
  const rename = () => all.forEach(({ remover }, i) => remover.setAttribute('aria-label', `${T.form.removeRow}: ${field.label} ${i + 1}`));
  const list = h('ol', { class: 'rows' });
  const single = field.fields?.length === 1 && field.fields[0]?.name === '';
  /** @param {any} [start] */
  const add = (start) => {
    const inner = together(field.fields ?? [], single && start !== undefined ? { '': start } : start);
    const element = h('li', {}, h('div', { class: 'fields' }, inner.elements));
    const remover = button(T.form.removeRow, () => {
      all = all.filter((each) => each !== row);
      element.remove();
      rename();
      adder.focus();
    }, { kind: 'quiet' });
    const row = { inner, element, remover };
    element.append(remover);
    all.push(row);
    list.append(element);
    rename();
    return element;
  };
  const adder = button(field.add ?? T.form.addRow, () => {
    const made = add();
    made.querySelector('input, select')?.dispatchEvent(new Event('focus'));
    const first = made.querySelector('input, select');
    if (first instanceof HTMLElement) first.focus();
  });
  const { element, say, hush } = box(field, list, adder);
  for (const each of value ?? []) add(each);
  while (all.length < (field.least ?? 0)) add();
  return {
    element,
    read: () => {
      const read = all.map((row) => row.inner.read());
      if (read.length === 0 && field.optional) return undefined;
      return single ? read.map((each) => each['']) : read;
    },
    blame: ([index, ...rest], text) => all[Number(index)]?.inner.blame(rest, text) || say(text),
    clear: () => {
      hush();
      all.forEach((row) => row.inner.clear());
    },
  };
}

/** A weight with its basis. @param {Field} field @param {any} value @returns {Control} */
function weight(field, value) {
  const entry = /** @type {import('./weight-entry.js').WeightEntry} */ (document.createElement('weight-entry'));
  entry.begin({ scales: field.scales ?? [], bases: field.bases ?? ['weighed', 'nominal', 'reckoned'], start: value });
  const { element, say, hush } = box(field, entry);
  return {
    element,
    read: () => {
      const got = entry.weight();
      if (!got.weight) {
        if (field.optional && got.empty) return undefined;
        say(got.text);
        throw new Wrong(got.text);
      }
      return got.weight;
    },
    blame: (path, text) => say(text),
    clear: hush,
  };
}
