/** Green: deliveries, lots and what stands in the store. */
import { change, command, happened, read, uuid7 } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { day, fullDay, mass } from './format.js';
import { askCommand, askForm, carried, editRecord, retire, undoButton } from './forms.js';
import { drawLot, pair } from './green-lot.js';
import { openLive } from './live.js';
import { empty, tell, trying } from './parts/page-frame.js';
import { fieldsOf, lists, nameOf, NEEDS, title } from './records.js';
import { sack } from './sack.js';
import { T } from './texts.js';
import { wayList } from './ways.js';
import { gramsOf, sampleDoubt, strongestFirst } from './weighing.js';

/** @import { Item, Lot, Named, SendingView, Ways } from './types.js' */
/** @import { Kind, Lists } from './records.js' */
/** @typedef {import('./parts/fields.js').Field} Field */

const G = T.green;
const S = T.sites;
const places = { deliveries: byId('deliveries'), ways: byId('ways'), lots: byId('lots'), roasted: byId('roasted'), requests: byId('requests'), one: byId('one') };
/** @type {{lists: Lists, stock: {lots: Lot[], roasted: any[]}, ways: Ways, site: string, open: string, used: boolean, today: string}} */
const page = { lists: {}, stock: { lots: [], roasted: [] }, ways: { sites: [], on_the_way: [], arrived: [] }, site: '', open: location.hash.slice(1), used: false, today: '' };
/** @type {Kind[]} */
const KINDS = ['deliveries', 'coffees', 'storerooms', 'scales', 'sample-requests'];

async function load() {
  await trying(async () => {
    const [from, stock, ways] = await Promise.all([lists(KINDS), read('/api/stock'), read('/api/sendings')]);
    Object.assign(page, { lists: from, stock, ways });
    draw();
  });
}

function draw() {
  drawWays();
  drawLots();
  drawDeliveries();
  drawRoasted();
  drawRequests();
  drawOne();
}

const changed = (/** @type {boolean} */ saved) => (saved ? load() : undefined);
const scales = () => strongestFirst(/** @type {any[]} */ (page.lists.scales ?? []));
const storeroomField = (/** @type {string} */ name, /** @type {string} */ label) => /** @type {Field} */ ({ name, label, kind: 'choice', options: (page.lists.storerooms ?? []).map((each) => ({ value: each.id, label: each.name })) });

/** @param {Kind} kind @param {Item|null} item @param {any} [value] */
async function edit(kind, item, value) {
  const from = await lists(NEEDS[kind] ?? []);
  await changed(await editRecord({ kind, item, value, title: item ? title(kind, item) : T.kinds[kind].add, fields: fieldsOf(kind, from) }));
}

/* Lots */

function drawLots() {
  const gone = (/** @type {Lot} */ lot) => lot.used_up || (lot.retired && !lot.store_g && !lot.reserved_g);
  const all = page.stock.lots.filter((lot) => page.used || !gone(lot));
  const hiddenOnes = page.stock.lots.length - all.length;
  redraw(places.lots, h('div', { class: 'head' }, h('h2', {}, T.kinds.lots.many), h('div', { class: 'actions' },
    (page.lists.deliveries ?? []).length ? button(T.kinds.lots.add, () => edit('lots', null), { kind: 'main', 'data-key': 'add-lot' }) : null, all.length > 1 ? button(G.blend, blend, { 'data-key': 'blend' }) : null)),
  all.length === 0 ? empty((page.lists.deliveries ?? []).length ? T.kinds.lots.none : G.deliveryFirst) : h('ul', { class: 'lots' }, all.map(lotCard)),
  hiddenOnes || page.used ? button(page.used ? G.hideUsed : G.showUsed(hiddenOnes), () => {
    page.used = !page.used;
    drawLots();
  }, { kind: 'quiet', 'data-key': 'used' }) : null);
}

/** How long green lasts; beyond a year nobody plans by the day. @param {string} until */
function lastsText(until) {
  const days = Math.round((Date.parse(until) - Date.parse(page.today)) / 86400000);
  return days > 365 ? G.lastsLong : G.lastsTo(days, fullDay(until));
}

