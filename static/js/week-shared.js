/** What the parts of the week page share: what was asked, what came of it, and where things stand on the page. */
import { byId } from './dom.js';

/** @import { CardView, Pin, PlanBatch, PlanView } from './types.js' */

/** What the planner is asked; every change keeps the one before for Undo. @typedef {{from_day: string, days: number, freely: boolean, pinned: Pin[]}} Asked */

/**
 * `changed` says that cards changed since the plan that was to be released. `askAgain` plans anew with something changed; `load` plans anew as asked before; `drawMissed` draws what waited while a block was `pressed`. All are set by the page itself.
 * @type {{asked: Asked, before: Asked[], plan: PlanView|null, cards: CardView[], from: import('./records.js').Lists, chosen: string, pressed: boolean,
 *   shipDay: string, today: string, error: string, changed: string, question: number, askAgain: (news: Partial<Asked>) => Promise<void>, load: () => Promise<void>, drawMissed: () => void}}
 */
export const week = {
  asked: { from_day: '', days: 7, freely: false, pinned: [] }, before: [], plan: null, cards: [], from: {}, chosen: '', pressed: false,
  shipDay: '', today: '', error: '', changed: '', question: 0, askAgain: async () => {}, load: async () => {}, drawMissed: () => {},
};

/** What the service is asked. */
export const question = () => {
  const { from_day, days, freely, pinned } = week.asked;
  return { from_day, days, ...(freely ? { freely: true } : {}), ...(pinned.length ? { pinned } : {}) };
};

export const places = { controls: byId('controls'), verdict: byId('summary'), compare: byId('compare'), keeping: byId('keeping'), board: byId('board'), cards: byId('cards'), papers: byId('papers') };

/** @param {any} value @param {any[]|undefined} among */
export const named = (value, among) => (value && typeof value === 'object' ? value.name : among?.find((each) => each.id === value)?.name ?? String(value));

/** @param {string} id */
export const orderOf = (id) => [...(week.plan?.orders ?? []), ...(week.from.orders ?? [])].find((each) => each.id === id);

/** @param {string} id */
export const orderNumber = (id) => orderOf(id)?.number ?? id;

/** @param {PlanBatch} batch */
export const keyOf = (batch) => batch.card ?? [batch.roaster.id, batch.day, batch.start, batch.lot.id, batch.style.id].join(' ');

/** @param {PlanBatch} batch @returns {Pin} */
export const pinOf = (batch) => ({ ...(batch.card ? { card: batch.card } : {}), roaster: batch.roaster.id, day: batch.day, lot: batch.lot.id, style: batch.style.id, charge_g: batch.charge_g });

/** @param {Pin} a @param {Pin} b */
export const samePin = (a, b) => (a.card && b.card ? a.card === b.card : a.roaster === b.roaster && a.day === b.day && a.lot === b.lot && a.style === b.style && a.charge_g === b.charge_g);

/** Whether this plan's question pins it (of several alike only as many as it names); a released card is kept without that. @param {PlanBatch} batch */
export const isPinned = (batch) => batch.pinned && week.asked.pinned.some((pin) => samePin(pin, pinOf(batch)));

/** The pins but the one of this batch (only one of several alike). @param {PlanBatch} batch */
export function withoutPin(batch) {
  const own = pinOf(batch);
  const at = week.asked.pinned.findIndex((pin) => samePin(pin, own));
  return week.asked.pinned.filter((_, i) => i !== at);
}

/** The card of a batch, and whether the floor has begun it, so that it stays where it is. @param {string|null} id */
export const cardOf = (id) => week.cards.find((card) => card.id === id);
/** @param {string|null} id */
export const isBegun = (id) => week.cards.some((card) => card.id === id && card.state !== 'planned');
