/** From an empty book to the first plan, through the pages alone; and orders from a spreadsheet with a bad line. */
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { addDays, apiOf, changed, openPage, roastery, shot, startBrowser, startService } from './support.mjs';

/** @typedef {import('playwright-core').Page} Page */

/** @type {import('playwright-core').Browser} */
let browser;
before(async () => {
  browser = await startBrowser();
});
after(async () => browser?.close());

/** Fills the open dialog by the labels people read. @param {Page} page @param {Record<string, string>} values */
async function fill(page, values) {
  for (const [label, value] of Object.entries(values)) {
    const field = page.locator('dialog').getByLabel(label, { exact: false }).first();
    if ((await field.evaluate((node) => node.tagName)) === 'SELECT') await field.selectOption({ label: value });
    else await field.fill(value);
  }
}

/** @param {Page} page */
async function save(page) {
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog', { state: 'detached' });
}

/** A day as a choice shows it. @param {string} iso */
const inWords = (iso) => new Intl.DateTimeFormat('en-GB', { day: 'numeric', month: 'short', year: 'numeric', timeZone: 'UTC' }).format(new Date(`${iso}T00:00:00Z`));

test('the zone of this device is offered while a book still has its first one', async () => {
  const service = await startService();
  try {
    const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 900 }, timezoneId: 'Africa/Nairobi' });
    await changed(page, '/api/sites*', ({ items }) => {
      for (const site of items) site.zone = 'UTC';
    });
    await page.goto(`${service.url}/setup`);
    await page.click('[data-key="way-sites"]');
    assert.equal(await page.inputValue('dialog input[name="zone"]'), 'Africa/Nairobi');
    await context.close();
  } finally {
    await service.stop();
  }
});

test('a new roastery gets from nothing to its first plan through the pages', async () => {
  const service = await startService();
  try {
    const { today } = await apiOf(service.url).read('/api/me');
    const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
    await page.goto(`${service.url}/floor`);
    await page.click('#work a[href="/setup"]');
    await page.waitForSelector('.way');
    await shot(page, 'setup-empty');
    /** @param {string} kind @param {Record<string, string>} values */
    const step = async (kind, values) => {
      await page.click(`[data-key="way-${kind}"]`);
      await fill(page, values);
      await save(page);
    };
    await step('sites', { Name: 'Harbour Lane' });
    await step('storerooms', { Name: 'Back store' });
    await page.click('[data-key="way-scales"]');
    await page.click('dialog >> text=Save');
    assert.ok((await page.locator('dialog [aria-invalid="true"]').count()) >= 3, 'what is missing is said at its field');
    // A step is asked for as the display shows it.
    await fill(page, { Shows: 'g' });
    assert.match((await page.locator('dialog label', { hasText: 'Step' }).textContent()) ?? '', /\(g\)/);
    await fill(page, { Shows: 'kg', Name: 'Floor scale', Step: '5', 'Carries up to': '60' });
    await page.click('dialog .actions .main');
    await page.waitForSelector('dialog .error >> text=60 kg in steps of 5 kg would be 12 steps');
    await fill(page, { Step: '0.02' });
    await save(page);
    await step('styles', { Name: 'Filter', 'Usual loss': '13.5', Rest: '1', 'Fresh for': '30', Shade: '1' });
    await step('roasters', { Name: 'Big drum', 'Smallest charge': '4', 'Largest charge': '15', 'Charge in steps of': '0,1', 'Minutes per batch': '15', 'Change-over minutes': '5', 'Start-up minutes': '20', 'Scale for green': 'Floor scale', 'Scale for roasted': 'Floor scale' });
    await step('coffees', { Name: 'Kirimbi' });
    await page.click('[data-key="way-products"]');
    // The only coffee and the only style are chosen already.
    await fill(page, { Name: 'Kirimbi filter 250', Bag: '250' });
    await save(page);
    const shipDay = addDays(today, 6);
    // It is packed on the day itself unless another is said.
    await step('ship-days', { 'Ship day': shipDay });
    assert.equal((await apiOf(service.url).read('/api/ship-days')).items[0].packing_day, shipDay);

    await page.goto(`${service.url}/green?way`);
    await page.waitForSelector('text=Back to the way to a first plan');
    await page.click('[data-key="add-delivery"]');
    await fill(page, { Supplier: 'Northgate Green', Reference: 'NG-114', 'Expected on': today });
    await save(page);
    await page.click('#deliveries >> text=Add a lot');
    await fill(page, { Lot: 'K-17', Coffee: 'Kirimbi', 'Size grade': 'AA', Storeroom: 'Back store', 'Expected mass': '300', Kind: 'Jute sacks', Sacks: '5', Each: '60' });
    await save(page);
    await page.click('#deliveries >> text=Receive');
    await page.locator('dialog input[name="sacks"]').fill('5');
    await page.click('dialog .actions .main');
    await page.waitForSelector('dialog', { state: 'detached' });
    await page.waitForSelector('.lot >> text=300.00 kg');
    await shot(page, 'setup-green');

    await page.goto(`${service.url}/shipping`);
    await page.click('[data-key="add"]');
    await fill(page, { Number: 'W-1', Customer: 'Quay Café', 'Ship day': inWords(shipDay), Product: 'Kirimbi filter 250', Bags: '40' });
    await save(page);

    await page.goto(`${service.url}/week`);
    await page.waitForSelector('.block');
    assert.match((await page.textContent('.ships')) ?? '', /Everything ships/);
    await shot(page, 'setup-week');
    await page.click('#release');
    await page.waitForSelector('#cards >> text=on the floor');
    await page.goto(`${service.url}/floor`);
    await page.waitForSelector('#weigh-in');
    assert.deepEqual(errors.filter((each) => !/422 .*scales/.test(each)), [], 'a step that cannot be is refused');
    await context.close();
  } finally {
    await service.stop();
  }
});

