/** Set-up, past batches: a roastery's own table as the start of what is learned. Read, looked at, taken over in parts, taken back. */
import { ask, command, happened, read, readAll, uuid7 } from './api.js';
import { button, h, redraw, tableHead } from './dom.js';
import { fullDay, percent } from './format.js';
import { askCommand } from './forms.js';
import { inWords, trying } from './parts/page-frame.js';
import { T } from './texts.js';

const P = T.past;
/** The fields of a batch, and words that people head them with. @type {[keyof typeof P.fields, boolean, RegExp][]} */
const FIELDS = [
  ['date', true, /date|day|datum|roasted on/i], ['time', false, /^time|uhrzeit|hour/i], ['coffee', true, /coffee|bean|origin|kaffee/i], ['lot', false, /lot|charge no/i],
  ['style', false, /style|profile|roast level/i], ['roaster', false, /roaster|machine|drum/i], ['green', true, /green|weight in|^in\b|roh/i], ['roasted', true, /roasted|weight out|^out\b|end weight/i],
  ['received', false, /received|arriv/i], ['moisture', false, /moist|water/i],
];
/** Batches sent at once: between two parts the page shows how far it is, and may stop. */
const PART = 1000;
/** How many lines of a long list are shown. */
const SHOWN = 200;

/** @typedef {{name: string, csv: string, headings: string[], rows: number}} Sheet */

/** @param {File} file */
async function bytesOf(file) {
  const url = await new Promise((done, failed) => {
    const reader = new FileReader();
    reader.onload = () => done(reader.result);
    reader.onerror = () => failed(reader.error);
    reader.readAsDataURL(file);
  });
  return String(url).slice(String(url).indexOf(',') + 1);
}

/**
 * The section, which draws itself into `box`.
 * @param {HTMLElement} box
 */
export async function pastBatches(box) {
  const [imports, styles, roasters, remembered] = await Promise.all([read('/api/past-imports'), readAll('/api/styles'), readAll('/api/roasters'), readAll('/api/table-headings')]);
  const known = remembered.find((each) => each.table === 'past_batches')?.headings ?? {};
  const form = h('div', { class: 'past-form' });
  const file = h('input', { type: 'file', id: 'past-file', accept: '.csv,.xlsx,text/csv', on: { change: () => trying(async () => {
    const picked = file.files?.[0];
    if (!picked) return;
    try {
      const sheet = await ask('/api/sheets', { file: await bytesOf(picked) });
      drawForm(form, { name: picked.name, ...sheet }, { known, styles, roasters, again: () => pastBatches(box) });
    } catch (error) {
      redraw(form, h('p', { class: 'error', role: 'alert' }, inWords(error)));
    }
  }) } });
  redraw(box, h('h2', {}, P.title), h('p', {}, P.help),
    imports.items.length ? h('ul', { class: 'records' }, imports.items.map((/** @type {any} */ each) => h('li', {}, h('div', {}, h('b', {}, each.name), h('p', {}, P.import(each.batches, fullDay(dayOf(each.first_minute)), fullDay(dayOf(each.last_minute))))),
      h('div', { class: 'actions' }, button(P.takeBack, async () => {
        if (await askCommand({ kind: 'past-withdrawals', title: P.takeBack, lead: P.takeBackLead(each.batches), fields: [], body: () => ({ import: each.id }), go: P.takeBack })) await pastBatches(box);
      }, { kind: 'quiet', 'data-key': `back-${each.id}`, 'aria-label': `${P.takeBack}: ${each.name}` }))))) : null,
    styles.length && roasters.length ? h('div', { class: 'fields' }, h('div', { class: 'field' }, h('label', { for: 'past-file' }, P.file), file)) : h('p', { class: 'none' }, P.first), form);
}

/** The day of a wall-clock minute since 1970. @param {number} minute */
const dayOf = (minute) => new Date(minute * 60_000).toISOString().slice(0, 10);

/** @param {string} id @param {string} label @param {HTMLElement} control @param {string} [help] */
const field = (id, label, control, help) => {
  control.id = id;
  return h('div', { class: 'field' }, h('label', { for: id }, label), control, help ? h('p', { class: 'help' }, help) : null);
};

/** @param {[string, string][]} options @param {string} value */
const choice = (options, value) => h('select', {}, options.map(([id, name]) => h('option', { value: id, selected: id === value }, name)));

