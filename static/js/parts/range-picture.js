/** `<range-picture>`: the expected range as a band and the batch as a mark whose shape says the judgement. */
import { s } from '../dom.js';
import { percent } from '../format.js';
import { T } from '../texts.js';

/** @import { Verdict } from '../types.js' */

const WIDTH = 320;
const EDGE = 14;
/** Half the width of a label such as "13.3 %". */
const HALF_LABEL = 26;

export class RangePicture extends HTMLElement {
  /** @param {Pick<Verdict, 'judgement'|'loss'|'mean'|'lo'|'hi'>} verdict */
  show(verdict) {
    const { lo, hi, mean, loss } = verdict;
    const margin = Math.max((hi - lo) * 0.3, 0.002);
    const shown = Math.min(Math.max(loss, lo - 3 * (hi - lo)), hi + 3 * (hi - lo));
    const from = Math.min(lo, shown) - margin;
    const to = Math.max(hi, shown) + margin;
    /** @param {number} value */
    const x = (value) => EDGE + ((value - from) / (to - from)) * (WIDTH - 2 * EDGE);
    const middle = (x(lo) + x(hi)) / 2;
    const apart = Math.max(x(hi) - x(lo), 92) / 2;
    const picture = s('svg', { viewBox: `0 0 ${WIDTH} 84`, role: 'img', 'aria-label': T.verdict.picture(percent(lo), percent(hi), percent(loss)) },
      s('line', { class: 'axis', x1: EDGE, x2: WIDTH - EDGE, y1: 52, y2: 52 }),
      s('rect', { class: 'band', x: x(lo), width: x(hi) - x(lo), y: 40, height: 24, rx: 2 }),
      s('line', { class: 'mean', x1: x(mean), x2: x(mean), y1: 40, y2: 64 }),
      s('text', { x: Math.max(HALF_LABEL, middle - apart), y: 80, 'text-anchor': 'middle' }, percent(lo)),
      s('text', { x: Math.min(WIDTH - HALF_LABEL, middle + apart), y: 80, 'text-anchor': 'middle' }, percent(hi)),
      mark(verdict.judgement, x(shown)),
      s('text', { class: 'value', x: Math.min(Math.max(x(shown), EDGE + 34), WIDTH - EDGE - 34), y: 20, 'text-anchor': 'middle' }, percent(loss)));
    this.replaceChildren(picture);
  }
}

/** Ok is a disc, more a triangle pointing to more, less one pointing to less, impossible a cross. @param {Verdict['judgement']} judgement @param {number} x */
function mark(judgement, x) {
  const shapes = {
    ok: s('circle', { cx: x, cy: 52, r: 9 }),
    more: s('path', { d: `M${x - 9} 41 L${x + 11} 52 L${x - 9} 63 Z` }),
    less: s('path', { d: `M${x + 9} 41 L${x - 11} 52 L${x + 9} 63 Z` }),
    impossible: s('path', { class: 'cross', d: `M${x - 8} 44 L${x + 8} 60 M${x + 8} 44 L${x - 8} 60` }),
  };
  return s('g', { class: `mark ${judgement}` }, shapes[judgement]);
}

customElements.define('range-picture', RangePicture);
