/** The chalked number on a sack: how a lot shows itself on every page. */
import { h } from './dom.js';

/** @param {string} name the lot @param {string} [grade] its size grade, which the name may end with already */
export function sack(name, grade = '') {
  const said = grade !== '' && name.endsWith(` ${grade}`);
  return h('span', { class: 'sack' }, h('b', {}, name), grade && !said ? [' ', h('i', {}, grade)] : null);
}
