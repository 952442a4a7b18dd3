/** Loss: what stands out, what is expected of each lot, and a person's word on a batch. */
import { read, readAll } from './api.js';
import { button, byId, h, redraw, tableHead } from './dom.js';
import { day, fullDay, mass, percent, share } from './format.js';
import { holdText } from './floor-state.js';
import { askCommand } from './forms.js';
import { openLive } from './live.js';
import { picture } from './picture.js';
import { empty, linkTo, trying } from './parts/page-frame.js';
import { outlookOf } from './parts/outlook.js';
import { RangePicture } from './parts/range-picture.js';
import { nameOf } from './records.js';
import { askReview } from './review.js';
import { sack } from './sack.js';
import { T } from './texts.js';

/** @import { BatchView, Lot, Named, Verdict } from './types.js' */

const L = T.loss;
const places = { notices: byId('notices'), outside: byId('outside'), table: byId('expected'), one: byId('one') };
/** @type {{loss: {lots: any[], notices: any[], outside: BatchView[]}, lots: Lot[], styles: Named[], roasters: Named[], days: Map<string, string>, open: string, used: boolean}} */
const page = { loss: { lots: [], notices: [], outside: [] }, lots: [], styles: [], roasters: [], days: new Map(), open: location.hash.slice(1), used: false };

/** Among how many of the latest batches the ones of a notice are looked for, to say their days. */
const RECENT = 500;

async function load() {
  await trying(async () => {
    const [loss, lots, styles, roasters] = await Promise.all([read('/api/loss'), readAll('/api/lots'), readAll('/api/styles'), readAll('/api/roasters')]);
    const recent = loss.notices.some((/** @type {any} */ each) => each.open) ? (await read(`/api/batches?limit=${RECENT}`)).items : [];
    const days = new Map(recent.map((/** @type {BatchView} */ each) => [each.id, each.day]));
    Object.assign(page, { loss, lots, styles, roasters, days });
    draw();
  });
}

function draw() {
  drawNotices();
  drawOutside();
  drawTable();
  drawOne();
}

function drawNotices() {
  const open = page.loss.notices.filter((each) => each.open);
  const over = page.loss.notices.filter((each) => !each.open);
  redraw(places.notices, h('h2', {}, L.notices), open.length === 0 ? h('p', { class: 'none' }, L.noNotices) : noticeList(open),
    h('div', { class: 'actions' }, button(L.tellScale, tellScale, { kind: 'quiet', 'data-key': 'tell-scale' }), button(L.tell, tellRoaster, { kind: 'quiet', 'data-key': 'tell-profile' })),
    over.length ? h('details', { 'data-key': 'earlier' }, h('summary', {}, L.earlier(over.length)), noticeList(over)) : null);
}

/** @param {any[]} notices */
const noticeList = (notices) => h('ul', { class: 'notices' }, notices.map((each) => h('li', {}, h('b', {}, noticeOf(each)), h('p', {}, each.sentence), sinceWhen(each) ? h('p', {}, sinceWhen(each)) : null,
  each.open ? h('div', { class: 'actions' }, button(L.closeNotice, () => closeNotice(each), { 'data-key': `close-${each.lot?.id ?? each.roaster?.id}-${each.raised}`, 'aria-label': `${L.closeNotice}: ${noticeOf(each)}, ${sinceWhen(each)}` })) : null)));

/** Since which batch, and at which it was noticed; of batches roasted before this book, or long ago, no day is said. @param {any} notice */
function sinceWhen({ since, raised }) {
  const [from, noticed] = [page.days.get(since), page.days.get(raised)];
  return noticed ? L.sinceBatch(fullDay(from || noticed), fullDay(noticed)) : '';
}

/** @param {any} notice */
async function closeNotice(notice) {
  const of = notice.lot ? { lot: notice.lot.id } : { roaster: notice.roaster.id };
  await changed(await askCommand({
    kind: 'notice-closings', title: L.closeNotice, lead: `${notice.sentence} ${notice.lot ? L.lookAtLot : L.lookAtRoaster}`, body: (values) => ({ ...of, changed: values.found === 'changed', reason: values.reason }),
    fields: [{ name: 'found', kind: 'choice', label: L.found, help: L.foundHelp, options: Object.entries(L.foundWords).map(([value, label]) => ({ value, label })) }, reason],
  }));
}

/** What the learner must know of a roaster besides its batches. */
async function tellRoaster() {
  await changed(await askCommand({
    kind: 'profile-changes', title: L.tell, lead: L.tellLead, body: (values) => values,
    fields: [{ name: 'roaster', kind: 'choice', label: T.words.roaster, options: page.roasters.map((each) => ({ value: each.id, label: each.name })) }, reason],
  }));
}

