/** Taking a spreadsheet in: choose a file or paste lines, say which column is which (remembered by the service), look at it first, then take it. */
import { ask, command, happened, Problem, uuid7 } from './api.js';
import { button, freshId, h, redraw, tableHead } from './dom.js';
import { inWords } from './parts/page-frame.js';
import { T } from './texts.js';

const I = T.imports;

/**
 * @typedef {object} Importing
 * @property {string} title
 * @property {string} help
 * @property {string[]} fields the names of the columns
 * @property {string} look where to send it to be looked at
 * @property {string} take the command that takes it
 * @property {() => any} [more] what else is sent
 * @property {(HTMLElement|null)[]} [extra] further fields
 * @property {() => Promise<void>} done
 */

/** A file as base 64. @param {File} file @returns {Promise<string>} */
const base64 = (file) => new Promise((resolve, reject) => {
  const reader = new FileReader();
  reader.onload = () => resolve(String(reader.result).replace(/^data:[^,]*,/, ''));
  reader.onerror = () => reject(reader.error);
  reader.readAsDataURL(file);
});

/** The headings of pasted lines. @param {string} text */
function headingsOf(text) {
  const line = text.split(/\r?\n/).find((each) => each.trim()) ?? '';
  const signs = [',', ';', '\t'].map((sign) => ({ sign, count: line.split(sign).length })).sort((a, b) => b.count - a.count);
  return line.split(signs[0]?.sign ?? ',').map((each) => each.trim().replace(/^"|"$/g, '')).filter(Boolean);
}

/** What does not matter in a heading. @param {string} heading */
const plain = (heading) => heading.trim().toLowerCase().replace(/[ -]/g, '_');

/** Draws the box. @param {HTMLElement} box @param {Importing} what */
export function importBox(box, { title, help, fields, look, take, more = () => ({}), extra = [], done }) {
  const [fileId, textId, helpId] = ['file', 'text', 'help'].map(freshId);
  /** @type {Record<string, string>} */
  let chosen = {};
  const text = h('textarea', { id: textId, rows: 5, spellcheck: false, class: 'table-text', 'aria-describedby': helpId, on: { input: () => {
    chosen = {};
    report.replaceChildren();
    drawColumns();
  } } });
  const file = h('input', { type: 'file', id: fileId, accept: '.csv,.xlsx,text/csv,application/vnd.openxmlformats-officedocument.spreadsheetml.sheet', on: { change: readFile } });
  const columns = h('details', { class: 'columns', hidden: true });
  const report = h('div', { class: 'report', 'aria-live': 'polite' });
  const lead = h('div', { class: 'actions' }, button(I.dryRun, dryRun, { kind: 'main' }));
  box.replaceChildren(h('h2', {}, title), h('p', { id: helpId }, help), h('p', { class: 'sample' }, h('code', {}, fields.join(','))),
    h('div', { class: 'fields' }, h('div', { class: 'field' }, h('label', { for: fileId }, I.file), file), ...extra, h('div', { class: 'field wide' }, h('label', { for: textId }, I.paste), text)), columns, lead, report);

  async function readFile() {
    const picked = file.files?.[0];
    if (!picked) return;
    try {
      const sheet = await ask('/api/sheets', { file: await base64(picked) });
      text.value = sheet.csv;
      chosen = {};
      drawColumns();
      await dryRun();
    } catch (error) {
      report.replaceChildren(h('p', { class: 'error', role: 'alert' }, inWords(error)));
    }
  }

  /** Which column is which: shown where headings are not the names of the columns. */
  function drawColumns() {
    const headings = headingsOf(text.value);
    columns.hidden = headings.length === 0;
    redraw(columns, h('summary', {}, I.columns), h('p', { class: 'help' }, I.columnsHelp), h('div', { class: 'fields' }, fields.map((field) => {
      const id = freshId('column');
      const own = headings.find((heading) => plain(heading) === field);
      const select = h('select', { id, on: { change: () => {
        if (select.value) chosen[field] = select.value;
        else delete chosen[field];
      } } }, h('option', { value: '' }, own ?? I.noColumn), headings.filter((heading) => heading !== own).map((heading) => h('option', { value: heading, selected: chosen[field] === heading }, heading)));
      return h('div', { class: 'field' }, h('label', { for: id }, field), select);
    })));
  }

  const table = () => ({ csv: text.value, ...(Object.keys(chosen).length ? { headings: chosen } : {}), ...more() });

  async function dryRun() {
    if (!text.value.trim()) {
      report.replaceChildren(h('p', { class: 'error' }, I.nothingToRead));
      return;
    }
    try {
      show(await ask(look, table()));
    } catch (error) {
      report.replaceChildren(h('p', { class: 'error', role: 'alert' }, inWords(error)));
    }
  }

  async function takeIn() {
    try {
      const answer = await command(take, uuid7(), happened(table()));
      text.value = '';
      file.value = '';
      chosen = {};
      drawColumns();
      report.replaceChildren(h('p', { class: 'got' }, I.taken(count(answer.added), count(answer.changed), count(answer.cancelled))));
      await done();
    } catch (error) {
      if (error instanceof Problem && error.status === 422 && Array.isArray(error.facts.errors)) show({ added: [], changed: [], cancelled: [], same: 0, ...error.facts });
      else report.replaceChildren(h('p', { class: 'error', role: 'alert' }, inWords(error)));
    }
  }

  /** @param {any} dry */
  function show(dry) {
    if (dry.errors?.length) {
      columns.open ||= dry.errors.some((/** @type {any} */ each) => each.value === '' || headingsOf(text.value).includes(each.value));
      report.replaceChildren(h('p', { class: 'error', role: 'alert' }, I.bad(dry.errors.length)), h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': I.badLines }, h('table', {}, tableHead([[I.lineNumber], I.column, I.value, I.problem]),
        h('tbody', {}, dry.errors.map((/** @type {any} */ each) => h('tr', {}, h('td', { class: 'num' }, String(each.line ?? '')), h('td', {}, each.column ?? ''), h('td', {}, h('code', {}, each.value ?? '')), h('td', {}, each.detail)))))));
      return;
    }
    const [added, changed, cancelled] = [dry.added, dry.changed, dry.cancelled].map(count);
    const groups = /** @type {[string, any][]} */ ([[I.new, dry.added], [I.changed, dry.changed], [I.gone, dry.cancelled], [I.shipped, dry.shipped]]);
    report.replaceChildren(h('p', {}, I.wouldTake(added, changed, cancelled, count(dry.same))), ...groups.filter(([, list]) => count(list)).map(([label, list]) => h('p', {}, h('b', {}, `${label}: `), list.map(said).join(', '))),
      h('div', { class: 'actions' }, added + changed + cancelled > 0 ? button(I.take, takeIn, { kind: 'main' }) : h('p', {}, I.allSame)));
  }
}

/** @param {{number: string, customer?: string, name?: string, changes?: string[]}} row */
const said = ({ number, customer, name, changes }) => `${number} ${customer ?? name ?? ''}${changes?.length ? ` (${changes.join('; ')})` : ''}`;

/** @param {any} value */
const count = (value) => (Array.isArray(value) ? value.length : value ?? 0);
