/** Hears from the service what changed, so that two open pages agree within a second. */
import { openPage, showLine, trying } from './parts/page-frame.js';

/** A browser gives up for good when a door in between answers instead of the service; the page does not. */
const REOPEN_MS = 5000;

/**
 * Calls `changed` with the kinds that changed, and with an empty set when the line stands again after it was broken or let go.
 * Bursts are gathered for a tenth of a second, and for as long as `changed` is at work, so that no older account is drawn over a newer one. A page that nobody sees lets its line go, since a browser keeps only six to one service
 * and all its pages share them.
 * Fulfilled once the line stands or has failed: what is read after that misses no change.
 * @param {(kinds: Set<string>) => unknown} changed
 * @param {(up: boolean) => void} [connection]
 * @returns {Promise<void>}
 */
export function listen(changed, connection = showLine) {
  /** @type {Set<string>} */
  let gathered = new Set();
  let timer = 0;
  let missed = false;
  /** @type {EventSource|null} */
  let line = null;
  let working = false;
  let more = false;
  const soon = () => {
    clearTimeout(timer);
    timer = window.setTimeout(tell, 100);
  };
  const tell = async () => {
    more = working;
    if (working) return;
    const kinds = gathered;
    gathered = new Set();
    working = true;
    try {
      await changed(kinds);
    } finally {
      working = false;
      if (more) soon();
    }
  };
  const close = () => {
    line?.close();
    line = null;
    missed = true;
  };
  /** @param {() => void} tried */
  const open = (tried) => {
    if (line) return;
    const source = new EventSource('/api/events');
    line = source;
    source.addEventListener('changed', (event) => {
      for (const kind of JSON.parse(event.data).kinds) gathered.add(kind);
      soon();
    });
    source.addEventListener('open', () => {
      connection(true);
      if (missed) soon();
      missed = false;
      tried();
    });
    source.addEventListener('error', () => {
      missed = true;
      connection(false);
      tried();
      if (source.readyState !== EventSource.CLOSED || line !== source) return;
      line = null;
      setTimeout(follow, REOPEN_MS, tried);
    });
  };
  /** Open while the page is seen. @param {() => void} tried */
  const follow = (tried) => {
    if (!document.hidden) {
      open(tried);
      return;
    }
    close();
    tried();
  };
  return new Promise((tried) => {
    document.addEventListener('visibilitychange', () => follow(tried));
    addEventListener('pageshow', () => follow(tried));
    addEventListener('pagehide', close);
    follow(tried);
  });
}

/**
 * Who works here and where, and from now on whatever changes; both are asked for at once. Who could not be told is asked again when something changed.
 * @param {(kinds: Set<string>) => unknown} changed
 */
export async function openLive(changed) {
  const opened = trying(openPage);
  await listen(async (kinds) => {
    if (!(await opened)) await trying(openPage);
    await changed(kinds);
  });
  return opened;
}
