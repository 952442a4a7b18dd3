/** Pages open side by side: what is done on one is on the other within a second, without asking for it. */
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { asked, intoDrum, keeps, weighIn, weighOut } from './hands.mjs';
import { apiOf, openPage, releaseWeek, roastery, startBrowser, startService } from './support.mjs';

/** @typedef {import('playwright-core').Page} Page */

/** Within what two pages agree. */
const AGREE_MS = 1000;

/** @type {import('./support.mjs').Service} */
let service;
/** @type {import('playwright-core').Browser} */
let browser;
/** @type {import('./support.mjs').Api} */
let api;
before(async () => {
  [service, browser] = await Promise.all([startService(), startBrowser()]);
  api = apiOf(service.url);
  await roastery(api);
  await releaseWeek(api);
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** @param {string} path @param {string} ready */
async function open(path, ready) {
  const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.goto(`${service.url}/${path}`);
  await page.waitForSelector(ready);
  return { page, context };
}

/** From the answer to a change until the other page shows it. @param {() => Promise<unknown>} change @param {() => Promise<unknown>} shown */
async function took(change, shown) {
  await change();
  const from = performance.now();
  await shown();
  return performance.now() - from;
}

/**
 * The machine may be busy once, so the best of a few counts: a page that asks from time to time would not be this quick.
 * @param {string} what @param {number[]} all
 */
function agreed(what, all) {
  console.log(`${what}: the other page agreed after ${all.map((each) => Math.round(each)).join(', ')} ms`);
  assert.ok(Math.min(...all) < AGREE_MS, `${what}: ${all}`);
}

test('two tablets at one roaster see each other\'s taps', async () => {
  const one = await open('floor', '#weigh-in');
  const two = await open('floor', '#weigh-in');
  const kept = await keeps(one.page);
  const all = [];
  for (let i = 0; i < 2; i += 1) {
    const charge = await asked(one.page);
    all.push(await took(() => weighIn(one.page, charge.toFixed(2)), () => two.page.waitForSelector('#line .waiting')));
    all.push(await took(() => intoDrum(one.page), () => two.page.waitForSelector('#drums .drum')));
    all.push(await took(() => weighOut(two.page, (charge * kept).toFixed(2)), () => one.page.waitForSelector('#drums .drum', { state: 'detached' })));
  }
  agreed('the floor', all);
  for (const { context } of [one, two]) await context.close();
});

test('a delivery added on one page stands on the other; an order makes the week plan again', async () => {
  const green = await open('green', '#requests p');
  const other = await open('green', '#requests p');
  const week = await open('week', '.block .face');
  const { today } = await api.read('/api/me');
  const all = [];
  for (const reference of ['CA-9', 'CA-10', 'CA-11']) {
    const add = async () => {
      await other.page.click('[data-key="add-delivery"]');
      await other.page.fill('dialog input[name="supplier"]', 'Casa Alta');
      await other.page.fill('dialog input[name="reference"]', reference);
      await other.page.fill('dialog input[name="expected_day"]', today);
      await other.page.click('dialog .actions .main');
      await other.page.waitForSelector('dialog', { state: 'detached' });
    };
    all.push(await took(add, () => green.page.waitForSelector(`#deliveries >> text=Casa Alta ${reference}`)));
  }
  agreed('green', all);

  const order = (await api.read('/api/orders')).items[0];
  const { lines, customer, ship_day, transit_days, priority } = order;
  const more = await took(() => api.make('orders', { number: 'W-900', customer, ship_day, transit_days, priority, lines: [{ line: 1, product: lines[0].product, bags: 90 }] }),
    () => week.page.waitForSelector('.ship >> text=2 orders'));
  console.log(`the week was planned again after ${Math.round(more)} ms`);
  for (const { context } of [green, other, week]) await context.close();
});
