/** What can be done about a plan: ways out of what ships short, and what keeping the released cards costs. Asked for once a plan is looked at. */
import { ask } from './api.js';
import { h, redraw } from './dom.js';
import { hours, mass } from './format.js';
import { T } from './texts.js';
import { places, question, week } from './week-shared.js';

/** @import { Advice, PlanDifference, WayOut } from './types.js' */

const W = T.week;
/** Whoever moves one batch after the other does not wait for advice on each. */
const SETTLED_MS = 400;

let timer = 0;
/** @type {AbortController|null} */
let asking = null;
/** @type {Advice|null} */
let advice = null;

/** Asks for advice on the plan that is shown, when there is anything to advise. @param {() => void} draw */
export function adviseLater(draw) {
  clearTimeout(timer);
  asking?.abort();
  advice = null;
  const { plan } = week;
  if (!plan || (plan.short.length === 0 && !plan.batches.some((batch) => batch.card))) return;
  timer = window.setTimeout(async () => {
    asking = new AbortController();
    const { signal } = asking;
    const got = await ask('/api/plans/advice', question(), signal).catch(() => null);
    if (!got || signal.aborted) return;
    advice = got;
    draw();
  }, SETTLED_MS);
}

/** The ways out of one line, the cheapest first. @param {string} order @param {number} line */
export function waysOut(order, line) {
  const found = advice?.lines.find((each) => each.order === order && each.line === line);
  if (!found) return null;
  return h('div', { class: 'ways-out' }, found.ways.length ? [h('p', { class: 'ways-head' }, W.waysOut), h('ul', {}, found.ways.map((way) => h('li', {}, way.sentence, wayEffect(way))))] : h('p', { class: 'help' }, W.noWay));
}

/** @param {WayOut} way */
const wayEffect = (way) => (way.left_bags > 0 ? h('small', {}, ` ${W.leftShort(way.left_bags)}`) : null);

/** What keeping the cards costs. */
export function drawKeeping() {
  const cost = advice?.freely;
  const worth = cost && (cost.bags !== 0 || cost.roaster_min !== 0 || cost.batches !== 0);
  places.keeping.hidden = !worth;
  if (worth) redraw(places.keeping, h('p', {}, W.keeping(differenceText(cost))));
}

/** @param {PlanDifference} cost */
function differenceText({ bags, roaster_min, green_g, batches }) {
  const sign = (/** @type {number} */ value) => (value < 0 ? '−' : '+');
  return [bags ? W.bagsShort(`${sign(bags)}${Math.abs(bags)}`) : '', roaster_min ? W.roasterTime(`${sign(roaster_min)}${hours(Math.abs(roaster_min))}`) : '', green_g ? W.ofGreen(`${sign(green_g)}${mass(Math.abs(green_g))}`) : '', batches ? W.batchesMore(`${sign(batches)}${Math.abs(batches)}`) : ''].filter(Boolean).join(', ');
}
