/** Subscriptions: dispatches and their coffees, who takes them, what is offered, and standing orders. */
import { ask, change, create, read, uuid7 } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { addDays, day, fullDay, mass, money, month } from './format.js';
import { askCommand, askForm, carried, editRecord } from './forms.js';
import { importBox } from './import-box.js';
import { openLive } from './live.js';
import { empty, linkTo, tell, trying } from './parts/page-frame.js';
import { fieldsOf, lists, nameOf, NEEDS } from './records.js';
import { flatRule, ladderText, ruleText } from './rules.js';
import { T } from './texts.js';
import { coverageText, drawTrial, SURE } from './trial.js';

/** @import { Item } from './types.js' */
/** @import { Kind, Lists } from './records.js' */

const S = T.subscriptions;
/** Changes of these are drawn anew. */
const SHOWN = new Set(['dispatch', 'subscription', 'subscriber', 'destination', 'standing_order', 'replacement', 'list_part', 'coffee']);
/** At most so many subscribers are shown at once. */
const MOST = 20;
const KINDS = /** @type {Kind[]} */ (['dispatches', 'subscriptions', 'subscribers', 'destinations', 'standing-orders', 'replacements', 'coffees', 'styles']);
const places = { dispatches: byId('dispatches'), trial: byId('trial'), subscribers: byId('subscribers'), offers: byId('offers'), standing: byId('standing') };
/** @type {{lists: Lists, today: string, chosen: string|null, find: string}} */
const page = { lists: {}, today: '', chosen: null, find: '' };

async function load() {
  await trying(async () => {
    const [from, me] = await Promise.all([lists(KINDS), read('/api/me')]);
    page.lists = from;
    page.today = me.today;
    drawDispatches();
    drawSubscribers();
    drawOffers();
    drawStanding();
  });
}

/** @param {string} id */
const subscription = (id) => (page.lists.subscriptions ?? []).find((each) => each.id === id);

/** How a record is put into its form. @param {Kind} kind @param {Item} item */
function shown(kind, item) {
  if (kind === 'subscriptions') return { ...item, ships: flatRule(item.ships), ladder: ladderText(item.ladder) };
  if (kind === 'standing-orders') return { ...item, ships: flatRule(item.ships) };
  return item;
}

/** @param {Kind} kind @param {Item|null} item @param {any} [start] */
async function edit(kind, item, start) {
  const from = { ...page.lists, ...(await lists(NEEDS[kind] ?? [])) };
  const words = T.kinds[kind];
  const value = item ? shown(kind, item) : start;
  if (await editRecord({ kind, item, value, title: item ? `${words.one} ${item.name ?? item.number ?? ''}` : words.add, fields: fieldsOf(kind, from) })) await load();
}

/* Dispatches */

function drawDispatches() {
  const coming = (page.lists.dispatches ?? []).filter((each) => !each.cancelled && each.ship_day >= addDays(page.today, -14)).sort((a, b) => a.ship_day.localeCompare(b.ship_day));
  const ready = (page.lists.subscriptions ?? []).length > 0;
  redraw(places.dispatches, h('div', { class: 'head' }, h('h2', {}, T.kinds.dispatches.many), ready ? button(T.kinds.dispatches.add, addDispatch, { kind: 'main', 'data-key': 'add-dispatch' }) : null),
    coming.length === 0 ? empty(ready ? T.kinds.dispatches.none : S.offerFirst) : h('ul', { class: 'dispatches' }, coming.map(dispatchCard)));
}

