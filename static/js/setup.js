/** Set-up: everything a roastery is made of, and the way from nothing to the first plan. */
import { readAll } from './api.js';
import { button, byId, h, redraw } from './dom.js';
import { chooseUnit, day, mass, ownUnit, percent } from './format.js';
import { editRecord, retire } from './forms.js';
import { openLive } from './live.js';
import { empty, openPage, trying } from './parts/page-frame.js';
import { pastBatches } from './past.js';
import { fieldsOf, lists, NEEDS, title } from './records.js';
import { T } from './texts.js';

/** @import { Item } from './types.js' */
/** @import { Kind } from './records.js' */

const KINDS = /** @type {const} */ (['sites', 'storerooms', 'scales', 'styles', 'roasters', 'coffees', 'products', 'ship-days']);
/** @typedef {typeof KINDS[number]} SetupKind */

/**
 * The way to a first plan: what it takes, in the order in which each next one becomes possible. `needs` must be there first, `page` is
 * where a step is done if not here.
 * @type {{step: string, needs: string[], page?: string}[]}
 */
const WAY = [
  { step: 'sites', needs: [] }, { step: 'storerooms', needs: [] }, { step: 'scales', needs: [] }, { step: 'styles', needs: [] }, { step: 'roasters', needs: ['scales'] }, { step: 'coffees', needs: [] },
  { step: 'products', needs: ['coffees', 'styles'] }, { step: 'ship-days', needs: [] }, { step: 'deliveries', needs: [], page: '/green?way' }, { step: 'lots', needs: ['deliveries', 'coffees', 'storerooms'], page: '/green?way' },
  { step: 'receipts', needs: ['lots'], page: '/green?way' }, { step: 'orders', needs: ['products', 'ship-days'], page: '/shipping?way' }, { step: 'plans', needs: ['roasters', 'lots', 'orders'], page: '/week?way' },
];
/** What is read to see how far one is. */
const READ = /** @type {const} */ ([...new Set([...KINDS, 'deliveries', 'lots', 'orders', 'plans'])]);

const wayBox = byId('way');
const tabs = byId('kinds');
const listBox = byId('records');
/** @type {{all: Record<string, Item[]>, kind: SetupKind}} */
const page = { all: {}, kind: KINDS.includes(/** @type {any} */ (location.hash.slice(1))) ? /** @type {any} */ (location.hash.slice(1)) : 'sites' };

async function load() {
  await trying(async () => {
    const all = await Promise.all(READ.map((kind) => readAll(`/api/${kind}`)));
    page.all = Object.fromEntries(READ.map((kind, i) => [kind, all[i] ?? []]));
    draw();
  });
}

/** @param {SetupKind} kind */
function choose(kind) {
  if (!KINDS.includes(kind)) return;
  page.kind = kind;
  draw();
}

function draw() {
  drawWay();
  redraw(tabs, KINDS.map((kind) => h('a', { href: `#${kind}`, 'data-key': `tab-${kind}`, 'aria-current': kind === page.kind ? 'true' : undefined }, T.kinds[kind].many, h('span', { class: 'count' }, String(live(kind).length)))));
  drawList();
}

/** @param {string} kind */
const live = (kind) => (page.all[kind] ?? []).filter((each) => !each.retired);

/** Whether a step is done; a new book names its roastery by itself, so only a change of it counts. @param {string} step */
function isDone(step) {
  if (step === 'receipts') return live('deliveries').some((each) => each.state === 'received');
  return live(step).some((each) => step !== 'sites' || each.revision > 1);
}

function drawWay() {
  const done = WAY.filter(({ step }) => isDone(step)).length;
  const next = WAY.find(({ step }) => !isDone(step))?.step;
  wayBox.hidden = !next;
  if (!next) return;
  redraw(wayBox, h('div', { class: 'head' }, h('h2', {}, T.setup.way), h('p', { class: 'help' }, T.setup.sofar(done, WAY.length))), h('ol', { class: 'way' }, WAY.map((each) => wayStep(each, next))));
}

/** One step: done, the next one, possible, or still without what it needs. @param {typeof WAY[number]} way @param {string} next */
function wayStep({ step, needs, page: elsewhere }, next) {
  const why = T.setup.why[/** @type {'sites'} */ (step)];
  const label = T.setup.steps[/** @type {'receipts'} */ (step)] ?? T.kinds[/** @type {Kind} */ (step)].add;
  if (isDone(step)) return h('li', { class: 'got' }, h('b', {}, T.kinds[/** @type {Kind} */ (step)]?.many ?? label), h('span', { class: 'unseen' }, ` ${T.setup.done}`));
  if (!needs.every(isDone)) return h('li', { class: 'waiting' }, h('b', {}, label), h('p', {}, why));
  const kind = step === next ? 'main' : 'plain';
  const go = elsewhere ? h('a', { class: `button ${kind}`, href: elsewhere, 'data-key': `way-${step}` }, label) : button(label, () => edit(/** @type {Kind} */ (step), step === 'sites' ? page.all.sites?.[0] ?? null : null, true), { kind, 'data-key': `way-${step}` });
  return h('li', { class: step === next ? 'next' : '' }, go, h('p', {}, why));
}

