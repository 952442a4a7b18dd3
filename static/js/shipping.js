/** Shipping: orders by ship day, taking them in by form or from a spreadsheet, packing and shipping. */
import { change, command, happened, Problem, read, uuid7 } from './api.js';
import { button, byId, h, redraw } from './dom.js';
import { day, fullDay, mass } from './format.js';
import { askCommand, askForm, carried, editRecord, undoButton } from './forms.js';
import { importBox } from './import-box.js';
import { openLive } from './live.js';
import { empty, linkTo, tell, trying } from './parts/page-frame.js';
import { BAGS, fieldsOf, fitsProduct, lists, NEEDS } from './records.js';
import { sack } from './sack.js';
import { T } from './texts.js';

/** @import { Item } from './types.js' */
/** @import { Lists } from './records.js' */

const S = T.shipping;
const places = { claims: byId('claims'), orders: byId('orders'), read: byId('import'), roasted: byId('roasted') };
/** @type {{lists: Lists, roasted: any[], all: boolean, today: string, offerShipDays: () => void}} */
const page = { lists: {}, roasted: [], all: false, today: '', offerShipDays: () => {} };

async function load() {
  await trying(async () => {
    const [from, stock, claims] = await Promise.all([lists(['orders', 'products', 'ship-days']), read('/api/stock'), read('/api/claims')]);
    warn(claims.items);
    page.lists = from;
    page.roasted = stock.roasted;
    drawOrders();
    drawRoasted();
    page.offerShipDays();
  });
}

/** Says so before more is sold under a claim than there is. @param {any[]} claims */
function warn(claims) {
  const warnings = claims.filter((each) => each.warning);
  places.claims.hidden = warnings.length === 0;
  redraw(places.claims, warnings.map((each) => h('p', { class: 'error', role: 'alert' }, each.warning)));
}

/** @param {Item|null} order */
async function edit(order) {
  const from = await lists(NEEDS.orders ?? []);
  const title = order ? `${T.kinds.orders.one} ${order.number}` : T.kinds.orders.add;
  if (await editRecord({ kind: 'orders', item: order, title, fields: fieldsOf('orders', from) })) await load();
}

async function addShipDay() {
  if (await editRecord({ kind: 'ship-days', item: null, title: T.kinds['ship-days'].add, fields: fieldsOf('ship-days', {}) })) await load();
}

/* Orders */

function drawOrders() {
  const orders = page.lists.orders ?? [];
  const open = orders.filter((each) => page.all || (each.state !== 'shipped' && each.state !== 'cancelled'));
  const days = [...new Set(open.map((each) => each.ship_day))].sort();
  redraw(places.orders, h('div', { class: 'head' }, h('h2', {}, T.kinds.orders.many), h('div', { class: 'actions' }, button(T.kinds.orders.add, () => edit(null), { kind: 'main', 'data-key': 'add' }), button(T.kinds['ship-days'].add, addShipDay, { 'data-key': 'add-day' }))),
    open.length === 0 ? empty((page.lists.products ?? []).length ? ((page.lists['ship-days'] ?? []).length ? T.kinds.orders.none : S.shipDayFirst) : S.productFirst, (page.lists.products ?? []).length ? null : linkTo('/setup#products', T.pages.setup)) : days.map((date) => shipDay(date, open.filter((each) => each.ship_day === date))),
    orders.length !== open.length || page.all ? button(page.all ? S.hideDone : S.showDone(orders.length - open.length), () => {
      page.all = !page.all;
      drawOrders();
    }, { kind: 'quiet', 'data-key': 'all' }) : null);
}

/** @param {string} date @param {Item[]} orders */
function shipDay(date, orders) {
  const of = (page.lists['ship-days'] ?? []).find((each) => each.day === date);
  return h('section', { class: 'ship-day' }, h('h3', {}, day(date), of ? h('small', {}, ` ${S.packOn(day(of.packing_day), of.carrier_at)}`) : null), h('ul', { class: 'orders' }, orders.map(orderRow)));
}

/** @param {Item} order */
function orderRow(order) {
  const packed = order.lines.every((/** @type {any} */ line) => (line.packed_bags ?? 0) >= line.bags);
  const over = order.state === 'shipped' || order.state === 'cancelled';
  return h('li', { class: `order ${order.state}` }, h('p', {}, h('b', {}, order.number), ` ${order.customer} `, h('span', { class: `flag ${order.state}` }, S.states[/** @type {'open'} */ (order.state)] ?? order.state)),
    h('ul', { class: 'lines' }, order.lines.map((/** @type {any} */ line) => {
      const name = page.lists.products?.find((each) => each.id === line.product)?.name ?? '?';
      const done = (line.packed_bags ?? 0) >= line.bags;
      return h('li', {}, h('span', {}, S.line(line.bags, name)), h('span', { class: done ? 'got' : '' }, S.packedOf(line.packed_bags ?? 0, line.bags)),
        done || over ? null : button(S.pack, () => pack(order, line, name), { 'data-key': `pack-${order.id}-${line.line}`, 'aria-label': `${S.pack}: ${order.number} ${name}` }));
    })),
    order.state === 'cancelled' ? h('div', { class: 'actions' }, button(S.restore, () => restore(order), { kind: 'quiet', 'data-key': `restore-${order.id}`, 'aria-label': `${S.restore}: ${order.number}` })) : null,
    over ? null : h('div', { class: 'actions' }, button(S.ship, () => ship(order), { kind: packed ? 'main' : 'plain', 'data-key': `ship-${order.id}`, 'aria-label': `${S.ship}: ${order.number}` }), button(T.form.edit, () => edit(order), { 'data-key': `edit-${order.id}`, 'aria-label': `${T.form.edit}: ${order.number}` }),
      button(S.cancel, () => cancel(order), { kind: 'quiet', 'data-key': `cancel-${order.id}`, 'aria-label': `${S.cancel}: ${order.number}` })));
}

