/** Count: what is really there, on a tablet in the store. Open sack first, then whole sacks; the book's figure is hidden where the count is blind. */
import { command, happened, Problem, read, readAll, uuid7 } from './api.js';
import { button, byId, h, redraw } from './dom.js';
import { fullMoment, inDays, mass, more } from './format.js';
import { askCommand, askForm } from './forms.js';
import { openLive } from './live.js';
import { empty, linkTo, trying } from './parts/page-frame.js';
import { sack } from './sack.js';
import { T } from './texts.js';
import { strongestFirst } from './weighing.js';

/** @import { CountSheet, SheetLine } from './types.js' */
/** @typedef {import('./parts/fields.js').Field} Field */

const C = T.counting;
const places = { all: byId('all'), sheet: byId('sheet') };
/** @type {{counts: any[], open: string, sheet: CountSheet|null, scales: any[], rooms: any[], rights: string[], sentBack: any}} */
const page = { counts: [], open: location.hash.slice(1), sheet: null, scales: [], rooms: [], rights: [], sentBack: null };

async function load() {
  await trying(async () => {
    const [counts, scales, rooms] = await Promise.all([readAll('/api/count-sessions'), readAll('/api/scales'), readAll('/api/storerooms')]);
    Object.assign(page, { counts, scales: strongestFirst(scales), rooms });
    page.sheet = page.open ? await read(`/api/count-sessions/${page.open}`) : null;
    page.sentBack = page.sheet?.state === 'open' ? await whySentBack(page.sheet.id) : null;
    draw();
  });
}

/** The last word with which a count was sent back, from the journal. @param {string} id */
async function whySentBack(id) {
  const { items } = await read(`/api/journal?id=${id}&limit=200`);
  return items.find((/** @type {any} */ each) => each.act === 'count_sent_back') ?? null;
}

function draw() {
  places.all.hidden = Boolean(page.sheet);
  places.sheet.hidden = !page.sheet;
  if (page.sheet) drawSheet(page.sheet);
  else drawAll();
}

/* All counts */

function drawAll() {
  redraw(places.all, h('div', { class: 'head' }, h('h2', {}, C.back), button(C.open, openOne, { kind: 'main', 'data-key': 'open' })),
    page.counts.length === 0 ? empty(C.none) : h('ul', { class: 'records' }, page.counts.map((each) => h('li', {},
      h('div', {}, h('b', {}, C.frozen(fullMoment(each.frozen_at))), h('span', { class: `flag ${each.state === 'booked' ? 'received' : ''}` }, C.states[/** @type {'open'} */ (each.state)]),
        h('p', {}, [each.covers.map((/** @type {'green'} */ what) => C.coverNames[what]).join(', '), each.storeroom?.name, C.places(each.counted), each.person.name].filter(Boolean).join(' · '))),
      h('div', { class: 'actions' }, h('a', { class: 'button plain', href: `#${each.id}`, 'data-key': `count-${each.id}`, 'aria-label': `${C.countIt}: ${C.frozen(fullMoment(each.frozen_at))}` }, each.state === 'open' ? C.countIt : T.findings.look))))));
}

async function openOne() {
  const id = uuid7();
  /** @type {Field[]} */
  const fields = [
    { name: 'covers', label: C.covers, kind: 'many', options: Object.entries(C.coverNames).map(([value, label]) => ({ value, label })) },
    { name: 'storeroom', label: C.room, kind: 'choice', optional: true, none: C.allRooms, options: page.rooms.filter((each) => !each.retired).map((each) => ({ value: each.id, label: each.name })) },
    { name: 'blind', label: C.blind, kind: 'check' },
  ];
  const opened = await askForm({ title: C.open, lead: C.openLead, fields, value: { covers: ['green'] }, go: C.open, save: async (values) => {
    await command('count-openings', id, happened({ covers: values.covers, ...(values.storeroom ? { storeroom: values.storeroom } : {}), ...(values.blind ? { blind: true } : {}) }));
  } });
  if (opened) location.hash = id;
}

/* One sheet */

