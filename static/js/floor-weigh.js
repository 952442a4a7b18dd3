/** Weighing in and out on the floor, and the answer. */
import { ask, uuid7 } from './api.js';
import { button, h } from './dom.js';
import { explain, explainIn } from './explain.js';
import { floor, lotOption, places, scaleOf, unitOf } from './floor-shared.js';
import { lay, rangeFor, sameRun, verdictHere } from './floor-state.js';
import { send, start, THROWN, TOLD, undo } from './floor-steps.js';
import { clock, mass, percent, share } from './format.js';
import { askForm } from './forms.js';
import { isReachable, keptEntries } from './kept.js';
import { empty, linkTo } from './parts/page-frame.js';
import { PadEntry } from './parts/pad-entry.js';
import { RangePicture } from './parts/range-picture.js';
import { sack } from './sack.js';
import { T } from './texts.js';
import { netText, onDisplay, tare } from './weighing.js';

/** @import { BatchView, CardView, Lot, Named, Scale, Verdict, Weight } from './types.js' */
/** @import { Weighing } from './floor-shared.js' */
/** @import { Refusing } from './floor-steps.js' */
/** @import { Explanation } from './explain.js' */

/** The explanations of an odd weight must not keep an operator waiting. */
const EXPLAIN_MS = 1200;
/** A weigh-in further than this share from what its card asks for is asked about (common practice). */
const FAR = 0.05;

/** @param {CardView} card */
export function beginCard(card) {
  begin({ way: 'in', batch: uuid7(), card, lot: card.lot, style: card.style, roaster: card.roaster, storeroom: card.storeroom.id, ask_g: card.charge_g });
}

export async function adHoc() {
  /** @type {Weighing|null} */
  let chosen = null;
  const lots = floor.known.lots.filter((lot) => !lot.retired && !lot.used_up);
  /** @param {Named[]} list */
  const options = (list) => list.filter((each) => !(/** @type {any} */ (each).retired)).map((each) => ({ value: each.id, label: each.name }));
  const { styles, roasters } = floor.known;
  const goesOn = await askForm({
    title: T.floor.adHoc, lead: T.floor.adHocLead, go: T.floor.toScale,
    fields: [{ name: 'lot', kind: 'choice', label: T.words.lot, options: lots.map(lotOption) }, { name: 'style', kind: 'choice', label: T.words.style, options: options(styles) }, { name: 'roaster', kind: 'choice', label: T.words.roaster, options: options(roasters) }],
    save: async (values) => {
      const lot = /** @type {Lot} */ (lots.find((each) => each.id === values.lot));
      /** @param {Named[]} list @param {string} id */
      const named = (list, id) => /** @type {Named} */ (list.find((each) => each.id === id));
      chosen = { way: 'in', batch: uuid7(), card: null, lot, style: named(styles, values.style), roaster: named(roasters, values.roaster), storeroom: lot.storeroom, ask_g: null };
    },
  });
  if (goesOn && chosen) begin(chosen);
}

/** @param {Weighing} weighing */
export function begin(weighing) {
  floor.weighing = weighing;
  places.answer.replaceChildren();
  if (weighing.way === 'in') drawWeighIn(weighing);
  else drawWeighOut(weighing);
  floor.draw();
  scrollTo({ top: 0 });
}

function leave() {
  floor.weighing = null;
  floor.draw();
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
  pad.begin({ tools, scale, scales: floor.known.scales.filter((each) => !each.retired), go: T.floor.saveIn, aim: weighing.ask_g === null ? '' : T.floor.aim(onDisplay(weighing.ask_g, scale), scale.unit), save: (weight, net) => compareFirst(weighing, scale, weight, net, pad) });
}

/** What is weighed, and the way back. @param {string} heading @param {Node} lot @param {string} style @param {string} roaster @param {Node|null} flag */
function weighHead(heading, lot, style, roaster, flag) {
  return h('div', { class: 'weigh-head' }, h('h1', {}, heading), lot, h('p', {}, h('b', {}, style), ` · ${roaster}`, flag), button(T.floor.back, leave, { class: 'button plain back-key' }));
}

/** @param {Extract<Weighing, {way: 'in'}>} weighing */
function reckonedIn(weighing) {
  askForm({ title: T.floor.reckonedIn, lead: T.floor.reckonedLead, fields: [{ name: 'mass_g', kind: 'mass', label: T.words.green }],
    save: async ({ mass_g }) => saveIn(weighing, { basis: 'reckoned', mass_g }, mass_g, THROWN) });
}

