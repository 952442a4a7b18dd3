/** The week: what to roast when, what ships short and why, moving batches, releasing, and the papers for the floor. */
import { ask, command, happened, read, uuid7 } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { addDays, day, hours, mass } from './format.js';
import { askForm } from './forms.js';
import { listen } from './live.js';
import { empty, inWords, linkTo, openPage, tell, trying } from './parts/page-frame.js';
import { lists } from './records.js';
import { sack } from './sack.js';
import { T } from './texts.js';

/** @import { CardView, Pin, PlanBatch, PlanView } from './types.js' */

const W = T.week;
const places = { controls: byId('controls'), verdict: byId('summary'), board: byId('board'), cards: byId('cards'), papers: byId('papers') };

/** What the planner is asked; every change keeps the one before for Undo. @typedef {{from_day: string, days: number, freely: boolean, pinned: Pin[]}} Asked */
/** @type {{asked: Asked, before: Asked[], plan: PlanView|null, cards: CardView[], from: import('./records.js').Lists, chosen: string, dragged: PlanBatch|null, today: string, error: string, question: number}} */
const page = { asked: { from_day: '', days: 7, freely: false, pinned: [] }, before: [], plan: null, cards: [], from: {}, chosen: '', dragged: null, today: '', error: '', question: 0 };

/** Computes the plan anew and reads the released cards; of several questions only the last one's answer counts. */
async function load() {
  page.question += 1;
  const { question, asked } = page;
  const patience = setTimeout(() => {
    if (!page.plan) redraw(places.verdict, h('p', { class: 'ships' }, W.planning));
    places.board.setAttribute('aria-busy', 'true');
  }, 150);
  try {
    const [plan, cards, from] = await Promise.all([
      ask('/api/plans', { from_day: asked.from_day, days: asked.days, ...(asked.freely ? { freely: true } : {}), ...(asked.pinned.length ? { pinned: asked.pinned } : {}) }),
      read(`/api/cards?from=${asked.from_day}&to=${addDays(asked.from_day, asked.days - 1)}`), lists(['lots', 'roasters', 'orders', 'products', 'styles'])]);
    if (question !== page.question) return;
    Object.assign(page, { plan, cards: cards.items, from, error: '' });
  } catch (error) {
    if (question !== page.question) return;
    page.error = inWords(error);
  } finally {
    clearTimeout(patience);
  }
  places.board.removeAttribute('aria-busy');
  draw();
}

/** @param {Partial<Asked>} news */
function askAgain(news) {
  page.before.push(page.asked);
  page.asked = { ...page.asked, ...news };
  return load();
}

function draw() {
  drawControls();
  drawSummary();
  drawBoard();
  drawCards();
  drawPapers();
}

function drawControls() {
  const { asked } = page;
  redraw(places.controls,
    h('label', { class: 'inline' }, W.from, ' ', h('input', { type: 'date', id: 'from', value: asked.from_day, on: { change: (/** @type {any} */ event) => event.target.value && askAgain({ from_day: event.target.value }) } })),
    h('label', { class: 'inline' }, W.days, ' ', h('input', { type: 'number', id: 'days', min: 1, max: 28, value: String(asked.days), on: { change: (/** @type {any} */ event) => askAgain({ days: Math.max(1, Math.min(28, Number(event.target.value) || 7)) }) } })),
    h('label', { class: 'tick', title: W.freelyHelp }, h('input', { type: 'checkbox', id: 'freely', checked: asked.freely, on: { change: (/** @type {any} */ event) => askAgain({ freely: event.target.checked }) } }), W.freely),
    h('div', { class: 'actions' },
      button(W.undo, () => {
        page.asked = page.before.pop() ?? page.asked;
        load();
      }, { disabled: page.before.length === 0, 'data-key': 'undo' }),
      button(W.release, release, { kind: 'main', disabled: !page.plan?.batches.length, 'data-key': 'release', id: 'release' })));
}

/* What it comes to */

