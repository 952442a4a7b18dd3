/** Numbers, masses, shares and times between people and the service. Storage never changes: grams, fractions, ISO days. */

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
  return new Intl.NumberFormat(LOCALE, { minimumFractionDigits: least, maximumFractionDigits: most }).format(value);
}

/**
 * A mass with its unit: "12.34 kg". Small masses of a kg site are shown in grams.
 * @param {number|null|undefined} grams @param {Unit} [unit] @param {number} [digits]
 */
export function mass(grams, unit = at.unit, digits = 2) {
  if (grams === null || grams === undefined) return '–';
  if (unit === 'kg' && grams !== 0 && Math.abs(grams) < 100) return `${number(grams, 0, 1)}${JOINED}g`;
  return `${number(grams / GRAMS[unit], digits, digits)}${JOINED}${unit}`;
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
  return style.format(money.minor / 10 ** (style.resolvedOptions().maximumFractionDigits ?? 2));
}

/** How many digits follow the point in a currency: 2 for euros, 0 for yen. @param {string} currency */
export function minorDigits(currency) {
  try {
    return new Intl.NumberFormat('en', { style: 'currency', currency }).resolvedOptions().maximumFractionDigits ?? 2;
  } catch {
    return 2;
  }
}

/** A day, short: "Wed 25 Nov". @param {string|null|undefined} iso */
export function day(iso) {
  if (!iso) return '–';
  return new Intl.DateTimeFormat(LOCALE, { weekday: 'short', day: 'numeric', month: 'short', timeZone: 'UTC' }).format(new Date(`${iso}T00:00:00Z`));
}

/** A day with its year. @param {string|null|undefined} iso */
export function fullDay(iso) {
  if (!iso) return '–';
  return new Intl.DateTimeFormat(LOCALE, { day: 'numeric', month: 'short', year: 'numeric', timeZone: 'UTC' }).format(new Date(`${iso}T00:00:00Z`));
}

/** Time of day at the site: "10:23". @param {string|null|undefined} instant */
export function clock(instant) {
  if (!instant) return '–';
  return new Intl.DateTimeFormat(LOCALE, { hour: '2-digit', minute: '2-digit', hourCycle: 'h23', timeZone: at.zone }).format(new Date(instant));
}

/** Day and time of day at the site. @param {string|null|undefined} instant */
export function moment(instant) {
  if (!instant) return '–';
  return new Intl.DateTimeFormat(LOCALE, { day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit', hourCycle: 'h23', timeZone: at.zone }).format(new Date(instant));
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

/**
 * The canonical decimal text ("1234.5") of what a person typed with a comma or a point, or null if it is no plain number.
 * Both marks together are read as grouping and decimal; a lone mark is the decimal one.
 * @param {string} typed @returns {string|null}
 */
export function decimalText(typed) {
  const text = typed.trim().replace(/[\s\u00a0\u202f']/g, '');
  const last = Math.max(text.lastIndexOf(','), text.lastIndexOf('.'));
  const other = text[last] === ',' ? '.' : ',';
  const plain = text.split(other).join('');
  const marks = plain.split(/[.,]/).length - 1;
  if (marks > 1) return null;
  const canonical = plain.replace(',', '.');
  return /^[+-]?(\d+(\.\d*)?|\.\d+)$/.test(canonical) ? canonical.replace(/^\+/, '').replace(/^(-?)\./, '$10.').replace(/\.$/, '') : null;
}

/** @param {string} typed @returns {number|null} */
export function parseNumber(typed) {
  const text = decimalText(typed);
  return text === null ? null : Number(text);
}

/** Grams to the milligram, as the service keeps them. @param {number} grams */
export const milligrams = (grams) => Math.round(grams * 1000) / 1000;

/** A number for an edit field, in the reader's own decimal mark and without grouping. @param {number} value @param {number} [most] */
export function editable(value, most = 6) {
  return new Intl.NumberFormat(LOCALE, { useGrouping: false, maximumFractionDigits: most }).format(value);
}