test('what only some roasteries need is off until it is ticked, and gone when it is not', async () => {
  const service = await startService();
  try {
    const api = apiOf(service.url);
    await roastery(api);
    const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
    const [roaster] = (await api.read('/api/roasters')).items;
    const cleaning = async () => (await api.read(`/api/roasters/${roaster.id}`)).cleaning ?? null;
    await page.goto(`${service.url}/setup#roasters`);
    const tick = page.locator('dialog').getByLabel('It is cleaned in the middle of a day');
    for (const set of [true, false]) {
      await page.reload();
      await page.click(`[data-key="edit-${roaster.id}"]`);
      assert.equal(await tick.isChecked(), !set);
      assert.equal(await page.locator('dialog input[name="batches"]').isVisible(), !set);
      await tick.setChecked(set);
      if (set) {
        await fill(page, { 'After so many batches': '6' });
        await page.locator('dialog input[name="minutes"]').fill('10');
        await shot(page, 'setup-cleaning');
      }
      await save(page);
      assert.deepEqual(await cleaning(), set ? { batches: 6, minutes: 10 } : null);
    }
    await page.goto(`${service.url}/setup#sites`);
    const [site] = (await api.read('/api/sites')).items;
    await page.click(`[data-key="edit-${site.id}"]`);
    await fill(page, { 'Kept back of each batch': '120' });
    await page.locator('dialog').getByLabel('A count is approved by a second person').check();
    await save(page);
    const saved = await api.read(`/api/sites/${site.id}`);
    assert.deepEqual([saved.kept_back_g, saved.second_person], [120, true]);
    assert.deepEqual(errors, []);
    await context.close();
  } finally {
    await service.stop();
  }
});