function drawSummary() {
  const { plan } = page;
  if (page.error) {
    redraw(places.verdict, h('p', { class: 'error', role: 'alert' }, page.error));
    return;
  }
  if (!plan) return;
  const nothing = plan.batches.length === 0 && plan.short.length === 0;
  const green = plan.batches.reduce((sum, batch) => sum + batch.charge_g, 0);
  redraw(places.verdict,
    nothing ? empty(W.nothing, h('div', { class: 'actions' }, linkTo('/shipping', T.kinds.orders.add), linkTo('/setup', T.pages.setup))) : h('p', { class: `ships ${plan.short.length ? 'short' : 'all'}` }, plan.short.length ? W.short(plan.short.length) : W.allShips, ' ', h('span', { class: 'sum' }, W.sum(plan.batches.length, mass(green), hours(plan.levels.roaster_min ?? 0), mass(plan.surplus_g)))),
    plan.dropped_pins.length ? h('div', { class: 'dropped' }, h('p', { class: 'flag' }, W.dropped(plan.dropped_pins.length)), h('ul', {}, plan.dropped_pins.map((each) => h('li', {}, each.sentence ?? '')))) : null,
    plan.short.length ? h('ul', { class: 'shorts' }, plan.short.map((each) => h('li', {}, h('b', {}, W.bags(each.bags, named(each.product, page.from.products))), ' ', h('span', {}, `${orderNumber(each.order)} · ${each.customer} · ${mass(each.mass_g)}`), h('p', {}, h('span', { class: `why ${each.reason}` }, W.reasons[/** @type {'green'} */ (each.reason)] ?? each.reason), ' ', each.sentence)))) : null);
}

/** @param {any} value @param {any[]|undefined} among */
const named = (value, among) => (value && typeof value === 'object' ? value.name : among?.find((each) => each.id === value)?.name ?? String(value));
/** @param {string} id */
const orderNumber = (id) => page.from.orders?.find((each) => each.id === id)?.number ?? id;

/* The board */

function drawBoard() {
  const { plan } = page;
  if (!plan) return;
  const days = Array.from({ length: plan.days }, (_, i) => addDays(plan.from_day, i));
  redraw(places.board, plan.roasters.map((roaster) => h('section', { class: 'band', 'aria-label': roaster.name }, h('h2', {}, roaster.name), h('ol', { class: 'days' }, days.map((date) => cell(roaster, date))))));
}

/** @param {PlanView['roasters'][number]} roaster @param {string} date */
function cell(roaster, date) {
  const capacity = roaster.days.find((each) => each.day === date);
  const here = page.plan?.batches.filter((batch) => batch.roaster.id === roaster.id && batch.day === date).sort((a, b) => a.start.localeCompare(b.start)) ?? [];
  const shut = !capacity || capacity.available_min === 0;
  const fill = h('i', {});
  const bar = h('div', { class: 'capacity', 'aria-hidden': 'true' }, fill);
  fill.style.width = `${capacity?.available_min ? Math.min(100, (capacity.used_min / capacity.available_min) * 100) : 0}%`;
  const target = { dragover: (/** @type {DragEvent} */ event) => {
    if (page.dragged) event.preventDefault();
  }, drop: (/** @type {DragEvent} */ event) => {
    event.preventDefault();
    if (page.dragged) move(page.dragged, { day: date, roaster: roaster.id });
  } };
  return h('li', { class: `day${shut ? ' shut' : ''}${date === page.today ? ' today' : ''}`, on: target }, h('h3', {}, day(date)),
    h('p', { class: 'minutes' }, shut ? W.shut : W.used(hours(capacity.used_min), hours(capacity.available_min))), bar,
    h('ol', { class: 'blocks' }, here.map((batch) => block(batch))));
}

/** @param {PlanBatch} batch */
const keyOf = (batch) => batch.card ?? [batch.roaster.id, batch.day, batch.start, batch.lot.id, batch.style.id].join(' ');

