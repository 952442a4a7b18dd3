/** What is booked away from the floor: counts, drying, samples, moisture, review, correction, packing, shipping, statement, closing. */
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { addDays, apiOf, openPage, releaseWeek, roastery, shot, startBrowser, startService } from './support.mjs';

/** @type {import('./support.mjs').Service} */
let service;
/** @type {import('playwright-core').Browser} */
let browser;
/** @type {import('./support.mjs').Api} */
let api;
/** @type {Awaited<ReturnType<typeof roastery>>} */
let made;
/** @type {string} */
let lot;

before(async () => {
  [service, browser] = await Promise.all([startService(), startBrowser()]);
  api = apiOf(service.url);
  made = await roastery(api);
  lot = made.lots[0] ?? '';
  await releaseWeek(api);
  /** @param {string} scale @param {string} gross */
  const weight = (scale, gross) => ({ basis: 'weighed', scale, source: 'typed', readings: [{ gross, container: null }] });
  for (const out of ['10.34', '10.30', '9.20', '10.36']) {
    const { batch } = await api.command('weigh-ins', { batch: crypto.randomUUID(), lot, style: made.filter, roaster: made.roaster, storeroom: made.store, weight: weight(made.greenScale, '12.00') });
    await api.command('weigh-outs', { batches: [batch.id], weight: weight(made.roastedScale, out) });
  }
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** @param {import('playwright-core').Page} page @param {Record<string, string>} values */
async function answer(page, values) {
  for (const [name, value] of Object.entries(values)) await page.fill(`dialog input[name="${name}"]`, value);
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog', { state: 'detached' });
}

/** @returns {Promise<any>} */
const stock = async () => (await api.read('/api/stock')).lots.find((/** @type {any} */ each) => each.id === lot);

test('a lot is counted, dries, gives a sample and a moisture reading', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
  await page.goto(`${service.url}/green#${lot}`);
  await page.click('[data-key="count"]');
  await page.fill('dialog input[name="gross"]', '40.00');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog .confirm');
  await answer(page, {});
  await page.waitForSelector('.toast >> text=difference');
  assert.equal((await stock()).store_g, 40000);
  await page.click('[data-key="drying"]');
  await answer(page, { gross: '0.20' });
  await page.click('[data-key="sample"]');
  await answer(page, { gross: '0.20', purpose: 'cupping' });
  assert.equal((await stock()).store_g, 39600);
  await page.click('[data-key="moisture"]');
  await answer(page, { fraction: '10,9' });
  assert.deepEqual((await stock()).moisture.map((/** @type {any} */ each) => each.fraction), [0.108, 0.109]);
  await page.waitForSelector('#one .picture');
  await shot(page, 'green-lot');
  assert.deepEqual(errors.filter((each) => !/409|422/.test(each)), [], 'a further tap is asked for by a refusal');
  await context.close();
});

test('a lot of some weeks tells how long it lasts, beside its siblings, in pictures; green is moved and thrown away', async () => {
  const { today, kirimbi, store, filter, roaster, greenScale, roastedScale } = made;
  const ago = (/** @type {number} */ days) => `${addDays(today, -days)}T10:00:00Z`;
  const annex = await api.make('storerooms', { name: 'Annex' });
  const delivery = await api.make('deliveries', { supplier: 'Southdown Green', reference: 'SD-7', expected_day: addDays(today, -30) });
  const packing = { kind: 'jute', sacks: 4, sack_g: 60000, loose_g: 0 };
  /** @param {string} name @param {string} grade */
  const older = (name, grade) => api.make('lots', { name, delivery, coffee: kirimbi, grade, storeroom: store, expected_g: 240000, packing, moisture: [{ day: addDays(today, -29), fraction: 0.112 }, { day: addDays(today, -2), fraction: 0.107 }], claims: [], use_rank: 3 });
  const [large, peaberry] = [await older('K-9', 'AA'), await older('K-9 PB', 'PB')];
  await api.command('receipts', { delivery, happened_at: ago(30), lines: [large, peaberry].map((each) => ({ lot: each, storeroom: store, weight: { basis: 'nominal', sacks: 4, sack_g: 60000, loose_g: 0 } })) });
  const weight = (/** @type {string} */ scale, /** @type {string} */ gross) => ({ basis: 'weighed', scale, source: 'typed', readings: [{ gross, container: null }] });
  for (const [days, out] of /** @type {[number, string][]} */ ([[26, '10.34'], [19, '10.36'], [12, '10.40'], [5, '10.32']])) {
    const { batch } = await api.command('weigh-ins', { batch: crypto.randomUUID(), happened_at: ago(days), lot: large, style: filter, roaster, storeroom: store, weight: weight(greenScale, '12.00') });
    await api.command('weigh-outs', { batches: [batch.id], happened_at: ago(days), weight: weight(roastedScale, out) });
  }

  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/green`);
  await page.waitForSelector(`[data-key="lot-${large}"]`);
  const days = Number(/Lasts about (\d+) days/.exec((await page.locator('.lot', { has: page.locator(`[data-key="lot-${large}"]`) }).textContent()) ?? '')?.[1]);
  // 192 kg at 12 kg a week are sixteen weeks.
  assert.ok(Math.abs(days - 112) <= 7, `${days} days`);
  await page.click(`[data-key="lot-${large}"]`);
  await page.waitForSelector('#one .facts >> text=at 12.00 kg a week');
  await page.waitForSelector(`#one figure[aria-label="Green of K-9 in store, day by day"] svg`);
  await page.waitForSelector(`#one figure[aria-label^="Loss of K-9"] svg`);
  await page.waitForSelector('#one svg[aria-label^="Moisture from 11.2"]');
  const rows = (await page.locator('#one .siblings tbody tr').allTextContents()).map((text) => text.replaceAll('\u00a0', ' '));
  assert.equal(rows.length, 2);
  assert.match(rows[0] ?? '', /K-9.*192\.00 kg.*10\.7 %.*Filter · Big drum \d+\.\d % – \d+\.\d %/);
  assert.match(rows[1] ?? '', /K-9 PB.*240\.00 kg.*10\.7 %––$/, 'of a lot that is not roasted yet nothing is known');
  await shot(page, 'green-lot-weeks');

  await page.click('[data-key="transfer"]');
  await page.selectOption('dialog select[name="to"]', annex);
  await answer(page, { gross: '60.00' });
  await page.click('[data-key="waste"]');
  await answer(page, { gross: '0.50' });
  await page.waitForSelector('#one .movements >> text=store → waste');
  const { store_g } = (await api.read('/api/stock')).lots.find((/** @type {any} */ each) => each.id === large);
  assert.equal(store_g, 191500, 'a move changes no mass, waste does');
  assert.match((await page.textContent('#one .movements'))?.replaceAll('\u00a0', ' ') ?? '', /Moved store → store 60\.00 kg/);
  await page.goto(`${service.url}/green#${peaberry}`);
  await page.waitForSelector('#one figure[aria-label="Green of K-9 PB in store, day by day"] svg');
  assert.equal(await page.locator('#one figure[aria-label^="Loss of"]').count(), 0, 'no picture without a batch');
  assert.deepEqual(errors, []);
  await context.close();
});

test('a delivery that is received a second time says what has come, and asks', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
  await page.goto(`${service.url}/green`);
  await page.click(`[data-key="receive-${made.delivery}"]`);
  assert.match((await page.textContent('dialog')) ?? '', /K-17 AA · 300\.00\s+kg expected · 300\.00\s+kg received before/);
  await page.locator('dialog [name="sacks"]').first().fill('5');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog .confirm >> text=/K-17 600\\.00\\s+kg of 300\\.00\\s+kg expected/');
  await shot(page, 'green-received-twice');
  await context.close();
});

