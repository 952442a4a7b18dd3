/** Audit: the statement of a lot, a delivery, a coffee, a storeroom or all green for a period, as known now or then; whether the book holds; its journal. */
import { read, readAll } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { addDays, day, exact, fullDay, fullMoment, inDays, mass, percent } from './format.js';
import { openLive } from './live.js';
import { empty, inWords, linkTo, trying } from './parts/page-frame.js';
import { nameOf, title } from './records.js';
import { settleList } from './settle.js';
import { T } from './texts.js';

/** @import { Lot, ManyStatement, Statement, StatementLine } from './types.js' */

const A = T.audit;
const places = { ask: byId('ask'), statement: byId('statement'), verify: byId('verify'), unsettled: byId('unsettled'), journal: byId('journal') };
/** @type {{lots: Lot[], deliveries: any[], coffees: any[], storerooms: any[], closings: any[], unsettled: any[], scales: any[], styles: any[], roasters: any[], counts: any[], today: string, site: string, batches: Map<string, any>, journal: any[], journalNext: string, kind: string}} */
const page = { lots: [], deliveries: [], coffees: [], storerooms: [], closings: [], unsettled: [], scales: [], styles: [], roasters: [], counts: [], today: '', site: '', batches: new Map(), journal: [], journalNext: '', kind: '' };
/** What a statement can be about, in the order of the choice. */
const ABOUTS = ['lot', 'delivery', 'coffee', 'storeroom', 'all'];
/** What the address asks for, so that a statement can be sent as a link. */
const asked = new URLSearchParams(location.search);

async function load() {
  await trying(async () => {
    const [lots, deliveries, coffees, storerooms, closings, unsettled, scales, styles, roasters, counts] = await Promise.all(['lots', 'deliveries', 'coffees', 'storerooms', 'closings', 'unsettled', 'scales', 'styles', 'roasters', 'count-sessions'].map((kind) => readAll(`/api/${kind}`)));
    const journal = await read(`/api/journal?limit=50${page.kind ? `&kind=${page.kind}` : ''}`);
    await nameBatches(journal.items);
    Object.assign(page, { lots, deliveries, coffees, storerooms, closings, unsettled, scales, styles, roasters, counts, journal: journal.items, journalNext: journal.next ?? '' });
    drawAsk();
    drawUnsettled();
    drawJournal();
    await showStatement();
  });
}

/* The statement */

function drawAsk() {
  if (page.lots.length === 0) {
    redraw(places.ask, empty(A.noLots, linkTo('/green', T.pages.green)));
    return;
  }
  const about = aboutNow();
  /** @param {string} name @param {HTMLElement} input @param {string} label */
  const field = (name, input, label) => h('div', { class: 'field' }, h('label', { for: name }, label), input);
  const set = (/** @type {any} */ event) => ask({ [event.target.name]: event.target.value });
  const on = { change: set };
  redraw(places.ask, h('form', { class: 'fields', on: { submit: (/** @type {Event} */ event) => event.preventDefault() } },
    field('about', h('select', { id: 'about', name: 'about', on: { change: (/** @type {any} */ event) => ask({ ...Object.fromEntries(ABOUTS.map((each) => [each, ''])), about: event.target.value }) } }, ABOUTS.map((each) => h('option', { value: each, selected: each === about }, A.abouts[each]))), A.about),
    about === 'all' ? null : field(about, h('select', { id: about, name: about, on }, h('option', { value: '' }, T.form.choose), choices(about).map(([id, label]) => h('option', { value: id, selected: id === asked.get(about) }, label))), A.which),
    field('from', h('input', { type: 'date', id: 'from', name: 'from', value: asked.get('from') ?? '', on }), T.form.from), field('to', h('input', { type: 'date', id: 'to', name: 'to', value: asked.get('to') ?? '', on }), T.form.to),
    field('known', h('select', { id: 'known', name: 'known', on }, h('option', { value: '' }, A.knownNow), page.closings.map((each) => h('option', { value: String(each.known), selected: String(each.known) === asked.get('known') }, A.knownThen(fullDay(each.to_day))))), A.known),
    h('div', { class: 'actions periods' }, periods().map(([label, from, to]) => button(label, () => ask({ from, to }), { 'data-key': `period-${label}` })))));
}

/** What the statement is about: as said, else whatever is named. */
function aboutNow() {
  return ABOUTS.find((each) => asked.get(each)) ?? asked.get('about') ?? 'lot';
}

