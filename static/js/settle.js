/** What a tablet kept and the service could not book: book it again once its obstacle is gone, or say how it was settled. */
import { command, happened, sentence, uuid7 } from './api.js';
import { button, h, tableHead } from './dom.js';
import { clock, fullMoment, mass } from './format.js';
import { askCommand, askForm } from './forms.js';
import { tell } from './parts/page-frame.js';
import { T } from './texts.js';
import { gramsOf } from './weighing.js';

/** @import { BatchView, Lot, Named, Scale } from './types.js' */
/** @typedef {{id: string, command: string, person: Named, received_at: string, body: any, problem: {sentence?: string, errors?: {detail: string}[]|null}}} Unsettled */
/** @typedef {{lots: Lot[], batches: BatchView[], scales: Scale[]}} Among what names are looked up in */

const S = T.settle;

/**
 * The waiting commands, each with its two ways out. `after` is called once something changed.
 * @param {Unsettled[]} items @param {Among} among @param {() => unknown} after
 */
export function settleList(items, among, after) {
  return h('ul', { class: 'records unsettled' }, items.map((item) => h('li', {}, h('div', {},
    h('b', {}, title(item, among)), h('p', {}, S.from(item.person.name, fullMoment(item.body.happened_at))), h('p', { class: 'error' }, why(item.problem)),
    h('details', { 'data-key': `unsettled-${item.id}` }, h('summary', {}, S.asSent), facts(item.body))),
  h('div', { class: 'actions' },
    button(S.again, () => bookAgain(item, among, after), { kind: 'main', 'data-key': `again-${item.id}`, 'aria-label': `${S.again}: ${title(item, among)}` }),
    button(S.otherwise, () => settleOtherwise(item, among, after), { 'data-key': `otherwise-${item.id}`, 'aria-label': `${S.otherwise}: ${title(item, among)}` })))));
}

/** "Weigh-out K-17 10.32 kg · 10:23". @param {{command: string, body: any}} item @param {Among} among */
export function title({ command: kind, body }, { lots, batches, scales }) {
  const about = [body.batch, ...(body.batches ?? [])];
  const lot = lots.find((each) => each.id === body.lot)?.name ?? batches.find((each) => about.includes(each.id))?.lot.name ?? '';
  const grams = body.weight ? gramsOf(body.weight, scales) : null;
  return [T.floor.commands[kind] ?? kind, lot, grams === null ? '' : mass(grams), `· ${clock(body.happened_at)}`].filter(Boolean).join(' ');
}

/** @param {Unsettled['problem']} problem */
const why = (problem) => (problem.errors?.length ? problem.errors.map((each) => each.detail) : [problem.sentence ?? '']).map(sentence).join(' ');

/** What was sent, field by field. @param {any} body */
function facts(body) {
  const rows = Object.entries(body).filter(([name]) => name !== 'v');
  return h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': S.asSent }, h('table', {}, tableHead([S.field, S.value]),
    h('tbody', {}, rows.map(([name, value]) => h('tr', {}, h('th', { scope: 'row' }, name), h('td', {}, h('code', {}, typeof value === 'object' ? JSON.stringify(value) : String(value))))))));
}

/** Under an id of its own, so that a late second sending of the first changes nothing. @param {Unsettled} item @param {Among} among @param {() => unknown} after */
async function bookAgain(item, among, after) {
  const [again, settlement] = [uuid7(), uuid7()];
  const { kept, ...body } = item.body;
  const saved = await askForm({ title: S.again, lead: `${title(item, among)}. ${S.againLead}`, fields: [], go: S.again, save: async (values, confirmed) => {
    await command(item.command, again, { ...body, ...(confirmed.length ? { confirmed } : {}) });
    await command('settlements', settlement, happened({ unsettled: item.id, by: again }));
    tell(T.form.saved);
  } });
  if (saved) await after();
}

/** @param {Unsettled} item @param {Among} among @param {() => unknown} after */
async function settleOtherwise(item, among, after) {
  const saved = await askCommand({ kind: 'settlements', title: S.otherwise, lead: `${title(item, among)}. ${S.otherwiseLead}`, fields: [{ name: 'reason', kind: 'text', label: S.how, wide: true }], body: ({ reason }) => ({ unsettled: item.id, reason }) });
  if (saved) await after();
}
