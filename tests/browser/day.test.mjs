/** A day on the floor with hardly a network: 40 weights, none lost, none twice. And two tablets that want the same thing. */
import assert from 'node:assert/strict';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { after, before, test } from 'node:test';
import { asked, intoDrum, keeps, weighIn, weighOut } from './hands.mjs';
import { apiOf, NAME, openBrowser, openPage, releaseWeek, roastery, shot, startBrowser, startService, until } from './support.mjs';

/** @type {import('./support.mjs').Service} */
let service;
/** @type {import('./support.mjs').Api} */
let api;

before(async () => {
  service = await startService();
  api = apiOf(service.url);
  const { filterBag, espressoBag, shipDay } = await roastery(api);
  await api.make('orders', { number: 'W-202', customer: 'Mill Street', ship_day: shipDay, transit_days: 1, priority: 1, lines: [{ line: 1, product: filterBag, bags: 700 }, { line: 2, product: espressoBag, bags: 150 }] });
  await releaseWeek(api);
});
after(async () => service?.stop());

/** @returns {Promise<any[]>} */
const weighedOut = async () => (await api.read('/api/batches?state=weighed_out&limit=500')).items;

test('forty weights through a cut network, a closed browser and a killed service are booked once each', async () => {
  const home = mkdtempSync(join(tmpdir(), 'outturn-tablet-'));
  /** What was typed, so that every batch can be told from every other: kilograms in and out. @type {[string, string][]} */
  const typed = [];
  const open = async (/** @type {boolean} */ offline) => {
    const tablet = await openBrowser(home);
    const page = tablet.pages()[0] ?? (await tablet.newPage());
    await tablet.setOffline(offline);
    await page.goto(`${service.url}/floor`);
    await page.waitForSelector('#weigh-in');
    return { tablet, page };
  };
  /** @param {import('playwright-core').Page} page @param {number} batches */
  const roast = async (page, batches) => {
    for (let i = 0; i < batches; i += 1) {
      const green = (await asked(page)) - 0.02 * typed.length;
      /** @type {[string, string]} */
      const weights = [green.toFixed(2), (green * (await keeps(page))).toFixed(2)];
      await weighIn(page, weights[0]);
      await intoDrum(page);
      await weighOut(page, weights[1]);
      typed.push(weights);
    }
  };
  /** @type {Awaited<ReturnType<typeof open>>['tablet']|undefined} */
  let tablet;
  try {
    let page;
    ({ tablet, page } = await open(false));
    await page.waitForFunction(() => navigator.serviceWorker.controller !== null);
    assert.equal(await page.evaluate(() => isSecureContext && location.hostname), NAME);
    assert.equal(await page.evaluate(async () => (await navigator.wakeLock.request('screen')).type), 'screen', 'the screen can be kept awake');
    await roast(page, 3);
    await tablet.setOffline(true);
    await roast(page, 5);
    await page.waitForSelector('#state >> text=10 weights and 5 other steps kept on this tablet');
    await tablet.close();

    ({ tablet, page } = await open(true));
    await page.waitForSelector('#state >> text=10 weights and 5 other steps kept on this tablet');
    await roast(page, 4);
    await service.kill();
    await tablet.setOffline(false);
    await roast(page, 4);
    await shot(page, 'floor-day');
    assert.equal((await page.textContent('#state'))?.includes('26 weights and 13 other steps kept'), true, (await page.textContent('#state')) ?? '');
    await tablet.close();

    await service.again();
    ({ tablet, page } = await open(false));
    await until(async () => (await weighedOut()).length >= 5, 'the first kept weights to be booked');
    await service.kill();
    await roast(page, 2);
    await service.again();
    await roast(page, 2);
    await until(async () => !/kept/.test((await page.textContent('#state')) ?? 'kept'), 'the kept weights to be sent');
    await tablet.close();
  } finally {
    await tablet?.close().catch(() => undefined);
    rmSync(home, { recursive: true, force: true });
  }
  const booked = (await weighedOut()).map((batch) => [(batch.weighed_in_g / 1000).toFixed(2), (batch.weighed_out_g / 1000).toFixed(2)].join(' '));
  assert.deepEqual(booked.sort(), typed.map((weights) => weights.join(' ')).sort());
  assert.equal(typed.length * 2, 40);
  assert.equal((await api.read('/api/unsettled')).items.length, 0);
  assert.equal((await api.read('/api/verify')).ok, true);
});

test('two tablets race for one card: one is booked, the other is asked; what cannot be booked is settled by a person', async () => {
  const browser = await startBrowser();
  try {
    const one = await openPage(browser, { viewport: { width: 1280, height: 800 } });
    const two = await openPage(browser, { viewport: { width: 800, height: 1280 } });
    for (const { page } of [one, two]) {
      await page.goto(`${service.url}/floor`);
      await page.waitForSelector('#weigh-in');
    }
    const kept = await keeps(one.page);
    const charge = await asked(one.page);
    for (const { page } of [one, two]) await page.click('#weigh-in');
    const before = (await api.read('/api/batches?state=open')).items.length;
    await one.page.keyboard.type(charge.toFixed(2));
    await two.page.keyboard.type((charge + 0.02).toFixed(2));
    await Promise.all([one.page.keyboard.press('Enter'), two.page.keyboard.press('Enter')]);
    await until(async () => (await one.page.locator('dialog.further').count()) + (await two.page.locator('dialog.further').count()) === 1, 'one of the two to be asked');
    const [asking, booked] = (await one.page.locator('dialog.further').count()) === 1 ? [one.page, two.page] : [two.page, one.page];
    await shot(asking, 'floor-race');
    await asking.click('dialog.further >> text=Back');
    await booked.waitForSelector('.answer >> text=weighed in');
    assert.equal((await api.read('/api/batches?state=open')).items.length, before + 1, 'one batch for one card');
    assert.notEqual(await asking.inputValue('#gross'), '', 'what was typed is still there');
    await asking.click('.back-key');

    // Both weigh the same batch out, the second without a network.
    await booked.click('.answer >> text=Into the drum');
    await asking.waitForSelector('#drums .drum');
    await asking.context().setOffline(true);
    await weighOut(booked, (charge * kept).toFixed(2));
    await asking.click('#drums .button.main');
    await asking.keyboard.type((charge * kept + 0.02).toFixed(2));
    await asking.keyboard.press('Enter');
    await asking.waitForSelector('.answer >> text=Kept on this tablet');
    await asking.context().setOffline(false);
    await asking.waitForSelector('#settle >> text=Weigh-out');
    await booked.waitForSelector('#settle >> text=Weigh-out');
    assert.equal((await api.read('/api/unsettled')).items.length, 1);
    await shot(booked, 'floor-settle');
    await booked.click('[data-key^="otherwise-"]');
    await booked.fill('dialog input[name="reason"]', 'the other tablet has weighed it already');
    await booked.click('dialog .actions .main');
    for (const page of [asking, booked]) await page.waitForSelector('#settle', { state: 'hidden' });
    assert.equal((await api.read('/api/unsettled')).items.length, 0);
    assert.equal((await api.read('/api/verify')).ok, true);
  } finally {
    await browser.close();
  }
});
