/** `<mass-display>`: the window of a scale, its digits drawn from seven bars each. */
import { s } from '../dom.js';

/** Which bars light up: top, upper right, lower right, bottom, lower left, upper left, middle. */
const BARS = /** @type {Record<string, string>} */ ({ 0: 'abcdef', 1: 'bc', 2: 'abged', 3: 'abgcd', 4: 'fgbc', 5: 'afgcd', 6: 'afgedc', 7: 'abc', 8: 'abcdefg', 9: 'abcdfg', '-': 'g', ' ': '' });

/** The outline of each bar in a digit of 24 by 44. */
const SHAPES = /** @type {Record<string, string>} */ ({
  a: 'M4 2 H20 L16 6 H8 Z', b: 'M22 4 V20 L18 17 V8 Z', c: 'M22 24 V40 L18 36 V27 Z', d: 'M4 42 H20 L16 38 H8 Z',
  e: 'M2 24 V40 L6 36 V27 Z', f: 'M2 4 V20 L6 17 V8 Z', g: 'M4 22 L7 19.6 H17 L20 22 L17 24.4 H7 Z',
});

export class MassDisplay extends HTMLElement {
  /**
   * @param {string} text digits as typed; a comma or point stays between its digits
   * @param {string} unit
   */
  show(text, unit) {
    const digits = [];
    let x = 0;
    for (const mark of text) {
      if (mark === '.' || mark === ',') {
        digits.push(s('circle', { cx: x - 2, cy: 41, r: 2.6 }));
      } else {
        digits.push(s('g', { transform: `translate(${x} 0) skewX(-5) translate(3 0)` }, [...(BARS[mark] ?? '')].map((bar) => s('path', { d: SHAPES[bar] }))));
        x += 30;
      }
    }
    const width = Math.max(x, 150);
    const picture = s('svg', { viewBox: `${Math.min(0, x - width)} -1 ${width} 46`, 'aria-hidden': 'true', preserveAspectRatio: 'xMaxYMid meet', focusable: 'false' }, digits);
    const label = document.createElement('span');
    label.className = 'lcd-unit';
    label.textContent = unit;
    this.replaceChildren(picture, label);
  }
}

customElements.define('mass-display', MassDisplay);