/** @param {PlanBatch} batch */
function block(batch) {
  const key = keyOf(batch);
  const open = page.chosen === key;
  const card = page.cards.find((each) => each.id === batch.card);
  const fixed = card && card.state !== 'planned';
  const face = h('button', {
    type: 'button', class: 'face', 'aria-expanded': String(open), 'data-key': `block ${key}`,
    on: { click: () => {
      page.chosen = open ? '' : key;
      drawBoard();
    }, keydown: (/** @type {KeyboardEvent} */ event) => fixed || moveByKey(event, batch) },
  }, h('span', { class: 'when' }, batch.start), sack(batch.lot.name, batch.grade), h('span', { class: 'what' }, batch.style.name), h('b', {}, mass(batch.charge_g)),
  isPinned(batch) ? h('span', { class: 'pin' }, W.pinned) : card && !fixed ? h('span', { class: 'on-card' }, W.onCard) : null, fixed ? h('span', { class: 'flag' }, T.floor.cardStates[card.state]) : null);
  const carried = { dragstart: () => {
    page.dragged = batch;
  }, dragend: () => {
    page.dragged = null;
  } };
  return h('li', { class: `block${isPinned(batch) ? ' pinned' : ''}${open ? ' open' : ''}`, draggable: fixed ? undefined : 'true', on: carried }, face, open ? details(batch, Boolean(fixed)) : null);
}

/** What it feeds and how to move it. @param {PlanBatch} batch @param {boolean} fixed */
function details(batch, fixed) {
  return h('div', { class: 'block-more' },
    h('p', {}, W.comesOut(mass(batch.expected_g), mass(batch.lo_g), mass(batch.hi_g))),
    batch.feeds.length ? h('ul', { class: 'feeds' }, batch.feeds.map((feed) => h('li', {}, `${orderNumber(feed.order)} · ${named(feed.product, page.from.products)} · ${mass(feed.mass_g)}`))) : h('p', {}, W.feedsNone),
    fixed ? null : h('div', { class: 'moves', role: 'group', 'aria-label': W.move },
      button('←', () => move(batch, { day: addDays(batch.day, -1) }), { 'aria-label': W.earlier, title: W.earlier, 'data-key': 'earlier' }),
      button('→', () => move(batch, { day: addDays(batch.day, 1) }), { 'aria-label': W.later, title: W.later, 'data-key': 'later' }),
      button('↕', () => move(batch, { roaster: otherRoaster(batch) }), { 'aria-label': W.otherRoaster, title: W.otherRoaster, 'data-key': 'roaster', disabled: (page.plan?.roasters.length ?? 0) < 2 }),
      button(W.change, () => changeBatch(batch), { 'data-key': 'change' }),
      isPinned(batch) ? button(W.unpin, () => askAgain({ pinned: withoutPin(batch) }), { 'data-key': 'unpin' }) : button(W.pin, () => move(batch, {}), { 'data-key': 'pin' })));
}

/** Arrow keys move a batch while its face has the focus. @param {KeyboardEvent} event @param {PlanBatch} batch */
function moveByKey(event, batch) {
  const to = /** @type {Record<string, Partial<Pin>>} */ ({ ArrowLeft: { day: addDays(batch.day, -1) }, ArrowRight: { day: addDays(batch.day, 1) }, ArrowUp: { roaster: otherRoaster(batch, -1) }, ArrowDown: { roaster: otherRoaster(batch) } })[event.key];
  if (!to) return;
  event.preventDefault();
  move(batch, to);
}

/** @param {PlanBatch} batch @param {number} [step] */
function otherRoaster(batch, step = 1) {
  const all = page.plan?.roasters ?? [];
  const at = all.findIndex((each) => each.id === batch.roaster.id);
  return all[(at + step + all.length) % all.length]?.id ?? batch.roaster.id;
}

/** @param {PlanBatch} batch @returns {Pin} */
const pinOf = (batch) => ({ ...(batch.card ? { card: batch.card } : {}), roaster: batch.roaster.id, day: batch.day, lot: batch.lot.id, style: batch.style.id, charge_g: batch.charge_g });

