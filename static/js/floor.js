/** The floor: the next card, what is in the drums, weighing in and out, and the answer. */
import { ask, NoAnswer, Problem, read, readAll, uuid7 } from './api.js';
import { button, byId, h, redraw } from './dom.js';
import { byStart, gramsOf, lay, sameRun, verdictHere } from './floor-state.js';
import { addDays, clock, day, mass, percent } from './format.js';
import { askForm } from './forms.js';
import { durable, isReachable, keptEntries, known, openKept, post, putAside, remember, sendAgain, setReachable, watchKept } from './kept.js';
import { listen } from './live.js';
import { empty, inWords, linkTo, openPage, PageFrame, tell } from './parts/page-frame.js';
import { PadEntry } from './parts/pad-entry.js';
import { RangePicture } from './parts/range-picture.js';
import { sack } from './sack.js';
import { T } from './texts.js';
import { onDisplay } from './weighing.js';

/** @import { BatchView, CardView, Lot, Me, Named, Scale, Verdict, Weight } from './types.js' */
/** @import { Known } from './floor-state.js' */

/** The explanations of an odd weight must not keep an operator waiting. */
const EXPLAIN_MS = 1200;
/** A clock further off than this is told to the operator. */
const CLOCK_MS = 120000;
const CARD_DAYS = 7;

/**
 * @typedef {{way: 'in', batch: string, card: CardView|null, lot: Named, style: Named, roaster: Named, storeroom: string, ask_g: number|null}
 *   | {way: 'out', batches: string[]}} Weighing
 */

/** @type {{me: Me|null, known: Known, weighing: Weighing|null, clockOff: number, loaded: boolean}} */
const floor = { me: null, known: { cards: [], batches: [], lots: [], coffees: [], styles: [], roasters: [], storerooms: [], scales: [] }, weighing: null, clockOff: 0, loaded: false };

const places = { answer: byId('answer'), work: byId('work'), drums: byId('drums'), line: byId('line'), settle: byId('settle'), cards: byId('cards'), done: byId('done'), tools: byId('tools') };

/** What this tablet knew when it was last closed. */
async function recall() {
  const before = await known('floor');
  if (!before) return;
  Object.assign(floor.known, before.known);
  floor.me = before.me;
  floor.loaded = true;
}