async function tellScale() {
  await changed(await askCommand({
    kind: 'scale-adjustments', title: L.tellScale, lead: L.tellLead, body: (values) => values,
    fields: [{ name: 'roaster', kind: 'choice', label: T.words.roaster, options: page.roasters.map((each) => ({ value: each.id, label: each.name })) }, reason],
  }));
}

/** What drifts: a lot, or a roaster with its scales. @param {any} notice */
const noticeOf = (notice) => (notice.lot ?? notice.roaster)?.name ?? '';

function drawOutside() {
  const { outside } = page.loss;
  redraw(places.outside, h('h2', {}, L.outside), outside.length === 0 ? empty(L.noOutside) : h('ul', { class: 'outside' }, outside.map(outsideCard)));
}

/** The verdict on a batch as it was put right: by the range of its weigh-out. @param {BatchView} batch @returns {Verdict|null} */
function verdictNow({ verdict, corrected, loss }) {
  if (!verdict || !corrected || loss === null) return verdict;
  const { sentence: _, ...range } = verdict;
  return { ...range, loss, judgement: loss > verdict.hi ? 'more' : loss < verdict.lo ? 'less' : 'ok' };
}

/** A verdict in words. @param {Verdict} verdict */
const inSentence = (verdict) => verdict.sentence ?? T.verdict.sentence(percent(verdict.loss), share(verdict.lo), percent(verdict.hi), verdict.judgement);

/** @param {BatchView} batch */
function outsideCard(batch) {
  const drawn = new RangePicture();
  const verdict = verdictNow(batch);
  if (verdict) drawn.show(verdict);
  return h('li', { class: 'sheet', id: `batch-${batch.id}` }, h('p', { class: 'when' }, day(batch.day)), sack(batch.lot.name, batch.grade),
    h('p', {}, `${batch.style.name} · ${batch.roaster.name} · ${mass(batch.weighed_in_g)} → ${mass(batch.weighed_out_g)}`),
    verdict ? h('p', { class: `verdict ${verdict.judgement}` }, inSentence(verdict)) : null, drawn,
    batch.corrected ? h('p', { class: 'reviewed' }, `${L.putRight} ${batch.hold ? L.passNext : verdict?.judgement === 'ok' ? '' : L.reviewNext}`.trim()) : null,
    batch.hold ? h('p', { class: 'flag' }, batch.corrected ? T.words.onHold : holdText(batch)) : null,
    batch.review ? h('p', { class: 'reviewed' }, `${L.findings[/** @type {'was_so'} */ (batch.review.finding)]}: ${batch.review.reason}`) : null,
    h('div', { class: 'actions' }, button(L.review, () => review(batch), { kind: batch.review ? 'plain' : 'main', 'data-key': `review-${batch.id}`, 'aria-label': `${L.review}: ${batch.lot.name}` }),
      button(L.correct, () => correct(batch), { 'data-key': `correct-${batch.id}`, 'aria-label': `${L.correct}: ${batch.lot.name}` }),
      batch.hold ? button(T.floor.pass, () => pass(batch), { 'data-key': `pass-${batch.id}`, 'aria-label': `${T.floor.pass}: ${batch.lot.name}` }) : null));
}

/** @param {BatchView} batch */
const lead = (batch) => `${day(batch.day)} · ${batch.lot.name} · ${batch.style.name} · ${mass(batch.weighed_in_g)} → ${mass(batch.weighed_out_g)}`;
/** @param {boolean} saved */
const changed = (saved) => (saved ? load() : undefined);
const reason = /** @type {const} */ ({ name: 'reason', kind: 'text', label: T.words.reason, wide: true });

/** @param {BatchView} batch @param {'was_so'|'weight'} [word] */
const review = async (batch, word) => changed(await askReview({ batch, lead: lead(batch), lots: page.lots, word }));
/** @param {BatchView} batch */
const correct = (batch) => review(batch, 'weight');

/** @param {BatchView} batch */
async function pass(batch) {
  await changed(await askCommand({ kind: 'passes', title: T.floor.pass, lead: lead(batch), fields: [reason], body: (values) => ({ batch: batch.id, ...values }) }));
}