/**
 * Asks once about a weigh-in far from what its card asks for, with the slips that would explain it.
 * @param {Extract<Weighing, {way: 'in'}>} weighing @param {Scale} scale the scale it began with @param {Weight} weight @param {number} net @param {PadEntry} pad
 */
async function compareFirst(weighing, scale, weight, net, pad) {
  const { ask_g } = weighing;
  if (ask_g === null || weight.basis !== 'weighed' || Math.abs(net - ask_g) <= Math.max(FAR * ask_g, 2 * scale.division_g)) {
    await saveIn(weighing, weight, net, pad);
    return;
  }
  const used = floor.known.scales.find((each) => each.id === weight.scale) ?? scale;
  askAgain({
    words: T.floor.farFromCard(mass(net, used.unit), mass(ask_g, used.unit)), picture: null, pad, keep: T.floor.keep(mass(net, used.unit)), notes: [],
    offers: explainIn({ ask_g, weight, scale: used }).slice(0, 3).map(({ sentence, grams, readings }) => ({ sentence, label: T.floor.takeOut(mass(grams, used.unit)), take: () => saveIn(weighing, replaced(weight, grams, readings), grams, pad) })),
    kept: () => saveIn(weighing, weight, net, pad),
  });
}

/** @param {Extract<Weighing, {way: 'in'}>} weighing @param {Weight} weight @param {number} net @param {Refusing} pad */
async function saveIn(weighing, weight, net, pad) {
  const { batch, card, lot, style, roaster, storeroom } = weighing;
  const id = uuid7();
  const what = { kind: 'weigh-ins', id, batches: [batch], fields: { batch, ...(card ? { card: card.id } : {}), lot: lot.id, style: style.id, roaster: roaster.id, storeroom, weight } };
  const outcome = await send(what, pad);
  if (!outcome) return;
  floor.weighing = null;
  await floor.reload();
  showAnswer(h('p', { class: 'words' }, T.floor.weighedIn(mass(net, unitOf(weight)), lot.name)), outcome.entry ? h('p', {}, T.floor.isKept) : null, [
    button(T.floor.intoDrum, () => start(batch), { kind: 'main', class: 'button main huge' }), button(T.floor.undo, () => undo(id, [batch]), { class: 'button plain huge' })]);
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
  const tools = h('div', { class: 'weigh-tools' }, alsoCovers(weighing, also), button(T.floor.reckoned, () => reckonedOut(covered)));
  places.work.replaceChildren(
    weighHead(T.floor.weighingOut, sack(first.lot.name, first.grade), first.style.name, first.roaster.name, null), tools, pad);
  const green = covered.reduce((sum, each) => sum + each.weighed_in_g, 0);
  pad.begin({ tools, scale, scales: floor.known.scales.filter((each) => !each.retired), go: T.floor.saveOut, aim: T.floor.wentIn(mass(green, scale.unit), covered.length), save: (weight, net) => judgeFirst(covered, weight, net, pad) });
}

/** Further batches of the same run under one reading: those it covers, to be let go again, and a choice of the others. @param {Extract<Weighing, {way: 'out'}>} weighing @param {BatchView[]} also */
function alsoCovers(weighing, also) {
  const words = (/** @type {BatchView} */ each) => T.floor.alsoCovers(clock(each.weighed_in_at), mass(each.weighed_in_g));
  const cover = (/** @type {string[]} */ ids) => begin({ way: 'out', batches: ids });
  const rest = also.filter((each) => !weighing.batches.includes(each.id));
  const choice = rest.length === 0 ? null : h('select', { 'aria-label': T.floor.alsoBatch, on: { change: (/** @type {any} */ event) => cover([...weighing.batches, event.target.value]) } },
    h('option', { value: '' }, T.floor.alsoBatch), rest.map((each) => h('option', { value: each.id }, words(each))));
  return [...also.filter((each) => weighing.batches.includes(each.id)).map((each) => button(words(each), () => cover(weighing.batches.filter((id) => id !== each.id)), { class: 'crate', 'aria-pressed': 'true' })), choice];
}

/** @param {BatchView[]} covered */
function reckonedOut(covered) {
  askForm({ title: T.floor.reckonedOut, lead: T.floor.reckonedLead, fields: [{ name: 'mass_g', kind: 'mass', label: T.words.roasted }],
    save: async ({ mass_g }) => saveOut(covered, { basis: 'reckoned', mass_g }, mass_g, THROWN) });
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
  const own = explainedHere(covered, weight);
  askOdd(covered, weight, net, pad, verdict, asked ? together(asked.explanations, own, verdict, covered, net) : own);
}

