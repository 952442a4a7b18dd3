/** The board: ship days above, one band per roaster below, batches in their days; moving them by hand, finger or keys. */
import { Problem, sentence } from './api.js';
import { button, h, redraw } from './dom.js';
import { addDays, day, hours, mass } from './format.js';
import { askForm } from './forms.js';
import { tell } from './parts/page-frame.js';
import { sack } from './sack.js';
import { T } from './texts.js';
import { carriable } from './week-carry.js';
import { cardOf, isBegun, isPinned, keyOf, named, orderNumber, orderOf, pinOf, places, samePin, week, withoutPin } from './week-shared.js';

/** @import { Pin, PlanBatch, PlanRoaster } from './types.js' */

const W = T.week;

export function drawBoard() {
  const { plan } = week;
  if (!plan) return;
  const days = Array.from({ length: plan.days }, (_, i) => addDays(plan.from_day, i));
  redraw(places.board, shipBand(days), crewBand(days), plan.roasters.map((roaster) => h('section', { class: 'band', 'aria-label': roaster.name }, h('h2', {}, roaster.name), h('ol', { class: 'days' }, days.map((date) => cell(roaster, date))))));
}

/* Ship days */

/** The days on which parcels leave, in the columns of the board; one shows which batches feed it. @param {string[]} days */
function shipBand(days) {
  const orders = (week.from.orders ?? []).filter((order) => !order.cancelled && !order.retired);
  const all = (week.from['ship-days'] ?? []).filter((each) => !each.retired && each.day >= (days[0] ?? '')).sort((a, b) => a.day.localeCompare(b.day));
  const known = all.filter((each) => orders.some((order) => order.ship_day === each.day) || days.includes(each.day));
  if (known.length === 0) return null;
  const later = known.filter((each) => !days.includes(each.day));
  return h('section', { class: 'band ship-band', 'aria-label': W.shipDays }, h('h2', {}, W.shipDays),
    h('ol', { class: 'days' }, days.map((date) => {
      const here = known.filter((each) => each.day === date);
      return h('li', { class: `ship-cell${here.length ? '' : ' no-ship'}` }, here.map((each) => shipChip(each, orders)));
    })),
    later.length ? h('div', { class: 'later-ships' }, h('span', { class: 'later-word' }, W.laterShips), later.map((each) => shipChip(each, orders))) : null);
}

/** @param {any} shipDay @param {any[]} orders */
function shipChip(shipDay, orders) {
  const mine = orders.filter((order) => order.ship_day === shipDay.day);
  const on = week.shipDay === shipDay.day;
  return h('button', { type: 'button', class: 'ship', 'aria-pressed': String(on), 'data-key': `ship-${shipDay.day}`, on: { click: () => {
    week.shipDay = on ? '' : shipDay.day;
    drawBoard();
  } } }, h('b', {}, day(shipDay.day)), ` ${shipDay.carrier_at} · ${W.ordersOf(mine.length)}`);
}

/** @param {PlanBatch} batch */
const feedsShown = (batch) => week.shipDay !== '' && batch.feeds.some((feed) => orderOf(feed.order)?.ship_day === week.shipDay);

/** The minutes that the people have over all roasters, where the roastery sets a limit. @param {string[]} days */
function crewBand(days) {
  const crew = week.plan?.crew;
  if (!crew) return null;
  return h('section', { class: 'band crew-band', 'aria-label': W.people }, h('h2', {}, W.people), h('ol', { class: 'days' }, days.map((date) => {
    const here = crew.find((each) => each.day === date);
    return h('li', { class: 'crew-cell' }, h('span', { class: 'crew-day' }, day(date)), ' ', here ? W.used(hours(here.used_min), hours(here.available_min)) : W.shut);
  })));
}

/* Days */

/** @param {PlanRoaster} roaster @param {string} date */
function cell(roaster, date) {
  const capacity = roaster.days.find((each) => each.day === date);
  const here = week.plan?.batches.filter((batch) => batch.roaster.id === roaster.id && batch.day === date).sort((a, b) => a.start.localeCompare(b.start)) ?? [];
  const shut = !capacity || capacity.available_min === 0;
  return h('li', { class: `day${shut ? ' shut' : ''}${date === week.today ? ' today' : ''}`, 'data-day': date, 'data-roaster': roaster.id }, h('h3', {}, day(date)),
    h('p', { class: 'minutes' }, shut ? W.shut : W.used(hours(capacity.used_min), hours(capacity.available_min))),
    shut ? null : timeStrip(roaster, capacity, here),
    h('ol', { class: 'blocks' }, here.map((batch) => block(batch))));
}

/** @param {string} clock "07:40" */
const minuteOf = (clock) => Number(clock.slice(0, 2)) * 60 + Number(clock.slice(3, 5));

/**
 * The day as a line of time: batches as long as their minutes, heating up and change-overs as gaps, what is left as empty space.
 * All days of a roaster share one scale, so that a day that has begun is shorter at its start.
 * @param {PlanRoaster} roaster @param {PlanRoaster['days'][number]} capacity @param {PlanBatch[]} here
 */
