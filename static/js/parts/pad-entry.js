/**
 * `<pad-entry>`: weighing on the floor. The scale's window, crates with their tare, the pad of digits, and one key that saves.
 * A keyboard and a scale that types like one work without looking: digits, then Enter. No weight is ever filled in beforehand.
 */
import { button, h, redraw } from '../dom.js';
import { mass } from '../format.js';
import { T } from '../texts.js';
import { doubt, netGrams, netText, readingGrams, scaleText } from '../weighing.js';
import './digit-pad.js';
import './mass-display.js';

/** @import { Reading, Scale, Weight } from '../types.js' */
/** @import { MassDisplay } from './mass-display.js' */

/** Keys closer together than this come from a machine. */
const MACHINE_MS = 35;

export class PadEntry extends HTMLElement {
  /** @type {Scale} */
  #scale = /** @type {any} */ (null);
  /** @type {Scale[]} */
  #scales = [];
  /** @type {Reading[]} */
  #readings = [];
  /** @type {string|null} */
  #container = null;
  #typed = '';
  #machine = false;
  #lastKey = 0;
  #asked = '';
  /** @type {(weight: Weight, net_g: number) => unknown} */
  #save = () => {};
  #goLabel = '';
  #says = h('div', { class: 'pad-says', 'aria-live': 'polite' });
  #window = /** @type {MassDisplay} */ (document.createElement('mass-display'));
  #input = h('input', { id: 'gross', class: 'lcd-input', inputmode: 'none', autocomplete: 'off', autocapitalize: 'off', spellcheck: false, enterkeyhint: 'done' });
  #net = h('p', { class: 'lcd-net', 'aria-live': 'polite' });
  /** @type {HTMLSelectElement|null} */
  #picker = null;
  #crates = h('div', { class: 'crates' });
  #earlier = h('ol', { class: 'earlier' });
  #go = h('button', { type: 'button', class: 'key go' });

  /**
   * @param {{scale: Scale, scales: Scale[], go: string, aim?: string, tools: HTMLElement, save: (weight: Weight, net_g: number) => unknown}} what
   *   `aim` is said beside the window (what the card asks for); `go` is the saving key's label; the choice of scales goes into `tools`
   */
  begin({ scale, scales, go, aim = '', tools, save }) {
    this.#scales = scales;
    this.#save = save;
    this.#goLabel = go;
    const pad = document.createElement('digit-pad');
    pad.addEventListener('key', (event) => this.#press(/** @type {CustomEvent} */ (event).detail));
    this.#input.addEventListener('input', () => this.#take(this.#input.value));
    this.#input.addEventListener('keydown', (event) => this.#clockKey(event));
    this.#go.addEventListener('click', () => this.#enter());
    this.replaceChildren(h('div', { class: 'lcd' }, h('div', { class: 'lcd-head' }, h('label', { for: 'gross', class: 'lcd-label' }), h('span', { class: 'lcd-aim' }, aim)), this.#window, this.#input, this.#net),
      this.#says, this.#earlier, this.#crates, h('div', { class: 'pad-keys' }, pad, h('div', { class: 'pad-side' }, button(T.pad.another, () => this.#another(), { class: 'key another' }), this.#go)));
    const picker = this.#scalePicker();
    if (picker) tools.append(picker);
    this.#use(scale);
    this.#input.focus({ preventScroll: true });
    document.addEventListener('keydown', this.#catch);
  }

  disconnectedCallback() {
    document.removeEventListener('keydown', this.#catch);
  }

  /** Digits of a keyboard or a scale reach the window wherever the focus is, unless another field or a dialog has it. @param {KeyboardEvent} event */
  #catch = (event) => {
    const elsewhere = event.target instanceof Element && event.target.closest('input, select, textarea, dialog');
    if (elsewhere || event.ctrlKey || event.altKey || event.metaKey || !/^[\dA-Za-z+.,-]$/.test(event.key)) return;
    event.preventDefault();
    this.#clockKey(event);
    this.#take(this.#typed + event.key);
    this.focus();
  };

  /** Gives the pad its keyboard focus back. @override */
  focus() {
    this.#input.focus({ preventScroll: true });
  }

  /** Puts the pad back as it was, the number still in its window. @param {string} text */
  refuse(text) {
    this.#say(h('p', { class: 'error', role: 'alert' }, text));
    this.#go.disabled = false;
  }

  /** Lets the save key be pressed again or not. @param {boolean} busy */
  busy(busy) {
    this.#go.disabled = busy;
  }

  #scalePicker() {
    if (this.#scales.length < 2) return null;
    this.#picker = h('select', { class: 'lcd-scale', 'aria-label': T.weight.scale, on: { change: (/** @type {any} */ event) => {
      const chosen = this.#scales.find((each) => each.id === event.target.value);
      if (chosen) this.#use(chosen);
      this.focus();
    } } }, this.#scales.map((each) => h('option', { value: each.id }, each.name)));
    return this.#picker;
  }

  /** @param {Scale} scale */
  #use(scale) {
    this.#scale = scale;
    if (this.#picker) this.#picker.value = scale.id;
    const remembered = localStorage.getItem(`outturn.container.${scale.id}`);
    this.#container = scale.containers.some((each) => each.name === remembered) ? remembered : null;
    this.#readings = [];
    this.#draw();
  }

  /** @param {string} key */
  #press(key) {
    this.#take(key === 'back' ? this.#typed.slice(0, -1) : this.#typed + key);
    this.focus();
  }

