/** What is to be expected of a lot, in the service's own sentences. */
import { h } from '../dom.js';
import { T } from '../texts.js';

/** @typedef {{sentence: string}} Said */
/** @typedef {{styles: {style: {name: string}, roaster: {name: string}, sure: string, why: string}[], bags: Said[], siblings: Said[]}} Outlook */

/** How many bags it still gives, how it differs from its siblings; style by style what it loses, and why. @param {Outlook} outlook */
export const outlookOf = (outlook) => h('section', { class: 'outlook' }, h('h3', {}, T.loss.ahead),
  [...outlook.bags, ...outlook.siblings].map((each) => h('p', {}, each.sentence)),
  outlook.styles.map((each) => h('div', {}, h('h4', {}, `${each.style.name} · ${each.roaster.name}`), h('p', {}, each.sure), h('p', { class: 'why' }, each.why))));