/** @param {Item} dispatch */
function dispatchCard(dispatch) {
  const of = subscription(dispatch.subscription);
  const name = of?.name ?? '?';
  const label = `${name} ${day(dispatch.ship_day)}`;
  return h('li', { class: page.chosen === dispatch.id ? 'chosen' : '' }, h('h3', {}, day(dispatch.ship_day), ' ', h('small', {}, name)),
    h('ol', {}, dispatch.coffees.map((/** @type {any} */ offer) => h('li', {}, nameOf(page.lists.coffees, offer.coffee), offer.from_bags ? h('small', {}, ` ${S.onlyFrom(offer.from_bags)}`) : null))),
    h('p', {}, dispatch.frozen ? h('span', { class: 'flag' }, S.frozen) : S.cutOff(day(dispatch.cut_off))),
    h('div', { class: 'actions' }, button(S.tryOut, () => openTrial(dispatch), { 'data-key': `try-${dispatch.id}`, 'aria-label': `${S.tryOut}: ${label}` }), button(S.list, () => showList(dispatch), { kind: 'quiet', 'data-key': `list-${dispatch.id}`, 'aria-label': `${S.list}: ${label}` }),
      button(S.margin, () => showMargin(dispatch), { kind: 'quiet', 'data-key': `margin-${dispatch.id}`, 'aria-label': `${S.margin}: ${label}` }),
      dispatch.frozen ? button(S.letIn, () => letIn(dispatch), { kind: 'quiet', 'data-key': `let-${dispatch.id}`, 'aria-label': `${S.letIn}: ${label}` }) : button(S.freeze, () => freeze(dispatch), { kind: 'quiet', 'data-key': `freeze-${dispatch.id}`, 'aria-label': `${S.freeze}: ${label}` }),
      dispatch.frozen ? null : button(T.form.edit, () => edit('dispatches', dispatch), { kind: 'quiet', 'data-key': `edit-${dispatch.id}`, 'aria-label': `${T.form.edit}: ${label}` }),
      dispatch.frozen ? null : button(S.callOff, () => callOff(dispatch), { kind: 'quiet', 'data-key': `off-${dispatch.id}`, 'aria-label': `${S.callOff}: ${label}` })));
}

async function addDispatch() {
  await trying(async () => {
    const taken = new Set((page.lists.dispatches ?? []).map((each) => `${each.subscription} ${each.ship_day}`));
    const offers = (page.lists.subscriptions ?? []).filter((each) => !each.retired);
    const days = await Promise.all(offers.map((each) => ask('/api/ship-rules', { ships: each.ships, from: page.today, to: addDays(page.today, 400) })));
    const choices = offers.flatMap((each, i) => days[i].days.filter((/** @type {string} */ date) => !taken.has(`${each.id} ${date}`)).slice(0, 12).map((/** @type {string} */ date) => ({ value: `${each.id} ${date}`, label: `${fullDay(date)} · ${each.name}` })));
    const id = uuid7();
    const saved = await askForm({
      title: T.kinds.dispatches.add, fields: [{ name: 'ship_day', label: S.when, kind: 'choice', options: choices, help: S.whenHelp }, ...fieldsOf('dispatches', page.lists)],
      save: async ({ ship_day: when, ...values }) => {
        const [of, date] = when.split(' ');
        await create('dispatches', id, { subscription: of, ship_day: date, ...values });
        tell(T.form.saved);
      },
    });
    if (saved) {
      page.chosen = id;
      await load();
      const made = (page.lists.dispatches ?? []).find((each) => each.id === id);
      if (made) openTrial(made);
    }
  });
}

/** @param {Item} dispatch */
function openTrial(dispatch) {
  page.chosen = dispatch.id;
  drawDispatches();
  places.trial.hidden = false;
  drawTrial(places.trial, {
    dispatch, coffees: page.lists.coffees ?? [], name: subscription(dispatch.subscription)?.name ?? '?',
    keep: async (coffees) => {
      await trying(async () => {
        const changed = await change('dispatches', dispatch.id, dispatch.revision, { ...carried('dispatches', dispatch), coffees });
        tell(T.form.saved);
        await load();
        openTrial(changed);
      });
    },
    close: () => {
      page.chosen = null;
      places.trial.hidden = true;
      drawDispatches();
    },
  });
  places.trial.scrollIntoView({ block: 'nearest' });
}

/** @param {Item} dispatch */
async function freeze(dispatch) {
  const of = await trying(() => ask('/api/coverage', { dispatch: dispatch.id, service: SURE }));
  if (!of) return;
  const frozen = await askCommand({
    kind: 'freezes', title: `${S.freeze}: ${subscription(dispatch.subscription)?.name ?? '?'} ${day(dispatch.ship_day)}`, lead: `${S.freezeLead(day(dispatch.cut_off), dispatch.cut_off > page.today)} ${coverageText(of)}`, fields: [], go: S.freeze,
    body: () => ({ dispatch: dispatch.id }), done: (answer) => S.frozenNow(answer.parcels, answer.bags),
  });
  if (!frozen) return;
  await load();
  const now = (page.lists.dispatches ?? []).find((each) => each.id === dispatch.id);
  if (now && page.chosen === dispatch.id) openTrial(now);
}

