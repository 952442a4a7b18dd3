/** A posting: what moved, how its masses are known with every reading as it was typed, and who booked it when. */
import { Problem, read } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { exact, fullDay, fullMoment, inDays } from './format.js';
import { askCommand } from './forms.js';
import { openLive } from './live.js';
import { empty, explain, linkTo } from './parts/page-frame.js';
import { T } from './texts.js';

const O = T.posting;
const place = byId('posting');
document.title = `${O.title} · Outturn`;
const id = new URLSearchParams(location.search).get('id') ?? '';
/** What a place's key can be traced as. @type {Record<string, string>} */
const TRACED = { batch: 'batch', roasted: 'batch', packed: 'packing', shipped: 'shipment', supplier: 'delivery' };

async function load() {
  if (!id) {
    redraw(place, empty(O.none, linkTo('/audit', T.audit.statement)));
    return;
  }
  try {
    draw(await read(`/api/postings/${encodeURIComponent(id)}`));
  } catch (error) {
    if (!(error instanceof Problem)) explain(error);
    redraw(place, empty(O.none, linkTo('/audit', T.audit.statement)));
  }
}

/** @param {string} term @param {import('./dom.js').Child} value */
const pair = (term, value) => (value ? h('div', {}, h('dt', {}, term), h('dd', {}, value)) : null);
const other = (/** @type {string} */ posting) => h('a', { href: `/posting?id=${posting}` }, O.see);

/** What this person may do. @type {string[]} */
let rights = [];

/** Green moves and its blends, which whoever looks after green undoes. */
const OF_GREEN = new Set(['receive', 'return', 'transfer', 'dispatch', 'arrive', 'sample', 'waste', 'dry', 'blend']);

/** Which right it takes to undo a posting: the one that it took to book it. @param {any} posting */
function rightToUndo({ kind, facts, movements }) {
  if (kind === 'count' || kind === 'use_up') return 'count';
  if (kind === 'correct') return 'judge';
  const ofBags = kind === 'waste' && movements.every((/** @type {any} */ each) => each.from.place === 'packed');
  return OF_GREEN.has(kind) && !ofBags && !facts?.cupping ? 'green' : 'floor';
}

/** The way to undo it, where there is one: what a count found is counted again instead. @param {any} posting */
function wayBack(posting) {
  if (posting.undone_by || posting.kind === 'reverse') return null;
  if (posting.facts?.count || posting.facts?.recounts) return linkTo('/count', O.countAgain);
  return rights.includes(rightToUndo(posting)) ? button(T.floor.undo, () => undo(posting), { 'data-key': 'undo' }) : null;
}

/** @param {any} posting */
async function undo(posting) {
  const words = `${O.kinds[posting.kind] ?? posting.kind} · ${fullDay(posting.day)}`;
  if (await askCommand({ kind: 'reversals', title: `${T.floor.undo}: ${words}`, lead: O.undoLead, go: T.floor.undo, fields: [{ name: 'reason', label: T.words.reason, kind: 'text', wide: true }], body: (values) => ({ posting: posting.id, ...values }), done: () => T.floor.undone })) await load();
}

/** @param {any} posting */
function draw(posting) {
  const [first] = posting.movements;
  redraw(place, h('div', { class: 'head' }, h('h2', {}, `${O.kinds[posting.kind] ?? posting.kind} · ${fullDay(posting.day)}`), h('div', { class: 'actions' }, first ? linkTo(`/audit?lot=${first.lot}&from=${posting.day}&to=${posting.day}`, O.statement) : null, wayBack(posting), button(T.audit.print, () => window.print(), { 'data-key': 'print' }))),
    posting.undone_by ? h('p', {}, h('b', {}, O.undone), ' ', other(posting.undone_by)) : null, posting.reverses ? h('p', {}, O.undoes, ' ', other(posting.reverses)) : null,
    posting.reason ? h('p', {}, posting.reason) : null,
    moved(posting), weighings(posting),
    h('h3', {}, O.booked), h('dl', { class: 'facts' }, pair(O.person, posting.person.name), pair(O.proof, posting.claimed ? O.claimed : ''), pair(O.happened, fullMoment(posting.happened_at)), pair(O.recorded, fullMoment(posting.recorded_at)), pair(T.records.day, [fullDay(posting.day), posting.late ? h('span', { class: 'flag', title: T.audit.lateHelp }, T.audit.late) : null]),
      pair(O.beyond, posting.facts?.beyond_book_g ? exact(posting.facts.beyond_book_g) : ''), pair(O.position, String(posting.position))),
    h('dl', { class: 'facts wide' }, pair(O.digest, h('code', {}, posting.digest))));
}

/** @param {any} posting */
function moved(posting) {
  /** @param {{place: string, key?: string}} at @param {string} called */
  const where = (at, called) => {
    // An order's number is its own, whatever it looks like.
    const name = at.place === 'shipped' ? called : inDays(called);
    const words = T.places[at.place] ?? at.place;
    if (!at.key) return words;
    const kind = TRACED[at.place];
    return [`${words}: `, kind ? h('a', { href: `/trace?of=${kind}&id=${at.key}` }, name) : name];
  };
  if (posting.movements.length === 0) return [h('h3', {}, O.moved), h('p', {}, O.nothingMoved)];
  return [h('h3', {}, O.moved), h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': O.moved }, h('table', {}, tableHead([T.words.lot, T.trace.from, T.trace.to, [T.words.mass]]), h('tbody', {}, posting.movements.map((/** @type {any} */ each, /** @type {number} */ i) => {
    const names = posting.lines[i];
    return h('tr', {}, h('th', { scope: 'row' }, h('a', { href: `/audit?lot=${each.lot}` }, names.lot.name)), h('td', {}, where(each.from, names.from)), h('td', {}, where(each.to, names.to)), h('td', { class: 'num' }, exact(each.mass_g)));
  }))))];
}

/** @param {any} posting */
function weighings(posting) {
  if (posting.weighings.length === 0) return null;
  const basis = (/** @type {any} */ each) => [T.weight.ways[/** @type {'weighed'} */ (each.basis)] ?? each.basis, each.scale ? each.scale.name : '', each.division_g ? O.steps(exact(each.division_g)) : '', O.sources[each.source] ?? ''].filter(Boolean).join(' · ');
  return [h('h3', {}, O.known), posting.weighings.map((/** @type {any} */ each) => h('div', { class: 'weighing' }, h('p', {}, h('b', {}, exact(each.net_g)), ` ${basis(each)}`),
    each.readings.length ? h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': O.readings }, h('table', {}, tableHead([O.typed, [O.gross], T.weight.container, [O.tare], [O.net]]), h('tbody', {}, each.readings.map((/** @type {any} */ reading) => h('tr', {}, h('td', {}, `${reading.gross} ${each.unit ?? ''}`), h('td', { class: 'num' }, exact(reading.gross_g)), h('td', {}, reading.container ?? T.weight.noContainer), h('td', { class: 'num' }, exact(reading.tare_g)), h('td', { class: 'num' }, exact(reading.net_g))))))) : null))];
}

rights = (await openLive(load))?.rights ?? [];
await load();
