/** What the parts of the floor page share: what is known, what is being weighed, and where things stand on the page. */
import { byId } from './dom.js';
import { mass } from './format.js';
import { T } from './texts.js';

/** @import { CardView, Lot, Me, Named, Scale, Weight } from './types.js' */
/** @import { Known } from './floor-state.js' */

/**
 * @typedef {{way: 'in', batch: string, card: CardView|null, lot: Named, style: Named, roaster: Named, storeroom: string, ask_g: number|null}
 *   | {way: 'out', batches: string[]}} Weighing
 */


/**
 * `draw` lays everything out anew but the weighing under way; `reload` first asks the service. Both are set by the page itself.
 * @type {{me: Me|null, known: Known, weighing: Weighing|null, clockOff: number, loaded: boolean, draw: () => void, reload: () => Promise<void>}}
 */
export const floor = {
  me: null, known: { cards: [], batches: [], lots: [], coffees: [], styles: [], roasters: [], storerooms: [], scales: [], unsettled: [] },
  weighing: null, clockOff: 0, loaded: false, draw: () => {}, reload: async () => {},
};

export const places = { answer: byId('answer'), work: byId('work'), drums: byId('drums'), line: byId('line'), settle: byId('settle'), cards: byId('cards'), fetch: byId('fetch'), done: byId('done'), tools: byId('tools') };

/** @param {string|Named|null|undefined} named @param {string} roaster @param {'green_scale'|'roasted_scale'} which @returns {Scale|null} */
export function scaleOf(named, roaster, which) {
  const id = typeof named === 'string' ? named : named?.id ?? floor.known.roasters.find((each) => each.id === roaster)?.[which];
  return floor.known.scales.find((each) => each.id === id) ?? floor.known.scales.find((each) => !each.retired) ?? null;
}

/** @param {Lot} lot */
export const lotOption = (lot) => ({ value: lot.id, label: [lot.name, lot.grade, mass(lot.store_g), lot.state === 'on_hold' || lot.state === 'expected' ? T.green.states[lot.state] : ''].filter(Boolean).join(' · ') });

/** @param {Weight} weight */
export function unitOf(weight) {
  return weight.basis === 'weighed' ? floor.known.scales.find((each) => each.id === weight.scale)?.unit : undefined;
}
