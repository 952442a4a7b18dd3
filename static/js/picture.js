/** A picture drawn by the service, taken into the page so that its points can be followed and its colours go light and dark. */
import { h } from './dom.js';

/** A chart takes the width there is; on a phone it stays large enough to read, and is pushed sideways. */
const CHART = 'svg { display: block; width: 100%; min-width: 34rem; height: auto; max-height: 26rem; }';
/** A code on a label is as wide as its box, and square. */
export const CODE = 'svg { display: block; width: 100%; height: auto; }';

/**
 * A box that fills itself with the SVG at `path`; it stays away when there is none yet.
 * @param {string} path @param {string} name @param {string} [frame] how large it is
 */
export function picture(path, name, frame = CHART) {
  const box = h('figure', { class: 'picture', tabindex: 0, 'aria-label': name });
  fetch(path, { headers: { accept: 'image/svg+xml' } })
    .then(async (answer) => {
      if (!answer.ok) throw new Error(String(answer.status));
      box.append(drawn(await answer.text(), frame));
    })
    .catch(() => box.remove());
  return box;
}

/** The picture in a root of its own, so that its ids do not meet the page's. @param {string} svg @param {string} frame */
function drawn(svg, frame) {
  const parsed = new DOMParser().parseFromString(svg, 'image/svg+xml').documentElement;
  if (parsed.nodeName !== 'svg') throw new Error('no picture');
  const place = h('div');
  const sheet = new CSSStyleSheet();
  sheet.replaceSync(frame);
  const root = place.attachShadow({ mode: 'open' });
  root.adoptedStyleSheets = [sheet];
  root.append(document.importNode(parsed, true));
  return place;
}
