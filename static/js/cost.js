/** Cost: what coffee and bags cost and leave, what goes out at a loss, what a change would do, and what could take a coffee's place. */
import { ask, change, create, read, readAll, uuid7 } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { day, mass, money, percent } from './format.js';
import { askForm, carried, retire } from './forms.js';
import { openLive } from './live.js';
import { empty, tell, trying } from './parts/page-frame.js';
import { fieldsOf, lists, NEEDS } from './records.js';
import { T } from './texts.js';

const C = T.cost;
const places = { products: byId('products'), coffees: byId('coffees'), change: byId('change'), tariffs: byId('tariffs') };
/** @type {{costs: any, tariffs: any[], products: any[], coffees: any[], roasters: any[], destinations: any[], margins: any}} */
const page = { costs: null, tariffs: [], products: [], coffees: [], roasters: [], destinations: [], margins: null };

async function load() {
  await trying(async () => {
    const [costs, tariffs, products, coffees, roasters, destinations] = await Promise.all([read('/api/costs'), readAll('/api/tariffs'), readAll('/api/products'), readAll('/api/coffees'), readAll('/api/roasters'), readAll('/api/destinations')]);
    Object.assign(page, { costs, tariffs, products, coffees, roasters, destinations });
    drawProducts();
    drawCoffees();
    drawChange();
    drawTariffs();
  });
}

/** An amount in the roastery's currency; a dash where it is not known. @param {number|null} minor */
const amount = (minor) => (minor === null ? '–' : money({ minor, currency: page.costs.currency }));

/** @param {number|null} minor */
const cell = (minor) => h('td', { class: 'num' }, amount(minor));

const anySaid = () => page.tariffs.some((each) => !each.retired);

/** What is not known of one line; while no price is said at all, that is said once. @param {{missing: string[], green_minor: number|null}} of */
const missingText = ({ missing, green_minor }) => (missing.length && (anySaid() || green_minor === null) ? h('p', { class: 'help' }, C.missing(missing.join('; '))) : null);

/* Products */

function drawProducts() {
  const { products } = page.costs;
  const lost = products.filter((/** @type {any} */ each) => each.at_a_loss);
  redraw(places.products, h('h2', {}, C.products),
    products.length === 0 ? empty(T.kinds.products.none) : [
      lost.length ? h('ul', { class: 'losses' }, lost.map((/** @type {any} */ each) => h('li', { class: 'error' }, C.atLoss(each.product.name, amount(-each.margin_minor))))) : null,
      h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': C.products }, h('table', {}, tableHead([T.records.product, [C.green], [C.roasting], [C.packaging], [C.cost], [C.price], [C.margin], h('span', { class: 'unseen' }, T.form.edit)]),
        h('tbody', {}, products.map((/** @type {any} */ each) => h('tr', { class: each.at_a_loss ? 'loses' : '' }, h('th', { scope: 'row' }, each.product.name, missingText(each)), cell(each.green_minor), cell(each.roasting_minor), cell(each.packaging_minor), cell(each.cost_minor), cell(each.price_minor),
          h('td', { class: 'num' }, amount(each.margin_minor), each.at_a_loss ? h('span', { class: 'flag on_hold' }, C.loss) : null), h('td', {}, button(C.replace, () => replace(each.product.id), { 'data-key': `replace-${each.product.id}`, 'aria-label': `${C.replace}: ${each.product.name}` }))))))),
    ]);
}

function drawCoffees() {
  redraw(places.coffees, h('h2', {}, C.coffees(mass(1000, 'kg', 0))), page.costs.coffees.length === 0 ? empty(T.kinds.products.none) : h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': C.coffees('') }, h('table', {}, tableHead([T.records.coffee, T.words.style, C.lots, [C.lossExpected], [C.green], [C.roasting], [C.cost]]),
    h('tbody', {}, page.costs.coffees.map((/** @type {any} */ each) => h('tr', {}, h('th', { scope: 'row' }, each.coffee.name, missingText(each)), h('td', {}, each.style.name), h('td', {}, each.lots.map((/** @type {any} */ lot) => lot.name).join(', ')), h('td', { class: 'num' }, each.loss === null ? '–' : percent(each.loss)), cell(each.green_minor), cell(each.roasting_minor), cell(each.cost_minor)))))));
}

