/** The floor: the next card, what is in the drums, weighing in and out, and the answer. */
import { NoAnswer, Problem, present, read, readAll, setAhead } from './api.js';
import { button, h, redraw } from './dom.js';
import { floor, places, scaleOf } from './floor-shared.js';
import { byStart, holdText, lay } from './floor-state.js';
import { draught, more, start, usedUp } from './floor-steps.js';
import { adHoc, begin, beginCard } from './floor-weigh.js';
import { addDays, clock, day, localDay, mass, moment, percent, useSite } from './format.js';
import { durable, forgetSent, isReachable, keptEntries, known, openKept, putAside, remember, sendAgain, setReachable, watchKept } from './kept.js';
import { listen } from './live.js';
import { empty, explain, introduce, linkTo, openPage, PageFrame } from './parts/page-frame.js';
import { sack } from './sack.js';
import { settleList, title } from './settle.js';
import { T } from './texts.js';
import { onDisplay } from './weighing.js';

/** @import { BatchView, CardView } from './types.js' */

/** A clock further off than this is told to the operator. */
const CLOCK_MS = 120000;
const CARD_DAYS = 7;
/** The next ones at a glance; more by a tap. */
const FEW_CARDS = 6;
const FEW_DONE = 8;
let allCards = false;
let allDone = false;

/** What this tablet knew when it was last closed. */
async function recall() {
  const before = await known('floor');
  if (!before) return;
  Object.assign(floor.known, before.known);
  floor.me = before.me;
  useSite(before.me.site);
  floor.loaded = true;
  setAhead(before.ahead ?? 0);
}

let reloads = 0;
let taken = 0;

/**
 * Asks the service for everything the floor needs and writes it down for the next time without a network. Several may be on their way; an
 * older account that comes after a newer one is let go, since what was kept has been forgotten by the newer.
 */
async function reload() {
  reloads += 1;
  const mine = reloads;
  try {
    const asked = Date.now();
    const answered = read('/api/me').then((me) => ({ me, between: (asked + Date.now()) / 2 }));
    const [{ me, between }, open, held, lots, coffees, styles, roasters, storerooms, scales, unsettled] = await Promise.all([answered, readAll('/api/batches?state=open'), readAll('/api/batches?state=held'),
      readAll('/api/lots'), readAll('/api/coffees'), readAll('/api/styles'), readAll('/api/roasters'), readAll('/api/storerooms'), readAll('/api/scales'), readAll('/api/unsettled')]);
    if (!me.site) {
      draw();
      return;
    }
    const [cards, today] = await Promise.all([read(`/api/cards?from=${addDays(me.today, -1)}&to=${addDays(me.today, CARD_DAYS)}`), readAll(`/api/batches?from=${me.today}&to=${me.today}`)]);
    if (mine < taken) return;
    taken = mine;
    const batches = [...new Map([...open, ...held, ...today].map((batch) => [batch.id, batch])).values()];
    const off = between - Date.parse(me.now);
    introduce(me);
    floor.known = { cards: cards.items, batches, lots, coffees, styles, roasters, storerooms, scales, unsettled };
    floor.clockOff = me.clock_set ? 0 : off;
    floor.me = me;
    floor.loaded = true;
    // Who works here must not stand for a moment where it says what is kept.
    drawState();
    setReachable(true);
    await remember('floor', { known: floor.known, me, ahead: me.clock_set ? -off : 0 });
    await forgetSent(asked);
  } catch (error) {
    if (error instanceof NoAnswer) setReachable(false);
    else if (error instanceof Problem && error.status === 404) floor.me = null;
    else explain(error);
  }
  draw();
}

/** Everything but the weighing under way, which a live update must not disturb. */
function draw() {
  const { cards, batches } = lay(floor.known, keptEntries());
  drawState();
  drawSettle();
  const next = cards.filter((card) => card.state === 'planned').sort(byStart);
  if (!floor.weighing) drawNext(next[0] ?? null);
  document.body.classList.toggle('weighing', Boolean(floor.weighing));
  drawDrums(batches.filter((batch) => batch.state === 'in_drum'));
  drawLine(batches.filter((batch) => batch.state === 'weighed_in'));
  drawCards(next.slice(1));
  drawFetch(next);
  drawDone(batches);
  drawTools();
}

