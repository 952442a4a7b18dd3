/** A picture drawn by the service, taken into the page so that its points can be followed and its colours go light and dark. */
import { h } from './dom.js';

/**
 * A box that fills itself with the SVG at `path`; it stays away when there is none yet.
 * @param {string} path @param {string} name
 */
export function picture(path, name) {
  const box = h('figure', { class: 'picture', 'aria-label': name });
  fetch(path, { headers: { accept: 'image/svg+xml' } })
    .then(async (answer) => {
      if (!answer.ok) throw new Error(String(answer.status));
      const drawn = new DOMParser().parseFromString(await answer.text(), 'image/svg+xml').documentElement;
      if (drawn.nodeName !== 'svg') throw new Error('no picture');
      box.append(document.importNode(drawn, true));
    })
    .catch(() => box.remove());
  return box;
}