function drawList() {
  const { kind } = page;
  const words = T.kinds[kind];
  const items = [...(page.all[kind] ?? [])].sort((a, b) => Number(Boolean(a.retired)) - Number(Boolean(b.retired)));
  redraw(listBox, h('div', { class: 'head' }, h('h2', {}, words.many), kind === 'sites' ? null : button(words.add, () => edit(kind, null), { kind: 'main', 'data-key': 'add' })),
    items.length === 0 ? empty(words.none) : h('ul', { class: 'records' }, items.map((item) => h('li', { class: item.retired ? 'retired' : '' },
      h('div', {}, h('b', {}, title(kind, item)), item.retired ? h('span', { class: 'flag' }, T.setup.retired) : null, h('p', {}, sum(kind, item))),
      h('div', { class: 'actions' }, button(T.form.edit, () => edit(kind, item), { 'data-key': `edit-${item.id}`, 'aria-label': `${T.form.edit}: ${title(kind, item)}` }),
        kind === 'sites' ? null : button(item.retired ? T.form.restore : T.form.retire, () => trying(async () => {
          await retire(kind, item);
          await load();
        }), { kind: 'quiet', 'data-key': `retire-${item.id}`, 'aria-label': `${item.retired ? T.form.restore : T.form.retire}: ${title(kind, item)}` }))))),
    kind === 'sites' ? unitBox() : null);
}

/** A new book keeps UTC until its roastery is named: then the zone of this device is offered. @param {Item|null} site */
const withZone = (site) => (site?.revision === 1 && site.zone === 'UTC' ? { ...site, zone: Intl.DateTimeFormat().resolvedOptions().timeZone } : site);

/** @param {Kind} kind @param {Item|null} item @param {boolean} [onTheWay] the next step then gets the focus */
async function edit(kind, item, onTheWay = false) {
  const from = await lists(NEEDS[kind] ?? []);
  if (await editRecord({ kind, item, title: item ? title(kind, item) : T.kinds[kind].add, fields: fieldsOf(kind, from), value: kind === 'sites' ? withZone(item) : undefined })) {
    if (kind === 'sites') await openPage();
    await load();
    if (onTheWay) /** @type {HTMLElement|null} */ (wayBox.querySelector('.next .button'))?.focus();
  }
}

/** One line that tells records of a kind apart. @param {SetupKind} kind @param {Item} item */
function sum(kind, item) {
  const styleName = (/** @type {string} */ id) => page.all.styles?.find((each) => each.id === id)?.name ?? '?';
  const coffeeName = (/** @type {string} */ id) => page.all.coffees?.find((each) => each.id === id)?.name ?? '?';
  /** @type {Record<SetupKind, () => string>} */
  const lines = {
    sites: () => `${item.zone} · ${item.currency} · ${item.mass_unit}`,
    storerooms: () => '',
    scales: () => T.setup.scale(item.unit, mass(item.division_g, item.unit, 3), mass(item.max_g, item.unit, 1), item.containers.length),
    styles: () => T.setup.style(percent(item.nominal_loss), item.rest_days, item.fresh_days),
    roasters: () => T.setup.roaster(mass(item.min_charge_g), mass(item.max_charge_g), item.cycle_min),
    coffees: () => item.note ?? '',
    products: () => `${mass(item.bag_g, 'g', 0)} · ${styleName(item.style)} · ${item.parts.map((/** @type {any} */ part) => (item.parts.length > 1 ? `${percent(part.share, 0)} ${coffeeName(part.coffee)}` : coffeeName(part.coffee))).join(' + ')}`,
    'ship-days': () => T.setup.shipDay(day(item.packing_day), item.carrier_at),
  };
  return lines[kind]();
}

/** A person's own unit for masses, in this browser. */
function unitBox() {
  const pick = h('select', { id: 'own-unit', on: { change: (/** @type {any} */ event) => {
    chooseUnit(event.target.value || null);
    location.reload();
  } } }, h('option', { value: '' }, T.setup.unitOfSite), h('option', { value: 'kg' }, T.records.kg), h('option', { value: 'lb' }, T.records.lb));
  pick.value = ownUnit() ?? '';
  return h('div', { class: 'own-unit' }, h('label', { for: 'own-unit' }, T.setup.ownUnit), pick);
}

tabs.setAttribute('aria-label', T.setup.kinds);
await openLive(load);
await load();
await trying(() => pastBatches(byId('past')));
addEventListener('hashchange', () => choose(/** @type {any} */ (location.hash.slice(1))));