function drawTable() {
  const idOf = (/** @type {any} */ each) => (typeof each.lot === 'string' ? each.lot : each.lot.id);
  const gone = new Set(page.lots.filter((lot) => lot.used_up || lot.retired).map((lot) => lot.id));
  const kept = page.loss.lots.filter((each) => !gone.has(idOf(each)));
  const hidden = page.loss.lots.length - kept.length;
  const lots = page.used ? page.loss.lots : kept;
  redraw(places.table, h('h2', {}, L.expected), page.loss.lots.length === 0 ? empty(L.nothingYet, h('div', { class: 'actions' }, linkTo('/green', T.pages.green), linkTo('/setup#past', T.pages.setup))) : h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': L.expected }, h('table', {},
    tableHead([T.words.lot, T.words.style, T.words.roaster, [L.mean], [L.range], [L.batches]]),
    h('tbody', {}, lots.map((each) => {
      const id = idOf(each);
      return h('tr', {}, h('th', { scope: 'row' }, h('a', { href: `#${id}`, 'data-key': `lot-${id}-${each.style.id ?? each.style}-${each.roaster.id ?? each.roaster}` }, nameOf(page.lots, each.lot)), each.open_notice || page.loss.notices.some((notice) => notice.open && notice.lot?.id === id) ? h('span', { class: 'flag' }, L.notice) : null),
        h('td', {}, nameOf(page.styles, each.style)), h('td', {}, nameOf(page.roasters, each.roaster)), h('td', { class: 'num' }, percent(each.expected.mean)), h('td', { class: 'num' }, `${percent(each.expected.lo)} – ${percent(each.expected.hi)}`), h('td', { class: 'num' }, String(each.batches)));
    })))), hidden ? button(page.used ? T.green.hideUsed : L.showUsed(hidden), () => {
    page.used = !page.used;
    drawTable();
  }, { kind: 'quiet', 'data-key': 'used' }) : null);
}

/** One lot: its picture, and the same as a table. */
async function drawOne() {
  const lot = page.lots.find((each) => each.id === page.open);
  places.one.hidden = !lot;
  if (!lot) return;
  const [found, outlook] = (await trying(() => Promise.all([readAll(`/api/batches?lot=${lot.id}`), read(`/api/lots/${lot.id}/outlook`)]))) ?? [[], null];
  const batches = /** @type {BatchView[]} */ (found);
  const roasted = batches.filter((batch) => batch.loss !== null).sort((a, b) => String(b.weighed_out_at).localeCompare(String(a.weighed_out_at)));
  redraw(places.one, h('div', { class: 'head' }, h('h2', {}, h('a', { class: 'lot-link', href: `/green#${lot.id}` }, sack(lot.name, lot.grade))), h('a', { class: 'button quiet', href: '#', 'data-key': 'close' }, T.green.close)),
    outlook ? outlookOf(outlook) : null,
    roasted.length === 0 ? empty(L.noBatches) : [picture(`/api/lots/${lot.id}/loss.svg`, T.green.lossPicture(lot.name)), h('details', { 'data-key': 'table' }, h('summary', {}, L.asTable), h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': L.asTable }, h('table', {},
      tableHead([T.records.day, T.words.style, T.words.roaster, [T.words.green], [T.words.roasted], [L.loss], [L.range], L.review]),
      h('tbody', {}, roasted.map((batch) => h('tr', {}, h('td', {}, day(batch.day)), h('td', {}, batch.style.name), h('td', {}, batch.roaster.name), h('td', { class: 'num' }, mass(batch.weighed_in_g)), h('td', { class: 'num' }, mass(batch.weighed_out_g)),
        h('td', { class: 'num' }, h('b', { class: `loss ${verdictNow(batch)?.judgement ?? ''}` }, percent(batch.loss))), h('td', { class: 'num' }, rangeText(verdictNow(batch))),
        h('td', {}, button(L.review, () => review(batch), { kind: 'quiet', 'data-key': `row-${batch.id}`, 'aria-label': `${L.review}: ${lead(batch)}` }), button(L.correct, () => correct(batch), { kind: 'quiet', 'data-key': `rowc-${batch.id}`, 'aria-label': `${L.correct}: ${lead(batch)}` })))))))) ]);
}

/** @param {Verdict|null} verdict */
const rangeText = (verdict) => (!verdict ? '–' : `${percent(verdict.lo)} – ${percent(verdict.hi)} ${T.verdict.short[verdict.judgement]}`);

/** A finding leads to its batch: among those that stand out, or else to what became of it. */
function showBatch() {
  const [, id] = /^#batch-(.+)$/.exec(location.hash) ?? [];
  if (!id) return;
  const card = document.getElementById(`batch-${id}`);
  if (card) {
    card.tabIndex = -1;
    card.focus({ preventScroll: true });
    card.scrollIntoView({ block: 'center' });
  } else location.replace(`/trace?of=batch&id=${id}`);
}

await openLive(load);
await load();
showBatch();
addEventListener('hashchange', () => {
  page.open = location.hash.slice(1);
  drawOne();
});
