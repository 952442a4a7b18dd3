/** Trace: where coffee came from and where it went, with the mass on every way; what a recall would touch; the seals of the book. */
import { read, readAll } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { day, exact, fullDay, fullMoment } from './format.js';
import { openLive } from './live.js';
import { empty, inWords, linkTo, tell, trying } from './parts/page-frame.js';
import { picture } from './picture.js';
import { T } from './texts.js';

const R = T.trace;
const places = { ask: byId('ask'), touched: byId('touched'), picture: byId('picture'), ways: byId('ways'), elsewhere: byId('elsewhere'), claims: byId('claims'), copies: byId('copies'), seals: byId('seals') };
/** What can be chosen, by kind; what is traced stands in the address, so that it can be sent as a link. */
const KINDS = /** @type {const} */ (['lot', 'delivery', 'batch', 'order', 'packing', 'shipment']);
const asked = new URLSearchParams(location.search);
/** More ways than these are shown when somebody asks for them. */
const AT_ONCE = 200;
/** @type {{choices: Record<string, {id: string, name: string}[]>, trace: any, all: boolean, label: string}} */
const page = { choices: {}, trace: null, all: false, label: '' };

const of = () => asked.get('of') ?? 'lot';
/** Whether what is traced is named by typing its id, not chosen from a list. */
const isTyped = () => ['packing', 'shipment'].includes(of());

/** What there is to choose of a kind. @param {string} kind @returns {Promise<{id: string, name: string}[]>} */
async function choices(kind) {
  if (kind === 'lot') return (await readAll('/api/lots')).map((each) => ({ id: each.id, name: `${each.name} · ${each.grade}` }));
  if (kind === 'delivery') return (await readAll('/api/deliveries')).map((each) => ({ id: each.id, name: `${each.supplier} ${each.reference}` }));
  if (kind === 'order') return (await readAll('/api/orders')).map((each) => ({ id: each.id, name: `${each.number} · ${each.customer}` }));
  if (kind === 'batch') return (await read('/api/batches?limit=200')).items.map((/** @type {any} */ each) => ({ id: each.id, name: `${day(each.day)} · ${each.lot.name} · ${each.roaster.name}` }));
  return [];
}

/** A label's code names its packing. */
async function readCode() {
  const code = asked.get('code');
  if (!code) return;
  const packing = await read(`/api/packing-codes/${encodeURIComponent(code)}`).catch(() => null);
  asked.delete('code');
  if (!packing) {
    tell(T.packing.noCode(code));
    return;
  }
  page.label = packing.code;
  set('of', 'packing');
  set('id', packing.id);
}

async function load() {
  await trying(async () => {
    page.choices[of()] = await choices(of());
    drawAsk();
    const [claims, copies, seals] = await Promise.all([read('/api/claims'), read('/api/copies'), read('/api/seals')]);
    drawClaims(claims.items);
    drawCopies(copies);
    drawSeals(seals);
    await show();
  });
}

/** @param {string} name @param {string} value */
function set(name, value) {
  if (value) asked.set(name, value);
  else asked.delete(name);
  history.replaceState(null, '', `?${asked}`);
}

function drawAsk() {
  const here = page.choices[of()] ?? [];
  const known = here.some((each) => each.id === asked.get('id'));
  /** @param {string} id @param {string} label @param {HTMLElement} input */
  const field = (id, label, input) => h('div', { class: 'field' }, h('label', { for: id }, label), input);
  const changed = (/** @type {any} */ event) => {
    set(event.target.name, event.target.value);
    if (event.target.name === 'of') {
      set('id', '');
      Object.assign(page, { trace: null, label: '' });
      load();
    } else show();
  };
  const on = { change: changed };
  const id = here.length > 0 && (known || !asked.get('id'))
    ? h('select', { id: 'id', name: 'id', on }, h('option', { value: '' }, T.form.choose), here.map((each) => h('option', { value: each.id, selected: each.id === asked.get('id') }, each.name)))
    : h('input', { id: 'id', name: 'id', value: asked.get('id') ?? '', autocomplete: 'off', spellcheck: 'false', on });
  redraw(places.ask, h('p', { class: 'help' }, R.lead), h('form', { class: 'fields', on: { submit: (/** @type {Event} */ event) => event.preventDefault() } },
    field('of', R.of, h('select', { id: 'of', name: 'of', on }, KINDS.map((kind) => h('option', { value: kind, selected: kind === of() }, R.kinds[kind])))),
    field('id', R.which, id),
    field('direction', R.direction, h('select', { id: 'direction', name: 'direction', on }, ['both', 'forward', 'backward'].map((way) => h('option', { value: way, selected: way === (asked.get('direction') ?? 'both') }, R.directions[way]))))));
}

function clear() {
  for (const place of [places.picture, places.ways, places.elsewhere]) redraw(place);
  places.elsewhere.hidden = true;
}

