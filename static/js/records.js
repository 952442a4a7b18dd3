/** The fields of every kind of record, as people fill them in. */
import { Problem, read, readAll } from './api.js';
import { decimalText, fullDay, minorDigits, minorOf } from './format.js';
import { ladderOf, listOf, ruleFields, ruleOf } from './rules.js';
import { T } from './texts.js';

/** @import { Item, Named } from './types.js' */
/** @typedef {import('./parts/fields.js').Field} Field */
/** @typedef {'sites'|'people'|'coffees'|'styles'|'scales'|'storerooms'|'roasters'|'deliveries'|'lots'|'products'|'ship-days'|'orders'|'sample-requests'|'cost-lines'|'write-downs'|'shelf-levels'|'tariffs'|'destinations'|'subscriptions'|'subscribers'|'dispatches'|'replacements'|'standing-orders'} Kind */
/** @typedef {{[kind in Kind]?: Item[]} & {currency?: string, today?: string}} Lists what the choices are made from */

const R = T.records;

/** Which lists a form needs for its choices. @type {Partial<Record<Kind, Kind[]>>} */
export const NEEDS = {
  roasters: ['styles', 'scales', 'lots'], lots: ['deliveries', 'coffees', 'storerooms'], products: ['coffees', 'styles', 'lots'],
  orders: ['products', 'ship-days'], 'sample-requests': ['lots'], 'cost-lines': ['deliveries', 'lots'], 'write-downs': ['lots'], 'shelf-levels': ['products'], tariffs: ['products', 'roasters', 'destinations'], coffees: ['coffees'],
  destinations: ['coffees'], subscriptions: ['styles'], subscribers: ['subscriptions', 'destinations', 'styles', 'coffees'], dispatches: ['coffees', 'styles', 'destinations'], replacements: ['subscribers'], 'standing-orders': ['products'],
};

/** @param {Kind[]} kinds @returns {Promise<Lists>} */
export async function lists(kinds) {
  const [me, ...all] = await Promise.all([read('/api/me').catch(() => null), ...kinds.map((kind) => readAll(`/api/${kind}`))]);
  return { ...Object.fromEntries(kinds.map((kind, i) => [kind, all[i]])), currency: me?.site?.currency, today: me?.today };
}

/** @param {Item[]|undefined} items @param {string} [kept] an id to offer although it is retired */
const options = (items, kept) => (items ?? []).filter((each) => !each.retired || each.id === kept).map((each) => ({ value: each.id, label: each.name ?? each.reference }));

/** Lots, those that are used up or out of use only where they were chosen before. @param {any[]|undefined} lots */
const lotsLeft = (lots) => (lots ?? []).map((each) => ({ value: each.id, label: each.name, past: Boolean(each.retired || each.used_up) }));

/** Coffees that are bought, and so may be of a lot or in a bag; blends are mixed from them. @param {Item[]|undefined} coffees @param {string} [but] */
const bought = (coffees, but) => options((coffees ?? []).filter((each) => !each.parts?.length && each.id !== but));

/** The claims that lots carry, each once. @param {any[]|undefined} lots */
const claimsOf = (lots) => {
  const names = new Map((lots ?? []).flatMap((lot) => lot.claims ?? []).map((each) => [each.claim.toLowerCase(), each.claim]));
  return [...names.values()].map((claim) => ({ value: claim, label: claim }));
};

/** Days as one looks for them: today and what comes, then what is past, the latest first. @param {string[]} days @param {string} today */
export const comingFirst = (days, today) => [...days.filter((each) => each >= today).sort(), ...days.filter((each) => each < today).sort().reverse()];

/** Whether roasted coffee may go into a product's bags, by its coffee and style. @param {{coffee: Named, style: Named}} roasted @param {any} [product] any product will do while none is chosen */
export const fitsProduct = ({ coffee, style }, product) => !product || (product.style === style.id && product.parts.some((/** @type {any} */ part) => part.coffee === coffee.id));

/** @param {string} name @param {string} label @param {string} kind @param {Partial<Field>} [rest] @returns {Field} */
const f = (name, label, kind, rest = {}) => ({ name, label, kind, ...rest });
const optional = { optional: true };
/** Of bags, and of who takes them, there may be many. */
const manyBags = { most: 1_000_000 };
/** How many bags. @type {Field} */
export const BAGS = { name: 'bags', kind: 'whole', label: T.records.bags, ...manyBags };

