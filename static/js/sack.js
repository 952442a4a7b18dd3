/** The chalked number on a sack: how a lot shows itself on every page. */
import { h } from './dom.js';

/** @param {string} name the lot @param {string} [grade] its size grade */
export function sack(name, grade = '') {
  return h('span', { class: 'sack' }, h('b', {}, name), grade ? ' ' : null, grade ? h('i', {}, grade) : null);
}
