/** `<digit-pad>`: keys large enough for a gloved hand. Fires `key` with a digit, "." or "back", and `enter`. */
import { h } from '../dom.js';
import { T } from '../texts.js';

const ROWS = [['7', '8', '9'], ['4', '5', '6'], ['1', '2', '3'], ['.', '0', 'back']];

export class DigitPad extends HTMLElement {
  connectedCallback() {
    if (this.firstChild) return;
    const point = (1.5).toLocaleString(navigator.language).charAt(1);
    const keys = ROWS.flat().map((key) => h('button', {
      type: 'button', class: `key${key === 'back' ? ' back' : ''}`, 'data-digit': key,
      'aria-label': key === 'back' ? T.pad.back : key === '.' ? T.pad.point : undefined,
      on: { click: () => this.dispatchEvent(new CustomEvent('key', { detail: key })) },
    }, key === 'back' ? '⌫' : key === '.' ? point : key));
    this.setAttribute('role', 'group');
    this.setAttribute('aria-label', T.pad.name);
    this.replaceChildren(...keys);
  }
}

customElements.define('digit-pad', DigitPad);