/** The name that a list shows for a record. @param {Kind} kind @param {Item} item */
export function title(kind, item) {
  if (kind === 'deliveries') return `${item.supplier} ${item.reference}`;
  if (kind === 'ship-days') return fullDay(item.day);
  if (kind === 'orders') return item.number;
  if (kind === 'cost-lines') return item.reference ?? fullDay(item.day);
  return item.name;
}

/**
 * The fields of a kind, with its choices.
 * @param {Kind} kind @param {Lists} from @returns {Field[]}
 */
export function fieldsOf(kind, from) {
  return FIELDS[kind](from);
}

/** @type {Record<Kind, (from: Lists) => Field[]>} */
const FIELDS = {
  sites: () => [
    f('name', R.name, 'text'), f('zone', R.zone, 'text', { help: R.zoneHelp, start: Intl.DateTimeFormat().resolvedOptions().timeZone }), f('currency', R.currency, 'text', { start: 'EUR', help: R.currencyHelp }),
    f('mass_unit', R.massUnit, 'choice', { options: [{ value: 'kg', label: R.kg }, { value: 'lb', label: R.lb }], start: 'kg' }),
    f('service_level', R.serviceLevel, 'percent', { start: 0.9, help: R.serviceLevelHelp }), f('false_flag_rate', R.falseFlags, 'percent', { start: 0.0027, help: R.falseFlagsHelp }),
    f('overfill_g', R.overfill, 'mass', { unit: 'g', start: 2, help: R.overfillHelp }), f('kept_back_g', R.keptBack, 'mass', { unit: 'g', start: 0, help: R.keptBackHelp }),
    f('crew_min', R.crew, 'whole', { ...optional, help: R.crewHelp }),
    f('second_person', R.secondPerson, 'check'), f('large_reversal_g', R.largeReversal, 'mass', { ...optional, help: R.largeReversalHelp }),
  ],
  people: () => [f('name', R.name, 'text'), f('role', R.role, 'choice', { options: Object.entries(T.roles).map(([value, label]) => ({ value, label })) })],
  coffees: (from) => [
    f('name', R.name, 'text', { help: R.coffeeHelp }), f('parts', R.blendOf, 'rows', { start: [], add: R.addPart, help: R.blendHelp, fields: [f('coffee', R.coffee, 'choice', { options: bought(from.coffees) }), f('share', R.share, 'percent')] }),
    f('clean_drum', R.cleanDrum, 'check', { help: R.cleanDrumHelp }), f('note', R.note, 'long', { ...optional, wide: true }),
  ],
  styles: () => [
    f('name', R.name, 'text', { help: R.styleHelp }), f('nominal_loss', R.nominalLoss, 'percent', { help: R.nominalLossHelp }), f('rest_days', R.restDays, 'whole', { help: R.restHelp }),
    f('fresh_days', R.freshDays, 'whole', { help: R.freshHelp }), f('shade', R.shade, 'whole', { help: R.shadeHelp }),
  ],
  scales: () => [
    f('name', R.name, 'text'), f('unit', R.unit, 'choice', { options: ['g', 'kg', 'lb'].map((value) => ({ value, label: value })), start: 'kg', help: R.unitHelp }),
    f('division_g', R.division, 'mass', { unitOf: 'unit', help: R.divisionHelp }), f('max_g', R.max, 'mass', { unitOf: 'unit', help: R.maxHelp }),
    f('containers', R.containers, 'rows', { add: R.addContainer, help: R.containersHelp, start: [], fields: [f('name', R.name, 'text'), f('tare_g', R.tare, 'mass', { unit: 'g' })] }),
  ],
  storerooms: () => [f('name', R.name, 'text', { help: R.storeroomHelp })],
  roasters: (from) => [
    f('name', R.name, 'text'), f('min_charge_g', R.minCharge, 'mass'), f('max_charge_g', R.maxCharge, 'mass'), f('step_g', R.step, 'mass', { help: R.stepHelp }),
    f('cycle_min', R.cycle, 'whole', { help: R.cycleHelp }), f('changeover_min', R.changeover, 'whole', { help: R.changeoverHelp }), f('startup_min', R.startup, 'whole', { help: R.startupHelp }),
    f('cleaning', R.cleaning, 'group', { ...optional, add: R.cleaningTick, help: R.cleaningHelp, fields: [f('batches', R.cleaningBatches, 'whole'), f('minutes', R.cleaningMinutes, 'whole')] }),
    f('green_scale', R.greenScale, 'choice', { options: options(from.scales) }), f('roasted_scale', R.roastedScale, 'choice', { options: options(from.scales) }),
    f('weighs', R.weighs, 'choice', { options: [{ value: 'before_destoner', label: R.beforeDestoner }, { value: 'after_destoner', label: R.afterDestoner }], start: 'before_destoner' }),
    f('hours', R.hours, 'hours', { start: [0, 1, 2, 3, 4].map(() => ({ from: '07:00', to: '15:00' })).concat(/** @type {any[]} */ ([null, null])) }),
    f('exceptions', R.exceptions, 'rows', { start: [], add: R.addException, help: R.exceptionsHelp, fields: [f('day', R.day, 'day'), f('hours', R.open, 'span'), f('note', R.note, 'text', optional)] }),
    f('styles', R.styles, 'many', { ...optional, options: options(from.styles), help: R.stylesHelp }),
    f('charge_limits', R.limits, 'rows', { start: [], add: R.addLimit, help: R.limitsHelp, fields: [
      f('lot', T.words.lot, 'choice', { ...optional, none: R.anyLot, options: options(from.lots) }), f('grade', R.grade, 'text', optional), f('min_charge_g', R.minCharge, 'mass'), f('max_charge_g', R.maxCharge, 'mass')] }),
    f('sample_roaster', R.sampleRoaster, 'check', { help: R.sampleRoasterHelp }),
  ],
  deliveries: () => [
    f('supplier', R.supplier, 'text'), f('reference', R.reference, 'text', { help: R.referenceHelp }), f('expected_day', R.expectedDay, 'day'), f('invoice_g', R.invoice, 'mass', { ...optional, help: R.invoiceHelp }),
    f('hold', R.hold, 'text', { ...optional, help: R.holdHelp }), f('note', R.note, 'long', { ...optional, wide: true }),
  ],
  lots: (from) => [
    f('name', R.lotName, 'text', { help: R.lotNameHelp }), f('delivery', R.delivery, 'choice', { options: (from.deliveries ?? []).map((each) => ({ value: each.id, label: title('deliveries', each) })) }),
    f('coffee', R.coffee, 'choice', { options: bought(from.coffees) }), f('grade', R.grade, 'text', { help: R.gradeHelp }), f('screen', R.screen, 'text', { ...optional, help: R.screenHelp }),
    f('process', R.process, 'text', optional), f('crop_year', R.cropYear, 'text', optional), f('storeroom', R.storeroom, 'choice', { options: options(from.storerooms) }),
    f('expected_g', R.expected, 'mass', { help: R.expectedHelp }),
    f('packing', R.packing, 'group', { fields: [f('kind', R.packingKind, 'choice', { options: Object.entries(T.packings).map(([value, label]) => ({ value, label })) }), f('sacks', R.sacks, 'whole'), f('sack_g', R.sackMass, 'mass'), f('loose_g', R.loose, 'mass', { start: 0 })] }),
    f('moisture', R.moisture, 'rows', { start: [], add: R.addMoisture, fields: [f('day', R.day, 'day'), f('fraction', R.moistureShare, 'percent'), f('sd', R.moistureSd, 'percent', { ...optional, help: R.moistureSdHelp })] }),
    f('owned_by', R.ownedBy, 'text', { ...optional, help: R.ownedByHelp }), f('landed_cost', R.landedCost, 'money', { ...optional, currency: from.currency, help: R.landedCostHelp }),
    f('claims', R.claims, 'rows', { start: [], add: R.addClaim, fields: [f('claim', R.claim, 'text'), f('certificate', R.certificate, 'text'), f('valid_from', R.validFrom, 'day', optional), f('valid_to', R.validTo, 'day')] }),
    f('use_rank', R.useRank, 'whole', { start: 1, help: R.useRankHelp }), f('reserve_g', R.reserve, 'mass', { ...optional, help: R.reserveHelp }),
  ],
  products: (from) => [
    f('name', R.name, 'text'), f('parts', R.parts, 'rows', { least: 1, add: R.addPart, help: R.partsHelp, fields: [f('coffee', R.coffee, 'choice', { options: bought(from.coffees) }), f('share', R.share, 'percent', { start: 1 })] }),
    f('style', R.style, 'choice', { options: options(from.styles) }), f('bag_g', R.bag, 'mass', { unit: 'g' }), f('lots', R.onlyLots, 'many', { ...optional, options: lotsLeft(from.lots), help: R.onlyLotsHelp }),
    f('claims', R.soldAs, 'many', { ...optional, options: claimsOf(from.lots), help: R.soldAsHelp }),
  ],
  'ship-days': () => [
    f('day', R.shipDay, 'day'), f('packing_day', R.packingDay, 'day', { help: R.packingDayHelp, like: 'day' }), f('carrier_at', R.carrierAt, 'time', { start: '15:00' }), f('note', R.note, 'text', optional),
  ],
  orders: (from) => [
    f('number', R.orderNumber, 'text'), f('customer', R.customer, 'text'),
    f('ship_day', R.shipDay, 'choice', { options: comingFirst((from['ship-days'] ?? []).filter((each) => !each.retired).map((each) => each.day), from.today ?? '').map((each) => ({ value: each, label: fullDay(each) })) }),
    f('transit_days', R.transit, 'whole', { start: 1 }), f('priority', R.priority, 'whole', { start: 1, help: R.priorityHelp }),
    f('lines', R.lines, 'rows', { least: 1, add: R.addLine, fields: [f('product', R.product, 'choice', { options: options(from.products) }), f('bags', R.bags, 'whole', manyBags), f('grind', T.packing.grind, 'text', { ...optional, help: T.packing.grindHelp })] }),
    f('note', R.note, 'text', optional),
  ],
  'cost-lines': (from) => [
    f('delivery', R.delivery, 'choice', { options: (from.deliveries ?? []).map((each) => ({ value: each.id, label: title('deliveries', each) })) }), f('lot', R.onlyLot, 'choice', { ...optional, none: R.allLots, options: options(from.lots) }),
    f('kind', R.costKind, 'choice', { options: Object.entries(T.value.kinds).map(([value, label]) => ({ value, label })) }), f('day', R.billDay, 'day'), f('amount', R.amount, 'decimal'), f('currency', R.billCurrency, 'text', { start: from.currency ?? 'EUR' }),
    f('rate', R.rate, 'text', { ...optional, help: R.rateHelp(from.currency ?? 'EUR') }), f('reference', R.billNumber, 'text', optional), f('note', R.note, 'text', optional), f('credit', R.credit, 'check'),
  ],
  'write-downs': (from) => [f('lot', T.words.lot, 'choice', { options: options(from.lots) }), f('day', R.day, 'day'), f('amount', R.amount, 'money', { currency: from.currency }), f('reason', T.words.reason, 'text')],
  'shelf-levels': (from) => [f('product', R.product, 'choice', { options: options(from.products) }), f('grind', T.packing.grind, 'text', { ...optional, help: T.packing.grindHelp }), f('bags', R.bags, 'whole', manyBags)],
  tariffs: (from) => [
    f('product', R.product, 'choice', { options: options(from.products) }), f('roaster', T.words.roaster, 'choice', { options: options(from.roasters) }), f('bag_g', R.bag, 'mass', { unit: 'g' }), f('bags', R.bags, 'whole', manyBags), f('destination', R.destination, 'choice', { ...optional, none: R.anyDestination, options: options(from.destinations) }),
    f('from_day', R.fromDay, 'day'), f('amount', R.amount, 'money', { currency: from.currency }),
  ],
  destinations: (from) => [
    f('name', R.name, 'text', { help: R.destinationHelp }), f('transit_days', R.transit, 'whole', { start: 2 }), f('excluded', R.excluded, 'many', { ...optional, options: options(from.coffees), help: R.excludedHelp }),
    f('closed', R.closed, 'text', { ...optional, help: R.closedHelp }),
  ],
  subscriptions: (from) => [
    f('name', R.name, 'text'), f('ships', R.ships, 'group', { fields: ruleFields(f) }), f('cut_off_before', R.cutOff, 'whole', { start: 7, help: R.cutOffHelp }), f('styles', R.styles, 'many', { options: options(from.styles), help: R.offeredStylesHelp }),
    f('bag_g', R.bag, 'mass', { unit: 'g', start: 250 }), f('priority', R.priority, 'whole', { start: 1, help: R.priorityHelp }), f('ladder', R.ladder, 'text', { ...optional, wide: true, help: R.ladderHelp }),
  ],
  subscribers: (from) => [
    f('number', R.orderNumber, 'text'), f('name', R.name, 'text'), f('subscription', R.subscription, 'choice', { options: options(from.subscriptions) }), f('bags', R.bags, 'whole', { ...manyBags, start: 1 }),
    f('styles', R.styles, 'many', { options: options(from.styles), help: R.mixedHelp }), f('destination', R.destination, 'choice', { options: options(from.destinations) }), f('start', R.start, 'day'),
    f('prepaid_until', R.prepaidUntil, 'day', { ...optional, help: R.prepaidHelp }), f('ended', R.ended, 'day', optional), listOf(f('paused', R.paused, 'rows', { add: R.addMonth }), f('', R.month, 'month', { help: R.monthHelp })),
    f('left_out', R.leftOut, 'many', { ...optional, options: options(from.coffees) }), f('note', R.note, 'text', optional),
  ],
  dispatches: (from) => [
    f('coffees', R.coffees, 'rows', { least: 1, add: T.kinds.coffees.add, help: R.coffeesHelp, fields: [f('coffee', R.coffee, 'choice', { options: options(from.coffees) }), f('from_bags', R.fromBags, 'whole', { ...optional, help: R.fromBagsHelp })] }),
    f('counts', R.counts, 'rows', { ...optional, add: R.addCount, help: R.countsHelp, fields: [f('subscribers', R.subscribers, 'whole', manyBags), f('bags', R.bags, 'whole', manyBags), f('styles', R.styles, 'many', { options: options(from.styles) }), f('destination', R.destination, 'choice', { options: options(from.destinations) })] }), f('note', R.note, 'text', optional),
  ],
  replacements: (from) => [f('subscriber', R.subscriber, 'choice', { options: (from.subscribers ?? []).map((each) => ({ value: each.id, label: `${each.number} ${each.name}` })) }), f('bags', R.bags, 'whole', manyBags), f('reason', T.words.reason, 'text')],
  'standing-orders': (from) => [
    f('number', R.orderNumber, 'text'), f('customer', R.customer, 'text'), f('ships', R.ships, 'group', { fields: ruleFields(f) }), f('start', R.start, 'day'), f('end', R.end, 'day', optional), listOf(f('skips', R.skips, 'rows'), f('', R.day, 'day')),
    f('transit_days', R.transit, 'whole', { start: 1 }), f('priority', R.priority, 'whole', { start: 1, help: R.priorityHelp }),
    f('lines', R.lines, 'rows', { least: 1, add: R.addLine, fields: [f('product', R.product, 'choice', { options: options(from.products) }), f('bags', R.bags, 'whole', manyBags)] }), f('note', R.note, 'text', optional),
  ],
  'sample-requests': (from) => [f('lot', T.words.lot, 'choice', { options: options(from.lots) }), f('mass_g', T.words.weight, 'mass', { unit: 'g' }), f('purpose', T.words.purpose, 'text'), f('done', R.done, 'check')],
};