/** @param {Pin} a @param {Pin} b */
const samePin = (a, b) => (a.card && b.card ? a.card === b.card : a.roaster === b.roaster && a.day === b.day && a.lot === b.lot && a.style === b.style && a.charge_g === b.charge_g);

/** Whether this plan's question pins it; a released card is kept without that. @param {PlanBatch} batch */
const isPinned = (batch) => page.asked.pinned.some((pin) => samePin(pin, pinOf(batch)));

/** The pins but the one of this batch (only one of several alike). @param {PlanBatch} batch */
function withoutPin(batch) {
  const own = pinOf(batch);
  const at = page.asked.pinned.findIndex((pin) => samePin(pin, own));
  return page.asked.pinned.filter((_, i) => i !== at);
}

/**
 * Pins a batch where it is told to be; the rest is planned again around it.
 * @param {PlanBatch} batch @param {Partial<Pin>} to
 */
async function move(batch, to) {
  const pin = { ...pinOf(batch), ...to };
  const last = addDays(page.asked.from_day, page.asked.days - 1);
  if (pin.day < page.asked.from_day || pin.day > last) {
    tell(W.edge);
    return;
  }
  await askAgain({ pinned: [...withoutPin(batch), pin] });
  const moved = page.plan?.batches.find((each) => each.pinned && samePin(pinOf(each), pin));
  if (!moved) return;
  if (page.chosen) page.chosen = keyOf(moved);
  drawBoard();
  const face = places.board.querySelector(`[data-key="${CSS.escape(`block ${keyOf(moved)}`)}"]`);
  if (face instanceof HTMLElement) face.focus();
  tell(W.movedTo(moved.lot.name, day(moved.day), moved.roaster.name));
}

/** @param {PlanBatch} batch */
async function changeBatch(batch) {
  const lots = (page.from.lots ?? []).filter((lot) => lot.coffee === batch.coffee.id && !lot.retired).map((lot) => ({ value: lot.id, label: `${lot.name} · ${lot.grade} · ${mass(lot.free_g)}` }));
  await askForm({
    title: `${batch.lot.name} · ${batch.style.name}`, go: W.pin, value: pinOf(batch),
    fields: [{ name: 'day', kind: 'day', label: T.records.day }, { name: 'roaster', kind: 'choice', label: T.words.roaster, options: (page.plan?.roasters ?? []).map((each) => ({ value: each.id, label: each.name })) },
      { name: 'lot', kind: 'choice', label: T.words.lot, options: lots }, { name: 'charge_g', kind: 'mass', label: W.charge }],
    save: (values) => askAgain({ pinned: [...withoutPin(batch), { ...pinOf(batch), ...values }] }),
  });
}

/* Release and withdraw */

async function release() {
  const { plan } = page;
  if (!plan) return;
  const batches = plan.batches.filter((batch) => !fixedCard(batch.card)).map((batch) => ({
    ...(batch.card ? { card: batch.card } : {}), roaster: batch.roaster.id, day: batch.day, start: batch.start, lot: batch.lot.id, style: batch.style.id, charge_g: batch.charge_g, feeds: batch.feeds,
  }));
  await trying(async () => {
    const answer = await command('releases', uuid7(), happened({ from_day: plan.from_day, days: plan.days, batches }));
    page.before = [];
    page.asked = { ...page.asked, pinned: [], freely: false };
    tell(W.released(answer.cards.length, answer.withdrawn.length));
    await load();
  });
}

/** @param {string|null} id */
const fixedCard = (id) => page.cards.some((card) => card.id === id && card.state !== 'planned');