/** @param {Item} dispatch */
async function letIn(dispatch) {
  const theirs = (page.lists.subscribers ?? []).filter((each) => each.subscription === dispatch.subscription);
  if (await askCommand({
    kind: 'let-ins', title: S.letIn, lead: S.letInHelp, go: S.letIn, fields: [{ name: 'subscriber', label: T.kinds.subscribers.one, kind: 'choice', options: theirs.map((each) => ({ value: each.id, label: `${each.number} ${each.name}` })) }],
    body: (values) => ({ dispatch: dispatch.id, ...values }), done: (answer) => S.frozenNow(answer.parcels, answer.bags),
  })) await load();
}

/** @param {Item} dispatch */
async function callOff(dispatch) {
  await trying(async () => {
    await change('dispatches', dispatch.id, dispatch.revision, { ...carried('dispatches', dispatch), cancelled: true });
    tell(S.calledOff);
    await load();
  });
}

/** @param {Item} dispatch */
async function showList(dispatch) {
  await trying(async () => {
    const list = await read(`/api/dispatches/${dispatch.id}/list`);
    const lines = (/** @type {any} */ parcel) => parcel.lines.map((/** @type {any} */ line) => `${line.bags} × ${nameOf(page.lists.coffees, line.coffee)} ${nameOf(page.lists.styles, line.style)}`).join(', ');
    /** @type {HTMLDialogElement} */
    const dialog = h('dialog', { class: 'sheet form-dialog', 'aria-labelledby': 'list-name' }, h('form', { method: 'dialog' }, h('h2', { id: 'list-name' }, S.listOf(day(dispatch.ship_day), list.frozen)),
      h('ul', {}, list.parcels.map((/** @type {any} */ parcel) => h('li', {}, h('b', {}, parcel.number ?? S.counted(parcel.parcels)), ` ${parcel.name ?? ''} · ${nameOf(page.lists.destinations, parcel.destination)} · ${lines(parcel)}`, parcel.replacement ? h('span', { class: 'flag' }, S.replacement) : null))),
      list.left_out.length ? h('div', {}, h('h3', {}, S.leftOut(list.left_out.length)), h('ul', {}, list.left_out.map((/** @type {any} */ each) => h('li', {}, `${each.number} ${each.name}: ${each.words}`)))) : null,
      h('div', { class: 'actions' }, h('button', { class: 'button main', type: 'submit' }, S.close))));
    document.body.append(dialog);
    dialog.addEventListener('close', () => dialog.remove());
    dialog.showModal();
  });
}

/** What a dispatch costs and leaves: reckoned, and as it left. @param {Item} dispatch */
async function showMargin(dispatch) {
  await trying(async () => {
    const found = await read(`/api/dispatches/${dispatch.id}/margin`);
    const pay = (/** @type {number|null} */ minor) => (minor === null ? S.unknown : money({ minor, currency: found.currency }));
    const cell = (/** @type {number|null} */ minor) => h('td', { class: `num${minor !== null && minor < 0 ? ' short-cell' : ''}` }, pay(minor));
    const cells = (/** @type {any} */ { margin }) => [cell(margin.bags_minor), cell(margin.postage_minor), cell(margin.paid_minor), cell(margin.margin_minor)];
    const name = S.marginOf(subscription(dispatch.subscription)?.name ?? '?', day(dispatch.ship_day));
    const missing = [...new Set([...found.products.flatMap((/** @type {any} */ each) => each.missing), ...(found.shipped?.missing ?? [])])];
    const { shipped } = found;
    /** @type {HTMLDialogElement} */
    const dialog = h('dialog', { class: 'sheet form-dialog', 'aria-labelledby': 'margin-name' }, h('form', { method: 'dialog' }, h('h2', { id: 'margin-name' }, name), h('p', { class: 'help' }, S.marginHelp),
      h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': name }, h('table', {}, tableHead([[S.inEach], [S.parcels], [S.bagsCost], [S.postage], [S.paid], [S.leaves]]),
        h('tbody', {}, found.sets.map((/** @type {any} */ each) => h('tr', {}, h('th', { scope: 'row', class: 'num' }, String(each.bags)), h('td', { class: 'num' }, String(each.parcels)), cells(each)))),
        h('tfoot', {}, h('tr', {}, h('th', { scope: 'row' }, S.allParcels), h('td', { class: 'num' }, String(found.total.parcels)), cells(found.total))))),
      h('h3', {}, S.perBag), h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': S.perBag }, h('table', {}, tableHead([T.records.product, [S.bagCost], [S.soldFor], [S.leaves]]),
        h('tbody', {}, found.products.map((/** @type {any} */ each) => h('tr', {}, h('th', { scope: 'row' }, each.product.name, each.at_a_loss ? h('span', { class: 'flag on_hold' }, S.atALoss) : null), cell(each.cost_minor), cell(each.price_minor), cell(each.margin_minor)))))),
      shipped ? [h('h3', {}, S.asShipped), h('p', { class: 'help' }, S.shippedHelp(shipped.bags, shipped.of_bags), shipped.came_back ? ` ${S.cameBackHelp(shipped.came_back, shipped.to_shelf)}` : null), h('dl', { class: 'facts' }, /** @type {[string, number|null][]} */ ([[S.greenCost, shipped.green_minor], [S.roastingCost, shipped.roasting_minor], [S.packagingCost, shipped.packaging_minor], [S.postage, shipped.postage_minor], [S.paid, shipped.paid_minor], ...(shipped.came_back ? [[S.paidBack, shipped.paid_back_minor]] : []), [S.leaves, shipped.margin_minor]]).map(([label, minor]) => h('div', {}, h('dt', {}, label), h('dd', {}, pay(minor)))))] : null,
      missing.length ? h('p', {}, S.notKnown(missing.join('; ')), ' ', linkTo('/cost', T.pages.cost)) : null,
      h('div', { class: 'actions' }, h('button', { class: 'button main', type: 'submit' }, S.close))));
    document.body.append(dialog);
    dialog.addEventListener('close', () => dialog.remove());
    dialog.showModal();
  });
}