/** @param {string} about @returns {[string, string][]} */
function choices(about) {
  if (about === 'delivery') return page.deliveries.map((each) => [each.id, title('deliveries', each)]);
  if (about === 'coffee') return page.coffees.map((each) => [each.id, each.name]);
  if (about === 'storeroom') return page.storerooms.map((each) => [each.id, each.name]);
  return page.lots.map((each) => [each.id, `${each.name} · ${each.grade}`]);
}

/** Asks for another statement; the address says which, so that it can be sent as a link. @param {Record<string, string>} changes */
function ask(changes) {
  for (const [name, value] of Object.entries(changes)) {
    if (value) asked.set(name, value);
    else asked.delete(name);
  }
  history.replaceState(null, '', `?${asked}`);
  drawAsk();
  showStatement();
}

/** Ready periods: this month, last month, since the start of the year. @returns {[string, string, string][]} */
function periods() {
  const month = page.today.slice(0, 7);
  const lastEnd = addDays(`${month}-01`, -1);
  return [[A.thisMonth, `${month}-01`, page.today], [A.lastMonth, `${lastEnd.slice(0, 7)}-01`, lastEnd], [A.thisYear, `${page.today.slice(0, 4)}-01-01`, page.today]];
}

async function showStatement() {
  const about = aboutNow();
  if (about !== 'all' && !asked.get(about)) {
    redraw(places.statement, page.lots.length ? h('p', { class: 'none' }, A.chooseLot) : null);
    return;
  }
  const query = new URLSearchParams([...asked].filter(([name, value]) => value && name !== 'about'));
  try {
    if (about === 'lot') {
      query.delete('lot');
      /** @type {Statement} */
      const statement = await read(`/api/lots/${asked.get('lot')}/statement?${query}`);
      drawStatement(statement, takeAway(`lot=${asked.get('lot')}&${query}`), await sealOf(statement.to));
    } else {
      /** @type {ManyStatement} */
      const statement = await read(`/api/statement?${query}`);
      drawMany(statement, query, await sealOf(statement.to));
    }
  } catch (error) {
    redraw(places.statement, h('p', { class: 'error', role: 'alert' }, inWords(error)));
  }
}

/** The files of a statement. @param {string} query */
function takeAway(query) {
  return h('div', { class: 'actions taken' }, h('span', {}, A.takeAway), ['csv', 'xlsx', 'jsonl'].map((kind) => h('a', { class: 'button plain', href: `/api/statement.${kind}?${query}`, download: '' }, kind.toUpperCase())), button(A.print, () => window.print(), { 'data-key': 'print' }));
}

/** @param {string} name @param {string|null} from @param {string} to @param {HTMLElement} files */
const heading = (name, from, to, files) => [h('p', { class: 'only-print' }, page.site), h('div', { class: 'head' }, h('h3', {}, `${name} · ${from ? `${fullDay(from)} – ` : A.until} ${fullDay(to)}`), files)];

/** The closing whose period a statement is of: as known when it was closed, or as known now where it still holds. @param {string} to */
const closingOf = (to) => page.closings.find((each) => (asked.get('known') ? String(each.known) === asked.get('known') && to <= each.to_day : to === each.to_day && !each.reopened));

/** The seal of a closed period, as it is printed under its statement. @param {string} to @returns {Promise<import('./dom.js').Child>} */
async function sealOf(to) {
  const closing = closingOf(to);
  if (!closing) return null;
  const { items } = await read('/api/seals');
  const seal = items.find((/** @type {any} */ each) => each.closing === closing.id);
  if (!seal) return null;
  return h('section', { class: 'seal' }, h('h4', {}, A.seal), h('p', {}, A.sealLead(seal.size, fullMoment(seal.made_at))), h('pre', { tabindex: 0 }, seal.note),
    h('dl', { class: 'facts wide' }, h('div', {}, h('dt', {}, T.trace.key), h('dd', {}, h('code', {}, seal.key))), h('div', {}, h('dt', {}, A.fingerprint), h('dd', {}, h('code', {}, seal.fingerprint.replace(/(.{8})(?=.)/g, '$1 '))))),
    h('p', {}, A.sealCheck, ' ', h('code', {}, `outturn verify --book BOOK --seal seal-${seal.to_day}.txt --key KEY`)),
    h('p', { class: 'actions unprinted' }, h('a', { class: 'button plain', href: `/api/closings/${closing.id}/seal.txt`, download: '' }, A.sealTake)));
}