function drawCards() {
  const open = page.cards.filter((card) => card.state === 'planned');
  places.cards.hidden = open.length === 0;
  const sum = open.reduce((total, card) => total + card.charge_g, 0);
  redraw(places.cards, h('div', { class: 'head' }, h('h2', {}, W.cards(open.length, mass(sum))), h('div', { class: 'actions' },
    button(W.printPull, () => print('pull'), { 'data-key': 'print-pull' }), button(W.printCards, () => print('cards'), { 'data-key': 'print-cards' }))),
  h('form', { class: 'withdraw', on: { submit: withdraw } }, h('ul', { class: 'card-list' }, open.map((card) => h('li', {}, h('label', { class: 'tick' }, h('input', { type: 'checkbox', name: 'card', value: card.id, 'data-key': `pick-${card.id}` }),
    h('span', { class: 'when' }, `${day(card.day)} ${card.start}`), h('span', {}, card.roaster.name), sack(card.lot.name, card.grade), h('span', {}, `${card.style.name} · ${mass(card.charge_g)}`))))),
  h('div', { class: 'actions' }, h('button', { class: 'button plain', type: 'submit', 'data-key': 'withdraw' }, W.withdraw), button(W.all, () => places.cards.querySelectorAll('input').forEach((box) => {
    box.checked = true;
  }), { kind: 'quiet', 'data-key': 'all' }))));
}

/** @param {SubmitEvent} event */
async function withdraw(event) {
  event.preventDefault();
  const cards = [...places.cards.querySelectorAll('input:checked')].map((box) => /** @type {HTMLInputElement} */ (box).value);
  if (cards.length === 0) {
    tell(W.pickFirst);
    return;
  }
  await trying(async () => {
    await command('withdrawals', uuid7(), happened({ cards }));
    tell(W.withdrawn(cards.length));
    await load();
  });
}

/* Papers */

/** @param {'pull'|'cards'} what */
function print(what) {
  document.body.dataset.print = what;
  window.print();
}

function drawPapers() {
  const cards = page.cards.filter((card) => card.state === 'planned');
  /** @type {Map<string, CardView[]>} */
  const days = new Map();
  for (const card of cards) days.set(card.day, [...(days.get(card.day) ?? []), card]);
  redraw(places.papers, h('section', { class: 'pull-list' }, h('h1', {}, W.pullList), [...days].map(([date, list]) => h('section', {}, h('h2', {}, day(date)), pullTable(list)))),
    h('section', { class: 'card-sheets' }, cards.map((card) => h('article', { class: 'paper' }, h('header', {}, h('span', {}, `${day(card.day)} ${card.start}`), h('span', {}, card.roaster.name)), sack(card.lot.name, card.grade),
      h('p', { class: 'what' }, `${card.coffee.name} · ${card.style.name}`), h('p', { class: 'charge' }, mass(card.charge_g)), h('p', { class: 'pull' }, `${card.storeroom.name}: ${card.pull}`), h('p', { class: 'blank' }, W.blanks)))));
}

/** What to fetch on a day: one line per lot and storeroom. @param {CardView[]} cards */
function pullTable(cards) {
  /** @type {Map<string, {lot: string, grade: string, storeroom: string, grams: number, pulls: string[]}>} */
  const lines = new Map();
  for (const card of cards) {
    const key = `${card.lot.id} ${card.storeroom.id}`;
    const line = lines.get(key) ?? { lot: card.lot.name, grade: card.grade, storeroom: card.storeroom.name, grams: 0, pulls: [] };
    line.grams += card.charge_g;
    line.pulls.push(`${card.start} ${card.roaster.name} ${mass(card.charge_g)}`);
    lines.set(key, line);
  }
  return h('table', {}, tableHead([T.words.lot, T.records.grade, T.records.storeroom, [T.words.mass], W.forBatches]),
    h('tbody', {}, [...lines.values()].map((line) => h('tr', {}, h('th', { scope: 'row' }, line.lot), h('td', {}, line.grade), h('td', {}, line.storeroom), h('td', { class: 'num' }, mass(line.grams)), h('td', {}, line.pulls.join(', '))))));
}

const me = await trying(openPage);
page.today = me?.today ?? new Date().toISOString().slice(0, 10);
page.asked.from_day = page.today;
await listen((kinds) => {
  if (kinds.size === 0 || [...kinds].some((kind) => !['people', 'journal'].includes(kind))) load();
});
if (me) await load();
else redraw(places.verdict, empty(T.floor.noSite, linkTo('/setup', T.pages.setup)));