/** @param {Item} order @param {any} line @param {string} name */
async function pack(order, line, name) {
  const left = line.bags - (line.packed_bags ?? 0);
  if (await askCommand({
    kind: 'packings', title: `${S.pack}: ${name}`, lead: `${order.number} · ${order.customer}`, go: S.pack, value: { bags: left },
    fields: [BAGS, { name: 'batches', kind: 'many', label: S.fromBatches, help: S.fromBatchesHelp, optional: true, options: page.roasted.filter((each) => !each.hold && fitsProduct(each, page.lists.products?.find((product) => product.id === line.product))).map((each) => ({ value: each.batch, label: `${each.lot.name} · ${each.style.name} · ${day(each.day)} · ${mass(each.mass_g)}` })) }],
    body: (values) => ({ product: line.product, order: order.id, ...values }), done: (answer) => S.packed(answer.from?.length ?? 0),
  })) await load();
}

/** Ships what is packed; where that is not all of it, it is said before and after. @param {Item} order */
async function ship(order) {
  const id = uuid7();
  const nameOfLine = (/** @type {any} */ line) => page.lists.products?.find((each) => each.id === line.product)?.name ?? '?';
  const leaves = order.lines.reduce((/** @type {number} */ sum, /** @type {any} */ line) => sum + (line.packed_bags ?? 0) - (line.shipped_bags ?? 0), 0);
  const missing = order.lines.filter((/** @type {any} */ line) => (line.packed_bags ?? 0) < line.bags).map((/** @type {any} */ line) => S.line(line.bags - (line.packed_bags ?? 0), nameOfLine(line)));
  const book = async () => {
    await command('shipments', id, happened({ order: order.id }));
    tell([missing.length ? S.shippedPart(leaves, order.number) : S.shipped(order.number), T.packing.unpacked(missing)].filter(Boolean).join(' '), undoButton(id, load));
  };
  if (missing.length === 0 || leaves <= 0) await trying(book);
  else if (!await askForm({ title: `${S.ship}: ${order.number}`, lead: `${S.leaves(leaves)} ${T.packing.unpacked(missing)}`, fields: [], go: S.shipThese, save: book })) return;
  await load();
}

/** What is unusual about an order was asked when it was written, not when it is called off or taken up again. @param {Item} order @param {boolean} cancelled */
async function setCancelled(order, cancelled) {
  const put = (/** @type {string[]} */ confirmed) => change('orders', order.id, order.revision, { ...carried('orders', order), cancelled }, confirmed);
  try {
    return await put([]);
  } catch (error) {
    if (!(error instanceof Problem) || error.confirm.length === 0) throw error;
    return put(error.confirm);
  }
}

/** @param {Item} order */
async function cancel(order) {
  await trying(async () => {
    const cancelled = await setCancelled(order, true);
    tell(S.cancelled(order.number), button(T.floor.undo, () => restore(cancelled)));
    await load();
  });
}

/** @param {Item} order */
async function restore(order) {
  await trying(async () => {
    await setCancelled(order, false);
    tell(S.restored(order.number));
    await load();
  });
}

/* Orders from a spreadsheet */

function drawImport() {
  const shipDefault = h('select', { id: 'ship-default' });
  page.offerShipDays = () => {
    const days = (page.lists['ship-days'] ?? []).filter((each) => !each.retired && each.day >= page.today).map((each) => each.day).sort();
    redraw(shipDefault, h('option', { value: '' }, S.none), days.map((each) => h('option', { value: each, selected: each === shipDefault.value }, each.slice(0, 4) === page.today.slice(0, 4) ? day(each) : fullDay(each))));
  };
  importBox(places.read, {
    title: S.read, help: S.readHelp, fields: ['order', 'customer', 'ship_day', 'transit_days', 'priority', 'product', 'bags', 'cancelled'], look: '/api/order-imports', take: 'order-imports', done: load,
    more: () => (shipDefault.value ? { ship_default: shipDefault.value } : {}), extra: [h('div', { class: 'field' }, h('label', { for: 'ship-default' }, S.shipDefault), shipDefault)],
  });
}

function drawRoasted() {
  const free = page.roasted.filter((each) => each.mass_g > 0);
  redraw(places.roasted, h('h2', {}, T.green.roasted), free.length === 0 ? h('p', { class: 'none' }, T.green.noRoasted) : h('ul', { class: 'roasted' }, free.map((each) => h('li', {}, sack(each.lot.name), h('span', {}, `${each.style.name} · ${day(each.day)}`), each.hold ? h('span', { class: 'flag' }, T.words.onHold) : null, h('b', {}, mass(each.mass_g))))));
}

page.today = (await openLive(load))?.today ?? '';
drawImport();
await load();
