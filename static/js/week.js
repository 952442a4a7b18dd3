/** The week: what to roast when, what ships short and why, moving batches, releasing, and the papers for the floor. */
import { ask, command, happened, Problem, read, sentence, uuid7 } from './api.js';
import { button, h, redraw } from './dom.js';
import { addDays, clock, day, hours, mass } from './format.js';
import { askForm } from './forms.js';
import { openLive } from './live.js';
import { empty, inWords, linkTo, tell, trying } from './parts/page-frame.js';
import { lists } from './records.js';
import { sack } from './sack.js';
import { T } from './texts.js';
import { adviseLater, drawKeeping, waysOut } from './week-advice.js';
import { drawBoard } from './week-board.js';
import { drawCompare, isReleased } from './week-compare.js';
import { drawPapers, print } from './week-papers.js';
import { isBegun, named, orderNumber, places, question, week } from './week-shared.js';

/** @import { Asked } from './week-shared.js' */

const W = T.week;
/** A pause after which it is said that planning goes on. */
const QUIET_MS = 150;
let plannedAt = '';

/** Where this window keeps what was moved and is not yet released. */
const KEPT = 'outturn.week';

/** Keeps what was moved through a reload or a look at another page; another day begins anew. */
function keepMoves() {
  if (week.asked.pinned.length) sessionStorage.setItem(KEPT, JSON.stringify({ today: week.today, asked: week.asked }));
  else sessionStorage.removeItem(KEPT);
}

/** Takes up what was moved before in this window, and says so. */
function takeUpMoves() {
  const kept = JSON.parse(sessionStorage.getItem(KEPT) ?? 'null');
  if (kept?.today !== week.today) return;
  week.asked = kept.asked;
  tell(W.movesKept(kept.asked.pinned.length));
}

/** Computes the plan anew and reads the released cards; of several questions only the last one's answer counts. */
async function load() {
  week.question += 1;
  const { question: mine, asked } = week;
  keepMoves();
  const patience = setTimeout(() => {
    if (!week.plan) redraw(places.verdict, h('p', { class: 'ships' }, W.planning));
    places.board.setAttribute('aria-busy', 'true');
  }, QUIET_MS);
  try {
    const [plan, cards, me, from] = await Promise.all([
      ask('/api/plans', question()),
      read(`/api/cards?from=${asked.from_day}&to=${addDays(asked.from_day, asked.days - 1)}`), read('/api/me'), lists(['lots', 'roasters', 'orders', 'products', 'coffees', 'styles', 'ship-days'])]);
    if (mine !== week.question) return;
    Object.assign(week, { plan, cards: cards.items, from, error: '', today: me.today });
    plannedAt = me.now;
  } catch (error) {
    if (mine !== week.question) return;
    week.error = inWords(error);
  } finally {
    clearTimeout(patience);
  }
  places.board.removeAttribute('aria-busy');
  adviseLater(draw);
  draw();
}

/** @param {Partial<Asked>} news */
function askAgain(news) {
  week.before.push(week.asked);
  week.asked = { ...week.asked, ...news };
  week.changed = '';
  return load();
}

let missed = false;

/** Draws the page; while a block is pressed nothing may move under the finger that holds it. */
function draw() {
  missed = week.pressed;
  if (missed) return;
  drawControls();
  drawSummary();
  drawCompare();
  drawKeeping();
  drawBoard();
  drawCards();
  drawPapers();
}

function drawControls() {
  const { asked } = week;
  redraw(places.controls,
    h('label', { class: 'inline' }, W.from, ' ', h('input', { type: 'date', id: 'from', value: asked.from_day, on: { change: (/** @type {any} */ event) => event.target.value && askAgain({ from_day: event.target.value }) } })),
    h('label', { class: 'inline' }, W.days, ' ', h('input', { type: 'number', id: 'days', min: 1, max: 28, value: String(asked.days), on: { change: (/** @type {any} */ event) => askAgain({ days: Math.max(1, Math.min(28, Number(event.target.value) || 7)) }) } })),
    button(W.fromNow, () => askAgain({ from_day: week.today }), { 'data-key': 'from-now', id: 'from-now', title: W.fromNowHelp }),
    h('label', { class: 'tick', title: W.freelyHelp }, h('input', { type: 'checkbox', id: 'freely', checked: asked.freely, on: { change: (/** @type {any} */ event) => askAgain({ freely: event.target.checked }) } }), W.freely),
    h('div', { class: 'actions' },
      button(W.undo, () => {
        week.asked = week.before.pop() ?? week.asked;
        load();
      }, { disabled: week.before.length === 0, 'data-key': 'undo' }),
      button(W.release, release, { kind: 'main', disabled: !week.plan?.batches.length || isReleased(), 'data-key': 'release', id: 'release' })));
}

/* What it comes to */

function drawSummary() {
  const { plan } = week;
  if (week.error) {
    redraw(places.verdict, h('p', { class: 'error', role: 'alert' }, week.error));
    return;
  }
  if (!plan) return;
  const nothing = plan.batches.length === 0 && plan.short.length === 0;
  redraw(places.verdict, week.changed ? h('p', { class: 'error', role: 'alert' }, `${week.changed} ${W.plannedAgain}`) : null, nothing ? nothingYet() : verdict(plan),
    plan.dropped_pins.length ? h('div', { class: 'dropped' }, h('p', { class: 'flag' }, W.dropped(plan.dropped_pins.length)), h('ul', {}, plan.dropped_pins.map((each) => h('li', {}, h('b', {}, W.droppedPin(named(each.lot, week.from.lots), mass(each.charge_g), day(each.day), named(each.roaster, week.from.roasters))), ' ', sentence(each.sentence))))) : null,
    plan.short.length ? h('ul', { class: 'shorts' }, plan.short.map(shortLine)) : null);
}