/** @param {CountSheet} sheet */
function drawSheet(sheet) {
  const left = sheet.lines.filter((line) => line.counted_g === null).length;
  redraw(places.sheet, h('div', { class: 'head' }, h('h2', {}, C.frozen(fullMoment(sheet.frozen_at)), h('span', { class: `flag ${sheet.state === 'booked' ? 'received' : ''}` }, C.states[sheet.state])), h('a', { class: 'button quiet', href: '#', 'data-key': 'back' }, C.back)),
    sheet.recounted ? h('p', { class: 'notice' }, C.recounted) : null,
    page.sentBack ? h('p', { class: 'notice' }, C.sentBack(page.sentBack.person.name, page.sentBack.reason)) : null,
    sheet.second_person && sheet.state !== 'booked' ? h('p', { class: 'help' }, C.secondPerson) : null,
    sheet.lines.length === 0 ? empty(C.empty, linkTo('/green', T.pages.green)) : h('ul', { class: 'places' }, sheet.lines.map((line) => placeCard(sheet, line))),
    h('div', { class: 'actions' }, steps(sheet, left)));
}

/** @param {CountSheet} sheet @param {SheetLine} line */
function placeCard(sheet, line) {
  const counted = line.counted_g !== null;
  const what = whatStands(line);
  const name = `${line.lot.name}, ${what}`;
  return h('li', { class: counted ? 'counted' : '' }, h('div', {}, sack(line.lot.name, '')), h('p', {}, T.places[line.place] ?? line.place, ' · ', what),
    h('dl', { class: 'figures' }, figure(C.book, line.book_g === null ? '?' : line.book_bags !== null ? C.bags(line.book_bags) : mass(line.book_g)),
      figure(C.counted, counted ? (line.counted_bags !== null ? C.bags(line.counted_bags) : mass(line.counted_g)) : sheet.state === 'booked' || sheet.state === 'dropped' ? C.neverCounted : C.notCounted), line.difference ? figure(C.difference, more(-line.difference.total_g)) : null),
    line.difference && line.difference.total_g !== 0 ? h('dl', { class: 'parts' }, figure(C.drying, more(-line.difference.drying_g)), figure(C.weighing, more(-line.difference.weighing_g)),
      h('div', { class: line.difference.unexplained_g !== 0 ? 'gone' : '' }, h('dt', {}, C.unexplained), h('dd', {}, more(-line.difference.unexplained_g)))) : null,
    line.sentence ? h('p', { class: 'sentence' }, line.sentence) : null,
    sheet.state === 'open' ? button(counted ? C.again : C.countIt, () => countPlace(sheet, line), { kind: counted ? 'plain' : 'main', 'data-key': `at-${line.place}-${line.key}-${line.lot.id}`, 'aria-label': `${counted ? C.again : C.countIt}: ${name}` }) : null);
}

/** What stands at a place in words; batches of one run are told apart by their ids, as on a label. @param {SheetLine} line */
const whatStands = (line) => [inDays(line.name), line.place === 'roasted' ? T.packing.batch(line.key.slice(-6)) : ''].filter(Boolean).join(' · ');

/** @param {string} term @param {string} value */
const figure = (term, value) => h('div', {}, h('dt', {}, term), h('dd', {}, value));

/** @param {CountSheet} sheet @param {SheetLine} line */
async function countPlace(sheet, line) {
  const where = { store: { green: { lot: line.lot.id, storeroom: line.key } }, roasted: { roasted: line.key }, packed: { packing: line.key } }[line.place] ?? {};
  /** @type {Field[]} */
  const green = [{ name: 'open', label: C.openSack, kind: 'weight', help: C.openSackHelp, scales: page.scales, bases: ['weighed', 'reckoned'], optional: true },
    { name: 'whole', label: C.wholeSacks, kind: 'whole', help: C.wholeHelp, optional: true }, { name: 'sack_g', label: C.sackHolds, kind: 'mass', optional: true }];
  /** @type {Record<string, Field[]>} */
  const fields = { store: green, roasted: [{ name: 'open', label: C.weightHere, kind: 'weight', scales: page.scales, bases: ['weighed', 'reckoned'], optional: true }, { name: 'nothing', label: C.nothing, kind: 'check', optional: true }], packed: [{ name: 'bags', label: C.howManyBags, kind: 'whole' }] };
  const saved = await askCommand({
    kind: 'count-entries', title: `${line.lot.name} · ${whatStands(line)}`, fields: fields[line.place] ?? [], value: { sack_g: line.sack_g || undefined }, go: T.form.save,
    body: (values) => ({ count: sheet.id, ...where, ...(line.place === 'packed' ? { bags: values.bags } : { weights: weightsOf(line, values) }) }),
  });
  if (saved) await load();
}