/** As known when, from how much of the log; and on a narrow screen that the table goes on. @param {number} known */
function bound(known) {
  const closing = page.closings.find((each) => String(each.known) === asked.get('known'));
  return [h('p', { class: 'bound' }, `${A.known} ${closing ? A.knownThen(fullDay(closing.to_day)) : A.knownNow}. ${A.bound(known)}`), h('p', { class: 'sideways' }, A.sideways)];
}

/** A row of the balance at one end. @param {string|null} day @param {string} label @param {number} grams @param {number} [before] how many columns stand before the label */
const edge = (day, label, grams, before = 0) => h('tr', { class: 'balance' }, h('td', {}, day ? fullDay(day) : ''), before ? h('td', {}) : null, h('th', { scope: 'row' }, label), h('td', {}), h('td', { class: 'num' }, exact(grams)), h('td', { colspan: 5 }));

/** The masses of a period by what was done. @param {Record<string, number>} sums */
const sumList = (sums) => [h('h4', {}, A.sums), h('dl', { class: 'facts' }, Object.entries(sums).filter(([, grams]) => grams !== 0).map(([name, grams]) => h('div', {}, h('dt', {}, A.sumNames[name] ?? name), h('dd', {}, exact(grams)))))];

/** Where the coffee is, which sums to nothing. @param {string} label @param {{place: string, key_text?: string, mass_g: number}[]} totals */
const whereIs = (label, totals) => [h('h4', {}, label), h('dl', { class: 'facts' }, totals.map((each) => h('div', {}, h('dt', {}, `${T.places[each.place] ?? each.place}${each.key_text ? ` · ${each.key_text}` : ''}`), h('dd', {}, exact(each.mass_g)))), h('div', { class: 'zero' }, h('dt', {}, A.zero), h('dd', {}, exact(totals.reduce((sum, each) => sum + Math.round(each.mass_g * 1000), 0) / 1000))))];

const HEADS = /** @type {(string|[string])[]} */ ([A.what, [A.change], [A.balance], [T.words.green], [T.words.roasted], [T.loss.loss], [A.expectedLoss], [A.rangeHead]]);

/** @param {Statement} statement @param {HTMLElement} files @param {import('./dom.js').Child} seal */
function drawStatement(statement, files, seal) {
  redraw(places.statement, heading(nameOf(page.lots, statement.lot), statement.from, statement.to, files),
    bound(statement.known),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': A.statement }, h('table', { class: 'statement' }, tableHead([T.records.day, ...HEADS]),
      h('tbody', {}, edge(statement.from, A.opening, statement.opening_g), statement.lines.map((line) => statementRow(line)), edge(statement.to, A.closing, statement.closing_g)))),
    whereIs(A.whereNow, statement.totals), sumList(statement.sums), seal);
}

/** @param {ManyStatement} statement @param {URLSearchParams} query @param {import('./dom.js').Child} seal */
function drawMany(statement, query, seal) {
  const next = statement.next;
  const more = next ? button(A.moreLines, async () => {
    const page = await trying(() => read(`/api/statement?${query}&after=${encodeURIComponent(next)}`));
    if (page) drawMany({ ...statement, lines: statement.lines.concat(page.lines), next: page.next }, query, seal);
  }, { 'data-key': 'more-lines' }) : null;
  redraw(places.statement, heading(statement.scope === 'all' ? A.abouts.all ?? '' : statement.name, statement.from, statement.to, takeAway(String(query))),
    bound(statement.known),
    h('h4', {}, A.lotByLot), lotTable(statement),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': A.statement }, h('table', { class: 'statement' }, tableHead([T.records.day, T.words.lot, ...HEADS]),
      h('tbody', {}, edge(statement.from, A.opening, statement.opening_g, 1), statement.lines.map((line) => statementRow(line, line.lot.name)), next ? null : edge(statement.to, A.closing, statement.closing_g, 1)))), more,
    statement.totals.length ? whereIs(A.everywhere, statement.totals) : null, sumList(statement.sums), seal);
}

