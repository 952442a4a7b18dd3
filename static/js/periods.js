/** Periods: closed ones with their statements and values as they were known then; closing one and opening the last again. */
import { read, readAll } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { fullDay, fullMoment, mass } from './format.js';
import { askCommand } from './forms.js';
import { openLive } from './live.js';
import { empty, trying } from './parts/page-frame.js';
import { T } from './texts.js';

const A = T.audit;
const P = T.periods;
const place = byId('closings');
/** @type {{closings: any[], lots: any[], totals: Map<string, any[]>}} */
const page = { closings: [], lots: [], totals: new Map() };

async function load() {
  await trying(async () => {
    const [closings, lots] = await Promise.all([readAll('/api/closings'), readAll('/api/lots')]);
    Object.assign(page, { closings: [...closings].reverse(), lots });
    draw();
  });
}

function draw() {
  const last = page.closings.filter((each) => !each.reopened).map((each) => each.to_day).sort().at(-1);
  redraw(place, h('div', { class: 'head' }, h('h2', {}, A.closings), button(A.close, close, { kind: page.closings.length ? 'plain' : 'main', 'data-key': 'close' })),
    h('p', { class: 'help' }, P.again, ' ', P.last),
    page.closings.length === 0 ? empty(A.noClosings) : h('ul', { class: 'records' }, page.closings.map((each) => h('li', {},
      h('div', {}, h('b', {}, `${each.from_day ? `${fullDay(each.from_day)} – ` : ''}${fullDay(each.to_day)}`), each.reopened ? h('span', { class: 'flag' }, A.reopened) : null,
        h('p', {}, A.closedAt(fullMoment(each.recorded_at), each.known), ` · ${each.person.name}`, each.reason ? ` · ${each.reason}` : ''), totals(each)),
      h('div', { class: 'actions' }, h('a', { class: 'button plain', href: `/audit?about=all&${query(each)}`, 'data-key': `statement-${each.id}` }, P.statement), h('a', { class: 'button plain', href: `/value?${query(each)}`, 'data-key': `value-${each.id}` }, P.value),
        each.to_day === last && !each.reopened ? button(A.reopen, () => reopen(each), { kind: 'quiet', 'data-key': `reopen-${each.id}`, 'aria-label': `${A.reopen}: ${fullDay(each.to_day)}` }) : null)))));
}

/** The period of a closing as it was known then. @param {any} closing */
const query = (closing) => new URLSearchParams({ ...(closing.from_day ? { from: closing.from_day } : {}), to: closing.to_day, known: String(closing.known) });

/** What stood where, read when it is asked for. @param {any} closing */
function totals(closing) {
  const known = page.totals.get(closing.id);
  const name = (/** @type {string} */ lot) => page.lots.find((each) => each.id === lot)?.name ?? '?';
  const body = h('div', {}, known?.length === 0 ? h('p', { class: 'none' }, P.nowhere) : known ? h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': P.totals }, h('table', {}, tableHead([T.words.lot, A.what, [T.words.mass]]), h('tbody', {}, known.map((each) => h('tr', {}, h('td', {}, name(each.lot)), h('td', {}, T.places[each.place] ?? each.place), h('td', { class: 'num' }, mass(each.mass_g))))))) : null);
  return h('details', { 'data-key': `totals-${closing.id}`, on: { toggle: async (/** @type {any} */ event) => {
    if (!event.target.open || page.totals.has(closing.id)) return;
    const detail = await trying(() => read(`/api/closings/${closing.id}`));
    if (!detail) return;
    page.totals.set(closing.id, detail.totals);
    draw();
  } } }, h('summary', {}, P.totals), body);
}

async function close() {
  if (await askCommand({ kind: 'closings', title: A.close, lead: A.closeLead, fields: [{ name: 'to_day', kind: 'day', label: A.toDay }], go: A.close })) await load();
}

/** @param {any} closing */
async function reopen(closing) {
  if (await askCommand({ kind: 'reopenings', title: `${A.reopen}: ${fullDay(closing.to_day)}`, fields: [{ name: 'reason', kind: 'text', label: T.words.reason, wide: true }], body: (values) => ({ closing: closing.id, ...values }) })) await load();
}

await openLive(load);
await load();
