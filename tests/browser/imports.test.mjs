/** Workbooks of orders, subscribers and standing orders, with headings of their own: which column is which is said once and remembered. */
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { after, before, test } from 'node:test';
import { apiOf, openPage, roastery, shot, startBrowser, startService } from './support.mjs';

/** @type {import('./support.mjs').Service} */
let service;
/** @type {import('playwright-core').Browser} */
let browser;
/** @type {import('./support.mjs').Api} */
let api;
/** The ship day of the workbooks. */
const SHIP_DAY = '2031-02-12';

before(async () => {
  [service, browser] = await Promise.all([startService(), startBrowser()]);
  api = apiOf(service.url);
  const { filter } = await roastery(api);
  await api.make('ship-days', { day: SHIP_DAY, packing_day: SHIP_DAY, carrier_at: '15:00' });
  await api.make('destinations', { name: 'Home', transit_days: 1 });
  await api.make('subscriptions', { name: 'Monthly', ships: { rule: { every: 'nth_weekday', weekday: 2, nth: 2 }, moved: 'before', packed_before: 1, carrier_at: '15:00' }, cut_off_before: 4, styles: [filter], bag_g: 250, priority: 1 });
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** A workbook as a person picks it. @param {string} name */
const workbook = (name) => ({ name: `${name}.xlsx`, mimeType: 'application/vnd.openxmlformats-officedocument.spreadsheetml.sheet', buffer: readFileSync(new URL(`../fixtures/${name}.xlsx`, import.meta.url)) });

/**
 * Picks the workbook, says which column is which, looks, takes it in; then picks it again: it is known, and all the same.
 * @param {{name: string, path: string, box: string, columns: Record<string, string>, would: RegExp}} of
 */
async function takesIn({ name, path, box, columns, would }) {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.goto(`${service.url}${path}`);
  const at = page.locator(box);
  await at.locator('input[type=file]').setInputFiles(workbook(name));
  // The headings are none that are known: each is named, and the columns can be said.
  await at.locator('.report [role=alert]').waitFor();
  await at.locator('.columns[open]').waitFor();
  for (const [field, heading] of Object.entries(columns)) await at.getByLabel(field, { exact: true }).selectOption(heading);
  await shot(page, `import-${name}-columns`);
  await at.getByRole('button', { name: 'Look at it first' }).click();
  await at.locator('.report').getByText(would).waitFor();
  await shot(page, `import-${name}-looked`);
  await at.getByRole('button', { name: 'Take them in' }).click();
  await at.locator('.report .got').waitFor();

  await at.locator('input[type=file]').setInputFiles(workbook(name));
  await at.locator('.report').getByText('Everything is in the book already').waitFor();
  await page.setViewportSize({ width: 390, height: 844 });
  await at.scrollIntoViewIfNeeded();
  await shot(page, `import-${name}-phone`);
  assert.deepEqual(errors, []);
  await context.close();
}

test('orders of a shop', async () => {
  await takesIn({
    name: 'orders', path: '/shipping', box: '#import', would: /2 new/,
    columns: { order: 'Doc no', customer: 'Client', ship_day: 'Leaves on', product: 'Article', bags: 'Qty' },
  });
  const orders = (await api.read('/api/orders')).items;
  const taken = orders.find((/** @type {any} */ each) => each.number === 'D-8801');
  assert.deepEqual([taken.customer, taken.ship_day, taken.lines.map((/** @type {any} */ line) => line.bags)], ['Quay Café', SHIP_DAY, [24, 3]]);
});

test('subscribers of a shop', async () => {
  await takesIn({
    name: 'subscribers', path: '/subscriptions', box: '#read-subscribers', would: /2 new/,
    columns: { number: 'Account', name: 'Full name', bags: 'Bags a month', style: 'Roast', destination: 'Lives in', start: 'Since', prepaid_until: 'Paid to' },
  });
  const subscribers = (await api.read('/api/subscribers')).items;
  const taken = subscribers.find((/** @type {any} */ each) => each.number === '4102');
  assert.deepEqual([taken.name, taken.bags, taken.start, taken.prepaid_until], ['Person two', 1, '2026-02-01', '2031-12-31']);
});

test('standing orders of a shop', async () => {
  await takesIn({
    name: 'standing-orders', path: '/subscriptions', box: '#read-standing', would: /1 new/,
    columns: { order: 'Ref', customer: 'Café', weeks: 'Every n weeks', start: 'First on', product: 'Item', bags: 'Pieces' },
  });
  const [taken] = (await api.read('/api/standing-orders')).items;
  assert.deepEqual([taken.customer, taken.start, taken.lines.length], ['Quay Café', SHIP_DAY, 2]);
});