/** Asks the service for everything the floor needs and writes it down for the next time without a network. */
async function reload() {
  try {
    const asked = Date.now();
    const me = await read('/api/me');
    if (!me.site) {
      draw();
      return;
    }
    floor.clockOff = (asked + Date.now()) / 2 - Date.parse(me.now);
    const from = addDays(me.today, -1);
    const [cards, open, today, held, lots, coffees, styles, roasters, storerooms, scales] = await Promise.all([
      read(`/api/cards?from=${from}&to=${addDays(me.today, CARD_DAYS)}`), readAll('/api/batches?state=open'), readAll(`/api/batches?from=${me.today}&to=${me.today}`), readAll('/api/batches?state=held'),
      readAll('/api/lots'), readAll('/api/coffees'), readAll('/api/styles'), readAll('/api/roasters'), readAll('/api/storerooms'), readAll('/api/scales')]);
    const batches = [...new Map([...open, ...held, ...today].map((batch) => [batch.id, batch])).values()];
    floor.known = { cards: cards.items, batches, lots, coffees, styles, roasters, storerooms, scales };
    floor.me = me;
    floor.loaded = true;
    await openPage();
    setReachable(true);
    await remember('floor', { known: floor.known, me });
  } catch (error) {
    if (error instanceof NoAnswer) setReachable(false);
    else if (error instanceof Problem && error.status === 404) floor.me = null;
    else tell(inWords(error));
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
  drawDone(batches);
  drawTools();
}

/** The state line: honest about the network, the clock and what is kept. */
function drawState() {
  const frame = document.querySelector('page-frame');
  if (!(frame instanceof PageFrame)) return;
  const entries = keptEntries();
  const waiting = entries.filter((entry) => entry.state === 'waiting').length;
  const open = entries.length - waiting;
  const minutes = Math.round(floor.clockOff / 60000);
  /** @type {string[]} */
  const said = [];
  if (open) said.push(T.floor.toSettle(open));
  if (waiting) said.push(T.floor.kept(waiting));
  if (!isReachable()) said.push(T.floor.noNetwork);
  if (Math.abs(floor.clockOff) > CLOCK_MS) said.push(T.floor.clock(minutes));
  if (durable === false && said.length) said.push(T.floor.notDurable);
  const { me } = floor;
  frame.state(said.length ? said.join(' ') : me ? `${me.site.name} · ${me.person.name}` : '', open || Math.abs(floor.clockOff) > CLOCK_MS ? 'bad' : said.length ? 'wait' : 'good');
}

/* The next card */

/** @param {CardView|null} card */
function drawNext(card) {
  if (!floor.loaded && isReachable()) {
    redraw(places.work, floor.me ? null : empty(T.floor.noSite, linkTo('/setup', T.pages.setup)));
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

/** @param {string|Named|null|undefined} named @param {string} roaster @param {'green_scale'|'roasted_scale'} which @returns {Scale|null} */
function scaleOf(named, roaster, which) {
  const id = typeof named === 'string' ? named : named?.id ?? floor.known.roasters.find((each) => each.id === roaster)?.[which];
  return floor.known.scales.find((each) => each.id === id) ?? floor.known.scales.find((each) => !each.retired) ?? null;
}

/* Weighing in */

/** @param {CardView} card */
function beginCard(card) {
  begin({ way: 'in', batch: uuid7(), card, lot: card.lot, style: card.style, roaster: card.roaster, storeroom: card.storeroom.id, ask_g: card.charge_g });
}

function adHoc() {
  const lots = floor.known.lots.filter((lot) => !lot.retired && !lot.used_up);
  /** @param {Named[]} list */
  const options = (list) => list.filter((each) => !(/** @type {any} */ (each).retired)).map((each) => ({ value: each.id, label: each.name }));
  const { styles, roasters } = floor.known;
  askForm({
    title: T.floor.adHoc, lead: T.floor.adHocLead, go: T.floor.toScale,
    fields: [{ name: 'lot', kind: 'choice', label: T.words.lot, options: lots.map(lotOption) }, { name: 'style', kind: 'choice', label: T.words.style, options: options(styles) }, { name: 'roaster', kind: 'choice', label: T.words.roaster, options: options(roasters) }],
    save: async (values) => {
      const lot = /** @type {Lot} */ (lots.find((each) => each.id === values.lot));
      /** @param {Named[]} list @param {string} id */
      const named = (list, id) => /** @type {Named} */ (list.find((each) => each.id === id));
      begin({ way: 'in', batch: uuid7(), card: null, lot, style: named(styles, values.style), roaster: named(roasters, values.roaster), storeroom: lot.storeroom, ask_g: null });
    },
  });
}

/** @param {Lot} lot */
const lotOption = (lot) => ({ value: lot.id, label: `${lot.name} · ${lot.grade} · ${mass(lot.store_g)}` });

/** @param {Weighing} weighing */
function begin(weighing) {
  floor.weighing = weighing;
  places.answer.replaceChildren();
  if (weighing.way === 'in') drawWeighIn(weighing);
  else drawWeighOut(weighing);
  draw();
  scrollTo({ top: 0 });
}

function leave() {
  floor.weighing = null;
  draw();
  places.work.querySelector('button')?.focus();
}

/** @param {Extract<Weighing, {way: 'in'}>} weighing */
function drawWeighIn(weighing) {
  const { card, roaster } = weighing;
  const scale = scaleOf(card?.green_scale, roaster.id, 'green_scale');
  if (!scale) {
    places.work.replaceChildren(empty(T.floor.noScale, linkTo('/setup', T.pages.setup)), button(T.floor.back, leave));
    return;
  }
  const pad = new PadEntry();
  const others = floor.known.lots.filter((lot) => !lot.retired && !lot.used_up && lot.id !== weighing.lot.id);
  const coffee = card?.coffee.id;
  const swap = h('select', { 'aria-label': T.floor.otherLot, on: { change: (/** @type {any} */ event) => {
    const lot = floor.known.lots.find((each) => each.id === event.target.value);
    if (lot) begin({ ...weighing, lot, storeroom: lot.id === card?.lot.id ? card.storeroom.id : lot.storeroom });
  } } }, h('option', { value: '' }, T.floor.otherLot), others.sort((a, b) => Number(b.coffee === coffee) - Number(a.coffee === coffee)).map((lot) => h('option', { value: lot.id }, lotOption(lot).label)));
  const lot = floor.known.lots.find((each) => each.id === weighing.lot.id);
  const tools = h('div', { class: 'weigh-tools' }, others.length ? swap : null, button(T.floor.reckoned, () => reckonedIn(weighing)));
  places.work.replaceChildren(
    weighHead(T.floor.weighingIn, sack(weighing.lot.name, lot?.grade ?? card?.grade ?? ''), weighing.style.name, roaster.name, card && weighing.lot.id !== card.lot.id ? h('span', { class: 'flag' }, T.floor.notPlanned(card.lot.name)) : null), tools, pad);
  pad.begin({ tools, scale, scales: floor.known.scales.filter((each) => !each.retired), go: T.floor.saveIn, aim: weighing.ask_g === null ? '' : T.floor.aim(onDisplay(weighing.ask_g, scale), scale.unit), save: (weight, net) => saveIn(weighing, weight, net, pad) });
}

/** What is weighed, and the way back. @param {string} heading @param {Node} lot @param {string} style @param {string} roaster @param {Node|null} flag */
function weighHead(heading, lot, style, roaster, flag) {
  return h('div', { class: 'weigh-head' }, h('h1', {}, heading), lot, h('p', {}, h('b', {}, style), ` · ${roaster}`, flag), button(T.floor.back, leave, { class: 'button plain back-key' }));
}

/** @param {Extract<Weighing, {way: 'in'}>} weighing */
function reckonedIn(weighing) {
  askForm({ title: T.floor.reckonedIn, lead: T.floor.reckonedLead, fields: [{ name: 'mass_g', kind: 'mass', label: T.words.green }],
    save: async ({ mass_g }) => saveIn(weighing, { basis: 'reckoned', mass_g }, mass_g, null) });
}

/** @param {Extract<Weighing, {way: 'in'}>} weighing @param {Weight} weight @param {number} net @param {PadEntry|null} pad */
async function saveIn(weighing, weight, net, pad) {
  const { batch, card, lot, style, roaster, storeroom } = weighing;
  const id = uuid7();
  const what = { kind: 'weigh-ins', id, batches: [batch], fields: { batch, ...(card ? { card: card.id } : {}), lot: lot.id, style: style.id, roaster: roaster.id, storeroom, weight } };
  const outcome = await send(what, pad);
  if (!outcome) return;
  floor.weighing = null;
  await reload();
  showAnswer(h('p', { class: 'words' }, T.floor.weighedIn(mass(net, unitOf(weight)), lot.name)), outcome.entry ? h('p', {}, T.floor.isKept) : null, [
    button(T.floor.intoDrum, () => start(batch), { kind: 'main', class: 'button main huge' }), button(T.floor.undo, () => undo(id, [batch]), { class: 'button plain huge' })]);
}

/** @param {Weight} weight */
function unitOf(weight) {
  return weight.basis === 'weighed' ? floor.known.scales.find((each) => each.id === weight.scale)?.unit : undefined;
}

/**
 * Posts, and asks for the further tap when the service wants one. What was typed stays in the pad.
 * @param {Parameters<typeof post>[0]} what @param {PadEntry|null} pad
 * @returns {Promise<import('./kept.js').Outcome|null>}
 */
async function send(what, pad) {
  pad?.busy(true);
  try {
    return await post(what);
  } catch (error) {
    if (error instanceof Problem && error.confirm.length) {
      if (!(await further(error.message))) return null;
      const confirmed = [...(/** @type {any} */ (what.fields).confirmed ?? []), ...error.confirm];
      return await send({ ...what, fields: { ...what.fields, confirmed } }, pad);
    }
    if (pad) pad.refuse(inWords(error));
    else tell(inWords(error));
    return null;
  } finally {
    pad?.busy(false);
  }
}

/** One further tap on the facts. @param {string} sentence @returns {Promise<boolean>} */
function further(sentence) {
  return new Promise((resolve) => {
    /** @type {HTMLDialogElement} */
    const dialog = h('dialog', { class: 'sheet further', 'aria-label': T.floor.further }, h('p', { class: 'words' }, sentence), h('div', { class: 'actions' },
      button(T.form.allTheSame, () => dialog.close('yes'), { kind: 'main', class: 'button main huge' }), button(T.floor.back, () => dialog.close(''), { class: 'button plain huge' })));
    dialog.addEventListener('close', () => {
      dialog.remove();
      resolve(dialog.returnValue === 'yes');
    });
    document.body.append(dialog);
    dialog.showModal();
  });
}

/** @param {string} batch */
async function start(batch) {
  const outcome = await send({ kind: 'starts', batches: [batch], fields: { batch } }, null);
  if (!outcome) return;
  places.answer.replaceChildren();
  await reload();
}

/** Takes the last posting of a batch back. @param {string} posting @param {string[]} batches */
async function undo(posting, batches) {
  const outcome = await send({ kind: 'reversals', batches, fields: { posting } }, null);
  if (!outcome) return;
  places.answer.replaceChildren(h('p', { class: 'words quiet', role: 'status' }, T.floor.undone));
  await reload();
}

/* Weighing out */

/** @param {Extract<Weighing, {way: 'out'}>} weighing */
function drawWeighOut(weighing) {
  const { batches } = lay(floor.known, keptEntries());
  const covered = weighing.batches.map((id) => batches.find((each) => each.id === id)).filter((each) => each !== undefined);
  const first = covered[0];
  if (!first) {
    leave();
    return;
  }
  const card = floor.known.cards.find((each) => each.id === first.card);
  const scale = scaleOf(card?.roasted_scale, first.roaster.id, 'roasted_scale');
  if (!scale) {
    places.work.replaceChildren(empty(T.floor.noScale, linkTo('/setup', T.pages.setup)), button(T.floor.back, leave));
    return;
  }
  const pad = new PadEntry();
  const also = batches.filter((each) => sameRun(each, first) && each.id !== first.id && (each.state === 'in_drum' || each.state === 'weighed_in'));
  const tools = h('div', { class: 'weigh-tools' }, also.map((each) => {
    const on = weighing.batches.includes(each.id);
    return button(T.floor.alsoCovers(clock(each.weighed_in_at), mass(each.weighed_in_g)), () => begin({ way: 'out', batches: on ? weighing.batches.filter((id) => id !== each.id) : [...weighing.batches, each.id] }), { class: 'crate', 'aria-pressed': String(on) });
  }), button(T.floor.reckoned, () => reckonedOut(covered)));
  places.work.replaceChildren(
    weighHead(T.floor.weighingOut, sack(first.lot.name, first.grade), first.style.name, first.roaster.name, null), tools, pad);
  const green = covered.reduce((sum, each) => sum + each.weighed_in_g, 0);
  pad.begin({ tools, scale, scales: floor.known.scales.filter((each) => !each.retired), go: T.floor.saveOut, aim: T.floor.wentIn(mass(green, scale.unit), covered.length), save: (weight, net) => judgeFirst(covered, weight, net, pad) });
}

/** @param {BatchView[]} covered */
function reckonedOut(covered) {
  askForm({ title: T.floor.reckonedOut, lead: T.floor.reckonedLead, fields: [{ name: 'mass_g', kind: 'mass', label: T.words.roasted }],
    save: async ({ mass_g }) => saveOut(covered, { basis: 'reckoned', mass_g }, mass_g, null) });
}

/**
 * Before an odd weight is saved, says what would explain it. An ordinary one is saved at once.
 * @param {BatchView[]} covered @param {Weight} weight @param {number} net @param {PadEntry} pad
 */
async function judgeFirst(covered, weight, net, pad) {
  const here = verdictHere(covered, net, floor.known.cards);
  if (here?.judgement === 'ok') {
    await saveOut(covered, weight, net, pad);
    return;
  }
  pad.busy(true);
  const asked = isReachable() ? await ask('/api/weigh-out-previews', { batches: covered.map((each) => each.id), weight }, AbortSignal.timeout(EXPLAIN_MS)).catch(() => null) : null;
  pad.busy(false);
  const verdict = asked?.verdict ?? here;
  if (!verdict || verdict.judgement === 'ok') {
    await saveOut(covered, weight, net, pad);
    return;
  }
  askOdd(covered, weight, net, pad, verdict, asked?.explanations ?? []);
}

/**
 * @param {BatchView[]} covered @param {Weight} weight @param {number} net @param {PadEntry} pad @param {Verdict} verdict
 * @param {{kind: string, sentence: string, right_green_g?: number, right_roasted_g?: number}[]} explanations
 */
function askOdd(covered, weight, net, pad, verdict, explanations) {
  const unit = unitOf(weight);
  const picture = new RangePicture();
  picture.show(verdict);
  /** @param {(typeof explanations)[number]} each */
  const take = (each) => {
    close();
    if (each.right_roasted_g !== undefined && each.right_roasted_g !== null) saveOut(covered, replaced(weight, each.right_roasted_g), each.right_roasted_g, pad);
    else if (each.right_green_g !== undefined && each.right_green_g !== null) saveOut(covered, weight, net, pad, { green_g: each.right_green_g, reason: each.sentence });
  };
  const takable = explanations.filter((each) => each.right_roasted_g != null || (each.right_green_g != null && covered.length === 1));
  /** @type {HTMLDialogElement} */
  const dialog = h('dialog', { class: 'sheet further', 'aria-labelledby': 'odd-words' },
    h('p', { class: 'words', id: 'odd-words' }, sentence(verdict)), picture,
    explanations.length ? h('p', {}, T.floor.explains) : h('p', {}, T.floor.readAgainWhy),
    h('div', { class: 'odd-choices' },
      takable.slice(0, 3).map((each) => button('', () => take(each), { class: 'button plain huge explain' })),
      explanations.filter((each) => !takable.includes(each)).slice(0, 2).map((each) => h('p', { class: 'explain-only' }, each.sentence)),
      button(T.floor.readAgain, () => close(), { class: 'button plain huge' }),
      button(T.floor.keep(mass(net, unit)), () => {
        close();
        saveOut(covered, weight, net, pad);
      }, { class: 'button plain huge', 'data-key': 'keep' })));
  for (const [i, node] of dialog.querySelectorAll('.explain').entries()) {
    const each = takable[i];
    if (each) node.append(h('span', {}, each.sentence), h('b', {}, each.right_roasted_g != null ? T.floor.takeOut(mass(each.right_roasted_g, unit)) : T.floor.takeIn(mass(each.right_green_g, unit))));
  }
  const close = () => {
    dialog.close();
    dialog.remove();
    pad.focus();
  };
  dialog.addEventListener('cancel', () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}

/** One reading in place of what was typed, containers already off. @param {Weight} weight @param {number} grams @returns {Weight} */
function replaced(weight, grams) {
  if (weight.basis !== 'weighed') return { basis: 'reckoned', mass_g: grams };
  const scale = /** @type {Scale} */ (floor.known.scales.find((each) => each.id === weight.scale));
  return { ...weight, readings: [{ gross: onDisplay(grams, scale), container: null }] };
}

/**
 * @param {BatchView[]} covered @param {Weight} weight @param {number} net @param {PadEntry|null} pad
 * @param {{green_g: number, reason: string}} [green] the right green mass, when that was the slip
 */
async function saveOut(covered, weight, net, pad, green) {
  const batches = covered.map((each) => each.id);
  const id = uuid7();
  const here = verdictHere(covered, net, floor.known.cards);
  const outcome = await send({ kind: 'weigh-outs', id, batches, fields: { batches, weight }, whenKept: here ? { shown: here.judgement } : {} }, pad);
  if (!outcome) return;
  const first = batches[0];
  let undoable = id;
  if (green && first) {
    undoable = uuid7();
    await send({ kind: 'corrections', id: undoable, batches, fields: { batch: first, ...green } }, null);
  }
  floor.weighing = null;
  await reload();
  const judged = green && outcome.answer ? lay(floor.known, keptEntries()).batches.find((each) => each.id === first)?.verdict : outcome.answer?.verdict;
  showVerdict(judged ?? here, Boolean(outcome.entry), undoable, batches, net, unitOf(weight));
}

/** @param {Verdict|null|undefined} verdict @param {boolean} kept @param {string} posting @param {string[]} batches @param {number} net @param {'g'|'kg'|'lb'} [unit] */
function showVerdict(verdict, kept, posting, batches, net, unit) {
  const actions = [button(T.floor.undo, () => undo(posting, batches), { class: 'button plain huge' }), button(T.floor.goOn, () => {
    places.answer.replaceChildren();
    places.work.querySelector('button')?.focus();
  }, { kind: 'main', class: 'button main huge' })];
  if (!verdict) {
    showAnswer(h('p', { class: 'words' }, T.floor.weighedOut(mass(net, unit))), h('p', {}, kept ? T.floor.isKept : T.floor.noVerdict), actions);
    return;
  }
  const picture = new RangePicture();
  picture.show(verdict);
  showAnswer(h('p', { class: `words verdict ${verdict.judgement}` }, sentence(verdict)), h('div', { class: 'answer-picture' }, picture, kept ? h('p', {}, T.floor.isKept) : null), actions);
}

/** The verdict in words; the service's own sentence where there is one. @param {Verdict} verdict */
const sentence = (verdict) => verdict.sentence ?? T.verdict.sentence(percent(verdict.loss), percent(verdict.lo), percent(verdict.hi), verdict.judgement);

/** @param {Node} words @param {Node|null} more @param {Node[]} actions */
function showAnswer(words, more, actions) {
  places.answer.replaceChildren(h('div', { class: 'answer sheet', role: 'status', tabindex: -1 }, words, more, h('div', { class: 'actions' }, actions)));
  const box = places.answer.firstElementChild;
  if (box instanceof HTMLElement) box.focus({ preventScroll: true });
  scrollTo({ top: 0 });
}

/* What is under way, and what is done */

/** @param {BatchView[]} batches */
function drawDrums(batches) {
  batches.sort((a, b) => String(a.started_at).localeCompare(String(b.started_at)));
  redraw(places.drums, h('h2', {}, T.floor.drums), batches.length ? h('ul', { class: 'strip' }, batches.map((batch, i) => h('li', { class: 'drum' },
    h('p', { class: 'drum-name' }, h('b', {}, batch.roaster.name), h('span', { class: 'timer', 'data-since': batch.started_at ?? '', role: 'timer', 'aria-live': 'off' }, since(batch.started_at))),
    sack(batch.lot.name, batch.grade), h('p', {}, `${batch.style.name} · ${mass(batch.weighed_in_g)}`, keptMark(batch)),
    h('div', { class: 'actions' }, button(T.floor.weighOut, () => begin({ way: 'out', batches: [batch.id] }), { kind: i === 0 ? 'main' : 'plain', class: `button ${i === 0 ? 'main' : 'plain'} huge`, 'data-key': `out-${batch.id}`, 'aria-label': `${T.floor.weighOut}: ${batch.lot.name}` }), more(batch))))) : h('p', { class: 'none' }, T.floor.noDrum));
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

/** What else can be done with a batch. @param {BatchView} batch */
function more(batch) {
  const out = batch.state === 'weighed_out';
  /** @param {string} kind @param {string} title @param {boolean} [optional] */
  const withReason = (kind, title, optional = false) => () => askForm({ title, lead: `${batch.lot.name} · ${batch.style.name}`, fields: [{ name: 'reason', kind: 'text', label: T.words.reason, wide: true, optional }],
    save: async ({ reason }) => {
      await post({ kind, batches: [batch.id], fields: { batch: batch.id, ...(reason ? { reason } : {}) } });
      await reload();
    } });
  return h('details', { class: 'more', 'data-key': `more-${batch.id}` }, h('summary', { 'aria-label': `${T.floor.more}: ${batch.lot.name}` }, T.floor.more), h('div', { class: 'more-list' },
    !out && batch.state === 'weighed_in' ? button(T.floor.weighOut, () => begin({ way: 'out', batches: [batch.id] })) : null,
    out ? null : button(T.floor.sample, () => draught('samples', T.floor.sample, batch)),
    out ? button(T.floor.waste, () => draught('wastes', T.floor.waste, batch)) : null,
    batch.hold ? button(T.floor.pass, withReason('passes', T.floor.pass)) : out ? button(T.floor.hold, withReason('holds', T.floor.hold)) : null,
    button(T.floor.scrap, withReason('scraps', T.floor.scrap, true)),
    batch.undo ? button(T.floor.undoLast, () => undo(/** @type {string} */ (batch.undo), [batch.id])) : null));
}

/** Coffee taken out of a batch or a lot: a sample or waste. @param {'samples'|'wastes'} kind @param {string} title @param {BatchView|null} batch */
function draught(kind, title, batch) {
  const lots = floor.known.lots.filter((lot) => !lot.retired && !lot.used_up);
  /** @type {import('./parts/fields.js').Field[]} */
  const from = batch ? [] : [{ name: 'lot', kind: 'choice', label: T.words.lot, options: lots.map(lotOption) }];
  askForm({
    title, lead: batch ? `${batch.lot.name} · ${batch.style.name}` : undefined,
    fields: [...from, { name: 'weight', kind: 'weight', label: T.words.weight, scales: floor.known.scales, bases: ['weighed', 'reckoned'] }, ...(kind === 'samples' ? [{ name: 'purpose', kind: 'text', label: T.words.purpose, optional: true }] : [])],
    save: async ({ lot, ...rest }, confirmed) => {
      const of = batch ? { batch: batch.id } : { lot, storeroom: floor.known.lots.find((each) => each.id === lot)?.storeroom };
      await post({ kind, batches: batch ? [batch.id] : [`lot:${lot}`], fields: { ...of, ...rest, ...(confirmed.length ? { confirmed } : {}) } });
      tell(T.form.saved);
      await reload();
    },
  });
}

/** @param {CardView[]} cards */
function drawCards(cards) {
  places.cards.hidden = cards.length === 0;
  redraw(places.cards, h('h2', {}, T.floor.later), h('ul', { class: 'stack' }, cards.map((card) => h('li', {}, paper(card),
    button(T.floor.weighIn, () => beginCard(card), { class: 'button plain huge', 'data-key': `in-${card.id}`, 'aria-label': `${T.floor.weighIn}: ${card.lot.name}, ${day(card.day)} ${card.start}` })))));
}

/** @param {BatchView[]} batches */
function drawDone(batches) {
  const done = batches.filter((batch) => batch.state === 'weighed_out').sort((a, b) => String(b.weighed_out_at).localeCompare(String(a.weighed_out_at)));
  places.done.hidden = done.length === 0;
  redraw(places.done, h('h2', {}, T.floor.done), h('ul', { class: 'done' }, done.map((batch) => h('li', {},
    h('span', { class: 'when' }, clock(batch.weighed_out_at)), sack(batch.lot.name, batch.grade),
    h('p', {}, `${batch.style.name} · ${mass(batch.weighed_in_g)} → ${mass(batch.weighed_out_g)}`, batch.loss === null ? null : h('b', { class: `loss ${batch.verdict?.judgement ?? ''}` }, ` ${percent(batch.loss)} ${batch.verdict ? T.verdict.short[batch.verdict.judgement] : ''}`),
      batch.reckoned ? h('span', { class: 'flag' }, T.words.reckoned) : null, batch.hold ? h('span', { class: 'flag' }, `${T.words.onHold}: ${batch.hold.reason}`) : null, keptMark(batch)),
    more(batch)))));
}

/** Kept commands that the service refused: a person settles them. */
function drawSettle() {
  const open = keptEntries().filter((entry) => entry.state === 'settle');
  places.settle.hidden = open.length === 0;
  redraw(places.settle, h('h2', {}, T.floor.settle), h('ul', {}, open.map((entry) => {
    const grams = entry.body.weight ? gramsOf(entry.body.weight, floor.known.scales) : null;
    const lot = floor.known.lots.find((each) => each.id === entry.body.lot)?.name ?? floor.known.batches.find((each) => entry.batches.includes(each.id))?.lot.name ?? '';
    return h('li', {}, h('p', {}, h('b', {}, T.floor.commands[entry.kind] ?? entry.kind), ` ${lot} ${grams === null ? '' : mass(grams)} · ${clock(entry.body.happened_at)}`), h('p', { class: 'error' }, entry.why ?? ''),
      h('div', { class: 'actions' }, button(T.floor.sendAgain, () => sendAgain(entry), { kind: 'main' }), button(T.floor.putAside, () => putAside(entry))));
  })));
}

function drawTools() {
  if (places.tools.childElementCount) return;
  places.tools.replaceChildren(h('h2', {}, T.floor.tools), h('div', { class: 'tools' },
    button(T.floor.adHoc, adHoc), button(T.floor.usedUp, usedUp), button(T.floor.sampleLot, () => draught('samples', T.floor.sampleLot, null)), button(T.floor.wasteLot, () => draught('wastes', T.floor.wasteLot, null))));
}

function usedUp() {
  const lots = floor.known.lots.filter((lot) => !lot.retired && (lot.store_g ?? 0) > 0);
  askForm({
    title: T.floor.usedUp, lead: T.floor.usedUpLead, go: T.floor.usedUp, fields: [{ name: 'lot', kind: 'choice', label: T.words.lot, options: lots.map(lotOption) }],
    save: async ({ lot }) => {
      const id = uuid7();
      const outcome = await post({ kind: 'used-ups', id, batches: [`lot:${lot}`], fields: { lot, storeroom: lots.find((each) => each.id === lot)?.storeroom } });
      const posting = outcome.answer?.posting;
      tell(T.floor.usedUpSaid(mass(outcome.answer?.difference_g)), ...(posting ? [button(T.floor.undo, () => undo(typeof posting === 'string' ? posting : posting.id ?? id, [`lot:${lot}`]))] : []));
      await reload();
    },
  });
}

/* Time */

/** @param {string|null} started */
function since(started) {
  if (!started) return '';
  const seconds = Math.max(0, Math.floor((Date.now() - floor.clockOff - Date.parse(started)) / 1000));
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

await openKept();
watchKept(draw);
await recall();
draw();
await reload();
if (!floor.me) floor.me = await openPage().catch(() => null);
listen(() => reload(), (up) => (up ? setReachable(true) : void reload()));
addEventListener('online', () => reload());
setInterval(tick, 1000);
keepAwake();
navigator.serviceWorker?.register('/worker.js').catch(() => undefined);
