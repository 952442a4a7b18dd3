/** Packing: what a ship day still wants, the bins it comes from, the shelf of the shop, and the packings with their labels. */
import { change, command, happened, read, readAll, uuid7 } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { day, mass, moment } from './format.js';
import { askCommand, askForm, carried, editRecord, undoButton } from './forms.js';
import { openLive } from './live.js';
import { empty, linkTo, tell, trying } from './parts/page-frame.js';
import { BAGS, comingFirst, fieldsOf, fitsProduct, lists, NEEDS } from './records.js';
import { sack } from './sack.js';
import { T } from './texts.js';

/** @typedef {import('./parts/fields.js').Field} Field */
/** @import { Allotment } from './types.js' */

const P = T.packing;
const places = { list: byId('list'), bins: byId('bins'), shelf: byId('shelf'), packings: byId('packings') };
/** @type {{day: string|null, days: any[], list: any, bins: any[], shelf: any[], levels: any[], packings: any[], products: any[], scales: any[], today: string}} */
const page = { day: new URLSearchParams(location.search).get('day'), days: [], list: null, bins: [], shelf: [], levels: [], packings: [], products: [], scales: [], today: '' };

async function load() {
  await trying(async () => {
    const [days, list, bins, shelf, packings, products, scales, levels] = await Promise.all([
      readAll('/api/ship-days'), read(`/api/packing-list${page.day ? `?day=${page.day}` : ''}`), read('/api/bins'), read('/api/shelf'), read('/api/packings?last=20'), readAll('/api/products'), readAll('/api/scales'), readAll('/api/shelf-levels')]);
    Object.assign(page, { days, list, bins: bins.items, shelf: shelf.items, packings: packings.items, products, scales, levels });
    drawList();
    drawBins();
    drawShelf();
    drawPackings();
  });
}

const changed = (/** @type {boolean} */ saved) => (saved ? load() : undefined);

/** A line of the day's list, with its grind. @param {string} name @param {string|undefined|null} grind */
const ground = (name, grind) => (grind ? `${name}, ${P.ground(grind)}` : name);

/* What a ship day wants */

function drawList() {
  const { list } = page;
  const days = page.days.filter((each) => !each.retired).map((each) => each.day);
  const choice = h('select', { id: 'ship-day', on: { change: (/** @type {any} */ event) => {
    page.day = event.target.value;
    load();
  } } }, comingFirst([...new Set([...days, list.ship_day])], page.today).map((each) => h('option', { value: each, selected: each === list.ship_day }, day(each))));
  const waiting = list.orders.flatMap((/** @type {any} */ order) => order.lines).filter((/** @type {any} */ line) => line.packed_bags > line.shipped_bags);
  redraw(places.list, h('div', { class: 'head' }, h('h2', {}, P.list), h('div', { class: 'actions' }, h('label', { for: 'ship-day', class: 'unseen' }, T.records.shipDay), choice,
    waiting.length ? button(P.shipAll, shipAll, { kind: 'main', 'data-key': 'ship-all' }) : null, list.orders.length ? linkTo(`/packing-list?day=${list.ship_day}`, P.printList) : null, button(P.hours, packingHours, { kind: 'quiet', 'data-key': 'hours' }))),
  list.packing_day ? h('p', { class: 'help' }, T.shipping.packOn(day(list.packing_day), list.carrier_at)) : null,
  list.orders.length === 0 ? empty(P.noOrders, linkTo('/shipping', T.pages.shipping)) : h('ul', { class: 'pack-orders' }, list.orders.map(orderRow)),
  calledOff());
}

/** Orders that were called off while bags from the shelf stand for them. */
function calledOff() {
  /** @type {Allotment[]} */
  const taken = page.list.allotments.filter((/** @type {Allotment} */ each) => each.cancelled && each.standing);
  const orders = new Map(taken.map((each) => [each.for.order, each.for]));
  return orders.size === 0 ? null : h('ul', { class: 'pack-orders' }, [...orders.values()].map((order) => h('li', { class: 'sheet' },
    h('h3', {}, order.number, h('small', {}, ` ${order.customer}`), h('span', { class: 'flag cancelled' }, T.shipping.states.cancelled)), allotmentList(order.order))));
}

