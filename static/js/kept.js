/**
 * What this tablet keeps. Every command of the floor is written down here before it is sent and leaves only with the service's answer,
 * so a weight survives a broken network, a closed browser and a restarted tablet. The id is made once, so it happens once.
 */
import { command, happened, NoAnswer, Problem, uuid7 } from './api.js';

/**
 * @typedef {object} Entry
 * @property {number} seq order on this tablet
 * @property {string} id the command's id
 * @property {string} kind its collection: "weigh-ins"
 * @property {string[]} batches what it is about: order is kept per batch
 * @property {any} body
 * @property {string} [person] who was signed in, or had picked their name, when it was typed
 * @property {boolean} tried whether it may have reached the service: then the content must stay as it was
 * @property {'waiting'|'settle'|'sent'} state `settle`: the service refused it, a person must say what to do; `sent`: the service has
 *   it, and the page has not read the service's own account since
 * @property {number} [sentAt] when it was answered, Unix ms
 * @property {string} [why] the refusal in words
 */
/** @typedef {{answer: any, entry?: undefined} | {answer?: undefined, entry: Entry}} Outcome either the answer or the kept entry */

/** An operator does not wait longer than this for a network; the command then goes on in the background. */
const PATIENCE_MS = 2500;
/** What empties a drum: the next batch must not go into it at the service before that came out. */
const EMPTIES = new Set(['weigh-outs', 'scraps']);
const FIRST_PAUSE_MS = 2000;
const LONGEST_PAUSE_MS = 60000;

/** @type {IDBDatabase|null} */
let store = null;
/** @type {Entry[]} */
let entries = [];
/** @type {Set<() => void>} */
const watchers = new Set();
let reachable = navigator.onLine;
let pause = FIRST_PAUSE_MS;
let timer = 0;
let sending = false;

/** Whether kept weights survive a full disk: `null` while unknown. @type {boolean|null} */
export let durable = null;

/** Opens what was kept before; to be called once, before anything is posted. */
export async function openKept() {
  store = await openStore().catch(() => null);
  entries = store ? await allEntries(store) : [];
  durable = store ? Boolean(await navigator.storage?.persist?.().catch(() => false)) : false;
  addEventListener('online', () => hurry());
  addEventListener('offline', () => setReachable(false));
  if (entries.length) hurry();
}

/** @returns {Promise<IDBDatabase>} */
function openStore() {
  return new Promise((resolve, reject) => {
    const opening = indexedDB.open('outturn', 1);
    opening.onupgradeneeded = () => {
      opening.result.createObjectStore('kept', { keyPath: 'seq', autoIncrement: true });
      opening.result.createObjectStore('known');
    };
    opening.onsuccess = () => resolve(opening.result);
    opening.onerror = () => reject(opening.error);
    opening.onblocked = () => reject(new Error('the store of this browser is held by another page'));
  });
}

/**
 * One request to the browser's store, done only when its transaction is on disk.
 * @param {'kept'|'known'} name @param {IDBTransactionMode} mode @param {(objects: IDBObjectStore) => IDBRequest} run
 * @returns {Promise<any>}
 */
function inStore(name, mode, run) {
  return new Promise((resolve, reject) => {
    if (!store) {
      resolve(undefined);
      return;
    }
    const transaction = store.transaction(name, mode, { durability: 'strict' });
    const request = run(transaction.objectStore(name));
    transaction.oncomplete = () => resolve(request.result);
    transaction.onerror = () => reject(transaction.error);
    transaction.onabort = () => reject(transaction.error);
  });
}

/** @param {IDBDatabase} opened @returns {Promise<Entry[]>} */
function allEntries(opened) {
  return opened ? inStore('kept', 'readonly', (objects) => objects.getAll()) : Promise.resolve([]);
}

/** What the tablet last knew under a name: cards, batches, set-up. @param {string} name */
export const known = (name) => inStore('known', 'readonly', (objects) => objects.get(name)).catch(() => undefined);

/** @param {string} name @param {unknown} value */
export const remember = (name, value) => inStore('known', 'readwrite', (objects) => objects.put(value, name)).catch(() => undefined);

/** The kept commands, oldest first. @returns {readonly Entry[]} */
export const keptEntries = () => entries;

/** Whether the service answered last time. */
export const isReachable = () => reachable;

/** Calls back whenever what is kept, or the connection, changed. @param {() => void} run */
export const watchKept = (run) => watchers.add(run);

const announce = () => watchers.forEach((run) => run());

/** @param {boolean} up */
export function setReachable(up) {
  if (up === reachable) return;
  reachable = up;
  if (up) hurry();
  announce();
}

/**
 * Posts a command: answered, or kept on this tablet when no answer came. A refusal is thrown, and nothing is kept then:
 * whoever asked still has what was typed. `whenKept` is added if it is known beforehand that the command must wait.
 * @param {{kind: string, id?: string, batches: string[], fields: object, whenKept?: object}} what
 * @returns {Promise<Outcome>}
 */
