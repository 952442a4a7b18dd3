/** All sites together: what each had, what came, went and was roasted, and what is on the way between them. */
import { read } from './api.js';
import { byId, h, redraw, tableHead } from './dom.js';
import { fullDay, mass, money } from './format.js';
import { openLive } from './live.js';
import { empty, inWords } from './parts/page-frame.js';
import { T } from './texts.js';
import { wayList } from './ways.js';

/** @import { SiteFigures, SitesReport } from './types.js' */

const S = T.sites;
const places = { ask: byId('ask'), sites: byId('sites'), ways: byId('ways') };
const asked = new URLSearchParams(location.search);

/** Columns of the table, in the order in which they add up: what a site's figures are, and whether they are taken off. @type {[string, (of: SiteFigures|SitesReport) => number][]} */
const COLUMNS = [
  [S.opening, (of) => of.opening_g], [S.came, (of) => of.sums.received_g - of.sums.returned_g], [S.blended, (of) => of.sums.blended_in_g - of.sums.blended_out_g], [S.between, (of) => 0 - of.sums.sent_g], [S.roasted, (of) => 0 - of.sums.charged_g],
  [S.out, (of) => 0 - of.sums.sampled_g - of.sums.wasted_g - of.sums.dried_g], [S.difference, (of) => of.sums.difference_g + of.sums.moved_g], [S.closing, (of) => of.closing_g],
];

function drawAsk() {
  /** @param {'from'|'to'} name */
  const field = (name) => h('div', { class: 'field' }, h('label', { for: name }, T.form[name]), h('input', { type: 'date', id: name, name, value: asked.get(name) ?? '', on: { change: (/** @type {any} */ event) => {
    if (event.target.value) asked.set(name, event.target.value);
    else asked.delete(name);
    history.replaceState(null, '', `?${asked}`);
    show();
  } } }));
  redraw(places.ask, h('form', { class: 'fields', on: { submit: (/** @type {Event} */ event) => event.preventDefault() } }, field('from'), field('to')));
}

async function show() {
  try {
    draw(await read(`/api/all-sites?${asked}`));
  } catch (error) {
    redraw(places.ways);
    redraw(places.sites, h('p', { class: 'error', role: 'alert' }, inWords(error)));
  }
}

/** @param {import('./types.js').Money[]} amounts */
const sumText = (amounts) => (amounts.length ? amounts.map(money).join(' + ') : '–');

/** @param {SitesReport} report */
function draw(report) {
  if (report.sites.length < 2) {
    redraw(places.ways);
    redraw(places.sites, empty(S.one));
    return;
  }
  // Of nothing that happened anywhere no column is shown.
  const columns = COLUMNS.filter(([label, figure]) => [S.opening, S.closing].includes(label) || report.sites.some((of) => figure(of) !== 0));
  /** @param {SiteFigures|SitesReport} of */
  const figures = (of) => columns.map(([, figure]) => h('td', { class: 'num' }, mass(figure(of))));
  redraw(places.sites, h('h2', {}, `${report.from ? `${fullDay(report.from)} –` : T.audit.until} ${fullDay(report.to)}`), h('p', { class: 'help' }, S.lead),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': T.pages.sites }, h('table', { class: 'value' }, tableHead([S.site, ...columns.map(([label]) => /** @type {[string]} */ ([label])), [S.worth]]),
      h('tbody', {}, report.sites.map((of) => h('tr', {}, h('th', { scope: 'row' }, of.site.name), figures(of), h('td', { class: 'num' }, money(of.worth))))),
      h('tfoot', {}, h('tr', {}, h('th', { scope: 'row' }, S.all), figures(report), h('td', { class: 'num' }, sumText(report.worth)))))));
  redraw(places.ways, h('h2', {}, S.onTheWay), report.on_the_way.length === 0 ? h('p', { class: 'none' }, S.nothing) : [
    h('p', {}, S.onTheWayNow(mass(report.on_the_way_g), sumText(report.on_the_way_worth))), wayList(report.on_the_way, () => null)]);
}

drawAsk();
await openLive(show);
await show();
