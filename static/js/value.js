/** Value: what the stock is worth and where its cost went in a period; the bills and write-downs it is reckoned from. */
import { read, readAll } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { fullDay, mass, money } from './format.js';
import { editRecord, retire } from './forms.js';
import { openLive } from './live.js';
import { empty, inWords, trying } from './parts/page-frame.js';
import { fieldsOf, lists, NEEDS, nameOf, title } from './records.js';
import { T } from './texts.js';

/** @import { ValueView, LotValue } from './types.js' */

const V = T.value;
const A = T.audit;
const places = { ask: byId('ask'), value: byId('value') };
const asked = new URLSearchParams(location.search);
/** @type {{closings: any[], lines: any[], downs: any[], deliveries: any[], lots: any[], today: string}} */
const page = { closings: [], lines: [], downs: [], deliveries: [], lots: [], today: '' };

async function load() {
  await trying(async () => {
    const [closings, lines, downs, deliveries, lots] = await Promise.all(['closings', 'cost-lines', 'write-downs', 'deliveries', 'lots'].map((kind) => readAll(`/api/${kind}`)));
    Object.assign(page, { closings, lines, downs, deliveries, lots });
    drawAsk();
    await show();
  });
}

function drawAsk() {
  /** @param {string} name @param {string} label @param {HTMLElement} input */
  const field = (name, label, input) => h('div', { class: 'field' }, h('label', { for: name }, label), input);
  const on = { change: (/** @type {any} */ event) => {
    if (event.target.value) asked.set(event.target.name, event.target.value);
    else asked.delete(event.target.name);
    history.replaceState(null, '', `?${asked}`);
    show();
  } };
  redraw(places.ask, h('form', { class: 'fields', on: { submit: (/** @type {Event} */ event) => event.preventDefault() } },
    field('from', T.form.from, h('input', { type: 'date', id: 'from', name: 'from', value: asked.get('from') ?? '', on })), field('to', T.form.to, h('input', { type: 'date', id: 'to', name: 'to', value: asked.get('to') ?? '', on })),
    field('known', A.known, h('select', { id: 'known', name: 'known', on }, h('option', { value: '' }, A.knownNow), page.closings.map((each) => h('option', { value: String(each.known), selected: String(each.known) === asked.get('known') }, A.knownThen(fullDay(each.to_day))))))));
}

async function show() {
  try {
    /** @type {ValueView} */
    const value = await read(`/api/value?${asked}`);
    drawValue(value);
  } catch (error) {
    redraw(places.value, h('p', { class: 'error', role: 'alert' }, inWords(error)));
  }
}

/** @param {ValueView} value */
function drawValue(value) {
  const pay = (/** @type {number} */ minor) => money({ minor, currency: value.currency });
  const worth = (/** @type {any} */ of) => of.store - of.written_down + of.batch + of.roasted + of.packed + of.coming;
  /** @type {[string, (of: LotValue) => number][]} */
  const all = [[V.opening, (of) => worth(of.opening)], [V.added, (of) => of.added], [V.sold, (of) => of.used.sold - of.used.written_down_used], [V.samples, (of) => of.used.samples], [V.waste, (of) => of.used.waste],
    [V.differences, (of) => of.used.differences], [V.blended, (of) => of.used.blended], [V.sent, (of) => of.used.sent], [V.down, (of) => of.used.written_down], [V.closing, (of) => worth(of.closing)]];
  // Of nothing that happened no column is shown: the rest adds up as well, and fits a screen.
  const columns = all.filter(([label, read]) => label === V.closing || value.lots.some((of) => read(of) !== 0));
  redraw(places.value, h('div', { class: 'head' }, h('h2', {}, `${value.from ? `${fullDay(value.from)} –` : A.until} ${fullDay(value.to)}`), h('div', { class: 'actions taken' }, h('span', {}, A.takeAway), ['csv', 'xlsx'].map((kind) => h('a', { class: 'button plain', href: `/api/value.${kind}?${asked}`, download: '' }, kind.toUpperCase())), button(A.print, () => window.print(), { 'data-key': 'print' }))),
    h('p', { class: 'notice' }, value.notice), value.unreadable.length ? h('p', { class: 'error' }, V.unreadable(value.unreadable.length)) : null,
    h('p', { class: 'help' }, V.lead, ' ', A.bound(value.known)),
    value.lots.length === 0 ? empty(V.nothing) : h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': T.pages.value }, h('table', { class: 'value' }, tableHead([V.lot, [V.green], [V.perKg], ...columns.map(([label]) => /** @type {[string]} */ ([label]))]),
      h('tbody', {}, value.lots.map((of) => h('tr', {}, h('th', { scope: 'row' }, h('a', { href: `/audit?lot=${of.lot.id}` }, of.lot.name), of.owned_by ? h('span', { class: 'flag' }, V.owned(of.owned_by)) : null), h('td', { class: 'num' }, mass(of.store_g)), h('td', { class: 'num' }, of.per_kg === null ? '–' : pay(of.per_kg)), columns.map(([, read]) => h('td', { class: 'num' }, pay(read(of))))))),
      h('tfoot', {}, h('tr', {}, h('th', { scope: 'row' }, V.all), h('td', { class: 'num' }, mass(value.lots.reduce((sum, of) => sum + of.store_g, 0))), h('td', {}), columns.map(([, read]) => h('td', { class: 'num' }, pay(value.lots.reduce((sum, of) => sum + read(of), 0)))))))),
    value.coffees.length ? [h('h3', {}, V.three), h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': V.three }, h('table', { class: 'value' }, tableHead([T.records.coffee, [V.green], [V.byLot], [V.average], [V.fifo]]),
      h('tbody', {}, value.coffees.map((of) => h('tr', {}, h('th', { scope: 'row' }, of.coffee.name), h('td', { class: 'num' }, mass(of.store_g)), [of.by_lot, of.weighted_average, of.first_in_first_out].map((minor) => h('td', { class: 'num' }, pay(minor))))))))] : null,
    bills(), writeDowns());
}