/** @param {string} order @returns {Allotment[]} */
const allottedTo = (order) => page.list.allotments.filter((/** @type {Allotment} */ each) => each.for.order === order);

/** What was taken from the shelf for an order, and of which packings. @param {string} order */
function allotmentList(order) {
  const taken = allottedTo(order);
  return taken.length === 0 ? null : h('ul', { class: 'lines', 'aria-label': P.taken }, taken.map((each) => h('li', {},
    h('span', {}, P.tookShelf(T.shipping.line(each.bags, ground(each.product.name, each.grind)))),
    h('span', {}, each.packings.map((of) => (each.packings.length > 1 ? `${of.bags} × ${of.code}` : of.code)).join(', '), ` · ${moment(each.taken_at)}`, each.standing ? '' : ` · ${P.takenGone}`),
    each.standing ? h('div', { class: 'ways' }, button(T.floor.undo, () => toShelf(each), { kind: 'quiet', 'data-key': `undo-${each.id}`, 'aria-label': `${T.floor.undo}: ${each.for.number} ${P.tookShelf(T.shipping.line(each.bags, ground(each.product.name, each.grind)))}` })) : null)));
}

/** Bags that were taken for an order go back to the shelf, after a question: an undo cannot be undone. @param {Allotment} taken */
async function toShelf(taken) {
  await changed(await askCommand({ kind: 'reversals', title: P.toShelfOf(T.shipping.line(taken.bags, ground(taken.product.name, taken.grind))), lead: P.toShelfLead(taken.for.number, taken.for.customer), go: T.floor.undo, fields: [], body: () => ({ posting: taken.id }), done: () => T.floor.undone }));
}

/** @param {any} order */
function orderRow(order) {
  return h('li', { class: 'sheet' }, h('h3', {}, order.number, h('small', {}, ` ${order.customer}`)), h('ul', { class: 'lines' }, order.lines.map((/** @type {any} */ line) => {
    const left = line.bags - line.packed_bags;
    return h('li', {}, h('span', {}, T.shipping.line(line.bags, ground(line.product_name, line.grind))), h('span', { class: left > 0 ? '' : 'got' }, T.shipping.packedOf(line.packed_bags, line.bags), line.shipped_bags ? ` · ${P.gone(line.shipped_bags)}` : '', line.codes.length ? ` · ${line.codes.join(' ')}` : ''),
      left > 0 ? h('div', { class: 'ways' }, line.shelf_bags > 0 ? button(P.fromShelf(line.shelf_bags), () => fromShelf(order, line), { 'data-key': `shelf-${order.id}-${line.line}`, 'aria-label': `${P.fromShelf(line.shelf_bags)}: ${order.number} ${line.product_name}` }) : null,
        button(T.shipping.pack, () => pack(line.product, left, line.grind, order), { 'data-key': `pack-${order.id}-${line.line}`, 'aria-label': `${T.shipping.pack}: ${order.number} ${line.product_name}` })) : null);
  })), allotmentList(order.id), order.note ? h('p', { class: 'help' }, order.note) : null);
}

/** The fields of a packing: how many bags, which bins that will do, and bags on the scale. @param {any} [product] @returns {Field[]} */
const packFields = (product) => [
  BAGS,
  { name: 'batches', kind: 'many', label: P.fromBins, help: P.fromBinsHelp, optional: true, options: page.bins.filter((bin) => !bin.hold && fitsProduct(bin, product)).map((bin) => ({ value: bin.batches[0].batch, label: `${bin.lot.name} · ${bin.style.name} · ${day(bin.day)} · ${mass(bin.mass_g)}` })) },
  { name: 'weighed', kind: 'weight', label: P.weighed, help: P.weighedHelp, optional: true, scales: page.scales, bases: ['weighed'] },
];

/** Fills bags, for an order or for the shelf. @param {string} product @param {number|undefined} bags @param {string|undefined} grind @param {any} [order] */
async function pack(product, bags, grind, order) {
  const of = page.products.find((each) => each.id === product);
  const name = of?.name ?? '?';
  await changed(await askCommand({
    kind: 'packings', title: `${T.shipping.pack}: ${ground(name, grind)}`, lead: order ? `${order.number} · ${order.customer}` : P.forShelf, go: T.shipping.pack, value: { bags }, fields: packFields(of),
    body: (values) => ({ product, ...(grind ? { grind } : {}), ...(order ? { order: order.id } : {}), ...values }),
    done: (answer) => P.packed(answer.code, answer.check ? P.checked(mass(answer.check.mean_g, 'g'), answer.check.weighed, answer.check.to_weigh) : ''),
  }));
}