/** Opening, sums that are not nothing anywhere, and closing of each lot. @param {ManyStatement} statement */
function lotTable(statement) {
  const names = Object.keys(statement.sums).filter((name) => statement.lots.some((of) => of.sums[name] !== 0));
  const row = (/** @type {import('./dom.js').Child} */ head, /** @type {any} */ of) => h('tr', {}, head, h('td', { class: 'num' }, exact(of.opening_g)), names.map((name) => h('td', { class: 'num' }, exact(of.sums[name]))), h('td', { class: 'num' }, exact(of.closing_g)));
  return h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': A.lotByLot }, h('table', { class: 'value' }, tableHead([T.words.lot, [A.opening], ...names.map((name) => /** @type {[string]} */ ([A.sumNames[name] ?? name])), [A.closing]]),
    h('tbody', {}, statement.lots.map((of) => row(h('th', { scope: 'row' }, h('a', { href: `/audit?${new URLSearchParams([...new URLSearchParams([...asked].filter(([name]) => !ABOUTS.includes(name) && name !== 'about')), ['lot', of.lot.id]])}` }, of.lot.name)), of))),
    h('tfoot', {}, row(h('th', { scope: 'row' }, T.value.all), statement))));
}

/**
 * How a batch is marked: by its verdict, but not where the loss as it was put right lies in the range.
 * @param {NonNullable<StatementLine['batch']>} batch
 */
function markOf({ loss, lo, hi, judgement }) {
  const within = loss !== null && lo !== null && hi !== null && lo <= loss && loss <= hi;
  return within ? 'ok' : judgement ?? 'ok';
}

