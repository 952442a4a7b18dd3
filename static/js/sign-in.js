/** Coming in: with a password, with a PIN on a paired tablet, by an invitation; and pairing a tablet. */
import { ask, NoAnswer, Problem, read } from './api.js';
import { button, byId, freshId, h, veiled } from './dom.js';
import { T } from './texts.js';

const A = T.access;
/** What this tablet knew of itself when it last heard from the service. */
const TABLET = 'outturn.tablet';
const box = byId('entrance');
const said = byId('said');
const fragment = new URLSearchParams(location.hash.slice(1));

/** Where to go once inside: a page of ours, whatever the address says. */
function next() {
  const then = new URLSearchParams(location.search).get('then') ?? '';
  return /^\/[a-z-]*(\?[\w=&%.-]*)?$/.test(then) ? then : '/';
}

/** @param {string} title @param {...Node} parts */
function show(title, ...parts) {
  byId('title').textContent = title;
  document.title = `${title} · Outturn`;
  said.textContent = '';
  box.replaceChildren(...parts);
  const first = box.querySelector('input');
  if (first instanceof HTMLElement) first.focus();
}

/** Sends something and goes on, or says why not. @param {() => Promise<unknown>} send @param {() => void} [then] */
async function go(send, then = () => location.assign(next())) {
  said.textContent = '';
  try {
    await send();
    then();
  } catch (error) {
    said.textContent = error instanceof Problem ? error.words : T.form.noAnswer;
  }
}

/** @param {string} label @param {Record<string, string>} props @param {string} [help] @param {(input: HTMLInputElement) => Node} [frame] */
function field(label, props, help, frame = (input) => input) {
  const id = freshId('field');
  const input = h('input', { id, 'aria-describedby': help ? `${id}-help` : undefined, required: true, ...props });
  return { input, node: h('div', { class: 'field' }, h('label', { for: id }, label), frame(input), help ? h('p', { class: 'help', id: `${id}-help` }, help) : null) };
}

/** A field for a password or PIN. @param {string} label @param {Record<string, string>} props @param {string} [help] */
const secret = (label, props, help) => field(label, props, help, (input) => veiled(input, A));

/** @param {(() => void)} submit @param {string} label @param {...Node} parts */
const form = (submit, label, ...parts) => h('form', { class: 'entrance', on: { submit: (event) => {
  event.preventDefault();
  submit();
} } }, ...parts, h('button', { class: 'button main', type: 'submit' }, label));

function byPassword() {
  const name = field(T.records.name, { autocomplete: 'username', name: 'name' });
  const password = secret(A.password, { autocomplete: 'current-password', name: 'password' });
  show(A.signIn, form(() => go(() => ask('/api/sign-ins', { name: name.input.value, password: password.input.value })), A.signIn, name.node, password.node),
    h('p', {}, button(A.pairThis, pairing, { kind: 'quiet' })));
}

/** @param {string} code */
function byInvitation(code) {
  const name = field(A.yourName, { autocomplete: 'username', name: 'name' }, A.yourNameHelp);
  name.input.required = false;
  const password = secret(A.newPassword, { autocomplete: 'new-password', minlength: '12', name: 'password' }, A.passwordHelp);
  show(A.welcome, form(() => go(() => ask('/api/passwords', { code, password: password.input.value, ...(name.input.value.trim() ? { name: name.input.value } : {}) }), () => {
    history.replaceState(null, '', '/sign-in');
    location.assign(next());
  }), A.choose, name.node, password.node));
}

function pairing() {
  const code = field(A.code, { class: 'code', autocomplete: 'off', autocapitalize: 'characters', spellcheck: 'false', name: 'code' }, A.codeHelp);
  show(A.pairThis, form(() => go(() => ask('/api/tablets', { code: code.input.value }), () => location.assign('/sign-in')), A.pair, code.node),
    h('p', {}, button(A.signIn, byPassword, { kind: 'quiet' })));
}

/** @param {{tablet: string, people: {id: string, name: string}[]}} entrance */
function byPin({ tablet, people }) {
  if (!people.length) {
    show(tablet, h('p', {}, A.noPins), h('p', {}, button(A.signIn, byPassword, { kind: 'quiet' })));
    return;
  }
  /** @type {string|null} */
  let person = null;
  const pin = secret(A.pin, { class: 'pin', inputmode: 'numeric', autocomplete: 'off', name: 'pin' });
  const entry = form(() => go(() => ask('/api/pin-sign-ins', { person, pin: pin.input.value })), A.signIn, pin.node);
  entry.hidden = true;
  const names = people.map((each) => button(each.name, (event) => {
    person = each.id;
    for (const one of names) one.setAttribute('aria-pressed', String(one === event.currentTarget));
    entry.hidden = false;
    pin.input.value = '';
    pin.input.focus();
  }, { 'aria-pressed': 'false' }));
  show(A.whoIs(tablet), h('div', { class: 'entrance' }, h('div', { class: 'names', role: 'group', 'aria-label': A.people }, names), entry, h('p', {}, button(A.withPassword, byPassword, { kind: 'quiet' }))));
}

async function begin() {
  const code = fragment.get('invitation');
  if (code) return byInvitation(code);
  if (fragment.has('pair')) return pairing();
  const entrance = await read('/api/entrance');
  if (entrance.tablet) {
    localStorage.setItem(TABLET, JSON.stringify(entrance));
    return byPin(entrance);
  }
  localStorage.removeItem(TABLET);
  if (!entrance.set_up) {
    return show(A.notYet, h('p', {}, A.notYetHelp));
  }
  byPassword();
  if (entrance.cut_off) said.textContent = A.wasCutOff;
}

/**
 * Without a network nobody can be asked for a PIN: a name is picked, and what is weighed under it says that it was not proved.
 * @param {{tablet: string, people: {id: string, name: string}[]}} entrance
 */
function byName({ tablet, people }) {
  show(A.whoIs(tablet), h('div', { class: 'entrance' }, h('p', {}, A.offline), h('div', { class: 'names', role: 'group', 'aria-label': A.people }, people.map((each) => button(each.name, () => {
    localStorage.setItem('outturn.person', each.id);
    location.assign('/floor');
  })))));
}

/** @param {unknown} error */
function without(error) {
  const kept = error instanceof NoAnswer ? localStorage.getItem(TABLET) : null;
  if (kept) byName(JSON.parse(kept));
  else show(A.signIn, h('p', {}, T.form.noAnswer));
}

addEventListener('hashchange', () => location.reload());
await begin().catch(without);