/* Subscribers */

function drawSubscribers() {
  const all = page.lists.subscribers ?? [];
  const ready = (page.lists.subscriptions ?? []).length > 0 && (page.lists.destinations ?? []).length > 0;
  const find = h('input', { type: 'search', id: 'find', class: 'find', value: page.find, 'aria-label': S.find, placeholder: S.find, on: { input: () => {
    page.find = find.value;
    drawFound(found);
  } } });
  const found = h('ul', { class: 'records' });
  redraw(places.subscribers, h('div', { class: 'head' }, h('h2', {}, `${T.kinds.subscribers.many} `, h('small', {}, String(all.length))), h('div', { class: 'actions' }, all.length ? find : null, ready ? button(T.kinds.subscribers.add, () => edit('subscribers', null), { kind: 'main', 'data-key': 'add-subscriber' }) : null)),
    all.length === 0 ? empty(ready ? T.kinds.subscribers.none : S.destinationFirst) : found);
  drawFound(found);
}

/** @param {HTMLElement} list */
function drawFound(list) {
  const wanted = page.find.trim().toLowerCase();
  const all = (page.lists.subscribers ?? []).filter((each) => `${each.number} ${each.name}`.toLowerCase().includes(wanted)).sort((a, b) => a.number.localeCompare(b.number));
  redraw(list, all.slice(0, MOST).map((each) => h('li', {}, h('div', {}, h('b', {}, `${each.number} ${each.name}`), h('p', {}, S.subscriber(each.bags, each.styles.map((/** @type {string} */ id) => nameOf(page.lists.styles, id)).join(' + '), nameOf(page.lists.destinations, each.destination)), ended(each))),
    h('div', { class: 'actions' }, button(T.form.edit, () => edit('subscribers', each), { 'data-key': `edit-${each.id}`, 'aria-label': `${T.form.edit}: ${each.number}` }), button(S.replace, () => edit('replacements', null, { subscriber: each.id, bags: each.bags }), { kind: 'quiet', 'data-key': `replace-${each.id}`, 'aria-label': `${S.replace}: ${each.number}` })))),
    all.length > MOST ? h('li', {}, S.more(all.length - MOST)) : null);
}

/** @param {Item} subscriber */
function ended(subscriber) {
  const ends = [subscriber.prepaid_until ? S.prepaid(day(subscriber.prepaid_until)) : '', subscriber.ended ? S.ends(day(subscriber.ended)) : '', subscriber.paused?.length ? S.paused(subscriber.paused.map(month).join(', ')) : ''].filter(Boolean);
  return ends.length ? ` · ${ends.join(' · ')}` : '';
}

/* What is offered, and where it goes */

function drawOffers() {
  redraw(places.offers, group('subscriptions', (each) => `${ruleText(each.ships)} · ${mass(each.bag_g, 'g', 0)} · ${S.cutOffDays(each.cut_off_before)}`),
    group('destinations', (each) => [S.transit(each.transit_days), each.excluded?.length ? S.excludes(each.excluded.map((/** @type {string} */ id) => nameOf(page.lists.coffees, id)).join(', ')) : '', each.closed ?? ''].filter(Boolean).join(' · ')),
    openReplacements());
}

