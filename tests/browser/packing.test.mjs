/** The packing bench, the cupping table and the costs, through the pages; labels and packing list as they print. */
import assert from 'node:assert/strict';
import { mkdirSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { after, before, test } from 'node:test';
import { fileURLToPath } from 'node:url';
import { apiOf, openPage, releaseWeek, roastery, shot, startBrowser, startService } from './support.mjs';

/** @type {import('./support.mjs').Service} */
let service;
/** @type {import('playwright-core').Browser} */
let browser;
/** @type {import('./support.mjs').Api} */
let api;
/** @type {Awaited<ReturnType<typeof roastery>>} */
let made;

before(async () => {
  [service, browser] = await Promise.all([startService(), startBrowser()]);
  api = apiOf(service.url);
  made = await roastery(api);
  await releaseWeek(api);
  /** @param {string} scale @param {string} gross */
  const weight = (scale, gross) => ({ basis: 'weighed', scale, source: 'typed', readings: [{ gross, container: null }] });
  for (const out of ['10.34', '10.30', '10.38', '10.36']) {
    const { batch } = await api.command('weigh-ins', { batch: crypto.randomUUID(), lot: made.lots[0], style: made.filter, roaster: made.roaster, storeroom: made.store, weight: weight(made.greenScale, '12.00') });
    await api.command('weigh-outs', { batches: [batch.id], weight: weight(made.roastedScale, out) });
  }
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** @param {import('playwright-core').Page} page @param {Record<string, string>} values */
async function answer(page, values) {
  for (const [name, value] of Object.entries(values)) {
    const field = page.locator(`dialog [name="${name}"]`).first();
    if ((await field.evaluate((node) => node.tagName)) === 'SELECT') await field.selectOption(value);
    else await field.fill(value);
  }
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog', { state: 'detached' });
}

/** 20 mm in CSS pixels (96 to the inch): a code of 29 modules then has modules of 0.6 mm, which the camera of a phone reads (ISO/IEC 18004 leaves the size to its use; from memory). */
const LEAST_CODE_PX = (20 / 25.4) * 96;

/** Keeps a page as it prints. @param {import('playwright-core').Page} page @param {string} name */
async function paper(page, name) {
  const folder = join(dirname(fileURLToPath(import.meta.url)), 'shots');
  mkdirSync(folder, { recursive: true });
  for (const format of ['A4', 'Letter']) {
    const pdf = await page.pdf({ format, printBackground: true, margin: { top: '10mm', bottom: '10mm', left: '10mm', right: '10mm' } });
    assert.ok(pdf.length > 3000 && pdf.subarray(0, 5).toString() === '%PDF-', `${name} prints on ${format}`);
    writeFileSync(join(folder, `${name}-${format}.pdf`), pdf);
  }
}

test('bags are filled from a bin, shipped with the day less one order, and their labels print', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 1000 } });
  await page.goto(`${service.url}/packing?day=${made.shipDay}`);
  await page.waitForSelector('#bins .sack');
  await page.click(`[data-key="pack-${made.order}-1"]`);
  await answer(page, { bags: '24' });
  await page.waitForSelector('text=24 of 180 packed');
  await shot(page, 'packing-list');
  await page.click('[data-key="ship-all"]');
  const [first] = (await api.read('/api/packings')).items;
  assert.match((await page.textContent('dialog')) ?? '', new RegExp(`W-201.*${first.code}`), 'what stays behind is picked packing by packing');
  assert.match((await page.textContent('dialog .lead')) ?? '', /24 bags leave.*Not packed yet: 156 × Kirimbi filter 250 \(W-201\), 30 × Sereno espresso 1000/, 'what is missing is said before');
  await shot(page, 'packing-ship');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog', { state: 'detached' });
  await page.waitForSelector('.toast >> text=/24 bags for .* have left. Not packed yet: 156 ×/');
  await page.click('.toast >> text=Undo');
  await page.waitForSelector('.toast >> text=Undone');
  await page.click('[data-key="ship-all"]');
  await page.click('dialog .actions .main');
  await page.waitForSelector('text=24 gone');
  assert.equal((await api.read(`/api/orders/${made.order}`)).lines[0].shipped_bags, 24);

  await page.click('[data-key="add-level"]');
  await answer(page, { product: made.filterBag, bags: '10' });
  await page.waitForSelector('text=0 of 10 bags');
  await page.click('[data-key="pack-shelf"]');
  await answer(page, { product: made.filterBag, bags: '6' });
  await page.waitForSelector('text=6 of 10 bags');
  await page.click(`[data-key="sell-${made.filterBag}"]`);
  await answer(page, { bags: '2' });
  await page.waitForSelector('text=4 of 10 bags');
  // Of two packings on the shelf the newer is sold from when somebody says so.
  await page.click('[data-key="pack-shelf"]');
  await answer(page, { product: made.filterBag, bags: '3' });
  await page.waitForSelector('text=7 of 10 bags');
  const newer = (await api.read('/api/packings')).items[0];
  await page.click(`[data-key="sell-${made.filterBag}"]`);
  await shot(page, 'packing-sell');
  await answer(page, { bags: '3', packing: newer.id });
  await page.waitForSelector('text=4 of 10 bags');
  assert.equal((await api.read(`/api/packings/${newer.id}`)).standing_bags, 0);
  await shot(page, 'packing-shelf');

  // An order takes two of the four that are left there, thinks again, and takes them.
  const ordered = { number: 'W-203', customer: 'Blue Door', ship_day: made.shipDay, transit_days: 1, priority: 1, lines: [{ line: 1, product: made.filterBag, bags: 2 }] };
  const order = await api.make('orders', ordered);
  await page.click(`[data-key="shelf-${order}-1"]`);
  assert.match((await page.textContent('dialog')) ?? '', /4 bags on the shelf were roasted in time/);
  await shot(page, 'packing-from-shelf');
  await page.click('dialog .actions .main');
  await page.waitForSelector('text=2 of 10 bags');
  await page.click('.toast >> text=Undo');
  await page.waitForSelector('text=4 of 10 bags');
  await page.click(`[data-key="shelf-${order}-1"]`);
  await page.click('dialog .actions .main');
  await page.waitForSelector('text=2 of 2 packed');
  assert.match((await page.textContent('#packings')) ?? '', /Shelf of the shop, 2 of these for W-203/);
  // What was taken stands at the order, of which packing, and goes back after a question; also when the order is called off.
  await page.waitForSelector('#list >> text=2 × Kirimbi filter 250 from the shelf');
  const taken = (await api.read(`/api/packing-list?day=${made.shipDay}`)).allotments[0];
  assert.match((await page.textContent('#list')) ?? '', new RegExp(taken.packings[0].code));
  await shot(page, 'packing-taken');
  await page.click(`[data-key="undo-${taken.id}"]`);
  assert.match((await page.textContent('dialog')) ?? '', /Back to the shelf: 2 × Kirimbi filter 250.*W-203 \(Blue Door\)/);
  await shot(page, 'packing-to-shelf');
  await page.click('dialog .actions .main');
  await page.waitForSelector('text=4 of 10 bags');
  await page.click(`[data-key="shelf-${order}-1"]`);
  await page.click('dialog .actions .main');
  await page.waitForSelector('text=2 of 2 packed');
  await api.change('orders', order, { ...ordered, cancelled: true });
  await page.waitForSelector('#list .flag.cancelled');
  await shot(page, 'packing-called-off');
  await page.setViewportSize({ width: 390, height: 844 });
  await shot(page, 'packing-taken-390');
  await page.setViewportSize({ width: 1280, height: 1000 });
  await page.click(`#list .sheet:has(.flag.cancelled) [data-key^="undo-"]`);
  await page.click('dialog .actions .main');
  await page.waitForSelector('text=4 of 10 bags');
  await page.waitForSelector('#list .flag.cancelled', { state: 'detached' });

  await page.locator('#packings a.button').nth(1).click();
  await page.waitForFunction(() => document.body.dataset.ready === 'labels');
  assert.equal(await page.locator('.label').count(), 6);
  assert.match((await page.textContent('.label')) ?? '', /Kirimbi filter 250.*K-17 AA/);
  const boxes = await page.evaluate(() => [...document.querySelectorAll('.label')].map((label) => {
    const code = label.querySelector('figure > div')?.shadowRoot?.querySelector('svg')?.getBoundingClientRect();
    const of = label.getBoundingClientRect();
    return { width: code?.width ?? 0, height: code?.height ?? 0, inside: Boolean(code && code.left >= of.left && code.right <= of.right + 0.5 && code.top >= of.top && code.bottom <= of.bottom + 0.5) };
  }));
  for (const box of boxes) assert.ok(Math.abs(box.width - box.height) < 1 && box.width >= LEAST_CODE_PX && box.inside, `a code is square, large enough and on its label: ${JSON.stringify(box)}`);
  await shot(page, 'label');
  await paper(page, 'labels');
  await page.goto(`${service.url}/packing-list?day=${made.shipDay}`);
  await page.waitForFunction(() => document.body.dataset.ready === 'list');
  assert.match((await page.textContent('#paper')) ?? '', /W-201/);
  await paper(page, 'packing-list');
  await page.goto(`${service.url}/packing`);
  await page.waitForSelector('#bins [data-key^="finish-"]');
  await page.click('#bins [data-key^="finish-"]');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog', { state: 'detached' });
  await page.waitForSelector('#bins .empty');
  assert.deepEqual(errors, []);
  await context.close();
});