/** Bags on the shelf become the order's. @param {any} order @param {any} line */
async function fromShelf(order, line) {
  const id = uuid7();
  await changed(await askForm({
    title: `${P.takeShelf}: ${ground(line.product_name, line.grind)}`, lead: `${order.number} · ${order.customer}. ${P.fromShelfLead(line.shelf_bags)}`, go: P.takeShelf,
    value: { bags: Math.min(line.bags - line.packed_bags, line.shelf_bags) }, fields: [BAGS],
    save: async (values, confirmed) => {
      await command('allotments', id, happened({ order: order.id, product: line.product, ...(line.grind ? { grind: line.grind } : {}), ...values, ...(confirmed.length ? { confirmed } : {}) }));
      tell(P.shelfTaken(values.bags, order.number), undoButton(id, load));
    },
  }));
}

async function packForShelf() {
  await changed(await askCommand({
    kind: 'packings', title: P.packShelf, go: T.shipping.pack,
    fields: [{ name: 'product', kind: 'choice', label: T.records.product, options: page.products.filter((each) => !each.retired).map((each) => ({ value: each.id, label: each.name })) }, { name: 'grind', kind: 'text', label: P.grind, help: P.grindHelp, optional: true }, ...packFields()],
    done: (answer) => P.packed(answer.code, ''),
  }));
}

/** The lines of a day's list, each with its order. @param {any} list @returns {any[]} */
const linesOf = (list) => list.orders.flatMap((/** @type {any} */ order) => order.lines.map((/** @type {any} */ line) => ({ ...line, number: order.number })));
/** How many bags of a day have left. @param {any} list */
const goneOf = (list) => linesOf(list).reduce((sum, line) => sum + line.shipped_bags, 0);
/** What a day still wants that is not packed: "18 × Kirimbi filter 250 (T0333)". @param {any} list */
const unpackedOf = (list) => linesOf(list).filter((line) => line.bags > line.packed_bags).map((line) => `${T.shipping.line(line.bags - line.packed_bags, ground(line.product_name, line.grind))} (${line.number})`);

/** All that is packed for the day leaves, less what stays behind. */
async function shipAll() {
  const { list } = page;
  const id = uuid7();
  const leaves = linesOf(list).reduce((sum, line) => sum + Math.max(0, line.packed_bags - line.shipped_bags), 0);
  const ours = new Set(list.orders.map((/** @type {any} */ order) => order.id));
  const standing = page.packings.flatMap((each) => each.stand.map((/** @type {any} */ of) => ({ ...each, for: of.for, bags: of.bags }))).filter((each) => each.for && ours.has(each.for.order));
  const options = standing.map((each) => ({ value: `${each.for.order} ${each.id}`, label: `${each.for.number} · ${T.shipping.line(each.bags, ground(each.product.name, each.grind))} · ${each.code}${each.roasted_on ? `, ${P.roastedOn(day(each.roasted_on))}` : ''}` })).reverse();
  const shipped = await askForm({
    title: `${P.shipAll}: ${day(list.ship_day)}`, lead: [P.shipLead(leaves), P.unpacked(unpackedOf(list))].filter(Boolean).join(' '), go: T.shipping.ship,
    fields: [{ name: 'stays', kind: 'many', label: P.stays, help: P.staysHelp, optional: true, options }],
    save: ({ stays = [] }) => command('shipments', id, happened({ ship_day: list.ship_day, ...(stays.length ? { except: stays.map((/** @type {string} */ each) => ({ order: each.split(' ')[0], packing: each.split(' ')[1] })) } : {}) })),
  });
  if (!shipped) return;
  await load();
  tell([P.shippedDay(goneOf(page.list) - goneOf(list), day(list.ship_day)), P.unpacked(unpackedOf(page.list))].filter(Boolean).join(' '), undoButton(id, load));
}