  /** @param {KeyboardEvent} event */
  #clockKey(event) {
    if (event.key === 'Enter') {
      event.preventDefault();
      this.#enter();
      return;
    }
    this.#machine = this.#typed.length > 0 && event.timeStamp - this.#lastKey < MACHINE_MS;
    this.#lastKey = event.timeStamp;
  }

  /** @param {string} typed */
  #take(typed) {
    this.#typed = typed.slice(0, 24);
    this.#asked = '';
    this.#says.replaceChildren();
    this.#draw();
  }

  #draw() {
    const scale = this.#scale;
    this.#input.value = this.#typed;
    const read = scaleText(this.#typed, scale.unit);
    this.#window.show('gross' in read ? read.gross : this.#typed.replace(/[^\d.,-]/g, ''), scale.unit);
    const label = this.querySelector('.lcd-label');
    if (label) label.textContent = this.#readings.length ? T.pad.reading(this.#readings.length + 1, scale.unit) : T.pad.label(scale.unit);
    const net = this.#all();
    this.#net.textContent = net ? T.pad.net(netText(netGrams(net, scale), scale), scale.unit, this.#container !== null || net.length > 1) : '';
    this.#go.textContent = this.#goLabel;
    this.#drawEarlier();
    this.#drawCrates();
  }

  #drawEarlier() {
    const scale = this.#scale;
    redraw(this.#earlier, this.#readings.map((reading, i) => h('li', {}, T.pad.taken(reading.gross, scale.unit, reading.container, netText(readingGrams(reading, scale), scale)),
      button(T.pad.drop, () => {
        this.#readings.splice(i, 1);
        this.#draw();
        this.focus();
      }, { kind: 'quiet', 'aria-label': T.pad.dropNth(i + 1) }))));
    this.#earlier.hidden = this.#readings.length === 0;
  }

  #drawCrates() {
    const scale = this.#scale;
    this.#crates.hidden = scale.containers.length === 0;
    /** @type {(string|null)[]} */
    const names = [null, ...scale.containers.map((each) => each.name)];
    redraw(this.#crates, names.map((name) => button(name ?? T.pad.noCrate, () => {
      this.#container = name;
      if (name) localStorage.setItem(`outturn.container.${scale.id}`, name);
      else localStorage.removeItem(`outturn.container.${scale.id}`);
      this.#draw();
      this.focus();
    }, { class: 'crate', 'data-key': `crate-${name}`, 'aria-pressed': String(this.#container === name) })));
    for (const [i, node] of [...this.#crates.children].entries()) {
      const container = scale.containers[i - 1];
      if (container) node.append(h('small', {}, `−${mass(container.tare_g, scale.unit, 2)}`));
    }
  }

  /** All readings with the one in the window, or null when nothing can be read. @returns {Reading[]|null} */
  #all() {
    const read = scaleText(this.#typed, this.#scale.unit);
    if ('gross' in read) return [...this.#readings, { gross: read.gross, container: this.#container }];
    return read.wrong === 'empty' && this.#readings.length ? this.#readings : null;
  }

  /** Takes the reading in the window, asking once about digits the scale cannot have shown. @param {() => void} then */
  #accept(then) {
    const read = scaleText(this.#typed, this.#scale.unit);
    if ('wrong' in read) {
      if (read.wrong === 'empty' && this.#readings.length) then();
      else this.refuse(T.weight.wrong[read.wrong](this.#scale.unit));
      return;
    }
    const doubted = doubt(read.gross, this.#scale);
    if (!doubted || this.#asked === read.gross) {
      then();
      return;
    }
    this.#asked = read.gross;
    const { instead } = doubted;
    this.#say(h('p', { role: 'alert' }, T.pad.doubt[doubted.why](read.gross, this.#scale)),
      h('div', { class: 'choices' }, instead.map((each) => button(T.pad.was(each, this.#scale.unit), () => {
        this.#take(each);
        this.#accept(then);
      }, { kind: 'main' })), button(T.pad.keep(read.gross, this.#scale.unit), () => this.#accept(then))));
  }

  #another() {
    this.#accept(() => {
      const all = this.#all();
      if (!all || all.length === this.#readings.length) {
        this.refuse(T.pad.firstRead);
        return;
      }
      this.#readings = all;
      this.#take('');
      this.focus();
    });
  }

  #enter() {
    if (this.#go.disabled) return;
    this.#accept(() => {
      const readings = this.#all();
      if (!readings) return;
      const net = netGrams(readings, this.#scale);
      if (net <= 0) {
        this.refuse(T.pad.nothing);
        return;
      }
      const source = this.#machine || /[a-z]/i.test(this.#typed) ? 'scale' : 'typed';
      this.#says.replaceChildren();
      this.#save({ basis: 'weighed', scale: this.#scale.id, source, readings }, net);
    });
  }

  /** @param {...Node} what */
  #say(...what) {
    this.#says.replaceChildren(...what);
    this.#says.scrollIntoView({ block: 'nearest' });
  }
}

customElements.define('pad-entry', PadEntry);
