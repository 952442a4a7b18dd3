/**
 * What would explain an odd weight, worked out on the tablet from the numbers on the card. The service weighs the slips by how often
 * they happen; here a slip is offered when undoing it brings the batch into its range, nearest to the mean first.
 */
import { clock, GRAMS, mass } from './format.js';
import { judge } from './range.js';
import { T } from './texts.js';
import { netGrams, onDisplay } from './weighing.js';

/** @import { BatchView, RangeCard, Reading, Scale, Verdict, Weight } from './types.js' */

/** @typedef {{kind: string, sentence: string, right_green_g?: number|null, right_roasted_g?: number|null, readings?: Reading[]}} Explanation `readings`: what the scale showed, as far as that is known */
/**
 * @typedef {object} Odd
 * @property {RangeCard} range
 * @property {number} green_g weighed in, all batches of the reading
 * @property {number} sample_g taken before weighing
 * @property {Extract<Weight, {basis: 'weighed'}>} weight
 * @property {Scale} scale
 * @property {number|null} card_g what the card asks for, of one batch
 * @property {BatchView[]} neighbours other batches of the same roaster
 */

const E = T.explain;
/** What a sample for cupping may weigh (common practice). */
const SAMPLE_G = { least: 100, most: 350 };
/** The share of a batch that may stay behind in a hopper or tray without being seen at once (common practice). */
const LEFT = { least: 0.02, most: 0.12 };

/** @param {Odd} odd @returns {Explanation[]} the likeliest first */
export function explain(odd) {
  const net = netGrams(odd.weight.readings, odd.scale);
  const fits = [...roastedSlips(odd), ...greenSlips(odd)].filter((each) => verdict(odd, each, net).judgement === 'ok');
  const far = (/** @type {Explanation} */ each) => Math.abs(verdict(odd, each, net).loss - verdict(odd, each, net).mean);
  return [...fits.sort((a, b) => far(a) - far(b)), ...unseen(odd, net)];
}

/** The verdict if a slip is undone. @param {Odd} odd @param {Explanation} each @param {number} net @returns {Verdict} */
const verdict = (odd, each, net) => judge(odd.range, each.right_green_g ?? odd.green_g, (each.right_roasted_g ?? net) + odd.sample_g);

/** How near a weigh-in must come to its card for a slip to explain it (common practice). */
const NEAR = 0.01;

/**
 * What would explain a weigh-in far from its card: the slips that bring it to what the card asks for, the nearest first.
 * @param {{ask_g: number, weight: Extract<Weight, {basis: 'weighed'}>, scale: Scale}} odd @returns {{sentence: string, grams: number, readings?: Reading[]}[]}
 */
export function explainIn({ ask_g, weight, scale }) {
  const off = (/** @type {{grams: number}} */ each) => Math.abs(each.grams - ask_g);
  return readingSlips({ weight, scale }).filter((each) => off(each) <= Math.max(2 * scale.division_g, NEAR * ask_g)).sort((a, b) => off(a) - off(b));
}

/** Slips that change what the scale of the roasted coffee was said to show. @param {Odd} odd @returns {Explanation[]} */
function roastedSlips({ weight, scale, green_g, neighbours }) {
  /** @type {Explanation[]} */
  const found = readingSlips({ weight, scale }).map(({ grams, ...slip }) => ({ ...slip, right_roasted_g: grams }));
  for (const other of neighbours) {
    const near = other.weighed_out_g !== null && Math.abs(other.weighed_in_g - green_g) > scale.division_g;
    if (near && other.weighed_out_g !== null) found.push({ kind: 'exchanged', sentence: E.exchanged(other.lot.name, clock(other.weighed_out_at)), right_roasted_g: other.weighed_out_g });
  }
  return found;
}

/**
 * Slips between the scale and what was typed, with the net mass if each is undone, and the readings where they follow from what was typed.
 * @param {{weight: Extract<Weight, {basis: 'weighed'}>, scale: Scale}} read @returns {{kind: string, sentence: string, grams: number, readings?: Reading[]}[]}
 */
function readingSlips({ weight, scale }) {
  const last = /** @type {Reading} */ (weight.readings.at(-1));
  const net = netGrams(weight.readings, scale);
  const slip = (/** @type {string} */ kind, /** @type {string} */ sentence, /** @type {number} */ grams) => ({ kind, sentence, grams });
  const read = (/** @type {string} */ kind, /** @type {string} */ sentence, /** @type {Partial<Reading>} */ right) => {
    const readings = [...weight.readings.slice(0, -1), { ...last, ...right }];
    return { kind, sentence, grams: netGrams(readings, scale), readings };
  };
  const found = swapped(last.gross).map((gross) => read('swapped', E.swapped(gross, scale.unit), { gross }));
  if (scale.unit !== 'g') {
    const decimals = (last.gross.split('.')[1] ?? '').length;
    for (const sign of [1, -1]) found.push(read('whole', E.whole(scale.unit), { gross: (Number(last.gross) + sign).toFixed(decimals) }));
  }
  for (const crate of scale.containers) {
    if (last.container === null) found.push(read('crate', E.crate(crate.name), { container: crate.name }));
  }
  if (last.container !== null) found.push(read('no_crate', E.noCrate(last.container), { container: null }));
  const unread = [slip('decimal', E.decimal, net * 10), slip('decimal', E.decimal, net / 10), ...(scale.unit === 'kg' ? [slip('pounds', E.pounds, net * (GRAMS.lb / GRAMS.kg))] : [])];
  return [...found, ...unread];
}

/** Slips of the weigh-in: only offered where the card then had what it asked for. @param {Odd} odd @returns {Explanation[]} */
function greenSlips({ card_g, green_g, scale }) {
  if (card_g === null || Math.abs(card_g - green_g) <= scale.division_g) return [];
  const step = scale.unit === 'lb' ? GRAMS.lb : GRAMS.kg;
  const off = Math.abs(card_g - green_g);
  const digits = swapped(onDisplay(green_g, scale)).some((gross) => Math.abs(Number(gross) * GRAMS[scale.unit] - card_g) <= scale.division_g);
  return digits || Math.abs(off - step) <= scale.division_g ? [{ kind: 'green', sentence: E.green(mass(green_g), mass(card_g)), right_green_g: card_g }] : [];
}

/** What leaves no figure to take: coffee that is not on the scale. @param {Odd} odd @param {number} net @returns {Explanation[]} */
function unseen({ range, green_g, sample_g }, net) {
  const expected = green_g * Math.exp(range.mean_log_yield) - sample_g;
  const missing = expected - net;
  /** @type {Explanation[]} */
  const found = [];
  if (missing >= green_g * LEFT.least && missing <= green_g * LEFT.most) found.push({ kind: 'left', sentence: E.left(mass(missing)) });
  if (missing >= SAMPLE_G.least && missing <= SAMPLE_G.most) found.push({ kind: 'sample', sentence: E.sample(mass(missing)) });
  return found;
}

/** A number with each two neighbouring digits exchanged. @param {string} text @returns {string[]} */
function swapped(text) {
  const digits = [...text];
  const places = digits.flatMap((each, i) => (/\d/.test(each) ? [i] : []));
  /** @type {Set<string>} */
  const all = new Set();
  for (const [n, a] of places.entries()) {
    const b = places[n + 1];
    if (b === undefined || digits[a] === digits[b]) continue;
    const other = [...digits];
    [other[a], other[b]] = [/** @type {string} */ (digits[b]), /** @type {string} */ (digits[a])];
    all.add(other.join(''));
  }
  return [...all];
}