/**
 * What was found at a place. An empty form says nothing: that nothing is there must be said, with a nought or a tick.
 * @param {SheetLine} line @param {any} values
 */
function weightsOf(line, { open, whole, sack_g, nothing }) {
  if (!open && line.place === 'store' && whole === undefined) throw wrong('open', C.sayStore);
  if (line.place === 'roasted' && Boolean(open) === Boolean(nothing)) throw wrong('open', C.sayRoasted);
  if (whole && !sack_g) throw wrong('sack_g', C.saySack);
  const sacks = whole !== undefined || nothing ? [{ basis: 'nominal', sacks: whole ?? 0, sack_g: whole ? sack_g : 0, loose_g: 0 }] : [];
  return [...(open ? [open] : []), ...sacks];
}

/** A complaint at one field. @param {string} field @param {string} detail */
const wrong = (field, detail) => new Problem(422, { detail, errors: [{ pointer: `/${field}`, detail }] });

/** What would be booked, as far as it is shown: a blind count keeps it until it is handed in. @param {CountSheet} sheet */
function differencesOf(sheet) {
  const differing = sheet.lines.filter((line) => line.difference && /[1-9]/.test(mass(line.difference.total_g)));
  if (sheet.blind && sheet.state === 'open') return '';
  return differing.length === 0 ? C.noDifference : C.differences(differing.map((line) => `${line.lot.name}, ${whatStands(line)} ${more(-(line.difference?.total_g ?? 0))}`));
}

/** @param {CountSheet} sheet @param {number} left */
function steps(sheet, left) {
  const say = async (/** @type {string} */ kind, /** @type {any} */ body, /** @type {string} */ title, /** @type {string} */ lead, /** @type {boolean} */ reason) => {
    const fields = /** @type {Field[]} */ (reason ? [{ name: 'reason', label: T.words.reason, kind: 'text', wide: true }] : []);
    if (await askCommand({ kind, title, lead, fields, go: title, body: (values) => ({ count: sheet.id, ...body, ...values }) })) {
      await load();
      scrollTo({ top: 0 });
    }
  };
  const drop = button(C.drop, () => say('count-decisions', { decision: 'drop' }, C.drop, C.dropLead, true), { kind: 'quiet', 'data-key': 'drop' });
  const judges = page.rights.includes('judge');
  const go = sheet.second_person ? C.handIn : C.handInBook;
  if (sheet.state === 'open' && sheet.lines.length === 0) return judges ? [drop] : [];
  if (sheet.state === 'open') return [button(go, () => say('count-hand-ins', {}, go, `${C.handInLead(left)} ${differencesOf(sheet)}`.trim(), false), { kind: 'main', 'data-key': 'hand-in' }), judges ? drop : null];
  if (sheet.state === 'handed_in' && !judges) return [h('p', { class: 'help' }, C.approvedBy)];
  if (sheet.state === 'handed_in') {
    return [button(C.approve, () => say('count-decisions', { decision: 'approve' }, C.approve, `${differencesOf(sheet)} ${C.approveLead}`.trim(), false), { kind: 'main', 'data-key': 'approve' }),
      button(C.sendBack, () => say('count-decisions', { decision: 'send_back' }, C.sendBack, '', true), { 'data-key': 'send-back' }), drop];
  }
  return [button(T.audit.print, () => window.print(), { 'data-key': 'print' })];
}

page.rights = (await openLive(load))?.rights ?? [];
await load();
addEventListener('hashchange', () => {
  page.open = location.hash.slice(1);
  load();
});