/** The state line: honest about the network, the clock and what is kept. */
function drawState() {
  const frame = document.querySelector('page-frame');
  if (!(frame instanceof PageFrame)) return;
  const entries = keptEntries();
  const waiting = entries.filter((entry) => entry.state === 'waiting');
  const weights = waiting.filter((entry) => entry.body.weight).length;
  const open = entries.filter((entry) => entry.state === 'settle').length + floor.known.unsettled.length;
  const minutes = Math.round(floor.clockOff / 60000);
  /** @type {string[]} */
  const said = [];
  if (open) said.push(T.floor.toSettle(open));
  if (waiting.length) said.push(T.floor.kept(weights, waiting.length - weights));
  if (!isReachable()) said.push(T.floor.noNetwork);
  if (Math.abs(floor.clockOff) > CLOCK_MS) said.push(T.floor.clock(minutes));
  if (durable === false && said.length) said.push(T.floor.notDurable);
  const { me } = floor;
  frame.state(said.length ? said.join(' ') : me ? `${me.site.name} · ${me.person.name}` : '', open || Math.abs(floor.clockOff) > CLOCK_MS ? 'bad' : said.length ? 'wait' : 'good');
}

/* The cards */

/** @param {CardView|null} card */
function drawNext(card) {
  if (!floor.loaded && isReachable()) {
    redraw(places.work, h('h1', { class: 'aside' }, T.floor.next), floor.me ? null : empty(T.floor.noSite, linkTo('/setup', T.pages.setup)));
    return;
  }
  if (!card && floor.loaded && floor.known.roasters.every((each) => each.retired)) {
    redraw(places.work, h('h1', { class: 'aside' }, T.floor.next), empty(T.floor.noSite, linkTo('/setup', T.pages.setup)));
    return;
  }
  if (!card) {
    redraw(places.work, h('h1', { class: 'aside' }, T.floor.next), empty(T.floor.noCards, h('div', { class: 'actions' }, linkTo('/week', T.floor.toWeek), button(T.floor.adHoc, adHoc))));
    return;
  }
  redraw(places.work, h('h1', { class: 'aside' }, T.floor.next), paper(card, true),
    h('div', { class: 'actions' }, button(T.floor.weighIn, () => beginCard(card), { kind: 'main', class: 'button main huge', 'data-key': `in-${card.id}`, id: 'weigh-in' })));
}

/** A batch card of paper. @param {CardView} card @param {boolean} [large] */
function paper(card, large = false) {
  const scale = scaleOf(card.green_scale, card.roaster.id, 'green_scale');
  const today = card.day === floor.me?.today;
  return h('article', { class: `paper${large ? ' large' : ''}` },
    h('header', {}, h('span', { class: 'when' }, today ? card.start : `${day(card.day)} ${card.start}`), h('span', { class: 'where' }, card.roaster.name)),
    sack(card.lot.name, card.grade),
    h('p', { class: 'what' }, h('b', {}, card.coffee.name), ` · ${card.style.name}`),
    h('p', { class: 'charge' }, scale ? onDisplay(card.charge_g, scale) : mass(card.charge_g), scale ? h('small', {}, ` ${scale.unit}`) : null),
    large ? h('p', { class: 'pull' }, `${card.storeroom.name}: ${card.pull}`) : null);
}

/** @param {CardView[]} cards */
function drawCards(cards) {
  places.cards.hidden = cards.length === 0;
  redraw(places.cards, h('h2', {}, T.floor.later), h('ul', { class: 'stack' }, cards.slice(0, allCards ? cards.length : FEW_CARDS).map((card) => h('li', {}, paper(card),
    button(T.floor.weighIn, () => beginCard(card), { class: 'button plain huge', 'data-key': `in-${card.id}`, 'aria-label': `${T.floor.weighIn}: ${card.lot.name}, ${day(card.day)} ${card.start}` })))),
  cards.length > FEW_CARDS ? button(allCards ? T.floor.fewCards : T.floor.allCards(cards.length), () => {
    allCards = !allCards;
    drawCards(cards);
  }, { kind: 'quiet', 'data-key': 'all-cards' }) : null);
}

