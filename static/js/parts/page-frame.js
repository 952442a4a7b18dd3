/** `<page-frame>`: what every page has: the way to the other pages, who and where, the state line, and a voice for screen readers. */
import { button, h } from '../dom.js';
import { ask, NoAnswer, Problem, read, setAhead } from '../api.js';
import { useSite } from '../format.js';
import { T } from '../texts.js';

/**
 * The areas in the head of every page, each with the further pages inside it. A page is added by its name in its area here and
 * its word in `T.pages`; an area is called as its first page unless `T.areas` says otherwise.
 * @type {Partial<Record<keyof typeof T.pages, (keyof typeof T.pages)[]>>}
 */
const AREAS = { floor: [], week: [], green: [], loss: [], shipping: ['packing', 'cupping', 'cost'], subscriptions: [], audit: ['count', 'findings', 'periods', 'value', 'sites'], trace: [], setup: ['people'] };

/** A link that looks like a button. @param {string} href @param {string} text */
export const linkTo = (href, text) => h('a', { class: 'button plain', href }, text);

const voice = h('div', { class: 'toast', role: 'status', 'aria-live': 'polite' });
let hush = 0;

/** Says something in a line at the foot of the page, seen and spoken. @param {string} text @param {...Node} more */
export function tell(text, ...more) {
  clearTimeout(hush);
  voice.replaceChildren(text, ...more);
  voice.classList.add('said');
  hush = window.setTimeout(() => {
    voice.classList.remove('said');
    voice.replaceChildren();
  }, more.length ? 12000 : 6000);
}

/** Words for whatever went wrong. @param {unknown} error */
export function inWords(error) {
  if (error instanceof NoAnswer) return T.form.noAnswer;
  if (error instanceof Problem) return error.words;
  return String(error);
}

/** This page with all that its address asks for, such as a label's code. */
const address = () => encodeURIComponent(location.pathname + location.search);

/** Says what went wrong, with the way back in where nobody is signed in any longer. @param {unknown} error */
export function explain(error) {
  if (error instanceof Problem && error.slug === 'sign-in') tell(T.access.signInAgain, linkTo(`/sign-in?then=${address()}`, T.access.signIn));
  else tell(inWords(error));
}

/**
 * Runs something and says so if it fails.
 * @template R
 * @param {() => Promise<R>} run @returns {Promise<R|undefined>}
 */
export async function trying(run) {
  try {
    return await run();
  } catch (error) {
    explain(error);
    return undefined;
  }
}

export class PageFrame extends HTMLElement {
  connectedCallback() {
    const here = /** @type {keyof typeof T.pages} */ (this.getAttribute('page'));
    const names = /** @type {(keyof typeof T.pages)[]} */ (Object.keys(AREAS));
    const area = names.find((name) => name === here || AREAS[name]?.includes(here)) ?? here;
    const others = AREAS[area] ?? [];
    document.title = `${T.pages[here]} · Outturn`;
    document.documentElement.lang = T.lang;
    const links = h('ul', { id: 'pages' }, names.map((page) => h('li', {}, h('a', { href: `/${page}`, 'aria-current': page === here ? 'page' : page === area ? 'true' : undefined }, areaName(page)))));
    /** @param {boolean} open */
    const toggle = (open) => {
      opener.setAttribute('aria-expanded', String(this.classList.toggle('open', open)));
    };
    /** @type {HTMLButtonElement} */
    const opener = h('button', { type: 'button', class: 'opener', 'aria-expanded': 'false', 'aria-controls': 'pages', on: { click: () => toggle(!this.classList.contains('open')) } }, h('span', { class: 'here' }, areaName(area)), h('span', { class: 'opener-word' }, T.frame.pages));
    this.setAttribute('role', 'banner');
    this.replaceChildren(
      h('a', { class: 'skip', href: '#content' }, T.frame.skip),
      h('span', { class: 'brand' }, 'Outturn'),
      h('nav', { 'aria-label': T.frame.pages, on: { keydown: (event) => {
        if (event.key !== 'Escape' || !this.classList.contains('open')) return;
        toggle(false);
        opener.focus();
      } } }, opener, links),
      others.length ? h('nav', { class: 'inside', 'aria-label': areaName(area) }, h('ul', {}, [area, ...others].map((page) => h('li', { hidden: page === 'sites' && here !== 'sites' }, h('a', { href: `/${page}`, 'aria-current': page === here ? 'page' : undefined }, T.pages[page]))))) : '',
      h('p', { class: 'state', id: 'state', role: 'status' }));
    document.body.append(voice);
    for (const heading of document.querySelectorAll('[data-page-name]')) heading.textContent = T.pages[here];
    if (new URLSearchParams(location.search).has('way')) document.querySelector('h1')?.after(h('p', {}, linkTo('/setup', T.setup.backToWay)));
  }

