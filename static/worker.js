/** Lets the floor page open without a network. What happens there is kept by js/kept.js; this only keeps the page itself. */

const CACHE = 'outturn.floor';
/** A tablet does not wait longer than this for a fresh copy. */
const PATIENCE_MS = 3000;

/** The floor page and everything it loads. */
const FLOOR = [
  '/floor',
  '/static/icon.svg',
  '/static/css/base.css',
  '/static/css/floor.css',
  '/static/js/api.js',
  '/static/js/dom.js',
  '/static/js/floor-shared.js',
  '/static/js/floor-state.js',
  '/static/js/floor-steps.js',
  '/static/js/floor-weigh.js',
  '/static/js/floor.js',
  '/static/js/format.js',
  '/static/js/forms.js',
  '/static/js/kept.js',
  '/static/js/live.js',
  '/static/js/parts/digit-pad.js',
  '/static/js/parts/fields.js',
  '/static/js/parts/mass-display.js',
  '/static/js/parts/pad-entry.js',
  '/static/js/parts/page-frame.js',
  '/static/js/parts/range-picture.js',
  '/static/js/parts/record-form.js',
  '/static/js/parts/weight-entry.js',
  '/static/js/range.js',
  '/static/js/records.js',
  '/static/js/sack.js',
  '/static/js/texts.js',
  '/static/js/weighing.js',
];

addEventListener('install', (event) => {
  /** @type {any} */ (event).waitUntil(caches.open(CACHE).then((cache) => cache.addAll(FLOOR)));
});

addEventListener('fetch', (untyped) => {
  /** @type {any} */
  const event = untyped;
  const { pathname, origin } = new URL(event.request.url);
  if (event.request.method === 'GET' && origin === location.origin && FLOOR.includes(pathname)) event.respondWith(freshOrKept(event.request));
});

/**
 * The copy of the service while it answers, so that all files are of one release; the kept one when it does not.
 * @param {Request} request
 */
async function freshOrKept(request) {
  try {
    const fresh = await fetch(request, { signal: AbortSignal.timeout(PATIENCE_MS) });
    if (fresh.ok) {
      const cache = await caches.open(CACHE);
      await cache.put(new URL(request.url).pathname, fresh.clone());
    }
    return fresh;
  } catch (error) {
    const kept = await caches.match(new URL(request.url).pathname);
    if (kept) return kept;
    throw error;
  }
}
