/** The service goes away while pages are open: they say so, keep what they show and what is being typed, and go on by themselves when it is back. */
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { asked } from './hands.mjs';
import { apiOf, openPage, releaseWeek, roastery, shot, startBrowser, startService } from './support.mjs';

/** @typedef {import('playwright-core').Page} Page */

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
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** A page whose reload would be noticed. @param {string} path @param {string} ready */
async function open(path, ready) {
  const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/${path}`);
  await page.waitForSelector(ready);
  await page.evaluate(() => document.body.setAttribute('data-same', 'yes'));
  return { page, context, same: () => page.getAttribute('body', 'data-same') };
}

/** @param {Page} page */
const state = async (page) => (await page.textContent('#state')) ?? '';

const AWAY = '#state.wait >> text=The service does not answer.';
const BACK = '#state.good >> text=Harbour Lane';

test('a weight that is being typed on the floor is booked after the service was away', async () => {
  const { page, context, same } = await open('floor', '#weigh-in');
  const charge = (await asked(page)).toFixed(2);
  const cards = await page.locator('#cards li').count();
  await page.click('#weigh-in');
  await page.keyboard.type(charge.slice(0, -1));
  await service.kill();
  await page.waitForSelector('#state.wait >> text=No network: work on, weights are kept here.');
  assert.equal(await page.inputValue('#gross'), charge.slice(0, -1));
  assert.equal(await page.locator('#cards li').count(), cards, 'the cards stay');
  await service.again();
  await page.waitForSelector(BACK);
  assert.equal(await same(), 'yes', 'the page was not loaded again');
  await page.keyboard.type(charge.slice(-1));
  assert.equal(await page.inputValue('#gross'), charge, 'typing goes on where it was');
  await page.keyboard.press('Enter');
  await page.waitForSelector('.answer >> text=weighed in');
  assert.doesNotMatch(await state(page), /kept/);
  assert.equal((await api.read('/api/batches?state=open')).items[0].weighed_in_g, Math.round(Number(charge) * 1000));
  await context.close();
});

test('the week keeps its board and the number that is being typed, and plans again when the service is back', async () => {
  const { page, context, same } = await open('week', '.block .face');
  const blocks = await page.locator('.block').count();
  await page.fill('#days', '');
  await page.focus('#days');
  await page.keyboard.type('1');
  await service.kill();
  await page.waitForSelector(AWAY);
  await shot(page, 'week-away');
  assert.equal(await page.locator('.block').count(), blocks, 'the board stays');
  await service.again();
  await page.waitForSelector(BACK);
  const { lines, customer, ship_day, transit_days, priority } = await api.read(`/api/orders/${made.order}`);
  await api.make('orders', { number: 'W-300', customer, ship_day, transit_days, priority, lines: [{ line: 1, product: lines[0].product, bags: 400 }] });
  await page.waitForFunction((before) => document.querySelectorAll('.block').length > before, blocks);
  assert.equal(await page.inputValue('#days'), '1', 'what is half typed is not drawn over');
  assert.equal(await same(), 'yes');
  await page.keyboard.type('0');
  await page.keyboard.press('Enter');
  await page.waitForFunction(() => document.querySelectorAll('.day').length === 10);
  assert.equal(await page.inputValue('#days'), '10');
  await context.close();
});

test('an entry of a count waits in its form, says that no answer came, and is taken once the service is back', async () => {
  await api.command('count-openings', { covers: ['green'] });
  const [count] = (await api.read('/api/count-sessions')).items;
  const { page, context, same } = await open(`count#${count.id}`, '.places > li');
  await page.click('.places > li .button');
  await page.fill('dialog input[name="gross"]', '11.20');
  await service.kill();
  await page.waitForSelector(AWAY);
  await page.fill('dialog input[name="whole"]', '4');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('dialog .error:not([hidden]) >> text=The service does not answer. What you typed is still here');
  await shot(page, 'count-away');
  await service.again();
  await page.waitForSelector(BACK);
  assert.equal(await page.inputValue('dialog input[name="gross"]'), '11.20');
  assert.equal(await page.inputValue('dialog input[name="whole"]'), '4');
  assert.equal(await same(), 'yes');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('.places > li.counted >> text=251.20');
  await context.close();
});

test('more pages are open than a browser has lines to one service', async () => {
  const { context } = await open('green', '#lots li');
  const others = [];
  for (const path of ['week', 'loss', 'shipping', 'audit', 'count', 'setup', 'floor', 'trace']) {
    const other = await context.newPage();
    await other.goto(`${service.url}/${path}`);
    await other.waitForSelector(BACK);
    others.push(other);
    await hide(other, true);
  }
  await api.make('coffees', { name: 'Serra Alta' });
  const [week, , , , , setup] = others;
  assert.ok(week && setup);
  await hide(setup, false);
  await setup.click('a[href="#coffees"]');
  await setup.waitForSelector('text=Serra Alta');
  await context.close();
});

/** As a browser does when another of its pages is looked at. @param {Page} page @param {boolean} hidden */
const hide = (page, hidden) => page.evaluate((now) => {
  Object.defineProperty(document, 'hidden', { configurable: true, get: () => now });
  document.dispatchEvent(new Event('visibilitychange'));
}, hidden);