/** @param {Lot} lot */
function lotCard(lot) {
  const share = (/** @type {number|undefined} */ grams) => Math.max(0, Math.min(1, (grams ?? 0) / Math.max(1, lot.received_g || lot.expected_g)));
  const bar = h('div', { class: 'stock-bar', 'aria-hidden': 'true' }, h('i', { class: 'free' }), h('i', { class: 'reserved' }));
  const [free, reserved] = /** @type {any} */ (bar.children);
  free.style.width = `${share(lot.free_g) * 100}%`;
  reserved.style.width = `${share(lot.reserved_g) * 100}%`;
  return h('li', { class: 'lot' }, h('a', { class: 'lot-link', href: `#${lot.id}`, 'data-key': `lot-${lot.id}` }, sack(lot.name, lot.grade)),
    h('p', {}, nameOf(page.lists.coffees, lot.coffee), ' · ', nameOf(page.lists.storerooms, lot.storeroom)),
    bar,
    lot.lasts ? h('p', { class: 'lasts' }, lastsText(lot.lasts.day)) : null,
    h('dl', { class: 'three' }, pair(G.inStore, mass(lot.store_g)), pair(G.reserved, mass(lot.reserved_g)), pair(G.free, mass(lot.free_g))),
    lot.state && lot.state !== 'received' ? h('p', { class: 'flag' }, G.states[/** @type {'expected'} */ (lot.state)] ?? lot.state) : null,
    lot.used_up ? h('p', { class: 'flag' }, G.usedUp) : null, lot.retired ? h('p', { class: 'flag' }, G.outOfUse) : null);
}

/* One lot */

async function drawOne() {
  const lot = page.stock.lots.find((each) => each.id === page.open);
  places.one.hidden = !lot;
  if (lot) await drawLot(places.one, { lot, lots: page.stock.lots, from: page.lists, today: page.today, actions: actionsOf(lot) });
}

/** @param {Lot} lot */
function actionsOf(lot) {
  const item = /** @type {any} */ (lot);
  return [
    button(G.receive, () => receive(lot.delivery), { kind: lot.received_day ? 'plain' : 'main', 'data-key': 'receive-lot' }),
    button(G.addMoisture, () => addMoisture(lot), { 'data-key': 'moisture' }),
    button(G.count, () => weighed('counts', G.count, lot, G.countLead, (answer) => G.counted(mass(answer.book_g), mass(answer.counted_g), mass(answer.difference_g))), { 'data-key': 'count' }),
    button(G.sample, () => weighed('samples', G.sample, lot), { 'data-key': 'sample' }), button(G.waste, () => weighed('wastes', G.waste, lot), { 'data-key': 'waste' }),
    button(G.drying, () => weighed('dryings', G.drying, lot, G.dryingLead), { 'data-key': 'drying' }), button(G.transfer, () => transfer(lot), { 'data-key': 'transfer' }), page.ways.sites.length ? button(S.send, () => send(lot), { 'data-key': 'send' }) : null,
    button(G.giveBack, () => weighed('returns', G.giveBack, lot, G.giveBackLead), { 'data-key': 'return' }), button(G.usedUp, () => usedUp(lot), { 'data-key': 'used-up' }),
    button(T.form.edit, () => edit('lots', item), { 'data-key': 'edit-lot' }), button(G.anotherGrade, () => edit('lots', null, likeOf(lot)), { 'data-key': 'another-grade' }), button(lot.retired ? T.form.restore : T.form.retire, () => trying(async () => {
      await retire('lots', item);
      await load();
    }), { kind: 'quiet', 'data-key': 'retire-lot' }),
  ];
}

/** What another size grade of the same coffee shares with this lot. @param {Lot} lot */
function likeOf({ delivery, coffee, process, crop_year, storeroom, packing, owned_by, claims, use_rank, moisture }) {
  return { delivery, coffee, process, crop_year, storeroom, packing: { kind: packing.kind, sack_g: packing.sack_g, loose_g: 0 }, owned_by, claims, use_rank, moisture };
}

