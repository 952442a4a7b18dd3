/** Numbers, masses, shares and times between people and the service. Storage never changes: grams, fractions, ISO days. */

import { T } from './texts.js';

/** Grams in one unit; the pound is the international avoirdupois pound, exactly 0.45359237 kg (1959). */
export const GRAMS = { g: 1, kg: 1000, lb: 453.59237 };

/** @typedef {keyof typeof GRAMS} Unit */

const LOCALE = globalThis.navigator?.language || 'en';
/** Keeps a number and its unit on one line. */
const JOINED = '\u00a0';
const CHOSEN_UNIT = 'outturn.unit';
/** @type {{unit: 'kg'|'lb', zone: string}} */
const at = { unit: 'kg', zone: Intl.DateTimeFormat().resolvedOptions().timeZone };

/**
 * Takes the site's zone and unit; a person's own choice of unit, kept in this browser, comes first.
 * @param {{zone?: string, mass_unit?: 'kg'|'lb'}} site
 */
export function useSite(site) {
  at.unit = ownUnit() ?? site.mass_unit ?? 'kg';
  at.zone = site.zone ?? at.zone;
}

/** @returns {'kg'|'lb'|null} */
export function ownUnit() {
  const own = localStorage.getItem(CHOSEN_UNIT);
  return own === 'kg' || own === 'lb' ? own : null;
}

/** @param {'kg'|'lb'|null} unit */
export function chooseUnit(unit) {
  if (unit) localStorage.setItem(CHOSEN_UNIT, unit);
  else localStorage.removeItem(CHOSEN_UNIT);
}

/** The unit of masses on the pages; on the floor the unit belongs to the scale instead. */
export const siteUnit = () => at.unit;

/** @param {number} value @param {number} [least] @param {number} [most] */
export function number(value, least = 0, most = Math.max(least, 3)) {
  return minus(new Intl.NumberFormat(LOCALE, { minimumFractionDigits: least, maximumFractionDigits: most, signDisplay: 'negative' }).format(value));
}

/** What is less than nothing bears the minus sign of print, everywhere the same. @param {string} text */
const minus = (text) => text.replace('-', '−');

/**
 * A mass with its unit: "12.34 kg". Small masses of a kg site are shown in grams.
 * @param {number|null|undefined} grams @param {Unit} [unit] @param {number} [digits]
 */
export function mass(grams, unit = at.unit, digits = 2) {
  if (grams === null || grams === undefined) return '–';
  if (unit === 'kg' && grams !== 0 && Math.abs(grams) < 100) return `${number(grams, 0, 1)}${JOINED}g`;
  return `${number(grams / GRAMS[unit], unit === 'g' ? 0 : digits, digits)}${JOINED}${unit}`;
}

/** A mass more or less than something: "+1.20 kg", "−3.45 kg". @param {number} grams */
export function more(grams) {
  const text = mass(Math.abs(grams));
  return /[1-9]/.test(text) ? `${grams > 0 ? '+' : '−'}${text}` : text;
}

/** A mass among figures that are to add up: to the gram, and always in the unit of the pages. @param {number|null|undefined} grams */
export function exact(grams) {
  return grams === null || grams === undefined ? '–' : `${number(grams / GRAMS[at.unit], 3, 3)}${JOINED}${at.unit}`;
}

/** A fraction as a percentage with one decimal: "14.8 %". @param {number|null|undefined} share @param {number} [digits] */
export function percent(share, digits = 1) {
  if (share === null || share === undefined) return '–';
  return `${number(share * 100, digits, digits)}${JOINED}%`;
}

/** A percentage without its mark, for the first of a pair: "13.3 to 16.1 %". @param {number} fraction */
export const share = (fraction) => number(fraction * 100, 1, 1);

/** @param {{minor: number, currency: string}|null|undefined} money */
export function money(money) {
  if (!money) return '–';
  const style = new Intl.NumberFormat(LOCALE, { style: 'currency', currency: money.currency });
  return minus(style.format(money.minor / 10 ** (style.resolvedOptions().maximumFractionDigits ?? 2)));
}

/** How many digits follow the point in a currency: 2 for euros, 0 for yen. @param {string} currency */
export function minorDigits(currency) {
  try {
    return new Intl.NumberFormat('en', { style: 'currency', currency }).resolvedOptions().maximumFractionDigits ?? 2;
  } catch {
    return 2;
  }
}

/** An amount in whole minor units of a currency, or null where it is finer than the currency is. @param {number} amount @param {string} currency */
export function minorOf(amount, currency) {
  const minor = amount * 10 ** minorDigits(currency);
  return Math.abs(minor - Math.round(minor)) < 1e-6 ? Math.round(minor) : null;
}

/**
 * A moment in parts, months in three letters as the service's own sentences have them.
 * @param {string} text @param {Intl.DateTimeFormatOptions} parts
 */
const written = (text, parts) => new Intl.DateTimeFormat(LOCALE, parts).format(new Date(text)).replace('Sept', 'Sep');
/** @type {Intl.DateTimeFormatOptions} */
const DAY = { day: 'numeric', month: 'short' };
/** @type {Intl.DateTimeFormatOptions} */
const TIME = { hour: '2-digit', minute: '2-digit', hourCycle: 'h23' };

