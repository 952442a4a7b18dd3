/** Green on its way between sites, as the pages of green and of all sites show it. */
import { h } from './dom.js';
import { fullDay, mass, moment } from './format.js';
import { sack } from './sack.js';
import { T } from './texts.js';

/** @import { SendingView } from './types.js' */

const S = T.sites;

/** @param {SendingView[]} sendings @param {(sending: SendingView) => import('./dom.js').Child} actions */
export const wayList = (sendings, actions) => h('ul', { class: 'records' }, sendings.map((each) => h('li', {},
  h('div', {}, sack(each.lot.name, each.grade), ' ', h('b', {}, mass(each.mass_g)), h('p', {}, S.fromTo(each.from.name, each.to.name), ' · ', each.taken_in ? [fullDay(each.day), ' · ', S.takenInAs(each.taken_in.name)] : S.left(moment(each.sent_at)))),
  h('div', { class: 'actions' }, actions(each)))));