function openReplacements() {
  const open = (page.lists.replacements ?? []).filter((each) => !each.sent_with && !each.cancelled);
  if (open.length === 0) return null;
  return h('section', {}, h('h2', {}, T.kinds.replacements.many), h('ul', { class: 'records' }, open.map((each) => h('li', {}, h('div', {}, h('b', {}, (page.lists.subscribers ?? []).find((one) => one.id === each.subscriber)?.number ?? '?'), h('p', {}, S.lost(each.bags, each.reason))), button(S.noLonger, () => trying(async () => {
    await change('replacements', each.id, each.revision, { ...carried('replacements', each), cancelled: true });
    await load();
  }), { kind: 'quiet', 'data-key': `lost-${each.id}` })))));
}

/** @param {Kind} kind @param {(item: Item) => string} sum */
function group(kind, sum) {
  const items = (page.lists[kind] ?? []).filter((each) => !each.retired);
  return h('section', {}, h('div', { class: 'head' }, h('h2', {}, T.kinds[kind].many), button(T.kinds[kind].add, () => edit(kind, null), { 'data-key': `add-${kind}` })),
    items.length === 0 ? empty(T.kinds[kind].none, kind === 'subscriptions' && (page.lists.styles ?? []).length === 0 ? linkTo('/setup#styles', T.pages.setup) : null) : h('ul', { class: 'records' }, items.map((each) => h('li', {}, h('div', {}, h('b', {}, each.name), h('p', {}, sum(each))), button(T.form.edit, () => edit(kind, each), { 'data-key': `edit-${each.id}`, 'aria-label': `${T.form.edit}: ${each.name}` })))));
}

/* Standing orders */

function drawStanding() {
  const all = (page.lists['standing-orders'] ?? []).filter((each) => !each.cancelled);
  redraw(places.standing, h('div', { class: 'head' }, h('h2', {}, T.kinds['standing-orders'].many), h('div', { class: 'actions' }, button(T.kinds['standing-orders'].add, () => edit('standing-orders', null, { start: page.today }), { kind: 'main', 'data-key': 'add-standing' }), all.length ? button(S.callUp, callUp, { 'data-key': 'call-up' }) : null)),
    all.length === 0 ? empty(T.kinds['standing-orders'].none) : h('ul', { class: 'records' }, all.map((each) => h('li', {}, h('div', {}, h('b', {}, `${each.number} ${each.customer}`), h('p', {}, [ruleText(each.ships), S.begins(day(each.start)), each.end ? S.ends(day(each.end)) : '', each.skips?.length ? S.skips(each.skips.map(fullDay).join(', ')) : ''].filter(Boolean).join(' · '))),
      h('div', { class: 'actions' }, button(T.form.edit, () => edit('standing-orders', each), { 'data-key': `edit-${each.id}`, 'aria-label': `${T.form.edit}: ${each.number}` }), button(S.callOff, () => trying(async () => {
        await change('standing-orders', each.id, each.revision, { ...carried('standing-orders', each), cancelled: true });
        tell(S.calledOff);
        await load();
      }), { kind: 'quiet', 'data-key': `off-${each.id}`, 'aria-label': `${S.callOff}: ${each.number}` }))))));
}

async function callUp() {
  if (await askCommand({ kind: 'call-ups', title: S.callUp, lead: S.callUpHelp, go: S.callUp, value: { until: addDays(page.today, 28) }, fields: [{ name: 'until', label: S.until, kind: 'day' }], done: (answer) => S.calledUp(answer.orders.length) })) await load();
}

importBox(byId('read-subscribers'), {
  title: S.readSubscribers, help: S.readSubscribersHelp, fields: ['number', 'name', 'subscription', 'bags', 'style', 'destination', 'start', 'prepaid_until', 'ended', 'paused', 'left_out', 'note'], look: '/api/subscriber-imports', take: 'subscriber-imports', done: load,
});
importBox(byId('read-standing'), {
  title: S.readStanding, help: S.readStandingHelp, fields: ['order', 'customer', 'weeks', 'start', 'end', 'skips', 'transit_days', 'priority', 'product', 'bags', 'cancelled'], look: '/api/standing-order-imports', take: 'standing-order-imports', done: load,
});
await openLive((kinds) => {
  if (kinds.size === 0 || [...kinds].some((kind) => SHOWN.has(kind))) load();
});
await load();