/** @param {'cost-lines'|'write-downs'} kind */
async function add(kind) {
  const from = await lists(NEEDS[kind] ?? []);
  if (await editRecord({ kind, item: null, title: T.kinds[kind].add, value: { day: page.today }, fields: fieldsOf(kind, from) })) await load();
}

function bills() {
  const delivery = (/** @type {string} */ id) => {
    const found = page.deliveries.find((each) => each.id === id);
    return found ? title('deliveries', found) : '?';
  };
  return [h('div', { class: 'head' }, h('h3', {}, V.bills), button(V.addBill, () => add('cost-lines'), { kind: page.lines.length ? 'plain' : 'main', 'data-key': 'add-bill' })),
    page.lines.length === 0 ? empty(V.noBills) : h('ul', { class: 'records' }, [...page.lines].sort((a, b) => b.day.localeCompare(a.day)).map((line) => h('li', { class: line.retired ? 'retired' : '' },
      h('div', {}, h('b', {}, `${line.credit ? '− ' : ''}${money(line.amount)}`), ` ${V.kinds[/** @type {'coffee'} */ (line.kind)]} · ${delivery(line.delivery)}`, line.lot ? ` · ${nameOf(page.lots, line.lot)}` : '', line.retired ? h('span', { class: 'flag' }, V.retired) : null,
        h('p', {}, [fullDay(line.day), line.reference, line.rate ? `× ${line.rate}` : '', line.note].filter(Boolean).join(' · '))),
      h('div', { class: 'actions' }, line.retired ? null : button(V.retire, () => trying(async () => {
        await retire('cost-lines', line);
        await load();
      }), { kind: 'quiet', 'data-key': `retire-${line.id}`, 'aria-label': `${V.retire}: ${money(line.amount)}, ${fullDay(line.day)}` })))))];
}

function writeDowns() {
  return [h('div', { class: 'head' }, h('h3', {}, V.writeDowns), button(V.writeDown, () => add('write-downs'), { 'data-key': 'add-down' })),
    page.downs.length === 0 ? h('p', { class: 'none' }, V.noDowns) : h('ul', { class: 'records' }, page.downs.map((down) => h('li', { class: down.retired ? 'retired' : '' }, h('div', {}, h('b', {}, money(down.amount)), ` ${nameOf(page.lots, down.lot)}`, down.retired ? h('span', { class: 'flag' }, V.retired) : null, h('p', {}, `${fullDay(down.day)} · ${down.reason}`)),
      h('div', { class: 'actions' }, down.retired ? null : button(V.takeBack, () => trying(async () => {
        await retire('write-downs', down);
        await load();
      }), { kind: 'quiet', 'data-key': `retire-${down.id}`, 'aria-label': `${V.takeBack}: ${money(down.amount)}` })))))];
}

page.today = (await openLive(load))?.today ?? '';
await load();
