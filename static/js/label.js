/** A label's code: what is in the bag and where it came from; and its labels as a sheet to print. */
import { Problem, read } from './api.js';
import { button, byId, h, redraw } from './dom.js';
import { fullDay, mass } from './format.js';
import { CODE, picture } from './picture.js';
import { empty, inWords, linkTo, openPage } from './parts/page-frame.js';
import { sack } from './sack.js';
import { T } from './texts.js';

const P = T.packing;
const asked = new URLSearchParams(location.search);
const places = { facts: byId('facts'), sheet: byId('labels') };
/** No more labels than a day's packing of a small roastery. */
const MOST = 500;

/** @param {string} term @param {import('./dom.js').Child} value */
const pair = (term, value) => h('div', {}, h('dt', {}, term), h('dd', {}, value));

/** @param {any} packing */
const lots = (packing) => [...new Map(packing.parts.map((/** @type {any} */ part) => [part.lot.id, part])).values()];

/** @param {any} packing */
const short = (packing) => packing.parts.map((/** @type {any} */ part) => part.batch.slice(-6)).join(' ');

/** @param {any} packing */
const claims = (packing) => packing.claims.map((/** @type {any} */ claim) => `${claim.claim} (${claim.certificate})`).join(', ');

/** @param {any} packing */
function drawFacts(packing) {
  redraw(places.facts, h('div', { class: 'head' }, h('h2', {}, `${packing.product.name} · ${packing.code}`), h('div', { class: 'actions' }, linkTo(`/trace?of=packing&id=${packing.id}`, P.itsTrace), button(P.printLabels, () => print(), { kind: 'main', id: 'print' }))),
    packing.undone ? h('p', { class: 'flag' }, T.floor.undone) : null,
    h('dl', { class: 'facts' }, pair(P.roast, packing.roasted_on ? fullDay(packing.roasted_on) : '?'), pair(P.when, fullDay(packing.day)), pair(T.records.bags, `${packing.bags} × ${mass(packing.bag_g, 'g', 0)}`), pair(P.grind, packing.grind ?? P.beans), pair(P.for, packing.for ? `${packing.for.number} · ${packing.for.customer}` : P.shelf), packing.claims.length ? pair(T.records.claims, claims(packing)) : null,
      packing.check ? pair(P.weighed, `${P.checked(mass(packing.check.mean_g, 'g'), packing.check.weighed, packing.check.to_weigh)}${packing.check.faults.length ? ` ${P.light}` : ''}`) : null),
    h('h3', {}, P.whereFrom), h('ul', { class: 'records' }, packing.parts.map((/** @type {any} */ part) => h('li', {}, h('div', {}, h('a', { href: `/green#${part.lot.id}` }, sack(part.lot.name, part.grade)), ' ', h('b', {}, mass(part.mass_g)), h('p', {}, `${part.coffee.name} · ${part.style} · ${P.roastedOn(fullDay(part.roasted_on))} · ${P.batch(part.batch.slice(-6))}`))))));
}

/** @param {any} packing */
function drawLabels(packing) {
  const count = Math.min(MOST, Number(asked.get('bags')) || packing.bags);
  const one = () => h('li', { class: 'label' }, h('div', { class: 'words' }, h('b', {}, packing.product.name), h('span', {}, `${mass(packing.bag_g, 'g', 0)} · ${packing.grind ?? P.beans}`), h('span', {}, P.roastedOn(packing.roasted_on ? fullDay(packing.roasted_on) : '?')),
    h('span', {}, `${T.words.lot} ${lots(packing).map((part) => `${part.lot.name} ${part.grade}`).join(', ')}`), h('span', {}, P.batch(short(packing))), packing.claims.length ? h('span', {}, claims(packing)) : null, h('span', { class: 'code' }, packing.code)), picture(`/api/packings/${packing.id}/code.svg`, packing.code, CODE));
  const first = one();
  redraw(places.sheet, h('ul', { class: 'label-sheet' }, first));
  const drawn = first.querySelector('figure');
  // The code is fetched once; the other labels are copies of the first when it is there.
  const watch = new MutationObserver(() => {
    if (!drawn?.firstChild) return;
    watch.disconnect();
    const list = places.sheet.querySelector('ul');
    for (let i = 1; i < count; i += 1) list?.append(labelCopy(first));
    document.body.dataset.ready = 'labels';
  });
  if (drawn) watch.observe(drawn, { childList: true, subtree: true });
}

/** A copy with its picture, whose root is its own. @param {HTMLElement} first */
function labelCopy(first) {
  const copy = /** @type {HTMLElement} */ (first.cloneNode(true));
  const from = first.querySelector('figure > div')?.shadowRoot;
  const place = copy.querySelector('figure > div');
  if (from && place) {
    const root = place.attachShadow({ mode: 'open' });
    root.adoptedStyleSheets = [...from.adoptedStyleSheets];
    root.append(...[...from.children].map((node) => node.cloneNode(true)));
  }
  return copy;
}

async function load() {
  const code = asked.get('code');
  if (!code) {
    const field = h('input', { id: 'code', type: 'text', autocomplete: 'off', spellcheck: false });
    redraw(places.facts, h('p', {}, P.codeHelp), h('form', { class: 'fields', method: 'get', action: '/label' }, h('div', { class: 'field' }, h('label', { for: 'code' }, P.code), (field.name = 'code', field)), h('button', { class: 'button main', type: 'submit' }, P.look)));
    return;
  }
  try {
    const packing = await read(`/api/packing-codes/${encodeURIComponent(code)}`);
    drawFacts(packing);
    drawLabels(packing);
  } catch (error) {
    redraw(places.facts, empty(error instanceof Problem && error.status === 404 ? P.noCode(code) : inWords(error)));
  }
}

await openPage().catch(() => null);
await load();