/** Slips of a crate, which this page knows exactly. */
const CRATES = new Set(['crate', 'no_crate']);

/**
 * The service's explanations behind those of a crate on or off the scale. That no roast loses so much is no matter of the lot.
 * @param {Explanation[]} asked @param {Explanation[]} own @param {Verdict} verdict @param {BatchView[]} covered @param {number} net
 */
function together(asked, own, verdict, covered, net) {
  const crates = own.filter((each) => CRATES.has(each.kind));
  const others = asked.filter((each) => !(crates.length > 0 && each.kind === 'tare') && !(each.kind === 'wrong_lot' && verdict.judgement === 'impossible'));
  return [...crates, ...others.map((each) => exactly(each, covered, net))];
}

/** Slips whose right figure follows from what was typed; of the others only the cause is known, and a weight must be read, not reckoned. */
const EXACT = new Set(['swap', 'double', 'decimal', 'kilo', 'pound', 'unit_lb', 'exchanged']);

/**
 * An explanation of the service with the one figure that it puts right, or none.
 * @param {Explanation} each @param {BatchView[]} covered @param {number} net @returns {Explanation}
 */
function exactly({ kind, sentence, right_green_g, right_roasted_g }, covered, net) {
  if (!EXACT.has(kind)) return { kind, sentence };
  const green = covered.reduce((sum, each) => sum + each.weighed_in_g, 0);
  if (right_roasted_g != null && Math.abs(right_roasted_g - net) >= 1) return { kind, sentence, right_roasted_g };
  return right_green_g != null && Math.abs(right_green_g - green) >= 1 ? { kind, sentence, right_green_g } : { kind, sentence };
}

/** What would explain it by the numbers on the card, for the time without a network. @param {BatchView[]} covered @param {Weight} weight */
function explainedHere(covered, weight) {
  const first = covered[0];
  const range = first ? rangeFor(first, floor.known.cards) : null;
  const scale = weight.basis === 'weighed' ? floor.known.scales.find((each) => each.id === weight.scale) : undefined;
  if (!first || !range || !scale || weight.basis !== 'weighed') return [];
  const { batches } = lay(floor.known, keptEntries());
  const card = covered.length === 1 ? floor.known.cards.find((each) => each.id === first.card) : undefined;
  return explain({
    range, weight, scale, card_g: card?.charge_g ?? null, green_g: covered.reduce((sum, each) => sum + each.weighed_in_g, 0), sample_g: covered.reduce((sum, each) => sum + each.sample_g, 0),
    neighbours: batches.filter((each) => each.roaster.id === first.roaster.id && each.state === 'weighed_out' && !covered.includes(each)),
  });
}

/**
 * @param {BatchView[]} covered @param {Weight} weight @param {number} net @param {PadEntry} pad @param {Verdict} verdict
 * @param {Explanation[]} explanations
 */
function askOdd(covered, weight, net, pad, verdict, explanations) {
  const unit = unitOf(weight);
  const picture = new RangePicture();
  picture.show(verdict);
  /** @param {(typeof explanations)[number]} each */
  const take = (each) => {
    if (each.right_roasted_g != null) saveOut(covered, replaced(weight, each.right_roasted_g, each.readings), each.right_roasted_g, pad);
    else if (each.right_green_g != null) saveOut(covered, weight, net, pad, { green_g: each.right_green_g, reason: each.sentence });
  };
  const takable = explanations.filter((each) => each.right_roasted_g != null || (each.right_green_g != null && covered.length === 1));
  askAgain({
    words: sentence(verdict), picture, pad, keep: T.floor.keep(mass(net, unit)), kept: () => saveOut(covered, weight, net, pad),
    notes: explanations.filter((each) => !takable.includes(each)).slice(0, 2).map((each) => each.sentence),
    offers: takable.slice(0, 3).map((each) => ({ sentence: each.sentence, take: () => take(each), label: each.right_roasted_g != null ? T.floor.takeOut(mass(each.right_roasted_g, unit)) : T.floor.takeIn(mass(each.right_green_g, unit)) })),
  });
}

/**
 * Before an odd weight is saved: what is odd, what would explain it (to take by one tap, or only to be said), and the two other ways.
 * @param {{words: string, picture: Node|null, offers: {sentence: string, label: string, take: () => void}[], notes: string[], keep: string, kept: () => void, pad: PadEntry}} what
 */
