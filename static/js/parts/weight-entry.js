/** `<weight-entry>`: a weight in a form: weighed on a scale in one or several readings, so many sacks, or reckoned. */
import { button, h, freshId } from '../dom.js';
import { editable, GRAMS, mass, milligrams, noNumber, parseNumber, siteUnit } from '../format.js';
import { T } from '../texts.js';
import { netGrams, scaleText } from '../weighing.js';

/** @import { Reading, Scale, Weight } from '../types.js' */
/** @typedef {{weight: Weight, grams: number} | {weight: null, empty: boolean, text: string}} Entered */

/** Where a page remembers its scale: who counts sacks, counts the next one on the same. */
const lastScale = () => `outturn.scale.${location.pathname}`;

export class WeightEntry extends HTMLElement {
  /** @type {Scale[]} */
  #scales = [];
  /** @type {'weighed'|'nominal'|'reckoned'} */
  #basis = 'weighed';
  #scale = '';
  #body = h('div', { class: 'weight-body' });
  #sum = h('p', { class: 'weight-sum', 'aria-live': 'polite' });
  /** @type {() => Entered} */
  #read = () => ({ weight: null, empty: true, text: T.weight.missing });

  /** @param {{scales: Scale[], bases: string[], start?: {packing?: {sacks: number, sack_g: number, loose_g: number}}}} what */
  begin({ scales, bases, start }) {
    this.#scales = scales.filter((each) => !each.retired);
    const usable = bases.filter((each) => each !== 'weighed' || this.#scales.length > 0);
    this.#basis = /** @type {any} */ (usable[0] ?? 'reckoned');
    const last = localStorage.getItem(lastScale());
    this.#scale = (this.#scales.find((each) => each.id === last) ?? this.#scales[0])?.id ?? '';
    const name = freshId('basis');
    const ways = h('div', { class: 'ways', role: 'radiogroup', 'aria-label': T.weight.basis }, usable.map((each) => h('label', { class: 'tick' },
      h('input', { type: 'radio', name, value: each, checked: each === this.#basis, on: { change: () => {
        this.#basis = /** @type {any} */ (each);
        this.#lay(start);
      } } }), T.weight.ways[/** @type {'weighed'} */ (each)])));
    this.replaceChildren(...(usable.length > 1 ? [ways] : []), this.#body, this.#sum);
    this.addEventListener('input', () => this.#add());
    this.#lay(start);
  }

  /** What was entered, or what is wrong with it. @returns {Entered} */
  weight() {
    return this.#read();
  }

  #add() {
    const got = this.#read();
    this.#sum.textContent = got.weight ? T.weight.sum(mass(got.grams)) : '';
  }