  /** Whether somebody is signed in who may sign out. @param {boolean} yes */
  signedIn(yes) {
    this.querySelector('.sign-out')?.remove();
    if (!yes) return;
    this.append(button(T.access.signOut, async () => {
      await ask('/api/sign-outs', {}).catch(() => undefined);
      location.assign('/sign-in');
    }, { kind: 'quiet', class: 'button quiet sign-out' }));
  }

  /** What the state line says while all is well. */
  #usual = '';

  /** Who works here and where. @param {string} text */
  usual(text) {
    this.#usual = text;
    this.state(text);
  }

  /** Whether the service is heard: while it is not, the state line says so. @param {boolean} up */
  line(up) {
    if (!up) this.state(T.frame.unheard, 'wait');
    else if (this.#usual) this.state(this.#usual);
  }

  /** Where there are several sites, their page is shown with the others. */
  severalSites() {
    this.querySelector('.inside li[hidden]')?.removeAttribute('hidden');
  }

  /** The state line. @param {import('../dom.js').Child} text @param {'good'|'wait'|'bad'} [mood] */
  state(text, mood = 'good') {
    const line = this.querySelector('#state');
    if (!line) return;
    line.className = `state ${mood}`;
    const node = h('span', {}, text);
    if (line.textContent !== node.textContent) line.replaceChildren(node);
  }
}

/** Says in the state line of this page whether the service is heard. @param {boolean} up */
export function showLine(up) {
  const frame = document.querySelector('page-frame');
  if (frame instanceof PageFrame) frame.line(up);
}

/** @param {keyof typeof T.pages} area */
const areaName = (area) => T.areas[/** @type {'audit'} */ (area)] ?? T.pages[area];

customElements.define('page-frame', PageFrame);

/** Takes in who works here and where: the page writes masses, days and times as there. @param {import('../types.js').Me} me */
export function introduce(me) {
  setAhead(me.clock_set ? Date.parse(me.now) - Date.now() : 0);
  useSite(me.site);
  localStorage.setItem('outturn.person', me.person.id);
  const frame = document.querySelector('page-frame');
  if (!(frame instanceof PageFrame)) return;
  frame.usual(`${me.site.name} · ${me.person?.name ?? ''}`);
  frame.signedIn(!me.acts_as_owner);
  if (me.several_sites) frame.severalSites();
}

/**
 * Who works here and where. Without a site yet, null, and the page says what to do first.
 * @returns {Promise<import('../types.js').Me|null>}
 */
export async function openPage() {
  try {
    const me = await read('/api/me');
    if (!me.site) return null;
    introduce(me);
    return me;
  } catch (error) {
    if (error instanceof Problem && error.status === 404) return null;
    if (error instanceof Problem && error.slug === 'sign-in') location.assign(`/sign-in?then=${address()}`);
    const frame = document.querySelector('page-frame');
    if (frame instanceof PageFrame) frame.state(inWords(error), 'bad');
    throw error;
  }
}

/**
 * An empty state: what is missing and the next step.
 * @param {string} text @param {Node|null} [step]
 */
export function empty(text, step = null) {
  return h('div', { class: 'empty' }, h('p', {}, text), step);
}