function askAgain({ words, picture, offers, notes, keep, kept, pad }) {
  const then = (/** @type {() => void} */ run) => () => {
    close();
    run();
  };
  const offered = offers.map(({ sentence, label, take }) => {
    const node = button('', then(take), { class: 'button plain huge explain' });
    node.append(h('span', {}, sentence), h('b', {}, label));
    return node;
  });
  const again = button(T.floor.readAgain, () => close(), { class: 'button plain huge' });
  /** @type {HTMLDialogElement} */
  const dialog = h('dialog', { class: 'sheet further', 'aria-labelledby': 'odd-words' },
    h('p', { class: 'words', id: 'odd-words' }, words), picture,
    h('p', {}, offers.length + notes.length ? T.floor.explains : T.floor.readAgainWhy),
    h('div', { class: 'odd-choices' }, offered, notes.map((each) => h('p', { class: 'explain-only' }, each)),
      again, button(keep, then(kept), { class: 'button plain huge', 'data-key': 'keep' })));
  const close = () => {
    dialog.close();
    dialog.remove();
    pad.focus();
  };
  dialog.addEventListener('cancel', () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
  // A scale that types may send Enter twice: the second must book nothing.
  again.focus();
}

/**
 * What the scale showed in place of what was typed; where that is not known, one reading that comes to this mass: a lone one keeps its container.
 * @param {Weight} weight @param {number} grams @param {import('./types.js').Reading[]} [readings] @returns {Weight}
 */
function replaced(weight, grams, readings) {
  if (weight.basis !== 'weighed') return { basis: 'reckoned', mass_g: grams };
  if (readings) return { ...weight, readings };
  const scale = /** @type {Scale} */ (floor.known.scales.find((each) => each.id === weight.scale));
  const container = weight.readings.length === 1 ? weight.readings[0]?.container ?? null : null;
  return { ...weight, readings: [{ gross: netText(grams + tare(container, scale), scale), container }] };
}

/**
 * @param {BatchView[]} covered @param {Weight} weight @param {number} net @param {Refusing} pad
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
    await send({ kind: 'corrections', id: undoable, batches, fields: { batch: first, ...green } }, TOLD);
  }
  floor.weighing = null;
  await floor.reload();
  const judged = green && outcome.answer ? lay(floor.known, keptEntries()).batches.find((each) => each.id === first)?.verdict : outcome.answer?.verdict;
  showVerdict(judged ?? here, Boolean(outcome.entry), undoable, batches, net, unitOf(weight));
}

/** @param {Verdict|null|undefined} verdict @param {boolean} kept @param {string} posting @param {string[]} batches @param {number} net @param {'g'|'kg'|'lb'} [unit] */
function showVerdict(verdict, kept, posting, batches, net, unit) {
  const actions = [button(T.floor.goOn, () => {
    places.answer.replaceChildren();
    places.work.querySelector('button')?.focus();
  }, { kind: 'main', class: 'button main huge' }), button(T.floor.undo, () => undo(posting, batches), { class: 'button plain huge' })];
  if (!verdict) {
    showAnswer(h('p', { class: 'words' }, T.floor.weighedOut(mass(net, unit))), h('p', {}, kept ? T.floor.isKept : T.floor.noVerdict), actions);
    return;
  }
  const picture = new RangePicture();
  picture.show(verdict);
  const held = lay(floor.known, keptEntries()).batches.some((each) => batches.includes(each.id) && each.hold);
  showAnswer(h('p', { class: `words verdict ${verdict.judgement}` }, sentence(verdict), held ? ` ${T.words.onHold}.` : ''), h('div', { class: 'answer-picture' }, picture, kept ? h('p', {}, T.floor.isKept) : null), actions);
}

/** The verdict in words, the same with and without a network. @param {Verdict} verdict */
const sentence = (verdict) => T.verdict.sentence(percent(verdict.loss), share(verdict.lo), percent(verdict.hi), verdict.judgement);

/** @param {Node} words @param {Node|null} more @param {Node[]} actions */
function showAnswer(words, more, actions) {
  places.answer.replaceChildren(h('div', { class: 'answer sheet', role: 'status', tabindex: -1 }, words, more, h('div', { class: 'actions' }, actions)));
  const box = places.answer.firstElementChild;
  if (box instanceof HTMLElement) box.focus({ preventScroll: true });
  scrollTo({ top: 0 });
}
