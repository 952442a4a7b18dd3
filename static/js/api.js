/** The one way from the pages to the service. */

/** What the service said no to, in its own words (RFC 9457). */
export class Problem extends Error {
  /** @param {number} status @param {any} body */
  constructor(status, body) {
    super(body.detail || body.title || `status ${status}`);
    this.status = status;
    this.slug = String(body.type ?? '').replace('/problems/', '');
    /** @type {{pointer: string, detail: string}[]} */
    this.errors = body.errors ?? [];
    /** @type {string[]} what one further tap would confirm */
    this.confirm = this.slug === 'confirm' ? body.confirm ?? [] : [];
    this.facts = body;
  }

  /** All of it: the details where there are any, for the message only sums them up; each once, as a sentence that stands alone. */
  get words() {
    return this.errors.length ? [...new Set(this.errors.map((each) => sentence(each.detail)))].join(' ') : this.message;
  }
}

/** Words with a capital and a full stop. @param {string} words */
export const sentence = (words) => words.charAt(0).toUpperCase() + words.slice(1).replace(/[^.!?:]$/, '$&.');

/** No answer came: the service may or may not have heard. */
export class NoAnswer extends Error {}

/**
 * @param {string} method @param {string} path @param {unknown} [body] @param {Record<string, string>} [headers]
 * @param {AbortSignal} [signal]
 * @returns {Promise<any>}
 */
async function call(method, path, body, headers = {}, signal) {
  /** @type {RequestInit} */
  const init = { method, headers: { accept: 'application/json', ...headers }, signal, cache: 'no-store' };
  if (body !== undefined) {
    init.headers = { ...init.headers, 'content-type': 'application/json' };
    init.body = JSON.stringify(body);
  }
  let response;
  let text;
  try {
    response = await fetch(path, init);
    text = await response.text();
  } catch (error) {
    throw new NoAnswer(String(error));
  }
  const answer = text ? parse(text, response.status) : {};
  if (response.ok) return answer;
  throw new Problem(response.status, answer);
}

/** @param {string} text @param {number} status */
function parse(text, status) {
  try {
    return JSON.parse(text);
  } catch {
    throw new Problem(status, { detail: text.slice(0, 300) });
  }
}

/** @param {string} path @param {AbortSignal} [signal] */
export const read = (path, signal) => call('GET', path, undefined, {}, signal);

/** A question that stores nothing. @param {string} path @param {unknown} body @param {AbortSignal} [signal] */
export const ask = (path, body, signal) => call('POST', path, body, {}, signal);

/** How people look things up: "Tesfara-2" stands before "Tesfara-10", and small letters among large ones. */
const { compare } = new Intl.Collator(globalThis.navigator?.language || 'en', { numeric: true, sensitivity: 'base' });
/** By what people know a record: its number or its name. What has neither stays in the order in which it came. @param {any} item */
const known = (item) => String(item.number ?? item.name ?? [item.supplier, item.reference].filter(Boolean).join(' '));

/**
 * Every item of a list, page after page, in the order in which people look for it.
 * @param {string} path @returns {Promise<any[]>}
 */
export async function readAll(path) {
  const items = [];
  let after = '';
  do {
    const page = await read(`${path}${path.includes('?') ? '&' : '?'}limit=500${after ? `&after=${encodeURIComponent(after)}` : ''}`);
    items.push(...page.items);
    after = page.next ?? '';
  } while (after);
  return items.sort((a, b) => compare(known(a), known(b)));
}

/** @param {string[]} confirmed what a person said once more of a record */
const said = (confirmed) => (confirmed.length ? `?confirmed=${confirmed.join(',')}` : '');

/** A new record under an id made here. @param {string} kind @param {string} id @param {unknown} fields @param {string[]} [confirmed] */
export const create = (kind, id, fields, confirmed = []) => call('PUT', `/api/${kind}/${id}${said(confirmed)}`, fields, { 'if-none-match': '*' });

/** A changed record; refused when somebody changed it meanwhile. @param {string} kind @param {string} id @param {number|string} revision @param {unknown} fields @param {string[]} [confirmed] */
export const change = (kind, id, revision, fields, confirmed = []) => call('PUT', `/api/${kind}/${id}${said(confirmed)}`, fields, { 'if-match': `"${revision}"` });

/**
 * Something that happened. The same id and content may be sent again without happening twice.
 * @param {string} kind @param {string} id @param {object} body @param {AbortSignal} [signal] @param {string} [person] who did it, where that may be
 * another than who is signed in when it is sent
 */
export const command = (kind, id, body, signal, person = '') => call('PUT', `/api/${kind}/${id}`, body, { 'if-none-match': '*', ...(person ? { 'outturn-person': person } : {}) }, signal);

let ahead = 0;

/** How far the service's clock is ahead of this device's, if it was set as in the demo: what happens here then happens at its time. */
export const setAhead = (/** @type {number} */ ms) => {
  ahead = ms;
};

/** The present, Unix milliseconds. */
export const present = () => Date.now() + ahead;

/** The fields common to all commands. @param {object} fields @param {number} [now] */
export const happened = (fields, now = present()) => ({ v: 1, happened_at: new Date(now).toISOString(), ...fields });

/**
 * A UUID of version 7 (RFC 9562 section 5.7): 48 bits of Unix milliseconds, then random bits.
 * @param {number} [now] Unix milliseconds
 */
export function uuid7(now = Date.now()) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  for (let i = 0; i < 6; i += 1) bytes[i] = Math.floor(now / 2 ** (8 * (5 - i))) % 256;
  bytes[6] = 0x70 | ((bytes[6] ?? 0) & 0x0f);
  bytes[8] = 0x80 | ((bytes[8] ?? 0) & 0x3f);
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, '0')).join('');
  return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-${hex.slice(12, 16)}-${hex.slice(16, 20)}-${hex.slice(20)}`;
}