/* What a change would do */

function drawChange() {
  const { margins } = page;
  redraw(places.change, h('div', { class: 'head' }, h('h2', {}, C.change), button(C.think, think, { 'data-key': 'think' })), margins === null ? h('p', { class: 'help' }, C.changeHelp) : [
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': C.change }, h('table', {}, tableHead([T.records.product, [C.costBefore], [C.costAfter], [C.marginBefore], [C.marginAfter]]), h('tbody', {}, margins.products.map((/** @type {any} */ each) => h('tr', {}, h('th', { scope: 'row' }, each.before.product.name), cell(each.before.cost_minor), cell(each.after.cost_minor), cell(each.before.margin_minor), cell(each.after.margin_minor)))))),
    margins.sets.length ? h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': C.sets }, h('table', {}, tableHead([[C.bagsEach], [C.parcels], [C.paid], [C.bagsCost], [C.postage], [C.marginBefore], [C.marginAfter]]),
      h('tbody', {}, [...margins.sets, { ...margins.total, sum: true }].map((/** @type {any} */ each) => h('tr', {}, h('th', { scope: 'row', class: 'num' }, each.sum ? C.all : String(each.bags)), h('td', { class: 'num' }, String(each.parcels)), cell(each.after.paid_minor), cell(each.after.bags_minor), cell(each.after.postage_minor), cell(each.before.margin_minor), cell(each.after.margin_minor)))))) : null,
  ]);
}

const options = (/** @type {any[]} */ items) => items.filter((each) => !each.retired).map((each) => ({ value: each.id, label: each.name }));

async function think() {
  await askForm({
    title: C.change, lead: C.changeHelp, go: C.reckon,
    fields: [
      { name: 'swaps', kind: 'rows', label: C.swaps, add: C.addSwap, start: [], optional: true, fields: [{ name: 'coffee', kind: 'choice', label: T.records.coffee, options: options(page.coffees) }, { name: 'with', kind: 'choice', label: C.with, options: options(page.coffees) }] },
      { name: 'prices', kind: 'rows', label: C.prices, add: C.addPrice, start: [], optional: true, fields: [{ name: 'product', kind: 'choice', label: T.records.product, options: options(page.products) }, { name: 'price', kind: 'money', label: C.price, currency: page.costs.currency }] },
      { name: 'parcels', kind: 'rows', label: C.parcelsOf, add: C.addParcel, start: [], optional: true, fields: [{ name: 'product', kind: 'choice', label: T.records.product, options: options(page.products) }, { name: 'bags', kind: 'whole', label: C.bagsEach }, { name: 'parcels', kind: 'whole', label: C.parcels }] },
    ],
    save: async ({ swaps = [], prices = [], parcels = [] }) => {
      page.margins = await ask('/api/margins', {
        swaps, prices: prices.map((/** @type {any} */ each) => ({ product: each.product, minor: each.price.minor })),
        parcels: parcels.map((/** @type {any} */ each) => ({ bags: [{ product: each.product, bags: each.bags }], parcels: each.parcels })),
      });
      drawChange();
    },
  });
}