/** @param {StatementLine} line @param {string} [lot] the lot's name, where there are several */
function statementRow(line, lot) {
  const { batch } = line;
  return h('tr', { id: `p-${line.posting}-${line.line}` }, h('td', {}, day(line.day), line.late ? h('span', { class: 'flag', title: A.lateHelp }, A.late) : null), lot === undefined ? null : h('td', { class: 'name' }, lot), h('td', {}, h('a', { href: `/posting?id=${line.posting}` }, inDays(line.text)), batch ? h('small', {}, ` ${batch.style.name} · ${batch.roaster.name}`) : null),
    h('td', { class: 'num' }, exact(line.change_g)), h('td', { class: 'num' }, exact(line.balance_g)), h('td', { class: 'num' }, batch ? exact(batch.charge_g) : ''), h('td', { class: 'num' }, batch ? exact(batch.roasted_g) : ''),
    h('td', { class: 'num' }, batch && batch.loss !== null ? h('b', { class: `loss ${markOf(batch)}` }, `${percent(batch.loss)} ${T.verdict.short[markOf(batch)]}`) : ''), h('td', { class: 'num' }, batch && batch.mean !== null && batch.mean !== undefined ? percent(batch.mean) : ''), h('td', { class: 'num' }, batch && batch.lo !== null && batch.lo !== undefined ? `${percent(batch.lo)} – ${percent(batch.hi)}` : ''));
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

/* What tablets kept and the book could not take */

function drawUnsettled() {
  places.unsettled.hidden = page.unsettled.length === 0;
  redraw(places.unsettled, h('h2', {}, A.unsettled), h('p', { class: 'help' }, A.unsettledHelp), settleList(page.unsettled, { lots: page.lots, batches: [], scales: page.scales }, load));
}

/* Journal */

function drawJournal() {
  redraw(places.journal, h('div', { class: 'head' }, h('h2', {}, A.journal), h('label', { class: 'inline', for: 'journal-kind' }, A.ofKind, ' ', h('select', { id: 'journal-kind', on: { change: (/** @type {any} */ event) => {
    page.kind = event.target.value;
    load();
  } } }, h('option', { value: '' }, A.anyKind), Object.entries(A.kinds).map(([kind, name]) => h('option', { value: kind, selected: kind === page.kind }, name))))), page.journal.length === 0 ? h('p', { class: 'none' }, A.noJournal) : h('ol', { class: 'journal' }, page.journal.map((each) => h('li', {}, h('details', { 'data-key': `journal-${each.id}` },
    h('summary', {}, h('span', { class: 'when' }, fullMoment(each.recorded_at)), ' ', h('span', {}, journalText(each), h('small', {}, ` · ${each.person.name}`))), each.reason ? h('p', {}, each.reason) : null, each.kind === 'finding' ? h('p', {}, each.after?.sentence ?? '') : null, differences(each))))),
  page.journalNext ? button(A.more, async () => {
    const next = await trying(() => read(`/api/journal?limit=50&after=${encodeURIComponent(page.journalNext)}${page.kind ? `&kind=${page.kind}` : ''}`));
    if (!next) return;
    await nameBatches(next.items);
    page.journal = page.journal.concat(next.items);
    page.journalNext = next.next ?? '';
    drawJournal();
  }, { 'data-key': 'more' }) : null);
}

/** Reads the batches that entries are about, for an entry itself says only what was done to its batch. @param {any[]} entries */
async function nameBatches(entries) {
  const wanted = new Set(entries.filter((each) => each.kind === 'batch' && !page.batches.has(each.subject)).map((each) => each.subject));
  await Promise.all([...wanted].map(async (id) => page.batches.set(id, await read(`/api/batches/${id}`).catch(() => null))));
}

/** What is roasted by a card or batch: its day, lot, style and roaster. @param {any} of */
function roastOf(of) {
  const { lots, styles, roasters } = page;
  return [of.day ? day(of.day) : '', of.start ?? '', of.lot ? nameOf(lots, of.lot) : '', of.style ? nameOf(styles, of.style) : '', of.roaster ? nameOf(roasters, of.roaster) : ''].filter(Boolean).join(' · ');
}

/** What an entry is about, as people call it. @param {any} entry @param {any} of */
function nameOfEntry(entry, of) {
  if (entry.kind === 'card' || entry.kind === 'batch') return roastOf(of);
  if (entry.kind === 'count') return countOf(entry);
  if (entry.kind === 'closing') return page.closings.filter((each) => each.id === entry.subject).map((each) => fullDay(each.to_day)).join('');
  if (entry.kind === 'finding') return [T.findings.kinds[of.kind] ?? of.kind, of.lot ? nameOf(page.lots, of.lot) : '', of.day ? day(of.day) : ''].filter(Boolean).join(' · ');
  return of.name ?? of.number ?? of.reference ?? (of.day ? fullDay(of.day) : '');
}

/** A count by its moment and rooms, and what of it was entered. @param {any} entry */
function countOf(entry) {
  const count = page.counts.find((each) => each.id === entry.subject);
  const masses = entry.act === 'count_entered' ? (entry.after?.masses ?? []) : [];
  const entered = masses.map((/** @type {any} */ each) => `${nameOf(page.lots, each.lot)} ${mass(each.mass_g)}`).join(', ');
  return [count ? A.countOf(fullMoment(count.frozen_at), count.storeroom?.name ?? '') : '', entered].filter(Boolean).join(' · ');
}

/** @param {any} entry */
function journalText(entry) {
  const of = page.batches.get(entry.subject) ?? entry.after ?? entry.before ?? {};
  const name = nameOfEntry(entry, of);
  const act = entry.act === 'put' ? (entry.before ? 'changed' : 'added') : entry.act;
  return A.entry(A.kinds[entry.kind] ?? entry.kind, String(name), A.acts[act] ?? act);
}

/** What a change changed, field by field. @param {any} entry */
function differences(entry) {
  const before = entry.before ?? {};
  const after = entry.after ?? {};
  const names = [...new Set([...Object.keys(before), ...Object.keys(after)])].filter((name) => JSON.stringify(before[name]) !== JSON.stringify(after[name]));
  /** @param {string} name */
  const change = (name) => (entry.before ? `${inReading(name, before[name])} → ${inReading(name, after[name])}` : inReading(name, after[name]));
  return h('dl', { class: 'facts' }, names.map((name) => h('div', {}, h('dt', {}, fieldName(name)), h('dd', {}, change(name)))));
}

/** A field's name as it reads: "min charge" for `min_charge_g`. @param {string} name */
const fieldName = (name) => name.replace(/_g$/, '').replaceAll('_', ' ');

/** A value of a field as it reads: masses with their unit, ids by what they name. @param {string} name @param {any} value @returns {string} */
function inReading(name, value) {
  if (value === undefined || value === null || value === '') return '–';
  if (Array.isArray(value)) return value.map((each) => inReading(name, each)).join('; ') || '–';
  if (typeof value === 'object') return Object.entries(value).map(([part, of]) => `${fieldName(part)} ${inReading(part, of)}`).join(', ');
  if (name.endsWith('_g') && typeof value === 'number') return exact(value);
  if (/^\d{4}-\d\d-\d\d$/.test(value)) return fullDay(value);
  if (/^\d{4}-\d\d-\d\dT/.test(value)) return fullMoment(value);
  const { lots, deliveries, coffees, storerooms, scales, styles, roasters } = page;
  const named = [...lots, ...coffees, ...storerooms, ...scales, ...styles, ...roasters].find((each) => each.id === value);
  const delivery = deliveries.find((each) => each.id === value);
  return named?.name ?? (delivery ? title('deliveries', delivery) : String(value));
}

const me = await openLive(load);
page.today = me?.today ?? '';
page.site = me?.site.name ?? '';
drawVerify(null);
await load();