const nothingYet = () => empty(W.nothing, h('div', { class: 'actions' }, linkTo('/shipping', T.kinds.orders.add), linkTo('/setup', T.pages.setup)));

/** @param {import('./types.js').PlanView} plan */
function verdict(plan) {
  const green = plan.batches.reduce((sum, batch) => sum + batch.charge_g, 0);
  const asOf = plan.from_day === week.today ? ` ${W.asOf(clock(plannedAt))}` : '';
  return h('p', { class: `ships ${plan.short.length ? 'short' : 'all'}` }, plan.short.length ? W.short(plan.short.length) : W.allShips, ' ', h('span', { class: 'sum' }, W.sum(plan.batches.length, mass(green), hours(plan.levels.roaster_min ?? 0), mass(plan.surplus_g)), asOf));
}

/** @param {import('./types.js').Short} each */
const shortLine = (each) => h('li', {}, h('b', {}, W.bags(each.bags, named(each.product, week.from.products))), ' ', h('span', {}, `${orderNumber(each.order)} · ${each.customer} · ${mass(each.mass_g)}`),
  h('p', { class: `why ${each.reason}` }, each.sentence || (W.reasons[/** @type {'green'} */ (each.reason)] ?? each.reason)), waysOut(each.order, each.line));

/* Release and withdraw */

async function release() {
  const { plan } = week;
  if (!plan) return;
  const batches = plan.batches.filter((batch) => !isBegun(batch.card)).map((batch) => ({
    ...(batch.card ? { card: batch.card } : {}), roaster: batch.roaster.id, day: batch.day, start: batch.start, lot: batch.lot.id, style: batch.style.id, charge_g: batch.charge_g, feeds: batch.feeds,
  }));
  const id = uuid7();
  const fields = happened({ from_day: plan.from_day, days: plan.days, log_size: plan.log_size, batches });
  /** @param {string[]} confirmed */
  const send = async (confirmed) => {
    const answer = await command('releases', id, { ...fields, ...(confirmed.length ? { confirmed } : {}) });
    week.before = [];
    week.changed = '';
    week.asked = { ...week.asked, pinned: [], freely: false };
    tell(W.released(answer.cards.length, answer.withdrawn.length));
    await load();
  };
  await trying(async () => {
    try {
      await send([]);
    } catch (error) {
      if (!(error instanceof Problem)) throw error;
      if (error.confirm.length) await askForm({ title: W.release, lead: error.message, fields: [], go: T.form.allTheSame, save: (_, more) => send([...error.confirm, ...more]) });
      else if (error.slug === 'conflict') await planAgain(error.message);
      else throw error;
    }
  });
}

/** Cards changed since the plan was made: what was pinned stays pinned, and the new plan is laid beside the cards before anybody releases it.
 * @param {string} why */
async function planAgain(why) {
  week.changed = why;
  await load();
}

function drawCards() {
  const open = week.cards.filter((card) => card.state === 'planned');
  places.cards.hidden = open.length === 0;
  const sum = open.reduce((total, card) => total + card.charge_g, 0);
  redraw(places.cards, h('div', { class: 'head' }, h('h2', {}, W.cards(open.length, mass(sum))), h('div', { class: 'actions' },
    button(W.printPull, () => print('pull'), { 'data-key': 'print-pull' }), button(W.printCards, () => print('cards'), { 'data-key': 'print-cards' }), button(W.printPacking, () => print('packing'), { 'data-key': 'print-packing' }))),
  h('details', { 'data-key': 'withdraw-cards' }, h('summary', {}, W.showCards), h('form', { class: 'withdraw', on: { submit: withdraw } }, h('ul', { class: 'card-list' }, open.map((card) => h('li', {}, h('label', { class: 'tick' }, h('input', { type: 'checkbox', name: 'card', value: card.id, 'data-ticked': '', 'data-key': `pick-${card.id}` }),
    h('span', { class: 'when' }, `${day(card.day)} ${card.start}`), h('span', {}, card.roaster.name), sack(card.lot.name, card.grade), h('span', {}, `${card.style.name} · ${mass(card.charge_g)}`))))),
  h('div', { class: 'actions' }, h('button', { class: 'button plain', type: 'submit', 'data-key': 'withdraw' }, W.withdraw), button(W.all, () => places.cards.querySelectorAll('input').forEach((box) => {
    box.checked = true;
  }), { kind: 'quiet', 'data-key': 'all' })))));
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

Object.assign(week, { askAgain, load, drawMissed: () => missed && draw() });
const me = await openLive((kinds) => {
  if (week.asked.from_day && (kinds.size === 0 || [...kinds].some((kind) => !['people', 'journal'].includes(kind)))) load();
});
week.today = me?.today ?? new Date().toISOString().slice(0, 10);
week.asked.from_day = week.today;
takeUpMoves();
if (me) await load();
else redraw(places.verdict, empty(T.floor.noSite, linkTo('/setup', T.pages.setup)));
