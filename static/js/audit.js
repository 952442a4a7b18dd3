/** Audit: the statement of a lot for a period, as known now or then; whether the book holds; its journal; its closings. */
import { read, readAll } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { addDays, day, fullDay, mass, moment, percent } from './format.js';
import { askCommand } from './forms.js';
import { listen } from './live.js';
import { empty, inWords, openPage, trying } from './parts/page-frame.js';
import { nameOf } from './records.js';
import { T } from './texts.js';

/** @import { Lot, Statement, StatementLine } from './types.js' */

const A = T.audit;
const places = { ask: byId('ask'), statement: byId('statement'), verify: byId('verify'), closings: byId('closings'), unsettled: byId('unsettled'), journal: byId('journal') };
/** @type {{lots: Lot[], closings: any[], unsettled: any[], today: string, journal: any[], journalNext: string}} */
const page = { lots: [], closings: [], unsettled: [], today: '', journal: [], journalNext: '' };
/** What the address asks for, so that a statement can be sent as a link. */
const asked = new URLSearchParams(location.search);

async function load() {
  await trying(async () => {
    const [lots, closings, unsettled, journal] = await Promise.all([readAll('/api/lots'), readAll('/api/closings'), readAll('/api/unsettled'), read('/api/journal?limit=50')]);
    Object.assign(page, { lots, closings, unsettled, journal: journal.items, journalNext: journal.next ?? '' });
    drawAsk();
    drawUnsettled();
    drawClosings();
    drawJournal();
    await showStatement();
  });
}

/* The statement */

function drawAsk() {
  if (page.lots.length === 0) {
    redraw(places.ask, h('h2', {}, A.statement), empty(A.noLots));
    return;
  }
  const lot = asked.get('lot') ?? '';
  /** @param {string} name @param {HTMLElement} input @param {string} label */
  const field = (name, input, label) => h('div', { class: 'field' }, h('label', { for: name }, label), input);
  const set = (/** @type {any} */ event) => {
    if (event.target.value) asked.set(event.target.name, event.target.value);
    else asked.delete(event.target.name);
    history.replaceState(null, '', `?${asked}`);
    showStatement();
  };
  const on = { change: set };
  redraw(places.ask, h('h2', {}, A.statement), h('form', { class: 'fields', on: { submit: (/** @type {Event} */ event) => event.preventDefault() } },
    field('lot', h('select', { id: 'lot', name: 'lot', on }, h('option', { value: '' }, T.form.choose), page.lots.map((each) => h('option', { value: each.id, selected: each.id === lot }, `${each.name} · ${each.grade}`))), T.words.lot),
    field('from', h('input', { type: 'date', id: 'from', name: 'from', value: asked.get('from') ?? '', on }), T.form.from), field('to', h('input', { type: 'date', id: 'to', name: 'to', value: asked.get('to') ?? '', on }), T.form.to),
    field('known', h('select', { id: 'known', name: 'known', on }, h('option', { value: '' }, A.knownNow), page.closings.map((each) => h('option', { value: String(each.known), selected: String(each.known) === asked.get('known') }, A.knownThen(fullDay(each.to_day))))), A.known),
    h('div', { class: 'actions periods' }, periods().map(([label, from, to]) => button(label, () => {
      asked.set('from', from);
      asked.set('to', to);
      history.replaceState(null, '', `?${asked}`);
      drawAsk();
      showStatement();
    }, { 'data-key': `period-${label}` })))));
}

/** Ready periods: this month, last month, since the start of the year. @returns {[string, string, string][]} */
function periods() {
  const month = page.today.slice(0, 7);
  const lastEnd = addDays(`${month}-01`, -1);
  return [[A.thisMonth, `${month}-01`, page.today], [A.lastMonth, `${lastEnd.slice(0, 7)}-01`, lastEnd], [A.thisYear, `${page.today.slice(0, 4)}-01-01`, page.today]];
}

async function showStatement() {
  const lot = asked.get('lot');
  if (!lot) {
    redraw(places.statement, page.lots.length ? h('p', { class: 'none' }, A.chooseLot) : null);
    return;
  }
  const query = new URLSearchParams([...asked].filter(([name, value]) => value && name !== 'lot'));
  try {
    /** @type {Statement} */
    const statement = await read(`/api/lots/${lot}/statement?${query}`);
    drawStatement(statement, `/api/lots/${lot}/statement.csv?${query}`);
  } catch (error) {
    redraw(places.statement, h('p', { class: 'error', role: 'alert' }, inWords(error)));
  }
}