/** A command over one lot's weight. @param {string} kind @param {string} heading @param {Lot} lot @param {string} [lead] @param {(answer: any) => string} [done] */
async function weighed(kind, heading, lot, lead, done) {
  /** @type {Field[]} */
  const fields = [{ ...storeroomField('storeroom', T.records.storeroom) }, { name: 'weight', label: T.words.weight, kind: 'weight', scales: scales() }];
  if (kind === 'samples') fields.push({ name: 'purpose', label: T.words.purpose, kind: 'text', optional: true });
  fields.push({ name: 'reason', label: T.words.reason, kind: 'text', optional: true });
  const doubt = (/** @type {any} */ values) => sampleDoubt(kind, values.weight, scales());
  await changed(await askCommand({ kind, title: `${heading}: ${lot.name}`, lead, fields, doubt, value: { storeroom: lot.storeroom, weight: { packing: lot.packing } }, body: (values) => ({ lot: lot.id, ...values }), done }));
}

/** @param {Lot} lot */
async function addMoisture(lot) {
  const item = /** @type {any} */ (lot);
  /** @type {Field[]} */
  const fields = [{ name: 'day', label: T.records.day, kind: 'day' }, { name: 'fraction', label: T.records.moistureShare, kind: 'percent' }, { name: 'sd', label: T.records.moistureSd, kind: 'percent', optional: true, help: T.records.moistureSdHelp }];
  await changed(await askForm({ title: `${G.addMoisture}: ${lot.name}`, fields, value: { day: page.today }, save: async (values) => {
    await change('lots', lot.id, lot.revision, { ...carried('lots', item), moisture: [...lot.moisture, values] });
    tell(T.form.saved);
  } }));
}

/** @param {Lot} lot */
async function transfer(lot) {
  await changed(await askCommand({ kind: 'transfers', title: `${G.transfer}: ${lot.name}`, fields: [storeroomField('from', T.form.from), storeroomField('to', T.form.to), { name: 'weight', label: T.words.weight, kind: 'weight', scales: scales() }], value: { from: lot.storeroom, weight: { packing: lot.packing } }, body: (values) => ({ lot: lot.id, ...values }) }));
}

/** @param {Lot} lot */
async function usedUp(lot) {
  const id = uuid7();
  await askForm({ title: `${G.usedUp}: ${lot.name}`, lead: T.floor.usedUpLead, go: T.floor.usedUp, fields: [], save: async (_, confirmed) => {
    const answer = await command('used-ups', id, happened({ lot: lot.id, storeroom: lot.storeroom, ...(confirmed.length ? { confirmed } : {}) }));
    const posting = typeof answer.posting === 'string' ? answer.posting : answer.posting?.id;
    tell(T.floor.usedUpSaid(mass(answer.difference_g)), ...(posting ? [undoButton(posting, load)] : []));
    await load();
  } });
}

async function blend() {
  const lots = page.stock.lots.filter((lot) => !lot.retired).map((lot) => ({ value: lot.id, label: `${lot.name} · ${mass(lot.store_g)}` }));
  await changed(await askCommand({
    kind: 'blends', title: G.blend, lead: G.blendLead,
    fields: [{ name: 'lot', label: G.blendLot, kind: 'choice', options: lots }, storeroomField('storeroom', T.records.storeroom),
      { name: 'parts', label: T.records.parts, kind: 'rows', least: 2, add: T.records.addPart, fields: [{ name: 'lot', label: T.words.lot, kind: 'choice', options: lots }, storeroomField('storeroom', T.records.storeroom), { name: 'weight', label: T.words.weight, kind: 'weight', scales: scales() }] }],
  }));
}

/* Other sites */

function drawWays() {
  const { sites, on_the_way: onTheWay, arrived } = page.ways;
  places.ways.hidden = sites.length + onTheWay.length + arrived.length === 0;
  redraw(places.ways, h('h2', {}, S.onTheWay), onTheWay.length === 0 ? h('p', { class: 'none' }, S.nothing) : wayList(onTheWay, (each) => (each.to.id === page.site
    ? button(S.takeIn, () => takeIn(each), { kind: 'main', 'data-key': `take-in-${each.id}`, 'aria-label': `${S.takeIn}: ${each.lot.name}` })
    : button(S.callBack, () => undo(S.callBackOf(each.lot.name), S.callBackLead, each.id), { 'data-key': `call-back-${each.id}`, 'aria-label': `${S.callBack}: ${each.lot.name}` }))),
  arrived.length ? h('details', { 'data-key': 'arrived' }, h('summary', {}, S.last), wayList(arrived, (each) => (each.arrival ? button(T.floor.undo, () => undo(S.undo(each.lot.name), S.undoLead, each.arrival), { kind: 'quiet', 'data-key': `undo-${each.id}`, 'aria-label': `${T.floor.undo}: ${each.lot.name}` }) : null))) : null);
}