test('a lot with green goes out of use only when that is said once more, and stays in sight', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
  const other = made.lots[1] ?? '';
  // What the service adds for a lot with a screen is not sent back.
  const { name, delivery, coffee, grade, storeroom, expected_g, packing, moisture, use_rank, claims } = await api.read(`/api/lots/${other}`);
  await api.change('lots', other, { name, delivery, coffee, grade, storeroom, expected_g, packing, moisture, use_rank, claims, screen: '17' });
  await page.goto(`${service.url}/green#${other}`);
  await page.click('[data-key="retire-lot"]');
  await page.waitForSelector('dialog .lead >> text=are in store');
  await shot(page, 'green-out-of-use');
  await page.click('dialog .actions .button:not(.main)');
  await page.waitForSelector('dialog', { state: 'detached' });
  assert.equal((await api.read(`/api/lots/${other}`)).retired, undefined, 'nothing has changed');
  await page.click('[data-key="retire-lot"]');
  await page.click('dialog .actions .main');
  await page.waitForSelector('.toast');
  await page.waitForSelector(`#lots li:has([data-key="lot-${other}"]) .flag >> text=Out of use`);
  await page.click('[data-key="retire-lot"]');
  await page.waitForSelector(`#lots li:has([data-key="lot-${other}"]) .flag`, { state: 'detached' });
  assert.deepEqual(errors.filter((each) => !/409/.test(each)), [], 'a further tap is asked for by a refusal');
  await context.close();
});

test('a batch outside its range is reviewed with a reason, another one corrected', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/loss#${lot}`);
  await page.click('.outside .main');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog .error >> text=fill this in');
  await page.check('dialog input[value="was_so"]');
  await page.waitForSelector('dialog .effect >> text=then');
  await shot(page, 'loss-review');
  await page.check('dialog input[value="set_aside"]');
  await page.waitForSelector('dialog .effect >> text=not learned from');
  await answer(page, { reason: 'a hopper was left open' });
  await page.waitForSelector('.reviewed');
  await page.click('#one summary');
  await page.click('[data-key^="rowc-"]:visible');
  await answer(page, { roasted_g: '10.31', reason: 'misread' });
  const batches = (await api.read(`/api/batches?lot=${lot}`)).items;
  assert.ok(batches.some((/** @type {any} */ each) => each.weighed_out_g === 10310), 'the correction is booked');
  assert.ok(batches.some((/** @type {any} */ each) => each.review?.finding === 'set_aside'));
  await shot(page, 'loss-lot');
  assert.deepEqual(errors, []);
  await context.close();
});

