/** What stands on a scale's display: reading it from a keyboard or from a scale that types, and what its division says about it. */
import { decimalText, GRAMS, mass, milligrams } from './format.js';
import { T } from './texts.js';

/** @import { Reading, Scale, Weight } from './types.js' */

/** How scales write their unit. @type {Record<string, Scale['unit']>} */
const UNITS = { kg: 'kg', g: 'g', lb: 'lb', lbs: 'lb' };

/**
 * Reads what was typed by a person or sent by a scale: a sign, spaces and zeros before the number, a unit behind it, and a mark
 * whether the mass had come to rest ("US" and "S D" mean it had not, as most serial scale formats have it).
 * @param {string} typed @param {Scale['unit']} unit the scale's unit
 * @returns {{gross: string} | {wrong: 'empty'|'number'|'moving'|'unit'|'negative', unit?: string}}
 */
export function scaleText(typed, unit) {
  const text = typed.trim();
  if (text === '') return { wrong: 'empty' };
  const found = /^(?<mark>[A-Za-z][A-Za-z,\s]*?)?[\s,]*(?<number>[+-]?\s*[\d.,][\d.,\s]*?)\s*(?<unit>[A-Za-z]+)?$/.exec(text);
  if (!found?.groups) return { wrong: 'number' };
  const mark = (found.groups.mark ?? '').toUpperCase();
  if (/\bUS\b|\bSD\b|^S\s+D/.test(mark)) return { wrong: 'moving' };
  const named = found.groups.unit?.toLowerCase();
  if (named !== undefined && UNITS[named] !== unit) return { wrong: 'unit', unit: named };
  const gross = decimalText((found.groups.number ?? '').replace(/\s/g, ''));
  if (gross === null) return { wrong: 'number' };
  if (gross.startsWith('-')) return { wrong: 'negative' };
  return { gross: gross.replace(/^0+(?=\d)/, '') };
}

/**
 * The division of a scale in its own unit, and how many decimals its display has: 20 g on a kg scale is 0.02 with two decimals.
 * @param {Pick<Scale, 'unit'|'division_g'>} scale
 */
export function division(scale) {
  const raw = scale.division_g / GRAMS[scale.unit];
  for (let decimals = 0; decimals < 6; decimals += 1) {
    const step = Math.round(raw * 10 ** decimals);
    if (step > 0 && Math.abs(raw * 10 ** decimals - step) < step * 1e-3) return { step: step / 10 ** decimals, steps: step, decimals };
  }
  return { step: raw, steps: raw * 1e6, decimals: 6 };
}

/**
 * What the scale would have shown instead, if it cannot have shown this: digits missing at the end ("11.8" on a scale of 0.02 kg),
 * a value between two divisions (just between, both are offered), or the point left out. Null when the reading is one of the scale's.
 * @param {string} gross @param {Scale} scale
 * @returns {{why: 'digits'|'between'|'large', instead: string[]}|null}
 */
export function doubt(gross, scale) {
  const { steps, decimals } = division(scale);
  const typed = (gross.split('.')[1] ?? '').length;
  const value = Number(gross);
  const most = scale.max_g / GRAMS[scale.unit];
  if (most > 0 && value > most * 1.0001) {
    const shifted = value / 10 ** decimals;
    const fits = typed === 0 && shifted <= most && Math.round(value) % Math.max(1, steps) === 0;
    return { why: 'large', instead: fits ? [shifted.toFixed(decimals)] : [] };
  }
  const units = value * 10 ** decimals;
  const [below, above] = [Math.floor(units / steps + 1e-9) * steps, Math.ceil(units / steps - 1e-9) * steps];
  if (typed > decimals || above !== below) {
    const lean = units - below - (above - units);
    const nearest = Math.abs(lean) < 1e-6 ? [...new Set([below, above])] : [lean < 0 ? below : above];
    return { why: 'between', instead: nearest.map((each) => (each / 10 ** decimals).toFixed(decimals)) };
  }
  return typed < decimals ? { why: 'digits', instead: [value.toFixed(decimals)] } : null;
}

/** Scales in the order in which sacks need them, the strongest first. @template {{max_g: number}} S @param {S[]} scales @returns {S[]} */
export const strongestFirst = (scales) => [...scales].sort((a, b) => b.max_g - a.max_g);

/** Scales in the order in which samples need them, the finest first. @template {{division_g: number}} S @param {S[]} scales @returns {S[]} */
export const finestFirst = (scales) => [...scales].sort((a, b) => a.division_g - b.division_g);

/**
 * Grams of one reading, its container taken off.
 * @param {Reading} reading @param {Scale} scale
 */
export function readingGrams(reading, scale) {
  return milligrams(Number(reading.gross) * GRAMS[scale.unit] - tare(reading.container, scale));
}

/** @param {string|null} container @param {Scale} scale */
export function tare(container, scale) {
  return scale.containers.find((each) => each.name === container)?.tare_g ?? 0;
}

/** @param {Reading[]} readings @param {Scale} scale */
export const netGrams = (readings, scale) => milligrams(readings.reduce((sum, reading) => sum + readingGrams(reading, scale), 0));

/** Grams of a weight, however it is known. @param {Weight} weight @param {Scale[]} scales */
export function gramsOf(weight, scales) {
  if (weight.basis === 'reckoned') return weight.mass_g;
  if (weight.basis === 'nominal') return weight.sacks * weight.sack_g + weight.loose_g;
  const scale = scales.find((each) => each.id === weight.scale);
  return scale ? netGrams(weight.readings, scale) : 0;
}

/** More than this is no sample (common practice: a few hundred grams, and from a container a kilogram or so). */
const SAMPLE_MOST_G = 2000;
/** What is odd about a weight as that of a sample; nothing about that of anything else. @param {string} kind @param {Weight} weight @param {Scale[]} scales */
export function sampleDoubt(kind, weight, scales) {
  const grams = gramsOf(weight, scales);
  return kind === 'samples' && grams > SAMPLE_MOST_G ? T.form.largeSample(mass(grams)) : null;
}

/**
 * Grams as text in a scale's unit as they are: with the display's decimals, and more where a tare is finer than the display.
 * @param {number} grams @param {Scale} scale
 */
export function netText(grams, scale) {
  const value = grams / GRAMS[scale.unit];
  const { decimals: shown } = division(scale);
  const [least, most] = scale.unit === 'g' ? [0, Math.max(shown, 1)] : [shown, Math.max(shown, 3)];
  for (let decimals = least; decimals < most; decimals += 1) {
    if (Math.abs(Number(value.toFixed(decimals)) - value) < 1e-7) return value.toFixed(decimals);
  }
  return value.toFixed(most);
}

/** Grams as text on a scale's display, rounded to its division; of grams only the decimals that say something. @param {number} grams @param {Scale} scale */
export function onDisplay(grams, scale) {
  const { steps, decimals } = division(scale);
  const units = (grams / GRAMS[scale.unit]) * 10 ** decimals;
  const text = ((Math.round(units / steps) * steps) / 10 ** decimals).toFixed(decimals);
  return scale.unit === 'g' ? String(Number(text)) : text;
}
