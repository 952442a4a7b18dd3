/** The week by keyboard: a batch is moved and pinned, the rest follows, Undo takes it back, release and withdraw. */
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { apiOf, openPage, roastery, shot, startBrowser, startService } from './support.mjs';

/** @type {import('./support.mjs').Service} */
let service;
/** @type {import('playwright-core').Browser} */
let browser;
before(async () => {
  [service, browser] = await Promise.all([startService(), startBrowser()]);
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

test('a batch is moved by arrow keys, pinned, undone, released and withdrawn', async () => {
  const api = apiOf(service.url);
  await roastery(api);
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await page.goto(`${service.url}/week`);
  await page.waitForSelector('.block .face');
  const dayOf = (/** @type {string} */ selector) => page.evaluate((which) => [...document.querySelectorAll('.day')].findIndex((day) => day.querySelector(which)), selector);
  const before = await dayOf('.face');
  await page.locator('.face').first().focus();
  await page.keyboard.press('ArrowRight');
  await page.waitForSelector('.block.pinned');
  assert.equal(await dayOf('.block.pinned'), before + 1);
  assert.equal(await page.evaluate(() => document.activeElement?.closest('.block')?.classList.contains('pinned')), true, 'the focus goes with the batch');
  await shot(page, 'week-pinned');
  await page.click('[data-key="undo"]');
  await page.waitForSelector('.block.pinned', { state: 'detached' });
  assert.equal(await dayOf('.face'), before);

  await page.click('#release');
  await page.waitForSelector('#cards .card-list li');
  const stock = await api.read('/api/stock');
  assert.ok(stock.lots.some((/** @type {any} */ lot) => lot.reserved_g > 0), 'released cards reserve green');
  await page.emulateMedia({ media: 'print' });
  await shot(page, 'week-print');
  await page.emulateMedia({ media: null });
  await page.click('[data-key="all"]');
  await page.click('[data-key="withdraw"]');
  await page.waitForSelector('#cards', { state: 'hidden' });
  assert.ok((await api.read('/api/stock')).lots.every((/** @type {any} */ lot) => lot.reserved_g === 0), 'withdrawn cards free it');
  assert.deepEqual(errors, []);
  await context.close();
});

test('two pages open side by side agree by themselves', async () => {
  const api = apiOf(service.url);
  const one = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await one.page.goto(`${service.url}/green`);
  await one.page.waitForSelector('#requests p');
  const { today } = await api.read('/api/me');
  await api.make('deliveries', { supplier: 'Casa Alta', reference: 'CA-9', expected_day: today });
  const asked = performance.now();
  await one.page.waitForSelector('#deliveries >> text=Casa Alta CA-9');
  console.log(`the other page agreed after ${Math.round(performance.now() - asked)} ms`);
  await one.context.close();
});
