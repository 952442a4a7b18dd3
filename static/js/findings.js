/** Findings: one list of what an auditor must look at, with its evidence; a person closes each with a reason. */
import { read } from './api.js';
import { button, byId, h, redraw } from './dom.js';
import { exact, fullDay, fullMoment, inDays } from './format.js';
import { askCommand } from './forms.js';
import { openLive } from './live.js';
import { empty, trying } from './parts/page-frame.js';
import { T } from './texts.js';

/** @import { FindingView } from './types.js' */

const F = T.findings;
const places = { ask: byId('ask'), found: byId('found') };
/** @type {{items: FindingView[], open: {kind: string, open: number}[], closed: boolean, kind: string, shown: number}} */
const page = { items: [], open: [], closed: false, kind: '', shown: 50 };

async function load() {
  await trying(async () => {
    Object.assign(page, await read(`/api/findings?closed=${page.closed}`));
    drawAsk();
    drawFound();
  });
}

function drawAsk() {
  /** @param {string} id @param {string} label @param {HTMLElement} input */
  const field = (id, label, input) => h('div', { class: 'field' }, h('label', { for: id }, label), input);
  const kinds = [...new Set(page.items.map((each) => each.kind))];
  const count = (/** @type {string} */ kind) => page.items.filter((each) => each.kind === kind).length;
  redraw(places.ask, h('form', { class: 'fields', on: { submit: (/** @type {Event} */ event) => event.preventDefault() } },
    field('closed', F.shown, h('select', { id: 'closed', on: { change: (/** @type {any} */ event) => {
      page.closed = event.target.value === 'true';
      page.kind = '';
      load();
    } } }, h('option', { value: 'false', selected: !page.closed }, F.open), h('option', { value: 'true', selected: page.closed }, F.closed))),
    field('kind', F.kind, h('select', { id: 'kind', on: { change: (/** @type {any} */ event) => {
      page.kind = event.target.value;
      drawFound();
    } } }, h('option', { value: '' }, F.all(page.items.length)), kinds.map((kind) => h('option', { value: kind, selected: kind === page.kind }, `${F.kinds[kind] ?? kind} (${count(kind)})`))))));
}

function drawFound() {
  const wanted = page.items.filter((each) => !page.kind || each.kind === page.kind);
  redraw(places.found, wanted.length === 0 ? empty(page.closed ? F.noneClosed : F.none) : h('ul', { class: 'records found' }, wanted.slice(0, page.shown).map(one)),
    wanted.length > page.shown ? button(F.more, () => {
      page.shown += 50;
      drawFound();
    }, { 'data-key': 'more' }) : null);
  const linked = document.getElementById(location.hash.slice(1));
  if (linked) linked.scrollIntoView({ block: 'center' });
}

/** @param {FindingView} found */
function one(found) {
  const evidence = evidenceOf(found);
  return h('li', { id: found.id }, h('div', {}, h('b', {}, F.kinds[found.kind] ?? found.kind), h('span', { class: 'when' }, ` ${fullDay(found.day)}`), found.mass_g ? h('span', {}, ` · ${exact(found.mass_g)}`) : null,
    h('p', {}, inDays(found.sentence), found.person ? ` (${F.by(found.person.name)})` : ''), found.closed ? h('p', {}, F.closedBy(found.closed.person.name, fullMoment(found.closed.at), found.closed.reason)) : null),
  h('div', { class: 'actions' }, evidence ? h('a', { class: 'button plain', href: evidence, 'data-key': `look-${found.id}`, 'aria-label': `${F.look}: ${found.sentence}` }, F.look) : null,
    found.closed ? null : button(F.close, () => close(found), { 'data-key': `close-${found.id}`, 'aria-label': `${F.close}: ${found.sentence}` })));
}

/** Where the evidence of a finding can be looked at. @param {FindingView} found */
function evidenceOf(found) {
  const { what, id } = found.evidence;
  if (what === 'count') return `/count#${id}`;
  if (what === 'roaster') return '/loss';
  if (what === 'batch') return found.kind === 'loss_not_reviewed' ? `/loss#batch-${id}` : `/trace?of=batch&id=${id}`;
  if (what === 'posting') return `/posting?id=${id}`;
  if (what === 'command') return '/audit#unsettled';
  return found.lot ? `/audit?lot=${found.lot.id}` : null;
}

/** @param {FindingView} found */
async function close(found) {
  if (await askCommand({ kind: 'finding-closings', title: F.closeTitle, lead: `${found.sentence} ${F.closeLead}`, fields: [{ name: 'reason', label: F.reason, kind: 'text', wide: true }], go: F.close, body: (values) => ({ finding: found.id, ...values }) })) await load();
}

await openLive(load);
await load();