/** When bags are packed, and how fast. */
async function packingHours() {
  const { site } = await read('/api/me');
  await changed(await askForm({
    title: P.hours, lead: P.hoursLead, fields: [{ name: 'bags_per_hour', kind: 'whole', label: P.bagsPerHour }, { name: 'hours', kind: 'hours', label: T.records.hours, start: [0, 1, 2, 3, 4].map(() => ({ from: '08:00', to: '16:00' })).concat(/** @type {any[]} */ ([null, null])) }],
    value: site.packing ?? {},
    save: async (values) => {
      await change('sites', site.id, site.revision, { ...carried('sites', site), packing: values });
      tell(T.form.saved);
    },
  }));
}

/* Bins */

function drawBins() {
  redraw(places.bins, h('div', { class: 'head' }, h('h2', {}, P.bins), page.bins.length ? linkTo('/cupping', T.pages.cupping) : null),
    page.bins.length === 0 ? empty(T.green.noRoasted) : h('ul', { class: 'records' }, page.bins.map((bin) => h('li', {}, h('div', {}, sack(bin.lot.name, bin.grade), ' ', h('b', {}, mass(bin.mass_g)), bin.hold ? h('span', { class: 'flag on_hold' }, T.words.onHold) : null,
      h('p', {}, `${bin.coffee.name} · ${bin.style.name} · ${bin.roaster.name} · ${P.roastedOn(day(bin.day))} · ${P.batches(bin.batches.length)}${bin.rested_on > (page.list?.packing_day ?? '') ? ` · ${P.rests(day(bin.rested_on))}` : ''}`)),
    h('div', { class: 'actions' }, button(P.finish, () => finish(bin), { 'data-key': `finish-${bin.batches[0].batch}`, 'aria-label': `${P.finish}: ${bin.lot.name} ${day(bin.day)}` }))))));
}

/** The run is finished: its bin is weighed, or empty. @param {any} bin */
async function finish(bin) {
  await changed(await askCommand({
    kind: 'run-ends', title: `${P.finish}: ${bin.lot.name} · ${day(bin.day)}`, lead: P.finishLead(mass(bin.mass_g)), go: P.finish,
    fields: [{ name: 'weight', kind: 'weight', label: P.rest, help: P.restHelp, optional: true, scales: page.scales, bases: ['weighed', 'reckoned'] }, { name: 'waste', kind: 'check', label: P.throwAway }],
    body: (values) => ({ batch: bin.batches[0].batch, ...values }),
    done: (answer) => P.finished(mass(answer.difference_g)),
  }));
}

/* The shelf */

function drawShelf() {
  redraw(places.shelf, h('div', { class: 'head' }, h('h2', {}, P.shelf), h('div', { class: 'actions' }, page.products.length ? button(P.packShelf, packForShelf, { 'data-key': 'pack-shelf' }) : null, button(P.takeBack, () => takeBack(), { 'data-key': 'take-back' }), page.products.length ? button(T.kinds['shelf-levels'].add, () => level(null), { 'data-key': 'add-level' }) : null)),
    page.shelf.length === 0 ? empty(P.noShelf) : h('ul', { class: 'records' }, page.shelf.map((line) => {
      const kept = page.levels.find((each) => each.product === line.product.id && (each.grind ?? null) === line.grind && !each.retired);
      return h('li', {}, h('div', {}, h('b', {}, ground(line.product.name, line.grind)), h('p', {}, line.level === null ? P.stands(line.bags) : P.standsOf(line.bags, line.level), line.level !== null && line.bags < line.level ? h('span', { class: 'flag' }, P.lacks(line.level - line.bags)) : null)),
        h('div', { class: 'actions' }, line.bags > 0 ? button(P.sell, () => sell(line), { 'data-key': `sell-${line.product.id}`, 'aria-label': `${P.sell}: ${line.product.name}` }) : null, kept ? button(P.level, () => level(kept), { 'data-key': `level-${kept.id}`, 'aria-label': `${P.level}: ${line.product.name}` }) : null));
    })));
}

/** @param {any} item */
async function level(item) {
  const from = await lists(NEEDS['shelf-levels'] ?? []);
  await changed(await editRecord({ kind: 'shelf-levels', item, title: T.kinds['shelf-levels'].add, fields: fieldsOf('shelf-levels', from) }));
}