/** What to bring to the scale for the rest of the day, lot by lot in the order in which it is wanted. @param {CardView[]} cards */
function drawFetch(cards) {
  /** @type {Map<string, {card: CardView, grams: number, cards: number}>} */
  const lines = new Map();
  for (const card of cards.filter((each) => each.day === cards[0]?.day)) {
    const key = `${card.lot.id} ${card.storeroom.id}`;
    const line = lines.get(key) ?? { card, grams: 0, cards: 0 };
    lines.set(key, { ...line, grams: line.grams + card.charge_g, cards: line.cards + 1 });
  }
  places.fetch.hidden = lines.size === 0;
  redraw(places.fetch, h('h2', {}, T.floor.fetch), h('ul', { class: 'fetch' }, [...lines.values()].map(({ card, grams, cards: count }) => h('li', {},
    sack(card.lot.name, card.grade), h('b', {}, mass(grams)), h('span', {}, `${card.storeroom.name} · ${T.floor.fetchOf(count)}`)))));
}

/* What is under way, and what is done */

/** @param {BatchView[]} batches */
function drawDrums(batches) {
  batches.sort((a, b) => String(a.started_at).localeCompare(String(b.started_at)));
  redraw(places.drums, h('h2', {}, T.floor.drums), batches.length ? h('ul', { class: 'strip' }, batches.map((batch, i) => h('li', { class: 'drum' },
    h('p', { class: 'drum-name' }, h('b', {}, batch.roaster.name), h('span', { class: 'timer', 'data-since': batch.started_at ?? '', role: 'timer', 'aria-live': 'off' }, since(batch.started_at)), cycleOf(batch)),
    sack(batch.lot.name, batch.grade), h('p', {}, `${batch.style.name} · ${mass(batch.weighed_in_g)}`, keptMark(batch)),
    h('div', { class: 'actions' }, button(T.floor.weighOut, () => begin({ way: 'out', batches: [batch.id] }), { kind: i === 0 ? 'main' : 'plain', class: `button ${i === 0 ? 'main' : 'plain'} huge`, 'data-key': `out-${batch.id}`, 'aria-label': `${T.floor.weighOut}: ${batch.lot.name}` }), more(batch))))) : h('p', { class: 'none' }, T.floor.noDrum));
}

/** How long the roaster usually takes. @param {BatchView} batch */
function cycleOf(batch) {
  const minutes = floor.known.roasters.find((each) => each.id === batch.roaster.id)?.cycle_min;
  return minutes ? h('span', { class: 'cycle' }, T.floor.ofMinutes(minutes)) : null;
}

/** @param {BatchView[]} batches */
function drawLine(batches) {
  batches.sort((a, b) => a.weighed_in_at.localeCompare(b.weighed_in_at));
  places.line.hidden = batches.length === 0;
  redraw(places.line, h('h2', {}, T.floor.line), h('ul', { class: 'strip' }, batches.map((batch) => h('li', { class: 'waiting' },
    sack(batch.lot.name, batch.grade), h('p', {}, `${batch.style.name} · ${batch.roaster.name} · ${mass(batch.weighed_in_g)}`, keptMark(batch)),
    h('div', { class: 'actions' }, button(T.floor.intoDrum, () => start(batch.id), { class: 'button plain huge', 'data-key': `start-${batch.id}`, 'aria-label': `${T.floor.intoDrum}: ${batch.lot.name}` }), more(batch))))));
}

/** @param {BatchView} batch */
const keptMark = (batch) => (batch.kept ? h('span', { class: 'flag' }, T.floor.keptHere) : null);

/** @param {BatchView[]} batches */
function drawDone(batches) {
  const done = batches.filter((batch) => batch.state === 'weighed_out').sort((a, b) => String(b.weighed_out_at).localeCompare(String(a.weighed_out_at)));
  places.done.hidden = done.length === 0;
  // What is on hold stays in sight until somebody deals with it.
  const few = done.filter((batch, i) => i < FEW_DONE || batch.hold);
  redraw(places.done, h('h2', {}, T.floor.done), h('ul', { class: 'done' }, (allDone ? done : few).map((batch) => h('li', {},
    h('span', { class: 'when' }, localDay(batch.weighed_out_at) === floor.me?.today ? clock(batch.weighed_out_at) : moment(batch.weighed_out_at)), sack(batch.lot.name, batch.grade),
    h('p', {}, `${batch.style.name} · ${mass(batch.weighed_in_g)} → ${mass(batch.weighed_out_g)}`, batch.loss === null ? null : h('b', { class: `loss ${batch.verdict?.judgement ?? ''}` }, ` ${percent(batch.loss)} ${batch.verdict ? T.verdict.short[batch.verdict.judgement] : ''}`),
      batch.reckoned ? h('span', { class: 'flag' }, T.words.reckoned) : null, batch.hold ? h('span', { class: 'flag' }, holdText(batch)) : null, keptMark(batch)),
    more(batch)))),
  few.length < done.length ? button(allDone ? T.floor.fewCards : T.floor.allCards(done.length), () => {
    allDone = !allDone;
    drawDone(batches);
  }, { kind: 'quiet', 'data-key': 'all-done' }) : null);
}

