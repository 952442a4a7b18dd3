/**
 * The expected loss of a batch and the judgement over it, computed on the tablet from the numbers that its card carries,
 * so that the floor needs no network. The service computes the same (tests hold both against the same cases).
 *
 * With green in g and roasted out r (grams, samples taken before weighing included):
 *
 *     y      = ln(r / g)                      the log-yield as weighed
 *     m      = mean_log_yield                 as expected for this lot, style and roaster
 *     S      = variance + (1/12 + repeatability²) ((d_in/g)² + (d_out/r)²)
 *     lo, hi = 1 − exp(m ± quantile · spread · √S)
 *     mean   = 1 − exp(m + S/2)
 *
 * d_in and d_out are the divisions of the two scales in grams: 1/12 is the variance of rounding to one division,
 * repeatability the standard deviation of a repeated weighing in divisions.
 */

/** @import { RangeCard, Verdict } from './types.js' */

/** A loss outside of these is taken for a slip of weighing, whatever the lot: never learned from. */
export const POSSIBLE = { least: 0.04, most: 0.3 };

/**
 * The variance of the log-yield of one batch as weighed.
 * @param {RangeCard} card @param {number} green_g @param {number} roasted_g
 */
function variance(card, green_g, roasted_g) {
  const weighing = 1 / 12 + card.repeatability ** 2;
  return card.variance + weighing * ((card.green_division_g / green_g) ** 2 + (card.roasted_division_g / roasted_g) ** 2);
}

/**
 * The expected range of loss at a charge, before anything is weighed out.
 * @param {RangeCard} card @param {number} green_g @param {number} [roasted_g] grams out; the expected ones if not known yet
 * @returns {{mean: number, lo: number, hi: number}}
 */
export function expectedRange(card, green_g, roasted_g = green_g * Math.exp(card.mean_log_yield)) {
  const S = variance(card, green_g, roasted_g);
  const half = card.quantile * card.spread * Math.sqrt(S);
  return {
    mean: 1 - Math.exp(card.mean_log_yield + S / 2),
    lo: 1 - Math.exp(card.mean_log_yield + half),
    hi: 1 - Math.exp(card.mean_log_yield - half),
  };
}

/**
 * The verdict over a weigh-out.
 * @param {RangeCard} card @param {number} green_g grams weighed in (all batches of the reading)
 * @param {number} roasted_g grams weighed out, samples included
 * @returns {Verdict}
 */
export function judge(card, green_g, roasted_g) {
  const loss = 1 - roasted_g / green_g;
  const range = expectedRange(card, green_g, roasted_g > 0 ? roasted_g : undefined);
  return { judgement: judgement(loss, range), loss, ...range, alpha: card.alpha, state_key: card.state_key };
}

/** @param {number} loss @param {{lo: number, hi: number}} range @returns {Verdict['judgement']} */
function judgement(loss, range) {
  if (loss <= 0 || loss < POSSIBLE.least || loss > POSSIBLE.most) return 'impossible';
  if (loss > range.hi) return 'more';
  return loss < range.lo ? 'less' : 'ok';
}
