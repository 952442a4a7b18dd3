/** Building pages from plain nodes. Text always enters as text, never as markup. */

/** @typedef {Node|string|number|null|undefined|false|Child[]} Child */
/** @typedef {{[name: string]: unknown, on?: {[event: string]: (event: any) => unknown}}} Props */

const SVG = 'http://www.w3.org/2000/svg';

/** @param {Element} node @param {Props} props */
function dress(node, props) {
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === 'on') {
      for (const [event, run] of Object.entries(props.on ?? {})) node.addEventListener(event, run);
    } else if (name in PROPERTIES) {
      Reflect.set(node, name, value);
    } else {
      node.setAttribute(name, value === true ? '' : String(value));
    }
  }
}

/** What must be set as a property, because the attribute only gives the starting value. */
const PROPERTIES = { value: 1, checked: 1, selected: 1, disabled: 1, hidden: 1, indeterminate: 1 };

/** @param {Node} node @param {Child} child */
function hang(node, child) {
  if (child === null || child === undefined || child === false) return;
  if (Array.isArray(child)) child.forEach((each) => hang(node, each));
  else node.appendChild(child instanceof Node ? child : document.createTextNode(String(child)));
}

/**
 * An HTML element with its attributes, listeners (`on`) and children.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag @param {Props} [props] @param {...Child} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function h(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  hang(node, children);
  dress(node, props);
  return node;
}

/**
 * The same for SVG.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag @param {Props} [props] @param {...Child} children
 * @returns {SVGElementTagNameMap[K]}
 */
export function s(tag, props = {}, ...children) {
  const node = /** @type {SVGElementTagNameMap[K]} */ (document.createElementNS(SVG, tag));
  hang(node, children);
  dress(node, props);
  return node;
}

/** The field in which somebody types, until they do something else. @type {Element|null} */
let typing = null;
/** What waits to be drawn until then. @type {Map<Element, Child[]>} */
const waiting = new Map();
/** @param {Event} event */
const types = ({ target }) => {
  if (target instanceof HTMLInputElement || target instanceof HTMLTextAreaElement) typing = target;
};
const typed = () => {
  typing = null;
  if (waiting.size) setTimeout(() => waiting.forEach((children, root) => redraw(root, ...children)));
};
addEventListener('input', types, true);
// A day that is half typed has no value yet, so no input is told.
addEventListener('keydown', (event) => {
  if (event.key === 'Enter') typed();
  else if (event.key?.length === 1) types(event);
}, true);
for (const act of ['change', 'click', 'submit', 'focusout']) addEventListener(act, typed, true);

/**
 * Puts new children into `root` and gives the focus back to the element of the same id or `data-key`,
 * so that a live update does not throw a keyboard user to the top of the page. What was opened stays open, and what was
 * ticked in boxes marked `data-ticked` (those of which only the page knows) stays ticked. Nothing is taken from under the fingers of
 * whoever types: a place with such a field is drawn when they are done.
 * @param {Element} root @param {...Child} children
 */
export function redraw(root, ...children) {
  if (typing && typing !== root && root.contains(typing)) {
    waiting.set(root, children);
    return;
  }
  waiting.delete(root);
  const held = document.activeElement;
  const key = held && root.contains(held) ? keyOf(held) : '';
  const opened = new Set([...root.querySelectorAll('details[open][data-key]')].map((each) => each.getAttribute('data-key')));
  const ticked = new Set([...root.querySelectorAll('[data-ticked]:checked')].map((each) => each.getAttribute('data-key')));
  const fragment = document.createDocumentFragment();
  hang(fragment, children);
  root.replaceChildren(fragment);
  for (const each of root.querySelectorAll('[data-ticked]')) {
    if (each instanceof HTMLInputElement && ticked.has(each.getAttribute('data-key'))) each.checked = true;
  }
  for (const each of root.querySelectorAll('details[data-key]')) {
    if (opened.has(each.getAttribute('data-key'))) each.setAttribute('open', '');
  }
  focusKey(root, key);
}

/** By what an element is found again once it was drawn anew. @param {Element} node */
const keyOf = (node) => node.id || node.getAttribute('data-key') || '';

/** @param {ParentNode} root @param {string} key */
function focusKey(root, key) {
  const found = key ? root.querySelector(`[id="${CSS.escape(key)}"], [data-key="${CSS.escape(key)}"]`) : null;
  const again = found instanceof HTMLDetailsElement ? found.querySelector('summary') : found;
  if (again instanceof HTMLElement || again instanceof SVGElement) again.focus({ preventScroll: true });
}

/** Where a keyboard goes on, unless somebody has gone on already. @param {Element|null} node */
export function goOnAt(node) {
  if (document.activeElement === document.body && node instanceof HTMLElement) node.focus({ preventScroll: true });
}

/** Remembers who has the focus; what is answered gives it back if it was lost, as after a dialog whose opener was drawn anew meanwhile. */
export function holdFocus() {
  const held = document.activeElement;
  const keys = [held, held?.closest('details[data-key]')].map((node) => (node ? keyOf(node) : ''));
  return () => {
    for (const key of keys) if (document.activeElement === document.body) focusKey(document, key);
  };
}

/**
 * The element of an id that the page is known to have.
 * @param {string} id @returns {HTMLElement}
 */
export function byId(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`the page has no element #${id}`);
  return found;
}

/**
 * A button. `kind`: main (the one thing to do next), plain, quiet (a link among text), warn.
 * @param {string} label @param {(event: MouseEvent) => unknown} run
 * @param {Props & {kind?: 'main'|'plain'|'quiet'|'warn'}} [props]
 */
export function button(label, run, { kind = 'plain', ...props } = {}) {
  return h('button', { type: 'button', class: `button ${kind}`, on: { click: run }, ...props }, label);
}

/**
 * An input for what others must not read over a shoulder, with a button that shows it for as long as whoever types wants to see it.
 * @param {HTMLInputElement} input @param {{show: string, hide: string}} words
 */
export function veiled(input, words) {
  input.type = 'password';
  const unveil = button(words.show, () => {
    const shown = input.type === 'password';
    input.type = shown ? 'text' : 'password';
    unveil.textContent = shown ? words.hide : words.show;
    unveil.setAttribute('aria-pressed', String(shown));
    input.focus();
  }, { kind: 'quiet', 'aria-pressed': 'false', class: 'button quiet unveil' });
  return h('div', { class: 'veiled' }, input, unveil);
}

/** The head of a table; a label in an array heads a column of numbers. @param {(Child|[string])[]} labels */
export const tableHead = (labels) => h('thead', {}, h('tr', {}, labels.map((label) => h('th', { scope: 'col', class: Array.isArray(label) ? 'num' : undefined }, label))));

let counted = 0;
/** A document-wide unique id for tying labels to fields. @param {string} prefix */
export const freshId = (prefix) => `${prefix}-${(counted += 1)}`;
