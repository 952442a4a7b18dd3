/** Trace: a lot forward to the order and back, its picture and table, claims by volume, and the seals. */
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
  for (const out of ['10.34', '10.30']) {
    const { batch } = await api.command('weigh-ins', { batch: crypto.randomUUID(), lot, style: made.filter, roaster: made.roaster, storeroom: made.store, weight: weight(made.greenScale, '12.00') });
    await api.command('weigh-outs', { batches: [batch.id], weight: weight(made.roastedScale, out) });
  }
  await api.command('packings', { product: made.filterBag, bags: 8, order: made.order });
  await api.command('shipments', { order: made.order });
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

test('a lot is traced to the order that its bags went to, and back', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/trace`);
  await page.waitForSelector('#touched .empty');
  await page.selectOption('#id', lot);
  await page.waitForSelector('#touched table');
  await page.waitForSelector('#picture .picture div');
  await page.waitForSelector('#ways tbody tr');
  await shot(page, 'trace-lot');
  await page.click('#touched tbody a');
  await page.waitForSelector('#touched h2 >> text=/touches/');
  assert.match(page.url(), /of=order/);
  await page.selectOption('#direction', 'backward');
  await page.waitForSelector('#ways tbody tr');
  const ways = await page.textContent('#ways');
  assert.ok(ways?.includes('supplier'), ways ?? '');
  await page.waitForSelector('#picture .picture div');
  await shot(page, 'trace-order');
  assert.deepEqual(errors, []);
  await context.close();
});

test('the code on a label opens the trace of that packing, on a phone, and leads to its label', async () => {
  const [packing] = (await api.read('/api/packings')).items;
  const { page, context, errors } = await openPage(browser, { viewport: { width: 390, height: 844 } });
  await page.goto(`${service.url}/trace?code=${packing.code.toLowerCase().replace('-', '')}`);
  await page.waitForSelector('#ways tbody tr');
  assert.match((await page.textContent('#touched h2')) ?? '', /8 × Kirimbi filter 250/);
  assert.match(page.url(), new RegExp(`of=packing&id=${packing.id}`));
  await shot(page, 'trace-code-phone');
  await page.setViewportSize({ width: 1280, height: 800 });
  await shot(page, 'trace-code');
  await page.click('#touched a >> text=Its label');
  await page.waitForSelector('#facts h2');
  assert.match((await page.textContent('#facts')) ?? '', new RegExp(packing.code));
  await page.goto(`${service.url}/trace?code=ZZZZ-ZZZZ`);
  await page.waitForSelector('.toast.said >> text=No packing has the code ZZZZ-ZZZZ');
  assert.deepEqual(errors.filter((each) => !each.includes('404')), []);
  await context.close();
});

test('a claim shows its volumes, and warns before more is sold than there is', async () => {
  const of = await api.read(`/api/lots/${lot}`);
  const { name, delivery, coffee, grade, storeroom, expected_g, packing, moisture, use_rank } = of;
  await api.change('lots', lot, { name, delivery, coffee, grade, storeroom, expected_g, packing, moisture, use_rank, claims: [{ claim: 'organic', certificate: 'BIO-1', valid_to: addDays(made.today, 90) }] });
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/setup`);
  const bag = await api.read(`/api/products/${made.filterBag}`);
  await api.change('products', made.filterBag, { name: bag.name, parts: bag.parts, style: bag.style, bag_g: bag.bag_g, claims: ['organic'] });
  await page.goto(`${service.url}/trace`);
  await page.waitForSelector('#claims tbody tr');
  assert.match((await page.textContent('#claims')) ?? '', /BIO-1/);
  assert.equal(await page.locator('#claims [role=alert]').count(), 0);
  await api.make('orders', { number: 'W-202', customer: 'Quay Café', ship_day: made.shipDay, transit_days: 1, priority: 1, lines: [{ line: 1, product: made.filterBag, bags: 2000 }] });
  await page.waitForSelector('#claims [role=alert]');
  await shot(page, 'trace-claims');
  assert.deepEqual(errors, []);
  await context.close();
});

test('the seals of the book are shown with the public key, to be taken away', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
  await page.goto(`${service.url}/trace`);
  await page.waitForSelector('#seals .key');
  const key = await page.textContent('#seals .key');
  assert.match(key ?? '', /^outturn\/[0-9a-f-]{36}\+[0-9a-f]{8}\+[A-Za-z0-9+/]+=*$/);
  const me = await api.read('/api/me');
  const yesterday = new Date(Date.parse(`${me.today}T00:00:00Z`) - 86_400_000).toISOString().slice(0, 10);
  await api.command('closings', { to_day: yesterday });
  await page.waitForSelector('#seals summary');
  await page.click('#seals summary');
  const note = await page.textContent('#seals pre');
  assert.match(note ?? '', /^outturn\/[0-9a-f-]{36}\n\d+\n[A-Za-z0-9+/]+=\nclosing /);
  await shot(page, 'trace-seals');
  assert.deepEqual(errors, []);
  await context.close();
});