/** @param {HTMLElement} box @param {Sheet} sheet @param {{known: Record<string, string>, styles: any[], roasters: any[], again: () => Promise<void>}} beside */
function drawForm(box, sheet, { known, styles, roasters, again }) {
  const headings = sheet.headings.filter(Boolean);
  /** @param {string} name @param {RegExp} like */
  const guess = (name, like) => headings.find((each) => each === known[name]) ?? headings.find((each) => each.toLowerCase() === name) ?? headings.find((each) => like.test(each)) ?? '';
  /** @type {[string, HTMLSelectElement][]} */
  const columns = FIELDS.map(([name, must, like]) => [name, choice([['', must ? P.choose : P.notThere], ...headings.map((each) => /** @type {[string, string]} */ ([each, each]))], guess(name, like))]);
  const live = (/** @type {any[]} */ list) => list.filter((each) => !each.retired).map((each) => /** @type {[string, string]} */ ([each.id, each.name]));
  const unit = choice([['kg', T.records.kg], ['lb', T.records.lb], ['g', T.records.g]], 'kg');
  const style = choice(live(styles), '');
  const roaster = choice(live(roasters), '');
  const report = h('div', { class: 'report', 'aria-live': 'polite' });
  const chosen = () => Object.fromEntries(columns.filter(([, select]) => select.value).map(([name, select]) => [name, select.value]));
  const look = button(P.look, async () => {
    redraw(report, h('p', { role: 'status' }, P.looking(sheet.rows)));
    try {
      const dry = await ask('/api/past-imports', { csv: sheet.csv, headings: chosen(), unit: unit.value, style: style.value || null, roaster: roaster.value || null });
      drawReport(report, dry, { name: sheet.name, headings: chosen(), again });
    } catch (error) {
      redraw(report, h('p', { class: 'error', role: 'alert' }, inWords(error)));
    }
  }, { kind: 'main', id: 'past-look' });
  redraw(box, h('h3', {}, P.columns), h('p', {}, P.columnsHelp(sheet.rows)), h('div', { class: 'fields' }, columns.map(([name, select]) => field(`past-${name}`, P.fields[/** @type {'date'} */ (name)], select)),
    field('past-unit', P.unit, unit), field('past-usual-style', P.usualStyle, style), field('past-usual-roaster', P.usualRoaster, roaster)), h('div', { class: 'actions' }, look), report);
}

/** @param {string} label @param {any[]} head @param {any[]} rows */
const table = (label, head, rows) => h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': label }, h('table', {}, tableHead(head), h('tbody', {}, rows)));

/** @param {HTMLElement} box @param {any} dry @param {{name: string, headings: Record<string, string>, again: () => Promise<void>}} what */
function drawReport(box, dry, what) {
  const fresh = dry.rows.length - dry.same;
  const told = [];
  if (dry.errors.length) {
    told.push(h('p', { class: 'error', role: 'alert' }, P.bad(dry.errors.length)), table(T.imports.badLines, [[T.imports.lineNumber], T.imports.column, T.imports.value, T.imports.problem],
      dry.errors.slice(0, SHOWN).map((/** @type {any} */ each) => h('tr', {}, h('td', { class: 'num' }, String(each.line)), h('td', {}, each.column), h('td', {}, h('code', {}, each.value)), h('td', {}, each.detail)))));
  }
  if (dry.rows.length) {
    told.push(h('p', {}, P.found(dry.rows.length, dry.same, dry.coffees.length)), h('details', { 'data-key': 'past-coffees' }, h('summary', {}, P.coffees), table(P.coffees, [P.fields.coffee, P.inBook, [T.loss.batches], [T.loss.loss]],
      dry.coffees.map((/** @type {any} */ each) => h('tr', {}, h('th', { scope: 'row' }, each.coffee), h('td', {}, each.lot ? P.aLot : P.noLot), h('td', { class: 'num' }, String(each.batches)), h('td', { class: 'num' }, each.loss === null ? '' : percent(each.loss)))))));
  }
  if (dry.odd.length) {
    told.push(h('p', {}, P.odd(dry.odd.length)), table(P.oddRows, [[T.imports.lineNumber], P.fields.coffee, P.judged, P.explained, P.learned],
      dry.odd.slice(0, SHOWN).map((/** @type {any} */ each) => h('tr', {}, h('td', { class: 'num' }, String(each.line)), h('th', { scope: 'row' }, each.coffee), h('td', {}, each.sentence), h('td', {}, each.explanation?.sentence ?? ''), h('td', {}, each.learned ? P.yes : P.no)))));
  }
  const go = h('div', { class: 'actions' });
  if (fresh > 0) go.append(button(dry.errors.length ? P.takeSound(fresh) : P.take(fresh), () => take(go, dry.rows, what), { kind: dry.errors.length ? 'plain' : 'main', id: 'past-take' }));
  else if (dry.rows.length) go.append(h('p', {}, P.allSame));
  redraw(box, told, go);
}

/**
 * Sends the rows part by part. A part that got no answer is sent again under its own id, so that it is taken once.
 * @param {HTMLElement} box @param {any[]} rows @param {{name: string, headings: Record<string, string>, again: () => Promise<void>}} what
 */
async function take(box, rows, { name, headings, again }) {
  const id = uuid7();
  const bar = h('progress', { max: rows.length, value: 0, 'aria-label': P.taking });
  const said = h('p', { role: 'status' }, P.progress(0, rows.length));
  let stopped = false;
  redraw(box, bar, said, button(P.stop, () => {
    stopped = true;
  }, { id: 'past-stop' }));
  let added = 0;
  try {
    for (let from = 0; from < rows.length && !stopped; from += PART) {
      const part = rows.slice(from, from + PART);
      const answer = await command('past-imports', uuid7(), happened({ import: id, name: name.slice(0, 120), rows: part, headings }));
      added += answer.added;
      bar.value = from + part.length;
      said.textContent = P.progress(from + part.length, rows.length);
    }
    await again();
    const done = document.getElementById('past')?.querySelector('h2');
    done?.after(h('p', { class: 'got', role: 'status' }, P.taken(added)));
  } catch (error) {
    redraw(box, h('p', { class: 'error', role: 'alert' }, inWords(error)));
  }
}