/** Kept commands that the service refused: a person settles them. */
function drawSettle() {
  const open = keptEntries().filter((entry) => entry.state === 'settle');
  const { unsettled, lots, batches, scales } = floor.known;
  places.settle.hidden = open.length + unsettled.length === 0;
  redraw(places.settle, h('h2', {}, T.floor.settle), h('ul', {}, open.map((entry) => {
    return h('li', {}, h('p', {}, h('b', {}, title({ command: entry.kind, body: entry.body }, floor.known))), h('p', { class: 'error' }, entry.why ?? ''),
      h('div', { class: 'actions' }, button(T.floor.sendAgain, () => sendAgain(entry), { kind: 'main' }), button(T.floor.putAside, () => putAside(entry))));
  })), unsettled.length ? [h('p', { class: 'help' }, T.audit.unsettledHelp), settleList(unsettled, { lots, batches, scales }, floor.reload)] : null);
}

function drawTools() {
  if (places.tools.childElementCount) return;
  places.tools.replaceChildren(h('h2', {}, T.floor.tools), h('div', { class: 'tools' },
    button(T.floor.adHoc, adHoc), button(T.floor.usedUp, usedUp), button(T.floor.sampleLot, () => draught('samples', T.floor.sampleLot, null)), button(T.floor.wasteLot, () => draught('wastes', T.floor.wasteLot, null))));
}

/* Time */

/** @param {string|null} started */
function since(started) {
  if (!started) return '';
  const seconds = Math.max(0, Math.floor((present() - floor.clockOff - Date.parse(started)) / 1000));
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, '0')}`;
}

function tick() {
  for (const timer of document.querySelectorAll('[data-since]')) timer.textContent = since(timer.getAttribute('data-since'));
}

/** A tablet beside the drum stays lit where the browser allows it. */
function keepAwake() {
  const light = () => {
    if (document.visibilityState === 'visible') navigator.wakeLock?.request('screen').catch(() => undefined);
  };
  document.addEventListener('visibilitychange', light);
  light();
}

/** The page itself is kept for the time without a network. Another build takes over while nothing is being weighed. */
function keepPage() {
  const { serviceWorker } = navigator;
  if (!serviceWorker) return;
  const idle = () => !floor.weighing && !document.querySelector('dialog[open]');
  const governed = Boolean(serviceWorker.controller);
  /** @param {() => void} run */
  const whenIdle = (run) => (idle() ? run() : void setTimeout(whenIdle, 3000, run));
  serviceWorker.addEventListener('controllerchange', () => governed && whenIdle(() => location.reload()));
  serviceWorker.register('/worker.js').then((registration) => {
    /** @param {ServiceWorker|null} next */
    const takeOver = (next) => next && governed && whenIdle(() => next.postMessage('take over'));
    takeOver(registration.waiting);
    registration.addEventListener('updatefound', () => {
      const next = registration.installing;
      next?.addEventListener('statechange', () => next.state === 'installed' && takeOver(next));
    });
    watchKept(() => isReachable() && document.visibilityState === 'visible' && mayLookAgain() && registration.update().catch(() => undefined));
  }).catch(() => undefined);
}

const LOOK_AGAIN_MS = 60000;
let lookedAt = Date.now();
/** Whether it is time to ask for another build: after the connection came back, at most once a minute. */
function mayLookAgain() {
  if (Date.now() - lookedAt < LOOK_AGAIN_MS) return false;
  lookedAt = Date.now();
  return true;
}

Object.assign(floor, { draw, reload });
await openKept();
watchKept(draw);
const heard = listen(() => reload(), (up) => (up ? setReachable(true) : void reload()));
await recall();
draw();
await heard;
await reload();
if (!floor.me) floor.me = await openPage().catch(() => null);
addEventListener('online', () => reload());
setInterval(tick, 1000);
keepAwake();
keepPage();