test('cups are judged blind: one says hold, and its batch is not bagged', async () => {
  const { batch } = await api.command('weigh-ins', { batch: crypto.randomUUID(), lot: made.lots[0], style: made.filter, roaster: made.roaster, storeroom: made.store, weight: { basis: 'weighed', scale: made.greenScale, source: 'typed', readings: [{ gross: '12.00', container: null }] } });
  await api.command('weigh-outs', { batches: [batch.id], weight: { basis: 'weighed', scale: made.roastedScale, source: 'typed', readings: [{ gross: '10.36', container: null }] } });
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
  await page.goto(`${service.url}/cupping`);
  await page.click('[data-key="lay"]');
  await page.check('dialog .many input');
  await answer(page, { cups_each: '2' });
  await page.waitForSelector('.cup');
  assert.equal(await page.locator('.cup').count(), 2);
  assert.equal(await page.locator('.cup .sack').count(), 0, 'what is in the cups is hidden');
  await page.fill('.cup textarea >> nth=0', 'ashy, thin');
  await page.check('.cup >> nth=0 >> input[value="hold"]');
  await shot(page, 'cupping');
  await page.click('[data-key="save"]');
  await page.waitForSelector('.toast >> text=1 batch put on hold');
  assert.match((await api.read(`/api/batches/${batch.id}`)).hold.reason, /ashy, thin/);
  await page.waitForSelector('.cup .sack');
  assert.deepEqual(errors, []);
  await context.close();
});

test('prices and rates make margins; a bag below cost stands out; a change is thought of', async () => {
  await api.make('cost-lines', { delivery: made.delivery, kind: 'coffee', day: made.today, amount: { minor: 540000, currency: 'EUR' } });
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 1000 } });
  await page.goto(`${service.url}/cost`);
  await page.click('[data-key="add-bag"]');
  await page.fill('dialog [name="amount"]', '1.205');
  await page.click('dialog .actions .main');
  await page.waitForSelector('dialog .error >> text=EUR has only 2 digits after the point');
  await answer(page, { product: made.filterBag, amount: '1.20' });
  await page.click('[data-key="add-roaster_minute"]');
  await answer(page, { roaster: made.roaster, amount: '1.10' });
  await page.click('[data-key="add-packaging"]');
  await answer(page, { bag_g: '250', amount: '0.35' });
  await page.waitForSelector('.losses >> text=Kirimbi filter 250');
  await shot(page, 'cost');
  await page.click('[data-key="think"]');
  await page.click('dialog >> text=Add a coffee');
  await answer(page, { coffee: made.kirimbi, with: made.sereno });
  await page.waitForSelector('#change table');
  await shot(page, 'cost-change');
  assert.deepEqual(errors, []);
  await context.close();
});