function timeStrip(roaster, capacity, here) {
  const open = roaster.days.filter((each) => each.opens && each.available_min > 0);
  const first = Math.min(...open.map((each) => minuteOf(each.opens ?? '')));
  const last = Math.max(...open.map((each) => minuteOf(each.opens ?? '') + each.available_min));
  const share = (/** @type {number} */ minutes) => `${(minutes / Math.max(1, last - first)) * 100}%`;
  const from = minuteOf(capacity.opens ?? '00:00');
  const strip = h('div', { class: 'time-strip', 'aria-hidden': 'true' });
  /** @param {string} kind @param {number} at @param {number} minutes */
  const lay = (kind, at, minutes) => {
    const piece = h('i', { class: kind });
    piece.style.left = share(at - first);
    piece.style.width = share(minutes);
    strip.append(piece);
  };
  lay('open', from, capacity.available_min);
  for (const batch of here) lay(`piece${isPinned(batch) ? ' pinned' : ''}${feedsShown(batch) ? ' fed' : ''}`, minuteOf(batch.start), batch.minutes);
  return strip;
}

/* Blocks */

/** @param {PlanBatch} batch */
function block(batch) {
  const key = keyOf(batch);
  const open = week.chosen === key;
  const card = cardOf(batch.card);
  const fixed = isBegun(batch.card);
  const fed = feedsShown(batch);
  const face = h('button', {
    type: 'button', class: 'face', 'aria-expanded': String(open), 'data-key': `block ${key}`,
    on: { click: () => {
      week.chosen = open ? '' : key;
      drawBoard();
    }, keydown: (/** @type {KeyboardEvent} */ event) => fixed || moveByKey(event, batch) },
  }, h('span', { class: 'when' }, batch.start), sack(batch.lot.name, batch.grade), h('span', { class: 'what' }, batch.style.name, card && !fixed && !isPinned(batch) ? h('span', { class: 'on-card' }, ` · ${W.onCard}`) : null), h('b', {}, mass(batch.charge_g)),
  fed ? h('span', { class: 'fed-mark' }, W.feedsShip(day(week.shipDay))) : null,
  isPinned(batch) ? h('span', { class: 'pin' }, W.pinned) : null, fixed && card ? h('span', { class: 'flag' }, T.floor.cardStates[card.state]) : null);
  const node = h('li', { class: `block${isPinned(batch) ? ' pinned' : ''}${open ? ' open' : ''}${fed ? ' fed' : ''}` }, h('div', { class: 'block-head' }, face, fixed ? null : h('span', { class: 'grip', 'aria-hidden': 'true' }, '⠿')), open ? details(batch, fixed) : null);
  if (!fixed) carriable(node, (target) => move(batch, { day: target.dataset.day ?? batch.day, roaster: target.dataset.roaster ?? batch.roaster.id }));
  return node;
}

/** What it feeds and how to move it. @param {PlanBatch} batch @param {boolean} fixed */
function details(batch, fixed) {
  return h('div', { class: 'block-more' },
    h('p', {}, W.comesOut(mass(batch.expected_g), mass(batch.lo_g), mass(batch.hi_g))),
    batch.feeds.length ? h('ul', { class: 'feeds' }, batch.feeds.map((feed) => h('li', {}, `${orderNumber(feed.order)} · ${named(feed.product, week.from.products)} · ${mass(feed.mass_g)}`))) : h('p', {}, W.feedsNone),
    batch.without ? h('p', { class: 'without' }, withoutText(batch)) : null,
    fixed ? null : h('div', { class: 'moves', role: 'group', 'aria-label': W.move },
      button('←', () => move(batch, { day: openDay(batch, -1) }), { 'aria-label': W.earlier, title: W.earlier, 'data-key': 'earlier' }),
      button('→', () => move(batch, { day: openDay(batch, 1) }), { 'aria-label': W.later, title: W.later, 'data-key': 'later' }),
      button('↕', () => move(batch, { roaster: otherRoaster(batch) }), { 'aria-label': W.otherRoaster, title: W.otherRoaster, 'data-key': 'roaster', disabled: (week.plan?.roasters.length ?? 0) < 2 }),
      button(W.change, () => changeBatch(batch), { 'data-key': 'change' }),
      isPinned(batch) ? button(W.unpin, () => week.askAgain({ pinned: withoutPin(batch) }), { 'data-key': 'unpin' }) : button(W.pin, () => move(batch, {}), { 'data-key': 'pin' })));
}

/** What would be without it. @param {PlanBatch} batch */
function withoutText({ without }) {
  if (without.short.length === 0) return W.needless(hours(without.saved_min));
  return W.onlyThis(without.short.map((each) => `${W.bags(each.bags, named(each.product, week.from.products))} (${each.customer})`).join(', '));
}

/* Moving */