export async function post({ kind, id = uuid7(), batches, fields, whenKept = {} }) {
  const behind = entries.some((entry) => entry.state !== 'sent' && (entry.batches.some((each) => batches.includes(each)) || (kind === 'starts' && EMPTIES.has(entry.kind))));
  const wait = behind || !reachable;
  const body = happened(wait ? { ...fields, ...whenKept, kept: true } : fields);
  const entry = await writeDown({ seq: 0, id, kind, batches, body, person: localStorage.getItem('outturn.person') ?? '', tried: !wait, state: 'waiting' });
  if (wait) {
    hurry();
    return { entry };
  }
  const attempt = sendOnce(entry);
  const outcome = await Promise.race([attempt.then((answer) => ({ answer })), pauseFor(PATIENCE_MS).then(() => ({ entry }))]).catch((error) => error);
  if (outcome instanceof NoAnswer) {
    setReachable(false);
    later();
    return { entry };
  }
  if (outcome instanceof Problem) {
    // Nobody is signed in any longer: what was weighed was weighed, and goes as kept, under the name that was picked.
    if (outcome.status >= 500 || outcome.slug === 'sign-in') {
      later();
      return { entry };
    }
    await strike(entry);
    throw outcome;
  }
  if (outcome instanceof Error) throw outcome;
  if (outcome.answer) await answered(entry);
  else finishLater(entry, attempt);
  return outcome;
}

/** The answer that came after an operator went on. @param {Entry} entry @param {Promise<any>} attempt */
function finishLater(entry, attempt) {
  attempt.then(() => answered(entry), () => undefined).finally(() => later());
}

/** @param {Entry} entry */
const sendOnce = (entry) => command(entry.kind, entry.id, entry.body, AbortSignal.timeout(20000), entry.person);

/** @param {Entry} entry @returns {Promise<Entry>} */
async function writeDown(entry) {
  const { seq, ...rest } = entry;
  const key = await inStore('kept', 'readwrite', (objects) => objects.add(rest)).catch(() => undefined);
  const written = { ...entry, seq: key ?? Date.now() };
  entries.push(written);
  return written;
}

/** The service has it; it stays over what the page knew before, until that is read anew. @param {Entry} entry */
async function answered(entry) {
  entry.state = 'sent';
  entry.sentAt = Date.now();
  await rewrite(entry);
}

/** Lets go of what was answered before an account of the service was asked for that has now been read. @param {number} askedAt Unix ms */
export async function forgetSent(askedAt) {
  for (const entry of entries.filter((each) => each.state === 'sent' && (each.sentAt ?? 0) < askedAt)) await strike(entry);
}

/** @param {Entry} entry */
async function strike(entry) {
  entries = entries.filter((each) => each.seq !== entry.seq);
  await inStore('kept', 'readwrite', (objects) => objects.delete(entry.seq)).catch(() => undefined);
  announce();
}

/** @param {Entry} entry */
async function rewrite(entry) {
  await inStore('kept', 'readwrite', (objects) => objects.put(entry)).catch(() => undefined);
  announce();
}

/** @param {number} ms */
const pauseFor = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

/** Tries again at once. */
function hurry() {
  pause = FIRST_PAUSE_MS;
  clearTimeout(timer);
  timer = window.setTimeout(sendAll, 0);
}

/** Tries again after a pause that grows with every try that got no answer. */
function later() {
  clearTimeout(timer);
  timer = window.setTimeout(sendAll, pause);
  pause = Math.min(pause * 2, LONGEST_PAUSE_MS);
  announce();
}

/** Sends what waits, oldest first; a batch whose command did not get through holds back its own later ones only. */
async function sendAll() {
  if (sending) return;
  sending = true;
  try {
    await alone(async () => {
      if (store) entries = mergeEntries(await allEntries(store));
      /** @type {Set<string>} */
      const stuck = new Set();
      for (const entry of [...entries]) {
        if (entry.state === 'sent') continue;
        const held = entry.state === 'settle' || entry.batches.some((batch) => stuck.has(batch));
        if (held || !(await sendKept(entry))) entry.batches.forEach((batch) => stuck.add(batch));
        if (!reachable) break;
      }
    });
  } finally {
    sending = false;
  }
  if (entries.some((entry) => entry.state === 'waiting')) later();
}

/** Only one page of this tablet sends at a time. @param {() => Promise<void>} run */
const alone = (run) => (navigator.locks ? navigator.locks.request('outturn.kept', run) : run());

/** What is on disk, which another page of this tablet may have shortened. @param {Entry[]} stored */
function mergeEntries(stored) {
  const here = new Map(entries.map((entry) => [entry.seq, entry]));
  return stored.map((entry) => here.get(entry.seq) ?? entry);
}

/** @param {Entry} entry @returns {Promise<boolean>} whether it got through */
async function sendKept(entry) {
  if (!entry.tried) {
    entry.tried = true;
    await rewrite(entry);
  }
  try {
    await sendOnce(entry);
    reachable = true;
    // Booked; or kept by the service from now on, for a person to settle.
    await answered(entry);
    return true;
  } catch (error) {
    if (error instanceof Problem) return refused(entry, error);
    setReachable(false);
    return false;
  }
}

/**
 * Nothing was booked, so the content may change: as a kept command it needs no further tap, and the service takes care of what it
 * cannot book.
 * @param {Entry} entry @param {Problem} problem
 */
async function refused(entry, problem) {
  reachable = true;
  if (problem.status >= 500 || problem.status === 429) return false;
  if (problem.slug === 'sign-in' && entry.body.kept) return false;
  if (!entry.body.kept && problem.slug !== 'id-taken') {
    entry.body = { ...entry.body, kept: true };
    await rewrite(entry);
    return sendKept(entry);
  }
  return settle(entry, problem.words);
}

/** The service cannot book it: a person must say what to do. @param {Entry} entry @param {string} why */
async function settle(entry, why) {
  entry.state = 'settle';
  entry.why = why;
  await rewrite(entry);
  return false;
}

/** Sends a refused command once more, after a person has put right what was in its way. @param {Entry} entry */
export async function sendAgain(entry) {
  entry.state = 'waiting';
  await rewrite(entry);
  hurry();
}

/** A person has settled it otherwise (booked it another way): it leaves this tablet. @param {Entry} entry */
export const putAside = (entry) => strike(entry);
