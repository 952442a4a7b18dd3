/**
 * Lets the floor page open without a network, and at once with one. What happens there is kept by js/kept.js; this only keeps the page
 * itself. The service puts a line before this text that says which build it is and which files the floor page loads, so that a cache holds
 * the files of one build and never a mixture.
 */

/** @type {{name: string, files: string[]}} */
const BUILD = /** @type {any} */ (self).BUILD;
const PREFIX = 'outturn.floor.';
const CACHE = PREFIX + BUILD.name;

addEventListener('install', (untyped) => {
  const event = /** @type {any} */ (untyped);
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(BUILD.files.map((file) => new Request(file, { cache: 'reload' })))));
});

addEventListener('activate', (untyped) => {
  const event = /** @type {any} */ (untyped);
  event.waitUntil(Promise.all([forgetOthers(), /** @type {any} */ (self).clients.claim()]));
});

/** The floor page says when nothing is being weighed, so that another build may take over. */
addEventListener('message', (untyped) => {
  if (/** @type {any} */ (untyped).data === 'take over') /** @type {any} */ (self).skipWaiting();
});

addEventListener('fetch', (untyped) => {
  const event = /** @type {any} */ (untyped);
  const { pathname, origin } = new URL(event.request.url);
  if (event.request.method === 'GET' && origin === location.origin && BUILD.files.includes(pathname)) event.respondWith(answer(event, pathname));
});

async function forgetOthers() {
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith(PREFIX) && name !== CACHE).map((name) => caches.delete(name)));
}

/** The floor page and what it loads come from the cache of this build; the other pages, which share files with it, from the service. */
async function answer(/** @type {any} */ event, /** @type {string} */ pathname) {
  if (!(await isFloor(event))) return fetch(event.request);
  const kept = await (await caches.open(CACHE)).match(pathname);
  return kept ?? fetch(event.request);
}

async function isFloor(/** @type {any} */ event) {
  if (event.request.mode === 'navigate') return true;
  const client = await /** @type {any} */ (self).clients.get(event.clientId);
  return Boolean(client) && new URL(client.url).pathname === '/floor';
}
