/** Hears from the service what changed, so that two open pages agree within a second. */

/** A browser gives up for good when a door in between answers instead of the service; the page does not. */
const REOPEN_MS = 5000;

/**
 * Calls `changed` with the kinds that changed, and with an empty set after a broken connection is back.
 * Bursts are gathered for a tenth of a second.
 * Fulfilled once the line stands or has failed: what is read after that misses no change.
 * @param {(kinds: Set<string>) => void} changed
 * @param {(up: boolean) => void} [connection]
 * @returns {Promise<void>}
 */
export function listen(changed, connection = () => {}) {
  /** @type {Set<string>} */
  let gathered = new Set();
  let timer = 0;
  let broken = false;
  const soon = () => {
    clearTimeout(timer);
    timer = window.setTimeout(() => {
      const kinds = gathered;
      gathered = new Set();
      changed(kinds);
    }, 100);
  };
  /** @param {() => void} tried */
  const open = (tried) => {
    const source = new EventSource('/api/events');
    source.addEventListener('changed', (event) => {
      for (const kind of JSON.parse(event.data).kinds) gathered.add(kind);
      soon();
    });
    source.addEventListener('open', () => {
      connection(true);
      if (broken) soon();
      broken = false;
      tried();
    });
    source.addEventListener('error', () => {
      broken = true;
      connection(false);
      tried();
      if (source.readyState === EventSource.CLOSED) setTimeout(open, REOPEN_MS, tried);
    });
    addEventListener('pagehide', () => source.close());
  };
  return new Promise(open);
}