  /** @param {any} start */
  #lay(start) {
    if (this.#basis === 'weighed') this.#layWeighed();
    else if (this.#basis === 'nominal') this.#layNominal(start?.packing);
    else this.#layReckoned();
    this.#add();
  }

  /** @param {string[]} [typed] what was typed already, when another scale is chosen */
  #layWeighed(typed = ['']) {
    const scale = () => /** @type {Scale} */ (this.#scales.find((each) => each.id === this.#scale));
    const list = h('ol', { class: 'readings' });
    const more = (typed = '') => {
      const gross = h('input', { type: 'text', inputmode: 'decimal', autocomplete: 'off', name: 'gross', value: typed, 'aria-label': T.weight.gross(scale().unit) });
      const container = h('select', { name: 'container', 'aria-label': T.weight.container, on: { change: () => this.#add() } },
        h('option', { value: '' }, T.weight.noContainer), scale().containers.map((each) => h('option', { value: each.name }, `${each.name} (${mass(each.tare_g)})`)));
      const row = h('li', {}, h('label', {}, gross, ` ${scale().unit}`), scale().containers.length ? container : null);
      list.append(row);
      return gross;
    };
    const pick = h('select', { name: 'scale', 'aria-label': T.weight.scale, on: { change: (/** @type {any} */ event) => {
      this.#scale = event.target.value;
      localStorage.setItem(lastScale(), this.#scale);
      this.#layWeighed([...list.querySelectorAll('input')].map((input) => input.value));
      this.#add();
      this.querySelector('select')?.focus();
    } } }, this.#scales.map((each) => h('option', { value: each.id, selected: each.id === this.#scale }, each.name)));
    this.#body.replaceChildren(h('label', { class: 'inline' }, T.weight.scale, ' ', pick), list, button(T.weight.another, () => more().focus(), { kind: 'quiet' }));
    for (const each of typed) more(each);
    this.#read = () => readRows(list, scale());
  }

  /** @param {{sacks: number, sack_g: number, loose_g: number}|undefined} packing */
  #layNominal(packing) {
    const unit = siteUnit();
    const sacks = h('input', { type: 'text', inputmode: 'numeric', name: 'sacks', autocomplete: 'off' });
    const each = h('input', { type: 'text', inputmode: 'decimal', name: 'sack', autocomplete: 'off', value: packing ? editable(packing.sack_g / GRAMS[unit]) : '' });
    const loose = h('input', { type: 'text', inputmode: 'decimal', name: 'loose', autocomplete: 'off' });
    this.#body.replaceChildren(h('label', { class: 'inline' }, T.weight.sacks, ' ', sacks), h('label', { class: 'inline' }, `${T.weight.sackMass} (${unit}) `, each), h('label', { class: 'inline' }, `${T.weight.loose} (${unit}) `, loose));
    this.#read = () => {
      const count = parseNumber(sacks.value || '0');
      const one = parseNumber(each.value || '0');
      const rest = parseNumber(loose.value || '0');
      if (count === null || one === null || rest === null) return { weight: null, empty: false, text: noNumber([sacks, each, loose].find((input) => parseNumber(input.value || '0') === null)?.value ?? '') };
      if (!Number.isInteger(count)) return { weight: null, empty: false, text: T.form.noWhole };
      const weight = { basis: /** @type {const} */ ('nominal'), sacks: count, sack_g: milligrams(one * GRAMS[unit]), loose_g: milligrams(rest * GRAMS[unit]) };
      const grams = weight.sacks * weight.sack_g + weight.loose_g;
      return grams > 0 ? { weight, grams } : { weight: null, empty: !sacks.value && !loose.value, text: T.weight.missing };
    };
  }

  #layReckoned() {
    const unit = siteUnit();
    const input = h('input', { type: 'text', inputmode: 'decimal', name: 'reckoned', autocomplete: 'off' });
    this.#body.replaceChildren(h('label', { class: 'inline' }, `${T.weight.mass} (${unit}) `, input));
    this.#read = () => {
      if (!input.value.trim()) return { weight: null, empty: true, text: T.weight.missing };
      const value = parseNumber(input.value);
      if (value === null) return { weight: null, empty: false, text: noNumber(input.value) };
      const grams = milligrams(value * GRAMS[unit]);
      return { weight: { basis: 'reckoned', mass_g: grams }, grams };
    };
  }
}

/** @param {HTMLElement} list @param {Scale} scale @returns {Entered} */
function readRows(list, scale) {
  /** @type {Reading[]} */
  const readings = [];
  let sent = false;
  for (const row of list.children) {
    const gross = /** @type {HTMLInputElement} */ (row.querySelector('input')).value;
    const container = row.querySelector('select')?.value || null;
    const read = scaleText(gross, scale.unit);
    if ('wrong' in read) {
      if (read.wrong === 'empty') continue;
      return { weight: null, empty: false, text: T.weight.wrong[read.wrong](scale.unit) };
    }
    sent ||= /[a-z]/i.test(gross);
    readings.push({ gross: read.gross, container });
  }
  if (readings.length === 0) return { weight: null, empty: true, text: T.weight.missing };
  const source = sent ? 'scale' : 'typed';
  return { weight: { basis: 'weighed', scale: scale.id, source, readings }, grams: netGrams(readings, scale) };
}

customElements.define('weight-entry', WeightEntry);