/** Whatever the fields do not say themselves: order lines carry their number, a rule is made of its fields, a ladder is typed as text. @param {Kind} kind @param {any} values */
export function complete(kind, values) {
  if (kind === 'cost-lines') {
    const { amount, currency, rate, ...rest } = values;
    const code = String(currency).trim().toUpperCase();
    const minor = minorOf(amount, code);
    if (minor === null) {
      const detail = T.form.tooFine(code, minorDigits(code));
      throw new Problem(422, { detail, errors: [{ pointer: '/amount', detail }] });
    }
    return { ...rest, amount: { minor, currency: code }, ...(rate ? { rate: decimalText(rate) ?? rate } : {}) };
  }
  if (kind === 'orders' || kind === 'standing-orders') values.lines = values.lines.map((/** @type {any} */ line, /** @type {number} */ i) => ({ line: i + 1, ...line }));
  if (values.ships) values.ships = ruleOf(values.ships);
  if (kind === 'subscriptions') values.ladder = ladderOf(values.ladder);
  return values;
}

/** @param {Named[]|Item[]|undefined} items @param {string|Named|null|undefined} id */
export function nameOf(items, id) {
  if (id && typeof id === 'object') return id.name;
  return (items ?? []).find((each) => each.id === id)?.name ?? '?';
}