test('ship days as one looks for them, bounds in plain words, and the way back in beside what was typed', async () => {
  const service = await startService();
  try {
    const api = apiOf(service.url);
    const { shipDay } = await roastery(api);
    for (const days of [400, -30, 7]) await api.make('ship-days', { day: addDays(shipDay, days), packing_day: addDays(shipDay, days), carrier_at: '15:00' });
    const { page, context } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
    await page.goto(`${service.url}/shipping`);
    await page.waitForFunction(() => document.querySelectorAll('#ship-default option').length > 1);
    assert.deepEqual(await page.locator('#ship-default option').evaluateAll((all) => all.map((each) => each.getAttribute('value'))), ['', shipDay, addDays(shipDay, 7), addDays(shipDay, 400)], 'today and later, in order');
    assert.match((await page.textContent('#ship-default option:last-child')) ?? '', /\d{4}$/, 'another year is said');
    await page.click('[data-key="add"]');
    await page.waitForSelector('dialog select[name="ship_day"]');
    const days = await page.locator('dialog select[name="ship_day"] option').evaluateAll((all) => all.map((each) => each.getAttribute('value')));
    assert.deepEqual(days, ['', shipDay, addDays(shipDay, 7), addDays(shipDay, 400), addDays(shipDay, -30)], 'what comes first, what is past last');
    const field = (/** @type {string} */ name) => page.locator(`dialog [name="${name}"]`).first();
    for (const [name, typed, words] of [['bags', '-1', 'This cannot be less than 0.'], ['bags', '2.5', 'A whole number is needed here.'], ['bags', '5000000', 'This cannot be more than 1,000,000.'], ['priority', '-1', 'This cannot be less than 0.'], ['transit_days', '70000', 'This cannot be more than 10,000.']]) {
      await field(String(name)).fill(String(typed));
      await page.click('dialog .actions .main');
      assert.equal(await field(String(name)).locator('xpath=following-sibling::p[contains(@class,"error")]').textContent(), words);
      await field(String(name)).fill('1');
    }
    // Nobody is signed in any longer, as after a long break: the way in stands beside what was typed.
    await context.clearCookies();
    await page.locator('dialog [name="number"]').fill('W-9');
    await page.locator('dialog [name="customer"]').fill('Mill Street');
    await field('ship_day').selectOption(shipDay);
    await field('product').selectOption({ label: 'Kirimbi filter 250' });
    await page.click('dialog .actions .main');
    await page.waitForSelector('dialog .form-error a[href^="/sign-in"]');
    assert.equal(await page.inputValue('dialog [name="number"]'), 'W-9');
    await context.close();
  } finally {
    await service.stop();
  }
});

test('orders from a spreadsheet: a bad line is named and nothing is taken in; the mended file is', async () => {
  const service = await startService();
  try {
    const api = apiOf(service.url);
    const { shipDay } = await roastery(api);
    const { page, context } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
    await page.goto(`${service.url}/shipping`);
    await page.waitForSelector('.sample');
    const head = await page.textContent('.sample');
    const row = (/** @type {string} */ number, /** @type {string} */ bags) => (head ?? '').split(',').map((column) => ({ order: number, customer: 'Mill Street', ship_day: shipDay, transit_days: '1', priority: '1', line: '1', product: 'Kirimbi filter 250', bags })[column] ?? '').join(',');
    await page.fill('#import textarea', [head, row('W-301', '8'), row('W-302', 'twelve')].join('\n'));
    await page.click('#import button:has-text("Look at it first")');
    await page.waitForSelector('.report table');
    const report = (await page.textContent('.report table tbody')) ?? '';
    assert.match(report, /3/);
    assert.match(report, /bags/);
    assert.match(report, /twelve/);
    await shot(page, 'shipping-import');
    assert.equal((await api.read('/api/orders')).items.length, 1, 'nothing was taken in');
    await page.fill('#import textarea', [head, row('W-301', '8'), row('W-302', '12')].join('\n'));
    await page.click('#import button:has-text("Look at it first")');
    await page.click('#import button:has-text("Take them in")');
    await page.waitForSelector('.report >> text=Taken in: 2 new');
    const orders = (await api.read('/api/orders')).items;
    assert.deepEqual(orders.map((/** @type {any} */ each) => each.number).sort(), ['W-201', 'W-301', 'W-302']);
    await context.close();
  } finally {
    await service.stop();
  }
});