/** @param {Statement} statement @param {string} csv */
function drawStatement(statement, csv) {
  redraw(places.statement,
    h('div', { class: 'head' }, h('h3', {}, `${nameOf(page.lots, statement.lot)} · ${fullDay(statement.from)} – ${fullDay(statement.to)}`), h('div', { class: 'actions' }, h('a', { class: 'button plain', href: csv, download: '' }, A.csv), button(A.print, () => window.print(), { 'data-key': 'print' }))),
    h('p', { class: 'help' }, A.bound(statement.known)),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': A.statement }, h('table', { class: 'statement' },
      tableHead([T.records.day, A.what, [A.change], [A.balance], [T.words.green], [T.words.roasted], [T.loss.loss], [T.loss.range]]),
      h('tbody', {}, h('tr', { class: 'balance' }, h('td', {}, fullDay(statement.from)), h('th', { scope: 'row' }, A.opening), h('td', {}), h('td', { class: 'num' }, mass(statement.opening_g)), h('td', { colspan: 4 })),
        statement.lines.map(statementRow),
        h('tr', { class: 'balance' }, h('td', {}, fullDay(statement.to)), h('th', { scope: 'row' }, A.closing), h('td', {}), h('td', { class: 'num' }, mass(statement.closing_g)), h('td', { colspan: 4 }))))),
    h('h4', {}, A.whereNow), h('dl', { class: 'facts' }, statement.totals.map((each) => h('div', {}, h('dt', {}, `${T.places[each.place] ?? each.place}${each.key_text ? ` · ${each.key_text}` : ''}`), h('dd', {}, mass(each.mass_g)))), h('div', { class: 'zero' }, h('dt', {}, A.zero), h('dd', {}, mass(statement.totals.reduce((sum, each) => sum + Math.round(each.mass_g * 1000), 0) / 1000)))),
    h('h4', {}, A.sums), h('dl', { class: 'facts' }, Object.entries(statement.sums).filter(([, grams]) => grams !== 0).map(([name, grams]) => h('div', {}, h('dt', {}, A.sumNames[name] ?? name), h('dd', {}, mass(grams))))));
}

/** @param {StatementLine} line */
function statementRow(line) {
  const { batch } = line;
  return h('tr', {}, h('td', {}, day(line.day), line.late ? h('span', { class: 'flag', title: A.lateHelp }, A.late) : null), h('td', {}, line.text),
    h('td', { class: 'num' }, mass(line.change_g)), h('td', { class: 'num' }, mass(line.balance_g)), h('td', { class: 'num' }, batch ? mass(batch.charge_g) : ''), h('td', { class: 'num' }, batch ? mass(batch.roasted_g) : ''),
    h('td', { class: 'num' }, batch && batch.loss !== null ? h('b', { class: `loss ${batch.judgement ?? ''}` }, `${percent(batch.loss)} ${batch.judgement ? T.verdict.short[batch.judgement] : ''}`) : ''), h('td', { class: 'num' }, batch && batch.lo !== null && batch.lo !== undefined ? `${percent(batch.lo)} – ${percent(batch.hi)}` : ''));
}

/* Whether the book holds */

/** @param {any} found */
function drawVerify(found) {
  const go = button(A.verify, async () => {
    go.disabled = true;
    go.textContent = A.verifying;
    await trying(async () => drawVerify(await read('/api/verify')));
    go.disabled = false;
    go.textContent = A.verify;
  }, { kind: 'plain', id: 'verify-go' });
  redraw(places.verify, h('h2', {}, A.holds), h('p', {}, A.holdsHelp), h('div', { class: 'actions' }, go),
    found ? h('div', { class: `verified ${found.ok ? 'good' : 'bad'}`, role: 'status' }, h('p', {}, h('b', {}, found.ok ? A.ok(found.leaves ?? found.size) : A.notOk)), h('p', { class: 'root' }, `${A.root}: `, h('code', {}, found.root)), found.places?.length ? h('ul', {}, found.places.map((/** @type {any} */ each) => h('li', {}, h('b', {}, each.where), ` ${each.what}`))) : null) : null);
}

