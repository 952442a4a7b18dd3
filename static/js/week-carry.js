/** Carrying a block to another day or roaster: with a mouse anywhere on it, with a finger or pen by its grip, so that a page still scrolls under a finger. */
import { week } from './week-shared.js';

/** A press that moves less than this is a click. */
const SLACK_PX = 6;
/** Near the edge of the window the page scrolls along. */
const EDGE_PX = 56;

/**
 * Lets `node` be carried; `drop` gets the day cell it is let go on.
 * @param {HTMLElement} node @param {(cell: HTMLElement) => unknown} drop
 */
export function carriable(node, drop) {
  node.addEventListener('pointerdown', (event) => {
    const grip = event.target instanceof Element && event.target.closest('.grip');
    if (event.button !== 0 || (event.pointerType !== 'mouse' && !grip)) return;
    carry(node, event, drop);
  });
}

/** @param {HTMLElement} node @param {PointerEvent} press @param {(cell: HTMLElement) => unknown} drop */
function carry(node, press, drop) {
  const listening = new AbortController();
  const { signal } = listening;
  /** @type {HTMLElement|null} */
  let ghost = null;
  /** @type {HTMLElement|null} */
  let over = null;
  week.pressed = true;
  const end = () => {
    listening.abort();
    ghost?.remove();
    over?.classList.remove('over');
    node.classList.remove('carried');
    week.pressed = false;
    // After the click that may follow: drawn before it, the block clicked on would be gone.
    setTimeout(week.drawMissed);
  };
  /** @param {PointerEvent} event */
  const follow = (event) => {
    if (event.pointerId !== press.pointerId) return;
    const [dx, dy] = [event.clientX - press.clientX, event.clientY - press.clientY];
    if (!ghost && Math.hypot(dx, dy) < SLACK_PX) return;
    event.preventDefault();
    ghost ??= lift(node);
    ghost.style.translate = `${dx}px ${dy}px`;
    over?.classList.remove('over');
    const below = document.elementFromPoint(event.clientX, event.clientY)?.closest('.day');
    over = below instanceof HTMLElement && below.dataset.day ? below : null;
    over?.classList.add('over');
    if (event.clientY < EDGE_PX) scrollBy(0, -EDGE_PX / 4);
    else if (event.clientY > innerHeight - EDGE_PX) scrollBy(0, EDGE_PX / 4);
  };
  addEventListener('pointermove', follow, { signal, passive: false });
  addEventListener('pointerup', (event) => {
    if (event.pointerId !== press.pointerId) return;
    const cell = over;
    const carried = Boolean(ghost);
    end();
    if (!carried) return;
    swallowClick();
    if (cell) drop(cell);
  }, { signal });
  addEventListener('pointercancel', end, { signal });
  addEventListener('keydown', (event) => event.key === 'Escape' && end(), { signal });
}

/** The click that a browser makes of the release must not open the block. */
function swallowClick() {
  const listening = new AbortController();
  addEventListener('click', (click) => click.stopPropagation(), { capture: true, signal: listening.signal });
  setTimeout(() => listening.abort(), 50);
}

/** A copy of the block that follows the pointer. @param {HTMLElement} node */
function lift(node) {
  const box = node.getBoundingClientRect();
  const ghost = /** @type {HTMLElement} */ (node.cloneNode(true));
  ghost.classList.add('ghost');
  ghost.setAttribute('aria-hidden', 'true');
  Object.assign(ghost.style, { left: `${box.left}px`, top: `${box.top}px`, width: `${box.width}px` });
  document.body.append(ghost);
  node.classList.add('carried');
  return ghost;
}
