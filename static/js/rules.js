/** Ship days by rule, and ladders: from the service's form to fields that people fill in, and back. */
import { fullDay } from './format.js';
import { T } from './texts.js';

const R = T.records;
/** @typedef {import('./parts/fields.js').Field} Field */

/** Rows of one value each. @param {Field} field @param {Field} each @returns {Field} */
export const listOf = (field, each) => ({ start: [], add: R.addDay, ...field, fields: [each] });

/** The fields of a rule. @param {(name: string, label: string, kind: string, rest?: Partial<Field>) => Field} f @returns {Field[]} */
export const ruleFields = (f) => [
  f('every', R.every, 'choice', { options: Object.entries(T.rules).map(([value, label]) => ({ value, label })), start: 'nth_weekday' }),
  f('weekday', R.weekday, 'choice', { options: T.weekdays.map((label, i) => ({ value: String(i + 1), label })), start: '2', when: { name: 'every', is: ['nth_weekday', 'last_weekday'] } }),
  f('nth', R.nth, 'choice', { options: T.nths.map((label, i) => ({ value: String(i + 1), label })), start: '2', when: { name: 'every', is: ['nth_weekday'] } }),
  f('weeks', R.weeks, 'whole', { start: 1, least: 1, help: R.weeksHelp, when: { name: 'every', is: ['weeks'] } }), f('from', R.countedFrom, 'day', { help: R.countedFromHelp, when: { name: 'every', is: ['weeks'] } }),
  listOf(f('days', R.namedDays, 'rows', { least: 1, when: { name: 'every', is: ['days'] } }), f('', R.day, 'day')), listOf(f('avoid', R.avoid, 'rows', { help: R.avoidHelp }), f('', R.day, 'day')),
  f('moved', R.moved, 'choice', { options: Object.entries(T.moves).map(([value, label]) => ({ value, label })), start: 'before' }),
  f('packed_before', R.packedBefore, 'whole', { start: 1 }), f('carrier_at', R.carrierAt, 'time', { start: '15:00' }),
];

/** A rule as its fields show it. @param {any} ships */
export function flatRule(ships) {
  if (!ships) return undefined;
  const { rule, avoid, ...rest } = ships;
  return { ...rest, ...rule, weekday: rule.weekday ? String(rule.weekday) : undefined, nth: rule.nth ? String(rule.nth) : undefined, avoid };
}

/** A rule in the service's form. @param {any} flat */
export function ruleOf({ every, weekday, nth, weeks, from, days, avoid, moved, packed_before, carrier_at }) {
  /** @type {Record<string, () => any>} */
  const rules = {
    nth_weekday: () => ({ every, weekday: Number(weekday), nth: Number(nth) }), last_weekday: () => ({ every, weekday: Number(weekday) }),
    weeks: () => ({ every, weeks, from }), days: () => ({ every, days }),
  };
  return { rule: rules[every]?.(), avoid, moved, packed_before, carrier_at };
}

/** A rule in one line. @param {any} ships */
export function ruleText(ships) {
  const { rule } = ships;
  const weekday = T.weekdays[rule.weekday - 1] ?? '';
  if (rule.every === 'nth_weekday') return T.ruleTexts.nth(T.nths[rule.nth - 1] ?? '', weekday);
  if (rule.every === 'last_weekday') return T.ruleTexts.last(weekday);
  if (rule.every === 'weeks') return T.ruleTexts.weeks(rule.weeks, fullDay(rule.from));
  return T.ruleTexts.days(rule.days.length);
}

/** @param {number[][]|undefined} ladder */
export const ladderText = (ladder) => ladder?.map((rung) => rung.join(' ')).join(' / ');

/** @param {string|undefined} text @returns {number[][]|undefined} */
export function ladderOf(text) {
  if (!text?.trim()) return undefined;
  return text.split('/').map((rung) => rung.trim().split(/[\s,]+/).map(Number));
}