/** A day, short: "Wed 25 Nov". @param {string|null|undefined} iso */
export const day = (iso) => (iso ? written(`${iso}T00:00:00Z`, { ...DAY, weekday: 'short', timeZone: 'UTC' }) : '–');

/** A day with its year. @param {string|null|undefined} iso */
export const fullDay = (iso) => (iso ? written(`${iso}T00:00:00Z`, { ...DAY, year: 'numeric', timeZone: 'UTC' }) : '–');

/** Time of day at the site: "10:23". @param {string|null|undefined} instant */
export const clock = (instant) => (instant ? written(instant, { ...TIME, timeZone: at.zone }) : '–');

/** Day and time of day at the site. @param {string|null|undefined} instant */
export const moment = (instant) => (instant ? written(instant, { ...DAY, ...TIME, timeZone: at.zone }) : '–');

/** Day with its year and time of day at the site, for what is looked up long after. @param {string|null|undefined} instant */
export const fullMoment = (instant) => (instant ? written(instant, { ...DAY, ...TIME, year: 'numeric', timeZone: at.zone }) : '–');

/** A month with its year: "Sep 2026". @param {string} iso "2026-09" */
export const month = (iso) => written(`${iso}-01T00:00:00Z`, { month: 'short', year: 'numeric', timeZone: 'UTC' });

/** A text of the service with its days as people write them. @param {string} text */
export const inDays = (text) => text.replace(/\b\d{4}-\d\d-\d\d\b/g, (iso) => fullDay(iso));

/** The site's day of an instant: "2026-11-25". @param {string|null|undefined} instant */
export function localDay(instant) {
  if (!instant) return '';
  return new Intl.DateTimeFormat('sv-SE', { year: 'numeric', month: '2-digit', day: '2-digit', timeZone: at.zone }).format(new Date(instant));
}

/** @param {string} iso @param {number} days */
export function addDays(iso, days) {
  const moved = new Date(`${iso}T00:00:00Z`);
  moved.setUTCDate(moved.getUTCDate() + days);
  return moved.toISOString().slice(0, 10);
}

/** @param {number} minutes */
export function hours(minutes) {
  return `${Math.floor(minutes / 60)}:${String(Math.round(minutes % 60)).padStart(2, '0')}`;
}

/** The reader's own decimal mark. */
const DECIMAL_MARK = (1.5).toLocaleString(LOCALE).charAt(1);

/**
 * The canonical decimal text ("1234.5") of what a person or a scale wrote with a comma or a point, or null if it is no plain number.
 * Both marks together are read as grouping and decimal, if the groups are of three; a lone mark is the decimal one. A scale never groups;
 * of what a person typed, `twoReadings` tells whether it can be meant in another way.
 * @param {string} typed @returns {string|null}
 */
export function decimalText(typed) {
  const text = typed.trim().replace(/[\s\u00a0\u202f']/g, '');
  const grouped = /^[+-]?\d{1,3}(?:(?:,\d{3})+\.|(?:\.\d{3})+,)\d*$/.test(text);
  const plain = grouped ? text.replaceAll(text.includes(',') && text.lastIndexOf(',') > text.lastIndexOf('.') ? '.' : ',', '') : text;
  const canonical = plain.replace(',', '.');
  return /^[+-]?(\d+(\.\d*)?|\.\d+)$/.test(canonical) ? canonical.replace(/^\+/, '').replace(/^(-?)\./, '$10.').replace(/\.$/, '') : null;
}

/**
 * What a number may mean whose only mark is not the reader's decimal mark and stands before three digits: "1,234" is 1234 to many readers
 * and 1.234 to others. Null where there is one reading.
 * @param {string} typed @param {string} [mark] the reader's decimal mark
 * @returns {{whole: string, part: string}|null}
 */
export function twoReadings(typed, mark = DECIMAL_MARK) {
  const found = /^([+-]?[1-9]\d{0,2})([.,])(\d{3})$/.exec(typed.trim());
  return found && found[2] !== mark ? { whole: `${found[1]}${found[3]}`, part: `${found[1]}${mark}${found[3]}` } : null;
}

/** A number that a person typed, or null if it is none or may be two. @param {string} typed @returns {number|null} */
export function parseNumber(typed) {
  const text = twoReadings(typed) ? null : decimalText(typed);
  return text === null ? null : Number(text);
}

/** Why `parseNumber` gave nothing, in words. @param {string} typed */
export function noNumber(typed) {
  const two = twoReadings(typed);
  return two ? T.form.twoReadings(typed.trim(), two.whole, two.part) : T.form.noNumber;
}

/** Grams to the milligram, as the service keeps them. @param {number} grams */
export const milligrams = (grams) => Math.round(grams * 1000) / 1000;

/** A number for an edit field, in the reader's own decimal mark and without grouping. @param {number} value @param {number} [most] */
export function editable(value, most = 6) {
  return new Intl.NumberFormat(LOCALE, { useGrouping: false, maximumFractionDigits: most }).format(value);
}