test('an order is packed and shipped, and shipping is undone', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/shipping`);
  await page.click(`[data-key="pack-${made.order}-1"]`);
  await answer(page, { bags: '20' });
  await page.waitForSelector('text=20 of 180 packed');
  await page.click(`[data-key="ship-${made.order}"]`);
  assert.match((await page.textContent('dialog .lead')) ?? '', /20 bags are packed and leave\. Not packed yet: 160 × Kirimbi filter 250, 30 ×/);
  await page.click('dialog .actions .main');
  await page.waitForSelector('.toast >> text=/20 bags of W-201 have left. Not packed yet: 160/');
  assert.equal((await api.read(`/api/orders/${made.order}`)).lines[0].shipped_bags, 20);
  await page.click('.toast >> text=Undo');
  await page.waitForFunction(async (path) => (await (await fetch(path)).json()).lines[0].shipped_bags === 0, `/api/orders/${made.order}`);

  await page.click(`[data-key="cancel-${made.order}"]`);
  await page.click('.toast:has-text("W-201 cancelled") button');
  await page.waitForSelector('.toast >> text=W-201 is open again');
  await page.click(`[data-key="cancel-${made.order}"]`);
  await page.waitForSelector('.toast >> text=W-201 cancelled');
  await page.click('[data-key="all"]');
  await page.click(`[data-key="restore-${made.order}"]`);
  await page.waitForSelector(`[data-key="cancel-${made.order}"]`);
  assert.notEqual((await api.read(`/api/orders/${made.order}`)).state, 'cancelled');
  assert.deepEqual(errors, []);
  await context.close();
});

test('a wrong sample is asked about, and undone where it is looked at, with a reason', async () => {
  const before = (await api.read(`/api/stock`)).lots.find((/** @type {any} */ each) => each.id === lot).store_g;
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/green#${lot}`);
  await page.click('[data-key="sample"]');
  await page.fill('dialog input[name="gross"]', '35.00');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog .confirm >> text=large for a sample');
  // What is changed then is asked about anew.
  await page.fill('dialog input[name="gross"]', '34.00');
  assert.equal(await page.isVisible('dialog .confirm'), false);
  assert.equal(await page.textContent('dialog .actions .main'), 'Save');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog .confirm >> text=34.00');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog', { state: 'detached' });
  await page.locator('.movements li', { hasText: '34.00' }).locator('a').click();
  await page.click('[data-key="undo"]');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog .error >> text=fill this in');
  await shot(page, 'posting-undo');
  await answer(page, { reason: 'it was a move' });
  await page.waitForSelector('text=It was undone later');
  assert.equal(await page.locator('[data-key="undo"]').count(), 0, 'once only');
  assert.equal((await api.read(`/api/stock`)).lots.find((/** @type {any} */ each) => each.id === lot).store_g, before);
  await page.click('text=look at it');
  await page.waitForSelector('text=It undoes another posting');
  assert.equal(await page.locator('[data-key="undo"]').count(), 0, 'an undo cannot be undone');
  assert.deepEqual(errors, []);
  await context.close();
});

test('a statement adds up and is reproduced as it was known at a closing; the book holds', async () => {
  const odd = (await api.read(`/api/batches?lot=${lot}`)).items.find((/** @type {any} */ each) => each.weighed_out_g === 9200);
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/audit?lot=${lot}`);
  await page.waitForSelector('.statement >> text=▶');
  await api.command('corrections', { batch: odd.id, roasted_g: 10320, reason: 'a kilogram was not read' });
  await page.reload();
  await page.waitForSelector('.statement >> text=10.320');
  assert.doesNotMatch((await page.textContent('.statement')) ?? '', /▶|◀|✕/, 'what lies in its range as put right is not marked');
  await page.selectOption('#journal-kind', 'card');
  await page.waitForSelector('#journal >> text=/Card .* · K-\\S+ · Filter · Big drum added/');
  await page.selectOption('#journal-kind', 'batch');
  await page.waitForSelector('#journal >> text=/Batch .* · K-\\S+ · Filter · Big drum/');
  await page.click('text=This month');
  await page.waitForSelector('.statement >> text=Closing balance');
  assert.match((await page.textContent('.zero dd')) ?? '', /^0\.000\s+kg$/, 'all places of a lot sum to nothing');
  assert.match((await page.textContent('.statement tbody tr:last-child')) ?? '', /39\.600\s+kg/);
  await page.click('#verify-go');
  await page.waitForSelector('.verified.good');
  await shot(page, 'audit-statement');
  await api.command('closings', { to_day: addDays(made.today, -1) });
  await page.reload();
  await page.waitForSelector('.statement');
  await page.selectOption('#known', { index: 1 });
  await page.waitForSelector('.statement');
  assert.deepEqual(errors, []);
  await context.close();
});
