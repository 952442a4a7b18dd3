/** The parts of the pages that need no browser. */
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';
import { uuid7 } from '../../static/js/api.js';
import { explain } from '../../static/js/explain.js';
import { lay } from '../../static/js/floor-state.js';
import { decimalText, GRAMS, twoReadings } from '../../static/js/format.js';
import { expectedRange, judge } from '../../static/js/range.js';
import { division, doubt, netGrams, netText, onDisplay, scaleText } from '../../static/js/weighing.js';

/** @type {any} */
const FLOOR_SCALE = { id: 's', revision: 1, name: 'Floor scale', unit: 'kg', division_g: 20, max_g: 60000, containers: [{ name: 'crate', tare_g: 1240 }] };

test('a UUID of version 7 carries the time and its marks (RFC 9562, section 5.7 and the example of appendix A.6)', () => {
  const made = uuid7(0x017f22e279b0);
  assert.match(made, /^017f22e2-79b0-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
  assert.notEqual(uuid7(1), uuid7(1));
});

test('the pound is exactly 0.45359237 kg (international yard and pound agreement, 1959; NIST SP 811, appendix B)', () => {
  assert.equal(GRAMS.lb, 453.59237);
});

test('numbers are read with comma or point', () => {
  const cases = /** @type {[string, string|null][]} */ ([['12.5', '12.5'], ['12,5', '12.5'], [' 1 234,50 ', '1234.50'], ['1.234,5', '1234.5'], ['1,234.5', '1234.5'], ['.5', '0.5'], ['5.', '5'], ['1,2,3', null], ['1e3', null], ['NaN', null], ['', null], ['-', null]]);
  for (const [typed, text] of cases) assert.equal(decimalText(typed), text, typed);
});

test('a scale that types is understood: sign, zeros, unit, and whether it had come to rest', () => {
  const cases = /** @type {[string, any][]} */ ([
    ['12.34', { gross: '12.34' }], ['ST,GS,+0012.34kg', { gross: '12.34' }], ['S S     12.34 kg', { gross: '12.34' }], ['+  12.34 kg', { gross: '12.34' }], ['0.50', { gross: '0.50' }],
    ['US,+0012.34kg', { wrong: 'moving' }], ['S D     12.34 kg', { wrong: 'moving' }], ['12.34 lb', { wrong: 'unit', unit: 'lb' }], ['-0.02 kg', { wrong: 'negative' }], ['twelve', { wrong: 'number' }], ['', { wrong: 'empty' }],
  ]);
  for (const [typed, read] of cases) assert.deepEqual(scaleText(typed, 'kg'), read, typed);
});

test('digits fill to the division of the scale', () => {
  assert.deepEqual(division(FLOOR_SCALE), { step: 0.02, steps: 2, decimals: 2 });
  assert.equal(doubt('11.80', FLOOR_SCALE), null);
  assert.deepEqual(doubt('11.8', FLOOR_SCALE), { why: 'digits', instead: ['11.80'] });
  assert.deepEqual(doubt('11.83', FLOOR_SCALE), { why: 'between', instead: ['11.82', '11.84'] }, 'just between two steps both are as likely');
  assert.deepEqual(doubt('11.825', FLOOR_SCALE), { why: 'between', instead: ['11.82'] });
  assert.deepEqual(doubt('1180', FLOOR_SCALE), { why: 'large', instead: ['11.80'] });
  assert.equal(division({ unit: 'lb', division_g: 22.68 }).step, 0.05);
});

test('containers come off each reading', () => {
  assert.equal(netGrams([{ gross: '13.24', container: 'crate' }, { gross: '2.00', container: null }], FLOOR_SCALE), 14000);
  assert.equal(onDisplay(14000, FLOOR_SCALE), '14.00');
  assert.equal(netText(12010, FLOOR_SCALE), '12.01', 'a net is not rounded to the division');
  assert.equal(netText(12005, FLOOR_SCALE), '12.005');
  assert.equal(onDisplay(1500, { ...FLOOR_SCALE, unit: 'g', division_g: 0.01 }), '1500', 'grams without decimals that say nothing');
  assert.equal(onDisplay(15.25, { ...FLOOR_SCALE, unit: 'g', division_g: 0.01 }), '15.25');
});

/** The cases that the service is held against too (tests/fixtures/verdicts.json). */
const CASES = JSON.parse(readFileSync(new URL('../fixtures/verdicts.json', import.meta.url), 'utf8'));

test('the tablet judges as the service does', () => {
  assert.ok(CASES.length >= 50);
  const seen = new Set();
  for (const each of CASES) {
    const got = judge(each, each.green_g, each.roasted_g);
    for (const name of /** @type {const} */ (['loss', 'lo', 'hi'])) {
      assert.ok(Math.abs(got[name] - each[name]) < 1e-13, `${name}: ${got[name]}, not ${each[name]}`);
    }
    assert.equal(got.judgement, each.judgement);
    // The width of the range tells S, and S the mean: 1 - exp(m + S/2).
    const S = ((Math.log(1 - each.lo) - Math.log(1 - each.hi)) / (2 * each.quantile * each.spread)) ** 2;
    assert.ok(Math.abs(got.mean - (1 - Math.exp(each.mean_log_yield + S / 2))) < 1e-12);
    const { lo, hi } = expectedRange(each, each.green_g, each.roasted_g);
    assert.deepEqual([lo, hi], [got.lo, got.hi]);
    seen.add(got.judgement);
  }
  assert.deepEqual([...seen].sort(), ['impossible', 'less', 'more', 'ok']);
});

test('kept commands lie over what the service said, in order, and an undo takes its command away', () => {
  /** @type {any} */
  const known = { cards: [{ id: 'c', state: 'planned', batch: null, roaster: { id: 'r' }, style: { id: 'f' }, ranges: [] }], batches: [], lots: [{ id: 'l', name: 'K-17', grade: 'AA', coffee: 'k' }], coffees: [{ id: 'k', name: 'Kirimbi' }], styles: [{ id: 'f', name: 'Filter' }], roasters: [{ id: 'r', name: 'Big drum' }], storerooms: [], scales: [FLOOR_SCALE] };
  /** @param {string} id @param {string} kind @param {any} body @returns {any} */
  const entry = (id, kind, body) => ({ seq: 1, id, kind, batches: ['b'], body: { happened_at: '2026-11-25T10:00:00Z', ...body }, tried: false, state: 'waiting' });
  const weight = { basis: 'weighed', scale: 's', source: 'typed', readings: [{ gross: '13.24', container: 'crate' }] };
  const weighIn = entry('1', 'weigh-ins', { batch: 'b', card: 'c', lot: 'l', style: 'f', roaster: 'r', storeroom: 't', weight });
  const start = entry('2', 'starts', { batch: 'b' });
  const laid = lay(known, [weighIn, start]);
  assert.equal(laid.batches[0]?.state, 'in_drum');
  assert.equal(laid.batches[0]?.weighed_in_g, 12000);
  assert.equal(laid.cards[0]?.state, 'in_drum');
  assert.equal(known.cards[0].state, 'planned', 'what the service said stays as it was');
  const sent = lay(known, [weighIn, start].map((each) => ({ ...each, state: /** @type {const} */ ('sent') })));
  assert.deepEqual([sent.batches[0]?.state, sent.batches[0]?.kept], ['in_drum', false], 'what was sent stays in sight until the service was read again');
  const undone = lay(known, [weighIn, entry('3', 'reversals', { posting: '1' })]);
  assert.equal(undone.batches.length, 0);
  assert.equal(undone.cards[0]?.state, 'planned');
});

test('without a network, too, the last step of a batch is what an undo takes back', () => {
  /** @type {any} */
  const known = { cards: [], batches: [], lots: [], coffees: [], styles: [], roasters: [], storerooms: [], scales: [FLOOR_SCALE] };
  /** @param {string} id @param {string} kind @param {any} [body] @returns {any} */
  const entry = (id, kind, body = {}) => ({ seq: 1, id, kind, batches: ['b'], body: { batch: 'b', batches: ['b'], happened_at: '2026-11-25T10:00:00Z', ...body }, tried: false, state: 'waiting' });
  const weight = (/** @type {string} */ gross) => ({ weight: { basis: 'weighed', scale: 's', source: 'typed', readings: [{ gross, container: null }] } });
  const day = [entry('1', 'weigh-ins', weight('12.00')), entry('2', 'starts'), entry('3', 'samples', weight('0.20')), entry('4', 'weigh-outs', weight('10.00')), entry('5', 'wastes', weight('0.10'))];
  const after = (/** @type {any[]} */ entries, /** @type {any} */ of = known) => lay(of, entries).batches.map(({ state, undo, sample_g }) => [state, undo, sample_g]);
  assert.deepEqual(day.map((_, i) => after(day.slice(0, i + 1))[0]), [['weighed_in', '1', 0], ['in_drum', '2', 0], ['in_drum', '3', 200], ['weighed_out', '4', 200], ['weighed_out', '5', 200]]);
  const taken = (/** @type {number} */ steps) => after([...day.slice(0, steps), entry('9', 'reversals', { posting: String(steps) })])[0];
  assert.deepEqual([5, 4, 3, 2, 1].map(taken), [['weighed_out', '4', 200], ['in_drum', '3', 200], ['in_drum', '2', 0], ['weighed_in', '1', 0], undefined]);

  // What the service knows of a batch: of its last step only the id.
  const told = { ...known, batches: [{ ...lay(known, day.slice(0, 2)).batches[0], kept: undefined }] };
  assert.deepEqual(after([entry('9', 'reversals', { posting: '2' })], told), [['weighed_in', null, 0]]);
  assert.deepEqual(after([entry('3', 'weigh-outs', weight('10.00')), entry('9', 'reversals', { posting: '3' })], told), [['in_drum', '2', 0]]);
});

test('a lone mark before three digits that is not the reader\'s own is refused, not guessed', () => {
  assert.deepEqual(twoReadings('1,234', '.'), { whole: '1234', part: '1.234' });
  assert.deepEqual(twoReadings('1.234', ','), { whole: '1234', part: '1,234' });
  for (const typed of ['1.234', '0,234', '12,5', '1,2345', '1234', '1,234.5', '1 234']) assert.equal(twoReadings(typed, '.'), null, typed);
});

/** A range of 13.5 to 15.5 % about 14.5 %, made by hand: ln(0.855) = -0.15665; half the width of the log-yield is 0.0117 = 3 · 0.0039. @type {any} */
const RANGE = { lot: 'l', lot_name: 'K-17', mean_log_yield: Math.log(0.855), variance: 0.0039 ** 2, quantile: 3, spread: 1, green_division_g: 20, roasted_division_g: 10, repeatability: 0.3, alpha: 0.0027 };
/** @type {any} */
const BENCH = { id: 'b', revision: 1, name: 'Bench scale', unit: 'kg', division_g: 10, max_g: 30000, containers: [{ name: 'tub', tare_g: 720 }] };

test('without a network, too, an odd weight is explained: what brings it into its range comes first', () => {
  /** @param {string} gross @param {any} [more] */
  const first = (gross, more = {}) => explain({ range: RANGE, green_g: 12000, sample_g: 0, scale: BENCH, card_g: 12000, neighbours: [], weight: { basis: 'weighed', scale: 'b', source: 'typed', readings: [{ gross, container: more.container ?? null }] }, ...more })[0];
  // 12 kg lose 14.5 % and come out at 10.26 kg.
  assert.equal(first('12.06')?.kind, 'swapped');
  assert.equal(first('12.06')?.right_roasted_g, 10260);
  assert.equal(first('10.98')?.kind, 'crate', 'the tub of 0.72 kg was left on');
  assert.equal(first('10.98')?.right_roasted_g, 10260);
  assert.equal(first('9.26')?.right_roasted_g, 10260, 'a whole kilogram');
  assert.equal(first('22.62')?.kind, 'pounds', '10.26 kg are 22.62 lb');
  assert.equal(first('1.026')?.kind, 'decimal');
  assert.equal(first('9.54')?.kind, 'left', 'no slip of the digits makes 9.54 an ordinary weight');
  assert.equal(first('10.26', { green_g: 13000, card_g: 12000 })?.right_green_g, 12000, 'the weigh-in was a kilogram off');
});