/** Arrow keys move a batch while its face has the focus. @param {KeyboardEvent} event @param {PlanBatch} batch */
function moveByKey(event, batch) {
  const to = /** @type {Record<string, Partial<Pin>>} */ ({ ArrowLeft: { day: openDay(batch, -1) }, ArrowRight: { day: openDay(batch, 1) }, ArrowUp: { roaster: otherRoaster(batch, -1) }, ArrowDown: { roaster: otherRoaster(batch) } })[event.key];
  if (!to) return;
  event.preventDefault();
  move(batch, to);
}

/**
 * The next day before or after on which its roaster is open; beyond the days that are planned there is none.
 * @param {PlanBatch} batch @param {1|-1} step
 */
function openDay(batch, step) {
  const open = week.plan?.roasters.find((each) => each.id === batch.roaster.id)?.days.filter((each) => each.available_min > 0).map((each) => each.day) ?? [];
  const there = open.filter((each) => (step > 0 ? each > batch.day : each < batch.day)).sort();
  return (step > 0 ? there[0] : there.at(-1)) ?? addDays(step > 0 ? addDays(week.asked.from_day, week.asked.days - 1) : week.asked.from_day, step);
}

/** @param {PlanBatch} batch @param {number} [step] */
function otherRoaster(batch, step = 1) {
  const all = week.plan?.roasters ?? [];
  const at = all.findIndex((each) => each.id === batch.roaster.id);
  return all[(at + step + all.length) % all.length]?.id ?? batch.roaster.id;
}

/**
 * Pins a batch where it is told to be; the rest is planned again around it. What cannot be there stays where it was.
 * @param {PlanBatch} batch @param {Partial<Pin>} to
 */
async function move(batch, to) {
  const pin = { ...pinOf(batch), ...to };
  const last = addDays(week.asked.from_day, week.asked.days - 1);
  if (pin.day < week.asked.from_day || pin.day > last) {
    tell(W.edge);
    return;
  }
  const { asked: before } = week;
  const planning = week.askAgain({ pinned: [...withoutPin(batch), pin] });
  const { asked } = week;
  await planning;
  const moved = week.plan?.batches.find((each) => each.pinned && samePin(pinOf(each), pin));
  if (!moved) {
    if (week.asked !== asked) return;
    const why = sentence(week.error || (week.plan?.dropped_pins.find((each) => samePin(each, pin))?.sentence ?? ''));
    week.before.pop();
    week.asked = before;
    await week.load();
    focusOn(batch);
    tell(W.notPinned(batch.lot.name, why));
    return;
  }
  if (week.chosen) week.chosen = keyOf(moved);
  drawBoard();
  focusOn(moved);
  tell(W.movedTo(moved.lot.name, `${day(moved.day)} ${moved.start}`, moved.roaster.name));
}

/** @param {PlanBatch} batch */
function focusOn(batch) {
  const face = places.board.querySelector(`[data-key="${CSS.escape(`block ${keyOf(batch)}`)}"]`);
  if (face instanceof HTMLElement) face.focus();
}

/** What a roaster takes at once, where a charge is less or more than that. @param {{roaster: string, lot: string, charge_g: number}} asked */
function chargeLimits({ roaster, lot, charge_g }) {
  const of = (week.from.roasters ?? []).find((each) => each.id === roaster);
  if (!of) return null;
  const grade = (week.from.lots ?? []).find((each) => each.id === lot)?.grade;
  const own = of.charge_limits.find((/** @type {any} */ each) => each.lot === lot) ?? of.charge_limits.find((/** @type {any} */ each) => !each.lot && each.grade === grade) ?? of;
  return charge_g < own.min_charge_g || charge_g > own.max_charge_g ? W.outsideCharge(of.name, mass(own.min_charge_g), mass(own.max_charge_g)) : null;
}

/** @param {PlanBatch} batch */
async function changeBatch(batch) {
  /** What is free of a lot, with what this batch itself holds by its card. @param {any} lot */
  const free = (lot) => lot.free_g + (batch.card && lot.id === batch.lot.id ? batch.charge_g : 0);
  const lots = (week.from.lots ?? []).filter((lot) => lot.coffee === batch.coffee.id && !lot.retired).map((lot) => ({ value: lot.id, label: `${lot.name} · ${lot.grade} · ${mass(free(lot))}` }));
  await askForm({
    title: `${batch.lot.name} · ${batch.style.name}`, go: W.pin, value: pinOf(batch),
    fields: [{ name: 'day', kind: 'day', label: T.records.day }, { name: 'roaster', kind: 'choice', label: T.words.roaster, options: (week.plan?.roasters ?? []).map((each) => ({ value: each.id, label: each.name })) },
      { name: 'lot', kind: 'choice', label: T.words.lot, options: lots }, { name: 'charge_g', kind: 'mass', label: W.charge }],
    save: async (values) => {
      const detail = chargeLimits(values);
      if (detail) throw new Problem(422, { detail, errors: [{ pointer: '/charge_g', detail }] });
      await week.askAgain({ pinned: [...withoutPin(batch), { ...pinOf(batch), ...values }] });
    },
  });
}