/** The storeroom, where there is one to choose. */
function onlyStoreroom() {
  const rooms = (page.lists.storerooms ?? []).filter((each) => !each.retired);
  return rooms.length === 1 ? { storeroom: rooms[0]?.id } : {};
}

/** @param {SendingView} sending */
async function takeIn(sending) {
  await changed(await askCommand({
    kind: 'arrivals', value: onlyStoreroom(), title: `${S.takeIn}: ${sending.lot.name}`, lead: `${S.sentAs(mass(sending.mass_g))}. ${S.takeInLead}`, go: S.takeIn,
    fields: [storeroomField('storeroom', T.records.storeroom), { name: 'weight', label: T.words.weight, kind: 'weight', scales: scales() }, { name: 'reason', label: T.words.reason, kind: 'text', optional: true }],
    body: (values) => ({ sending: sending.id, ...values }),
  }));
}

/** Undoes what stands between sites, after a question: an undo cannot be undone. @param {string} title @param {string} lead @param {string|null} posting */
async function undo(title, lead, posting) {
  await changed(await askCommand({ kind: 'reversals', title, lead, go: T.floor.undo, fields: [], body: () => ({ posting }) }));
}

/** @param {Lot} lot */
async function send(lot) {
  /** @type {Field} */
  const to = { name: 'to', label: S.to, kind: 'choice', options: page.ways.sites.map((each) => ({ value: each.id, label: each.name })) };
  await changed(await askCommand({ kind: 'sendings', title: `${S.send}: ${lot.name}`, lead: S.sendLead, fields: [to, storeroomField('storeroom', T.form.from), { name: 'weight', label: T.words.weight, kind: 'weight', scales: scales() }], value: { storeroom: lot.storeroom, weight: { packing: lot.packing } }, body: (values) => ({ lot: lot.id, ...values }) }));
}

/* Deliveries */

function drawDeliveries() {
  const order = ['on_hold', 'expected', 'received', 'returned'];
  const all = [...(page.lists.deliveries ?? [])].filter((each) => !each.retired).sort((a, b) => order.indexOf(a.state) - order.indexOf(b.state) || b.expected_day.localeCompare(a.expected_day));
  redraw(places.deliveries, h('div', { class: 'head' }, h('h2', {}, T.kinds.deliveries.many), button(T.kinds.deliveries.add, () => edit('deliveries', null), { kind: all.length ? 'plain' : 'main', 'data-key': 'add-delivery' })),
    all.length === 0 ? empty(T.kinds.deliveries.none) : h('ul', { class: 'records' }, all.map((each) => {
      const lots = page.stock.lots.filter((lot) => lot.delivery === each.id);
      return h('li', {}, h('div', {}, h('b', {}, title('deliveries', each)), h('span', { class: `flag ${each.state}` }, G.states[/** @type {'expected'} */ (each.state)] ?? each.state),
        h('p', {}, each.received_day ? `${fullDay(each.received_day)} · ${G.cameIn(mass(each.received_g))}` : `${fullDay(each.expected_day)}${lots.length ? ` · ${G.expects(mass(lots.reduce((sum, lot) => sum + lot.expected_g, 0)))}` : ''}`, each.invoice_g ? ` · ${G.invoiced(mass(each.invoice_g))}` : '', each.hold ? ` · ${each.hold}` : ''),
        h('p', { class: 'sacks' }, lots.map((lot) => sack(lot.name, lot.grade)))),
      h('div', { class: 'actions' }, lots.length ? button(G.receive, () => receive(each.id), { kind: each.state === 'expected' ? 'main' : 'plain', 'data-key': `receive-${each.id}`, 'aria-label': `${G.receive}: ${title('deliveries', each)}` }) : null,
        button(T.kinds.lots.add, () => edit('lots', null, { delivery: each.id }), { kind: lots.length ? 'plain' : 'main', 'data-key': `lot-of-${each.id}`, 'aria-label': `${T.kinds.lots.add}: ${title('deliveries', each)}` }),
        button(T.form.edit, () => edit('deliveries', each), { 'data-key': `edit-${each.id}`, 'aria-label': `${T.form.edit}: ${title('deliveries', each)}` })));
    })));
}