/** What could take a coffee's place; a person chooses. @param {string} id */
async function replace(id) {
  const product = page.products.find((each) => each.id === id);
  if (!product) return;
  const found = await trying(() => Promise.all(product.parts.map((/** @type {any} */ part) => read(`/api/products/${id}/replacements?coffee=${part.coffee}`))));
  if (!found) return;
  const choices = found.flatMap((/** @type {any} */ each) => each.candidates.map((/** @type {any} */ one) => ({
    value: `${each.running.coffee.id} ${one.coffee.id}`,
    label: C.candidate(each.running.coffee.name, one.coffee.name, one.bags, one.difference_minor === null ? '–' : `${one.difference_minor < 0 ? '' : '+'}${amount(one.difference_minor)}`, one.sold_in_style),
  })));
  const left = found.map((/** @type {any} */ each) => C.running(each.running.coffee.name, each.running.bags)).join(' ');
  const saved = await askForm({
    title: `${C.replace}: ${product.name}`, lead: choices.length ? left : `${left} ${C.noCandidate}`, go: C.replace,
    fields: choices.length ? [{ name: 'choice', kind: 'choice', label: C.choose, options: choices }] : [],
    save: async ({ choice }) => {
      if (!choice) return;
      const [from, to] = choice.split(' ');
      const { lots: _, ...rest } = carried('products', product);
      await change('products', id, product.revision, { ...rest, parts: product.parts.map((/** @type {any} */ part) => (part.coffee === from ? { ...part, coffee: to } : part)) });
      tell(T.form.saved);
    },
  });
  if (saved) await load();
}

/* Tariffs */

/** @param {any} tariff */
function about(tariff) {
  const name = (/** @type {any[]} */ items, /** @type {string} */ id) => items.find((each) => each.id === id)?.name ?? '?';
  if (tariff.kind === 'bag') return name(page.products, tariff.product);
  if (tariff.kind === 'roaster_minute') return name(page.roasters, tariff.roaster);
  if (tariff.kind === 'packaging') return mass(tariff.bag_g, 'g', 0);
  return tariff.destination ? `${C.bags(tariff.bags)}, ${name(page.destinations, tariff.destination)}` : C.bags(tariff.bags);
}

function drawTariffs() {
  const live = page.tariffs.filter((each) => !each.retired).sort((a, b) => a.kind.localeCompare(b.kind) || about(a).localeCompare(about(b)) || b.from_day.localeCompare(a.from_day));
  // What is needed first stands first.
  if (anySaid()) places.coffees.after(places.tariffs);
  else places.products.before(places.tariffs);
  redraw(places.tariffs, h('div', { class: 'head' }, h('h2', {}, T.kinds.tariffs.many), h('div', { class: 'actions' }, Object.entries(C.kinds).map(([kind, label]) => button(label, () => edit(kind), { 'data-key': `add-${kind}` })))),
    live.length === 0 ? empty(T.kinds.tariffs.none) : h('ul', { class: 'records' }, live.map((each) => h('li', {}, h('div', {}, h('b', {}, `${C.kinds[/** @type {'bag'} */ (each.kind)]}: ${about(each)}`), h('p', {}, C.from(money(each.amount), day(each.from_day)))), h('div', { class: 'actions' }, button(T.form.retire, () => trying(async () => {
      await retire('tariffs', each);
      await load();
    }), { kind: 'quiet', 'data-key': `retire-${each.id}`, 'aria-label': `${T.form.retire}: ${C.kinds[/** @type {'bag'} */ (each.kind)]} ${about(each)}` }))))));
}

/** @param {string} kind */
async function edit(kind) {
  const from = await lists(NEEDS.tariffs ?? []);
  const wanted = { bag: 'product', roaster_minute: 'roaster', packaging: 'bag_g', set: 'bags', postage: 'bags' }[kind];
  const fields = fieldsOf('tariffs', from).filter((field) => ['from_day', 'amount', wanted, ...(kind === 'postage' ? ['destination'] : [])].includes(field.name));
  const id = uuid7();
  const saved = await askForm({ title: C.kinds[/** @type {'bag'} */ (kind)], fields, value: { from_day: page.costs.day }, save: async (values) => {
    await create('tariffs', id, { kind, ...values });
    tell(T.form.saved);
  } });
  if (saved) await load();
}

await openLive(load);
await load();
