/** Cupping: a table of cups under random codes, what the cupper says of each, and what that does to the batches. */
import { command, happened, read, readAll, uuid7 } from './api.js';
import { button, byId, h, redraw } from './dom.js';
import { day, mass } from './format.js';
import { askCommand } from './forms.js';
import { openLive } from './live.js';
import { empty, tell, trying } from './parts/page-frame.js';
import { sack } from './sack.js';
import { T } from './texts.js';

const C = T.cupping;
const places = { tables: byId('tables'), one: byId('one') };
/** What a cup holds by custom or standard: water in grams, coffee for it. */
const RATIOS = [{ value: '0.055', label: C.ratios.low }, { value: '0.06', label: C.ratios.high }, { value: '0.07', label: C.ratios.iso }];
/** @type {{tables: any[], bins: any[], open: string, told: boolean, said: Map<number, {verdict?: string, notes: string}>}} */
const page = { tables: [], bins: [], open: location.hash.slice(1), told: false, said: new Map() };

async function load() {
  await trying(async () => {
    const [tables, bins] = await Promise.all([readAll('/api/cuppings'), read('/api/bins')]);
    page.tables = tables.reverse();
    page.bins = bins.items;
    drawTables();
    await drawOne();
  });
}

function drawTables() {
  redraw(places.tables, h('div', { class: 'head' }, h('h2', {}, C.tables), page.bins.length ? button(C.lay, lay, { kind: 'main', 'data-key': 'lay' }) : null),
    page.tables.length === 0 ? empty(page.bins.length ? C.none : T.green.noRoasted) : h('ul', { class: 'records' }, page.tables.slice(0, 30).map((table) => {
      const open = table.cups.filter((/** @type {any} */ cup) => !cup.verdict).length;
      return h('li', {}, h('div', {}, h('a', { href: `#${table.id}`, 'data-key': `open-${table.id}` }, h('b', {}, day(table.day))), h('p', {}, C.cups(table.cups.length), open ? [' ', h('span', { class: 'flag' }, C.open(open))] : null)));
    })));
}

async function lay() {
  const batches = page.bins.flatMap((bin) => bin.batches.map((/** @type {any} */ each) => ({ value: each.batch, label: `${bin.lot.name} · ${bin.style.name} · ${day(bin.day)} · ${each.batch.slice(-6)} · ${mass(each.mass_g)}${bin.hold ? ` · ${T.words.onHold}` : ''}` })));
  const saved = await askCommand({
    kind: 'cuppings', title: C.lay, lead: C.layLead, go: C.lay, value: { cups_each: 1, water_g: 180, ratio: '0.055' },
    fields: [{ name: 'batches', kind: 'many', label: C.batches, options: batches }, { name: 'cups_each', kind: 'whole', label: C.each }, { name: 'water_g', kind: 'mass', unit: 'g', label: C.water }, { name: 'ratio', kind: 'choice', label: C.ratio, help: C.ratioHelp, options: RATIOS }],
    body: (values) => ({ ...values, ratio: Number(values.ratio) }),
    done: (answer) => {
      page.open = answer.cupping.id;
      location.hash = page.open;
      return C.laid(answer.cupping.cups.length, mass(answer.cupping.dose_g, 'g', 2));
    },
  });
  if (saved) await load();
}

/* One table */

async function drawOne() {
  places.one.hidden = !page.open;
  if (!page.open) return;
  const table = await trying(() => read(`/api/cuppings/${page.open}${page.told ? '?tell=true' : ''}`));
  if (!table) return;
  redraw(places.one, h('div', { class: 'head' }, h('h2', {}, C.table(day(table.day))), h('div', { class: 'actions' }, button(page.told ? C.hide : C.tell, () => {
    page.told = !page.told;
    drawOne();
  }, { 'data-key': 'tell' }), h('a', { class: 'button quiet', href: '#', 'data-key': 'close' }, T.green.close))),
  h('p', { class: 'help' }, C.recipe(mass(table.dose_g, 'g', 2), mass(table.water_g, 'g', 0))),
  h('ul', { class: 'cups' }, table.cups.map(cupCard)),
  h('div', { class: 'actions' }, button(C.save, () => save(table), { kind: 'main', 'data-key': 'save' })));
}

/** @param {any} cup */
function cupCard(cup) {
  const said = page.said.get(cup.code) ?? { verdict: cup.verdict ?? undefined, notes: cup.notes ?? '' };
  page.said.set(cup.code, said);
  const way = (/** @type {string} */ value, /** @type {string} */ label) => h('label', { class: 'tick' }, h('input', { type: 'radio', name: `cup-${cup.code}`, value, checked: said.verdict === value, on: { change: () => {
    said.verdict = value;
  } } }), label);
  return h('li', { class: 'cup sheet' }, h('b', { class: 'cup-code' }, String(cup.code)),
    cup.batch ? h('p', {}, sack(cup.batch.lot.name, cup.batch.grade), ` ${cup.batch.style.name} · ${day(cup.batch.day)}`, cup.batch.hold ? h('span', { class: 'flag on_hold' }, T.words.onHold) : null) : null,
    h('div', { class: 'field' }, h('label', { for: `notes-${cup.code}` }, C.notes), h('textarea', { id: `notes-${cup.code}`, 'data-key': `notes-${cup.code}`, rows: 2, value: said.notes, on: { input: (/** @type {any} */ event) => {
      said.notes = event.target.value;
    } } })),
    h('fieldset', { class: 'ways' }, h('legend', { class: 'unseen' }, C.verdict(cup.code)), way('pass', C.pass), way('hold', C.hold)));
}

/** @param {any} table */
async function save(table) {
  const cups = table.cups.flatMap((/** @type {any} */ cup) => {
    const said = page.said.get(cup.code);
    const notes = (said?.notes ?? '').replace(/\s+/g, ' ').trim();
    return said?.verdict && (said.verdict !== cup.verdict || notes !== (cup.notes ?? '')) ? [{ code: cup.code, verdict: said.verdict, ...(notes ? { notes } : {}) }] : [];
  });
  if (cups.length === 0) {
    tell(C.nothing);
    return;
  }
  await trying(async () => {
    const answer = await command('cup-verdicts', uuid7(), happened({ cupping: table.id, cups }));
    tell(C.judged(answer.held.length, answer.passed.length));
    await load();
  });
}

await openLive(load);
await load();
addEventListener('hashchange', () => {
  page.open = location.hash.slice(1);
  page.told = false;
  page.said.clear();
  drawOne();
});