/* Closings */

function drawClosings() {
  redraw(places.closings, h('div', { class: 'head' }, h('h2', {}, A.closings), button(A.close, async () => {
    if (await askCommand({ kind: 'closings', title: A.close, lead: A.closeLead, fields: [{ name: 'to_day', kind: 'day', label: A.toDay }], go: A.close })) await load();
  }, { 'data-key': 'close' })),
  page.closings.length === 0 ? h('p', { class: 'none' }, A.noClosings) : h('ul', { class: 'records' }, page.closings.map((each) => h('li', {}, h('div', {}, h('b', {}, fullDay(each.to_day)), each.reopened ? h('span', { class: 'flag' }, A.reopened) : null, h('p', {}, A.closedAt(moment(each.recorded_at), each.known))),
    each.reopened ? null : h('div', { class: 'actions' }, button(A.reopen, async () => {
      if (await askCommand({ kind: 'reopenings', title: `${A.reopen}: ${fullDay(each.to_day)}`, fields: [{ name: 'reason', kind: 'text', label: T.words.reason, wide: true }], body: (values) => ({ closing: each.id, ...values }) })) await load();
    }, { 'data-key': `reopen-${each.id}`, 'aria-label': `${A.reopen}: ${fullDay(each.to_day)}` }))))));
}

/* What tablets kept and the book could not take */

function drawUnsettled() {
  places.unsettled.hidden = page.unsettled.length === 0;
  redraw(places.unsettled, h('h2', {}, A.unsettled), h('p', { class: 'help' }, A.unsettledHelp), h('ul', { class: 'records' }, page.unsettled.map((each) => h('li', {}, h('div', {},
    h('b', {}, T.floor.commands[each.command] ?? each.command), ` ${moment(each.body.happened_at)} · ${each.person.name}`, h('p', {}, each.problem.sentence ?? ''), h('details', { 'data-key': `unsettled-${each.id}` }, h('summary', {}, A.asSent), h('code', {}, JSON.stringify(each.body))))))));
}

/* Journal */

function drawJournal() {
  redraw(places.journal, h('h2', {}, A.journal), page.journal.length === 0 ? h('p', { class: 'none' }, A.noJournal) : h('ol', { class: 'journal' }, page.journal.map((each) => h('li', {}, h('details', { 'data-key': `journal-${each.id}` },
    h('summary', {}, h('span', { class: 'when' }, moment(each.recorded_at)), ' ', each.person.name, ' ', journalText(each)), each.reason ? h('p', {}, each.reason) : null, differences(each))))),
  page.journalNext ? button(A.more, async () => {
    const next = await trying(() => read(`/api/journal?limit=50&after=${encodeURIComponent(page.journalNext)}`));
    if (!next) return;
    page.journal = page.journal.concat(next.items);
    page.journalNext = next.next ?? '';
    drawJournal();
  }, { 'data-key': 'more' }) : null);
}

/** @param {any} entry */
function journalText(entry) {
  const name = entry.after?.name ?? entry.after?.number ?? entry.after?.reference ?? entry.after?.day ?? '';
  const act = entry.act === 'put' ? (entry.before ? 'changed' : 'added') : entry.act;
  return A.entry(A.kinds[entry.kind] ?? entry.kind, String(name), A.acts[act] ?? act);
}

/** What a change changed, field by field. @param {any} entry */
function differences(entry) {
  const before = entry.before ?? {};
  const after = entry.after ?? {};
  const names = [...new Set([...Object.keys(before), ...Object.keys(after)])].filter((name) => JSON.stringify(before[name]) !== JSON.stringify(after[name]));
  /** @param {any} value */
  const show = (value) => (value === undefined || value === null ? '–' : typeof value === 'object' ? JSON.stringify(value) : String(value));
  return h('dl', { class: 'facts' }, names.map((name) => h('div', {}, h('dt', {}, name), h('dd', {}, entry.before ? `${show(before[name])} → ${show(after[name])}` : show(after[name])))));
}

page.today = (await trying(openPage))?.today ?? '';
drawVerify(null);
await listen(load);
await load();