/** Everything of one delivery that came in, lot by lot; lots left empty came not. @param {string} deliveryId */
async function receive(deliveryId) {
  const lots = page.stock.lots.filter((lot) => lot.delivery === deliveryId);
  const delivery = (page.lists.deliveries ?? []).find((each) => each.id === deliveryId);
  if (!delivery) return;
  const fields = lots.map((lot) => /** @type {Field} */ ({
    name: lot.id, kind: 'group', label: [`${lot.name} ${lot.grade}`, G.expects(mass(lot.expected_g)), lot.received_g ? G.cameBefore(mass(lot.received_g)) : ''].filter(Boolean).join(' · '),
    fields: [storeroomField('storeroom', T.records.storeroom), { name: 'weight', label: T.words.weight, kind: 'weight', scales: scales(), optional: true, bases: ['nominal', 'weighed', 'reckoned'] }],
  }));
  const value = Object.fromEntries(lots.map((lot) => [lot.id, { storeroom: lot.storeroom, weight: { packing: lot.packing } }]));
  await changed(await askCommand({
    doubt: (values) => G.over(lots.flatMap((lot) => {
      const weight = values[lot.id]?.weight;
      const sum = weight ? (lot.received_g ?? 0) + gramsOf(weight, scales()) : 0;
      return lot.received_g && sum > lot.expected_g ? [G.wouldBe(lot.name, mass(sum), mass(lot.expected_g))] : [];
    })),
    kind: 'receipts', title: `${G.receive}: ${title('deliveries', delivery)}`, lead: G.receiveLead, fields, value, go: G.receive,
    body: (values) => ({ delivery: deliveryId, lines: Object.entries(values).filter(([, line]) => line.weight).map(([lot, line]) => ({ lot, storeroom: line.storeroom, weight: line.weight })) }),
  }));
}

/* Roasted coffee and sample requests */

function drawRoasted() {
  const all = page.stock.roasted;
  redraw(places.roasted, h('h2', {}, G.roasted), all.length === 0 ? empty(G.noRoasted) : h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': G.roasted }, h('table', {},
    tableHead([T.words.lot, T.records.coffee, T.words.style, T.records.day, [T.words.mass]]),
    h('tbody', {}, all.map((each) => h('tr', {}, h('td', {}, each.lot.name), h('td', {}, each.coffee.name), h('td', {}, each.style.name), h('td', {}, day(each.day)), h('td', { class: 'num' }, mass(each.mass_g), each.hold ? h('span', { class: 'flag' }, T.words.onHold) : null)))))));
}

function drawRequests() {
  const open = (page.lists['sample-requests'] ?? []).filter((each) => !each.done);
  redraw(places.requests, h('div', { class: 'head' }, h('h2', {}, T.kinds['sample-requests'].many), button(T.kinds['sample-requests'].add, () => edit('sample-requests', null), { 'data-key': 'add-request' })),
    open.length === 0 ? h('p', { class: 'none' }, T.kinds['sample-requests'].none) : h('ul', { class: 'records' }, open.map((each) => h('li', {}, h('div', {}, h('b', {}, nameOf(/** @type {Named[]} */ (page.stock.lots), each.lot)), h('p', {}, `${mass(each.mass_g)} · ${each.purpose}`)), h('div', { class: 'actions' }, button(T.form.edit, () => edit('sample-requests', each), { 'data-key': `edit-${each.id}` }))))));
}

const me = await openLive(load);
Object.assign(page, { today: me?.today ?? '', site: me?.site.id ?? '' });
await load();
addEventListener('hashchange', () => {
  page.open = location.hash.slice(1);
  drawOne();
});
