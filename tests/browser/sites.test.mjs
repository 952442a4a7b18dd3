/** Two sites in one book: green leaves one, is taken in at the other, and both stand in the page of all sites. */
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { addDays, apiOf, openPage, roastery, shot, startBrowser, startService } from './support.mjs';

/** @typedef {import('playwright-core').Page} Page */

/** @type {import('./support.mjs').Service} */
let service;
/** @type {import('./support.mjs').Service} */
let coast;
/** @type {import('playwright-core').Browser} */
let browser;
/** @type {Awaited<ReturnType<typeof roastery>>} */
let made;
/** @type {string} a storeroom of the other site */
let shed;
before(async () => {
  service = await startService();
  made = await roastery(apiOf(service.url));
  coast = await startService({ site: { name: 'Coast', of: service } });
  shed = await apiOf(coast.url).make('storerooms', { name: 'Shed' });
  browser = await startBrowser();
});
after(async () => {
  await browser?.close();
  await coast?.stop();
  await service?.stop();
});

/** @param {import('./support.mjs').Service} at @param {string} path */
async function open(at, path) {
  const { page, errors } = await openPage(browser, { at: at.url, viewport: { width: 1280, height: 800 } });
  await page.goto(`${at.url}/${path}`);
  return { page, errors };
}

/** Fills the dialog with a weight that was reckoned, and saves it. @param {Page} page @param {Record<string, string>} choices @param {string} kilograms */
async function weigh(page, choices, kilograms) {
  for (const [name, label] of Object.entries(choices)) await page.selectOption(`dialog select[name="${name}"]`, { label });
  await page.check('dialog input[value="reckoned"]');
  await page.fill('dialog input[name="reckoned"]', kilograms);
  await page.click('dialog button[type="submit"]');
}

test('green goes to another site and is weighed in there', async () => {
  // Neither page is opened anew: each hears of what the other does.
  const [here, there] = [await open(service, 'green'), await open(coast, 'green')];
  await here.page.click('.lot-link:has-text("VS-3")');
  await here.page.click('[data-key="send"]');
  await shot(here.page, 'sites-send');
  await weigh(here.page, { to: 'Coast', storeroom: 'Back store' }, '60');
  await here.page.waitForSelector('#ways [data-key^="call-back-"]');
  assert.match((await here.page.textContent('#ways')) ?? '', /VS-3.*60.*kg.*Harbour Lane to Coast/s);
  await there.page.click('#ways [data-key^="take-in-"]');
  await shot(there.page, 'sites-take-in');
  await weigh(there.page, { storeroom: 'Shed' }, '59.9');
  await there.page.waitForSelector('.lot-link:has-text("VS-3")');
  await there.page.click('#ways summary');
  assert.match((await there.page.textContent('#ways')) ?? '', /taken in as VS-3/);
  await shot(there.page, 'sites-taken-in');
  await here.page.waitForSelector('#ways [data-key^="call-back-"]', { state: 'detached' });
  // Undone, it is on its way again, and is taken in as the same lot.
  await there.page.click('#ways [data-key^="undo-"]');
  await there.page.click('dialog button[type="submit"]');
  await here.page.waitForSelector('#ways [data-key^="call-back-"]');
  await there.page.click('#ways [data-key^="take-in-"]');
  await weigh(there.page, { storeroom: 'Shed' }, '59.9');
  await there.page.waitForSelector('#ways [data-key^="undo-"]', { state: 'attached' });
  assert.equal(await there.page.locator('.lot-link').count(), 1);
  await there.page.goto(`${coast.url}/audit`);
  await there.page.click('.inside a[href="/sites"]');
  await there.page.waitForSelector('#sites tfoot');
  const table = (await there.page.textContent('#sites')) ?? '';
  assert.match(table, /Harbour Lane/);
  assert.match(table, /899.9/);
  await shot(there.page, 'sites-all');
  await here.page.goto(`${service.url}/trace`);
  await here.page.selectOption('#id', { label: 'VS-3 · 17/18' });
  await here.page.waitForSelector('#elsewhere h3');
  assert.match((await here.page.textContent('#elsewhere')) ?? '', /Coast: VS-3/);
  await shot(here.page, 'sites-trace');
  assert.deepEqual([...here.errors, ...there.errors], []);
});

test('what came from another site is no younger for it', async () => {
  const [api, coastApi] = [apiOf(service.url), apiOf(coast.url)];
  const { site } = await coastApi.read('/api/me');
  const bought = addDays(made.today, -40);
  const weight = { basis: 'reckoned', mass_g: 60000 };
  const delivery = await api.make('deliveries', { supplier: 'Northgate Green', reference: 'NG-90', expected_day: bought });
  const lot = await api.make('lots', { name: 'VS-1', delivery, coffee: made.sereno, grade: '16', storeroom: made.store, expected_g: 60000, packing: { kind: 'liner', sacks: 1, sack_g: 60000, loose_g: 0 }, moisture: [], claims: [], use_rank: 1 });
  await api.command('receipts', { delivery, happened_at: `${bought}T12:00:00Z`, lines: [{ lot, storeroom: made.store, weight }] });
  const { posting } = await api.command('sendings', { to: site.id, lot, storeroom: made.store, weight });
  await coastApi.command('arrivals', { sending: posting.id, storeroom: shed, weight });
  const { page, errors } = await open(coast, 'green');
  await page.click('.lot-link:has-text("VS-1")');
  await page.waitForSelector('.facts >> text=Its age counts from');
  await shot(page, 'sites-age');
  await page.setViewportSize({ width: 390, height: 844 });
  await shot(page, 'sites-age-390');
  assert.deepEqual(errors, []);
});

test('a roastery with one site is not shown what it has no use for', async () => {
  const alone = await startService();
  await roastery(apiOf(alone.url));
  const { page } = await open(alone, 'audit');
  await page.waitForSelector('.inside a[href="/value"]');
  assert.equal(await page.isVisible('.inside a[href="/sites"]'), false);
  await page.goto(`${alone.url}/green`);
  await page.click('.lot-link:has-text("VS-3")');
  await page.waitForSelector('[data-key="transfer"]');
  assert.equal(await page.isVisible('[data-key="send"]'), false);
  assert.equal(await page.isVisible('#ways'), false);
  await alone.stop();
});