async function show() {
  const id = asked.get('id');
  if (!id) {
    clear();
    redraw(places.touched, empty(isTyped() || page.choices[of()]?.length ? R.choose : R.noneOf));
    return;
  }
  const path = `/api/trace/${of()}/${encodeURIComponent(id)}`;
  const query = `?direction=${asked.get('direction') ?? 'both'}`;
  try {
    page.trace = await read(path + query);
    page.all = false;
    drawTouched(path, query);
    redraw(places.picture, h('h2', {}, R.picture), page.trace.legs.length === 0 ? h('p', { class: 'none' }, R.nothing) : h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': R.picture }, picture(`${path}/picture.svg${query}`, R.pictureOf(page.trace.name))));
    drawWays();
    drawElsewhere();
  } catch (error) {
    clear();
    redraw(places.touched, h('p', { class: 'error', role: 'alert' }, inWords(error)));
  }
}

/** @param {string} path @param {string} query */
function drawTouched(path, query) {
  const { name, touched } = page.trace;
  const bags = (/** @type {any} */ each) => each.bags.map((/** @type {any} */ of) => R.bags(of.packed || of.shipped, of.name, of.shipped)).join(', ');
  redraw(places.touched,
    h('div', { class: 'head' }, h('h2', {}, R.touchedBy(name)), h('div', { class: 'actions' }, page.label && of() === 'packing' ? linkTo(`/label?code=${page.label}`, T.packing.itsLabel) : null, h('a', { class: 'button plain', href: `${path}/ways.csv${query}`, download: '' }, R.csv), h('a', { class: 'button plain', href: path + query, download: `trace-${of()}.json` }, R.json), button(T.audit.print, () => window.print(), { 'data-key': 'print' }))),
    also(page.trace).map((text) => h('p', { class: 'notice' }, text)),
    h('dl', { class: 'facts' }, h('div', {}, h('dt', {}, R.batches), h('dd', {}, String(touched.batches))), touched.places.map((/** @type {any} */ each) => h('div', {}, h('dt', {}, `${T.places[each.place] ?? each.place} · ${each.stops}`), h('dd', {}, exact(each.stands_g))))),
    h('h3', {}, R.orders), touched.orders.length === 0 ? h('p', { class: 'none' }, R.noOrders) : h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': R.orders }, h('table', {}, tableHead([R.order, R.customer, R.shipDay, R.bagsHead]), h('tbody', {}, touched.orders.map((/** @type {any} */ each) => h('tr', {},
      h('th', { scope: 'row' }, each.order ? h('a', { href: `?of=order&id=${each.order}` }, each.number) : R.shelf), h('td', {}, each.customer ?? ''), h('td', {}, each.ship_day ? fullDay(each.ship_day) : ''), h('td', {}, bags(each))))))));
}

/** What other sites have of it, a line each. @param {any} trace @returns {string[]} */
const also = (trace) => trace.elsewhere.flatMap((/** @type {any} */ each) => [R.also(each.site.name, each.trace.touched.batches, each.trace.touched.orders.length), ...also(each.trace)]);

/** The kind of trace that a place can begin. @type {Record<string, string>} */
const BEGINS = { supplier: 'delivery', batch: 'batch', roasted: 'batch', packed: 'packing', shipped: 'shipment', blended: 'lot' };

/** Places of which there is one. */
const NAMELESS = ['sample', 'waste', 'air', 'variance'];

/** @param {any} stop */
function stopText(stop) {
  const kind = BEGINS[stop.place];
  const name = stop.place === 'store' ? `${stop.lot_name}, ${stop.name}` : NAMELESS.includes(stop.place) ? '' : stop.name;
  return [T.places[stop.place] ?? stop.place, name ? ': ' : '', kind && stop.key ? h('a', { href: `?of=${kind}&id=${stop.key}` }, name) : name];
}

function drawWays() {
  const { legs, stops } = page.trace;
  const shown = page.all ? legs : legs.slice(0, AT_ONCE);
  redraw(places.ways, h('h2', {}, R.ways), legs.length === 0 ? null : h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': R.ways }, h('table', {}, tableHead([T.records.day, T.words.lot, R.from, R.to, [T.words.mass]]),
    h('tbody', {}, shown.map((/** @type {any} */ leg) => h('tr', {}, h('td', {}, fullDay(leg.day)), h('td', {}, stops[leg.to].lot_name), h('td', {}, stopText(stops[leg.from])), h('td', {}, stopText(stops[leg.to])), h('td', { class: 'num' }, exact(leg.mass_g))))))),
  shown.length < legs.length ? button(R.more(legs.length - shown.length), () => {
    page.all = true;
    drawWays();
  }, { 'data-key': 'more-ways' }) : null);
}

