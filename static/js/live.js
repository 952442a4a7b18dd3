/** Hears from the service what changed, so that two open pages agree within a second. */

/** A browser gives up for good when a door in between answers instead of the service; the page does not. */
const REOPEN_MS = 5000;

/**
 * Calls `changed` with the kinds that changed, and with an empty set after a broken connection is back.
 * Bursts are gathered for a tenth of a second.
 * @param {(kinds: Set<string>) => void} changed
 * @param {(up: boolean) => void} [connection]
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
  const open = () => {
    const source = new EventSource('/api/events');
    source.addEventListener('changed', (event) => {
      for (const kind of JSON.parse(event.data).kinds) gathered.add(kind);
      soon();
    });
    source.addEventListener('open', () => {
      connection(true);
      if (broken) soon();
      broken = false;
    });
    source.addEventListener('error', () => {
      broken = true;
      connection(false);
      if (source.readyState === EventSource.CLOSED) setTimeout(open, REOPEN_MS);
    });
    addEventListener('pagehide', () => source.close());
  };
  open();
}