/** @param {any} line */
async function sell(line) {
  await changed(await askCommand({ kind: 'counter-sales', title: `${P.sell}: ${line.product.name}`, go: P.sell, value: { bags: 1 }, fields: [BAGS, ...(line.packings.length > 1 ? [/** @type {Field} */ ({ name: 'packing', kind: 'choice', label: P.whichPacking, optional: true, none: P.oldest, options: line.packings.map((/** @type {any} */ of) => ({ value: of.packing, label: `${of.code} · ${T.counting.bags(of.bags)}` })) })] : [])], body: (values) => ({ product: line.product.id, ...(line.grind ? { grind: line.grind } : {}), ...values }) }));
}

async function takeBack() {
  const orders = await readAll('/api/orders');
  await changed(await askCommand({
    kind: 'take-backs', title: P.takeBack, lead: P.takeBackLead, go: P.takeBack,
    fields: [{ name: 'order', kind: 'choice', label: T.records.orderNumber, optional: true, none: P.overCounter, options: orders.filter((/** @type {any} */ each) => each.lines.some((/** @type {any} */ line) => line.shipped_bags > 0)).map((/** @type {any} */ each) => ({ value: each.id, label: `${each.number} · ${each.customer}` })) },
      { name: 'product', kind: 'choice', label: T.records.product, options: page.products.map((each) => ({ value: each.id, label: each.name })) }, BAGS, { name: 'grind', kind: 'text', label: P.grind, optional: true },
      { name: 'to', kind: 'choice', label: P.to, options: [{ value: 'shelf', label: P.toShelf }, { value: 'waste', label: T.places.waste ?? 'waste' }] }, { name: 'replace', kind: 'check', label: P.replace, help: P.replaceHelp }, { name: 'reason', kind: 'text', label: T.words.reason, optional: true }],
  }));
}

/* Packings */

/** For whom bags were filled, and who of the others has some that stand. @param {any} packing */
function whom(packing) {
  const taken = packing.stand.filter((/** @type {any} */ of) => of.for && of.for.order !== packing.for?.order);
  return [packing.for ? `${packing.for.number} · ${packing.for.customer}` : P.shelf, ...taken.map((/** @type {any} */ of) => `${P.ofThese(of.bags)} ${of.for.number} · ${of.for.customer}`)].join(', ');
}

function drawPackings() {
  redraw(places.packings, h('h2', {}, P.packings), page.packings.length === 0 ? empty(P.noPackings) : h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': P.packings }, h('table', {}, tableHead([P.code, T.records.product, [T.records.bags], [P.standing], P.for, P.when, '']),
    h('tbody', {}, page.packings.map((each) => h('tr', {}, h('td', {}, h('a', { href: `/label?code=${each.code}` }, each.code)), h('td', {}, ground(each.product.name, each.grind)), h('td', { class: 'num' }, String(each.bags)), h('td', { class: 'num' }, String(each.standing_bags)),
      h('td', {}, whom(each), each.check?.faults.length ? h('span', { class: 'flag' }, P.light) : null), h('td', {}, moment(each.packed_at)),
      h('td', { class: 'actions' }, linkTo(`/label?code=${each.code}&print=1`, P.labels), each.standing_bags ? button(P.torn, () => torn(each), { kind: 'quiet', 'data-key': `torn-${each.id}`, 'aria-label': `${P.torn}: ${each.code}` }) : null,
        button(T.floor.undo, () => trying(async () => {
          await command('reversals', uuid7(), happened({ posting: each.id }));
          tell(T.floor.undone);
          await load();
        }), { kind: 'quiet', 'data-key': `undo-${each.id}`, 'aria-label': `${T.floor.undo}: ${each.code}` }))))))));
}

/** @param {any} packing */
async function torn(packing) {
  await changed(await askCommand({ kind: 'bag-wastes', title: `${P.torn}: ${packing.code}`, go: P.throwAway, value: { bags: 1 }, fields: [BAGS, { name: 'reason', kind: 'text', label: T.words.reason }], body: (values) => ({ packing: packing.id, ...values }) }));
}

page.today = (await openLive(load))?.today ?? '';
await load();