/** What other sites tell of it, one after the other. */
function drawElsewhere() {
  /** @param {any} trace @returns {import('./dom.js').Child} */
  const told = (trace) => trace.elsewhere.map((/** @type {any} */ each) => [h('h3', {}, R.at(each.site.name, each.trace.name)),
    h('p', {}, R.touchedThere(each.trace.touched.batches, each.trace.touched.orders.length)),
    each.trace.touched.orders.length ? h('ul', {}, each.trace.touched.orders.map((/** @type {any} */ order) => h('li', {}, !order.order ? R.shelf : order.number ? `${order.number} · ${order.customer ?? ''}` : R.unnamed))) : null,
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': R.at(each.site.name, each.trace.name) }, h('table', {}, tableHead([T.records.day, T.words.lot, R.from, R.to, [T.words.mass]]),
      h('tbody', {}, each.trace.legs.slice(0, AT_ONCE).map((/** @type {any} */ leg) => h('tr', {}, h('td', {}, fullDay(leg.day)), h('td', {}, each.trace.stops[leg.to].lot_name), [leg.from, leg.to].map((stop) => h('td', {}, plainStop(each.trace.stops[stop]))), h('td', { class: 'num' }, exact(leg.mass_g))))))),
    told(each.trace)]);
  places.elsewhere.hidden = page.trace.elsewhere.length === 0;
  redraw(places.elsewhere, h('h2', {}, R.elsewhere), told(page.trace), h('p', { class: 'help' }, R.elsewhereHelp));
}

/** A stop of another site, whose pages are not here. @param {any} stop */
const plainStop = (stop) => `${T.places[stop.place] ?? stop.place}${stop.name && !NAMELESS.includes(stop.place) ? `: ${stop.name}` : ''}`;

/** @param {any} each */
const certificateText = (each) => R.certificate(each.certificate, each.valid_from ? fullDay(each.valid_from) : '', fullDay(each.valid_to));

/** What was bought, roasted, sold and lost under each claim. @param {any[]} claims */
function drawClaims(claims) {
  places.claims.hidden = claims.length === 0;
  const columns = Object.keys(R.claimColumns);
  /** @param {any} masses */
  const cells = (masses) => columns.map((name) => h('td', { class: 'num' }, exact(masses[name])));
  redraw(places.claims, h('h2', {}, R.claims), h('p', { class: 'help' }, R.claimsHelp), claims.map((each) => h('section', {}, h('h3', {}, each.claim), each.warning ? h('p', { class: 'error', role: 'alert' }, each.warning) : null,
    h('dl', { class: 'facts' }, [[R.sold, each.sold_g], [R.promised, each.promised_g], [R.available, each.available_g]].map(([name, grams]) => h('div', {}, h('dt', {}, name), h('dd', {}, exact(grams))))),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': each.claim }, h('table', {}, tableHead([T.words.lot, T.records.certificate, ...columns.map((name) => /** @type {[string]} */ ([R.claimColumns[name] ?? name]))]), h('tbody', {},
      each.lots.map((/** @type {any} */ lot) => h('tr', {}, h('th', { scope: 'row' }, h('a', { href: `?of=lot&id=${lot.lot}` }, lot.name)), h('td', {}, lot.certificates.map(certificateText).join('; '), lot.holds ? null : h('span', { class: 'flag' }, R.expired)), cells(lot))),
      h('tr', { class: 'balance' }, h('th', { scope: 'row' }, R.allLots), h('td', {}), cells(each.masses))))))));
}

/** How old the last good copy is. @param {any} copies */
function drawCopies(copies) {
  const [last] = copies.items;
  const hours = last ? Math.max(0, Math.floor((Date.now() - Date.parse(last.made_at)) / 3_600_000)) : 0;
  const stale = !copies.kept || !last || hours >= 48;
  redraw(places.copies, h('h2', {}, R.copies), h('p', stale ? { class: 'error', role: 'alert' } : {}, !copies.kept ? R.noFolder : last ? R.lastCopy(fullMoment(last.made_at), hours) : R.noCopy), copies.items.length > 0 ? h('p', { class: 'help' }, R.copiesKept(copies.items.length)) : null);
}

/** @param {any} seals */
function drawSeals(seals) {
  redraw(places.seals, h('h2', {}, R.seals), h('p', { class: 'help' }, R.sealsHelp), h('p', {}, `${R.key}: `, h('code', { class: 'key' }, seals.key)),
    seals.items.length === 0 ? h('p', { class: 'none' }, R.noSeals) : h('ul', { class: 'records' }, seals.items.map((/** @type {any} */ each) => h('li', {}, h('div', {}, h('b', {}, fullDay(each.to_day)), h('p', {}, R.sealed(each.size, fullMoment(each.made_at))), h('details', { 'data-key': `seal-${each.closing}` }, h('summary', {}, R.seal), h('div', { class: 'kept' }, h('pre', { tabindex: 0 }, each.note)))),
      h('div', { class: 'actions' }, h('a', { class: 'button plain', href: `/api/closings/${each.closing}/seal.txt`, download: '', 'aria-label': `${R.takeSeal}: ${fullDay(each.to_day)}` }, R.takeSeal))))));
}

await openLive(load);
await readCode();
await load();
