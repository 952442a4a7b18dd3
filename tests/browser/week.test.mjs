/** The week by keyboard, mouse and finger: a batch is moved and pinned, the rest follows; compare, undo, release, withdraw, print. */
import assert from 'node:assert/strict';
import { mkdirSync } from 'node:fs';
import { after, before, test } from 'node:test';
import { addDays, apiOf, openPage, roastery, shot, SHOTS, startBrowser, startService } from './support.mjs';

/** @typedef {import('playwright-core').Page} Page */

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
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** The column of the first day with what is looked for. @param {Page} page @param {string} selector */
const columnOf = (page, selector) => page.evaluate((which) => [...document.querySelectorAll('.day')].findIndex((day) => day.querySelector(which)), selector);

/** Where to press, once the page has come to rest: advice that comes a moment after the plan moves the board down. @param {Page} page @param {string} selector */
async function middle(page, selector) {
  const found = page.locator(selector).first();
  await found.scrollIntoViewIfNeeded();
  for (let last = '', same = 0; same < 3;) {
    const box = await found.boundingBox();
    if (!box) throw new Error(`${selector} is not on the page`);
    same = JSON.stringify(box) === last ? same + 1 : 0;
    if (same === 3) return { x: box.x + box.width / 2, y: box.y + box.height / 2 };
    last = JSON.stringify(box);
    await page.waitForTimeout(200);
  }
  throw new Error('not reached');
}

/** @param {Page} page */
async function open(page) {
  await page.goto(`${service.url}/week`);
  await page.waitForSelector('.block .face');
}

/** @param {Page} page */
async function undo(page) {
  await page.click('[data-key="undo"]');
  await page.waitForSelector('.block.pinned', { state: 'detached' });
}

test('by keyboard: the arrow keys move a batch, and the focus goes with it', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  const before = await columnOf(page, '.face');
  await page.locator('.face').first().focus();
  await page.keyboard.press('ArrowRight');
  await page.waitForSelector('.block.pinned');
  assert.equal(await columnOf(page, '.block.pinned'), before + 1);
  assert.equal(await page.evaluate(() => document.activeElement?.closest('.block')?.classList.contains('pinned')), true);
  await shot(page, 'week-pinned');
  await page.goto(`${service.url}/shipping`);
  await page.goto(`${service.url}/week`);
  await page.waitForSelector('.toast >> text=1 batch is still pinned where you moved it');
  await page.waitForSelector('.block.pinned');
  assert.equal(await columnOf(page, '.block.pinned'), before + 1, 'what was moved is kept through a look at another page');
  await page.click('.block.pinned .face');
  await page.click('[data-key="unpin"]');
  await page.waitForSelector('.block.pinned', { state: 'detached' });
  await page.reload();
  await page.waitForSelector('.block .face');
  assert.equal(await page.locator('.block.pinned').count(), 0, 'and let go when it is unpinned');
  assert.equal(await columnOf(page, '.face'), before);
  assert.deepEqual(errors, []);
  await context.close();
});

test('the arrow keys step over a day on which the roaster is closed; a charge it cannot take is refused at its field', async () => {
  const [roaster] = (await api.read('/api/roasters')).items;
  const { id, revision: _, ...fields } = roaster;
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  const before = await columnOf(page, '.face');
  const { today } = await api.read('/api/me');
  await api.change('roasters', id, { ...fields, exceptions: [{ day: addDays(today, before + 1), hours: null, note: 'service' }] });
  await page.waitForFunction((nth) => document.querySelectorAll('.day')[nth]?.classList.contains('shut'), before + 1);
  const from = await columnOf(page, '.face');
  await page.locator('.face').first().focus();
  await page.keyboard.press('ArrowRight');
  await page.waitForSelector('.block.pinned');
  assert.equal(await columnOf(page, '.block.pinned'), from < before + 1 ? Math.max(from + 1, before + 2) : from + 1);
  assert.equal(await page.evaluate(() => document.activeElement?.closest('.block')?.classList.contains('pinned')), true);
  await page.click('.block.pinned .face');
  await page.click('[data-key="change"]');
  await page.fill('dialog input[name="charge_g"]', '50');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('dialog .error:not([hidden]) >> text=Big drum takes 4.00 kg to 15.00 kg');
  await page.click('dialog >> text=Cancel');
  await undo(page);
  const grip = await middle(page, '.block .face');
  const shut = await middle(page, '.day.shut >> nth=0 >> h3');
  await page.mouse.move(grip.x, grip.y);
  await page.mouse.down();
  await page.mouse.move(shut.x, shut.y, { steps: 8 });
  await page.mouse.up();
  await page.waitForSelector('.toast >> text=could not be pinned there');
  assert.equal(await page.locator('.block.pinned').count(), 0, 'it stays where it was');
  assert.equal(await page.evaluate(() => document.activeElement?.classList.contains('face')), true, 'and keeps the focus');
  await api.change('roasters', id, fields);
  await page.waitForFunction(() => !document.querySelector('.day.shut'));
  assert.deepEqual(errors, []);
  await context.close();
});

test('by mouse: a batch is dragged to another day; a click opens it, Escape lets it go', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  const before = await columnOf(page, '.face');
  const from = await middle(page, '.block .face');
  const to = await middle(page, `.day >> nth=${before + 2} >> h3`);
  await page.mouse.move(from.x, from.y);
  await page.mouse.down();
  await page.mouse.move(to.x, to.y, { steps: 8 });
  await page.waitForSelector('.block.ghost');
  await page.waitForSelector('.day.over');
  await shot(page, 'week-drag');
  await page.keyboard.press('Escape');
  await page.mouse.up();
  assert.equal(await page.locator('.block.ghost, .block.pinned').count(), 0);
  await page.mouse.move(from.x, from.y);
  await page.mouse.down();
  await page.mouse.move(to.x, to.y, { steps: 8 });
  await page.mouse.up();
  await page.waitForSelector('.block.pinned');
  assert.equal(await columnOf(page, '.block.pinned'), before + 2);
  assert.equal(await page.locator('.block-more').count(), 0, 'letting go is no click');
  await page.locator('.block .face').first().click();
  await page.waitForSelector('.block-more');
  await undo(page);
  assert.deepEqual(errors, []);
  await context.close();
});

test('by finger: a batch is dragged by its grip, and the page still scrolls beside it', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1180, height: 820 }, hasTouch: true });
  await open(page);
  const devtools = await context.newCDPSession(page);
  /** @param {'touchStart'|'touchMove'|'touchEnd'} type @param {{x: number, y: number}[]} touchPoints */
  const touch = (type, touchPoints) => devtools.send('Input.dispatchTouchEvent', { type, touchPoints });
  const before = await columnOf(page, '.face');
  const from = await middle(page, '.block .grip');
  const to = await middle(page, `.day >> nth=${before + 1} >> h3`);
  await touch('touchStart', [from]);
  for (let i = 1; i <= 8; i += 1) await touch('touchMove', [{ x: from.x + ((to.x - from.x) * i) / 8, y: from.y + ((to.y - from.y) * i) / 8 }]);
  await page.waitForSelector('.day.over');
  await touch('touchEnd', []);
  await page.waitForSelector('.block.pinned');
  assert.equal(await columnOf(page, '.block.pinned'), before + 1);
  await undo(page);

  const face = await middle(page, '.block .face');
  await touch('touchStart', [face]);
  for (let i = 1; i <= 8; i += 1) await touch('touchMove', [{ x: face.x, y: face.y - 20 * i }]);
  await touch('touchEnd', []);
  assert.equal(await page.locator('.block.ghost, .block.pinned').count(), 0, 'a finger on the block itself scrolls');
  assert.deepEqual(errors, []);
  await context.close();
});

test('a plan that comes while a batch is held waits until it is let go', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  const before = await columnOf(page, '.face');
  const from = await middle(page, '.block .face');
  await page.mouse.move(from.x, from.y);
  await page.mouse.down();
  const planned = page.waitForResponse((answer) => answer.url().endsWith('/api/plans'));
  await api.make('styles', { name: 'Omni', nominal_loss: 0.15, rest_days: 1, fresh_days: 30, shade: 1 });
  await planned;
  await page.waitForTimeout(300);
  const to = await middle(page, `.day >> nth=${before + 2} >> h3`);
  await page.mouse.move(to.x, to.y, { steps: 8 });
  await page.waitForSelector('.day.over');
  await page.mouse.up();
  await page.waitForSelector('.block.pinned');
  assert.equal(await columnOf(page, '.block.pinned'), before + 2);
  await undo(page);
  assert.deepEqual(errors, []);
  await context.close();
});

test('a ship day shows what feeds it', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  await page.click('.ship');
  await page.waitForSelector('.block.fed .fed-mark');
  await shot(page, 'week-ship-day');
  await page.click('.ship');
  await page.waitForSelector('.block.fed', { state: 'detached' });
  await context.close();
});

test('released, compared, printed and withdrawn', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  await page.click('#release');
  await page.waitForSelector('#compare >> text=This is what is released');
  const stock = await api.read('/api/stock');
  assert.ok(stock.lots.some((/** @type {any} */ lot) => lot.reserved_g > 0), 'released cards reserve green');
  await page.locator('.face').first().focus();
  await page.keyboard.press('ArrowRight');
  await page.waitForSelector('#compare summary >> text=moved');
  await page.click('#compare summary');
  await shot(page, 'week-compare');
  await undo(page);

  await page.evaluate(() => {
    window.print = () => undefined;
  });
  mkdirSync(SHOTS, { recursive: true });
  const [order] = (await api.read('/api/orders')).items;
  await api.change('orders', order.id, { number: order.number, customer: order.customer, ship_day: order.ship_day, transit_days: order.transit_days, priority: order.priority, lines: [...order.lines.map((/** @type {any} */ { line, product, bags }) => ({ line, product, bags: line === 1 ? 5000 : bags }))] });
  await page.waitForFunction(() => /\d+ bags will be missing/.test(document.querySelector('.packing-list')?.textContent ?? ''));
  await api.change('orders', order.id, { number: order.number, customer: order.customer, ship_day: order.ship_day, transit_days: order.transit_days, priority: order.priority, lines: order.lines.map((/** @type {any} */ { line, product, bags }) => ({ line, product, bags })) });
  await page.waitForFunction(() => !/will be missing/.test(document.querySelector('.packing-list')?.textContent ?? ''));
  for (const what of ['pull', 'cards', 'packing']) {
    await page.click(`[data-key="print-${what}"]`);
    for (const format of ['A4', 'Letter']) {
      const pdf = await page.pdf({ path: `${SHOTS}/print-${what}-${format}.pdf`, format, preferCSSPageSize: false });
      const sheets = pdf.toString('latin1').match(/\/Type\s*\/Page\b/g)?.length ?? 0;
      assert.ok(sheets === 1 || (what === 'cards' && sheets === 2), `${what} takes ${sheets} sheets of ${format}`);
    }
  }
  await page.click('#cards summary');
  await page.click('[data-key="all"]');
  await page.click('[data-key="withdraw"]');
  await page.waitForSelector('#cards', { state: 'hidden' });
  assert.ok((await api.read('/api/stock')).lots.every((/** @type {any} */ lot) => lot.reserved_g === 0), 'withdrawn cards free it');
  assert.deepEqual(errors, []);
  await context.close();
});

test('cards that another planner changed are not taken back unseen', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  // The page holds an older plan: what comes between is answered late.
  const older = (await api.read('/api/me')).today;
  const made = await api.ask('/api/plans', { from_day: older, days: 7 });
  await page.route('**/api/releases/*', async (route) => {
    const body = { ...route.request().postDataJSON(), log_size: made.log_size - 1 };
    await route.continue({ postData: JSON.stringify(body) });
  });
  const first = made.batches[0];
  const other = { roaster: first.roaster.id, day: first.day, start: first.start, lot: first.lot.id, style: first.style.id, charge_g: first.charge_g, feeds: first.feeds };
  await api.command('releases', { from_day: older, days: 7, log_size: made.log_size, batches: [other] });
  await page.waitForSelector('#cards >> text=1 card on the floor');
  await page.click('#release');
  await page.waitForSelector('#summary [role="alert"] >> text=This is the new plan');
  await shot(page, 'week-changed');
  await page.unroute('**/api/releases/*');
  await page.click('#release');
  await page.waitForSelector('#summary [role="alert"]', { state: 'detached' });
  await page.waitForSelector('#compare >> text=This is what is released');
  await page.click('#cards summary');
  await page.click('[data-key="all"]');
  await page.click('[data-key="withdraw"]');
  await page.waitForSelector('#cards', { state: 'hidden' });
  await context.close();
});

test('planned from now after another day was looked at', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  const { today } = await api.read('/api/me');
  await page.fill('#from', addDays(today, 2));
  await page.waitForFunction((day) => document.querySelector('.day')?.getAttribute('data-day') === day, addDays(today, 2));
  await page.click('#from-now');
  await page.waitForFunction((day) => document.querySelector('.day')?.getAttribute('data-day') === day, today);
  await page.waitForSelector('.ships >> text=Planned at');
  await context.close();
});

test('a pin whose day is no longer open is named, and holds again when it is', async () => {
  const { id, revision: _, ...fields } = (await api.read('/api/roasters')).items[0];
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1440, height: 900 } });
  await open(page);
  await page.locator('.face').first().focus();
  await page.keyboard.press('ArrowRight');
  await page.waitForSelector('.block.pinned');
  const day = await page.locator('.day', { has: page.locator('.block.pinned') }).getAttribute('data-day');
  const lot = (await page.textContent('.block.pinned .sack b')) ?? '';
  await api.change('roasters', id, { ...fields, exceptions: [{ day, hours: null, note: 'burner' }] });
  await page.waitForSelector('.dropped >> text=1 batch could not stay where it was');
  const said = (await page.textContent('.dropped li')) ?? '';
  assert.ok(said.startsWith(lot) && said.includes('Big drum:') && said.trim().endsWith('.'), said);
  assert.equal(await page.locator('.block.pinned').count(), 0);
  await shot(page, 'week-dropped');
  await api.change('roasters', id, fields);
  await page.waitForSelector('.block.pinned');
  assert.equal(await page.locator('.dropped').count(), 0);
  await undo(page);
  assert.deepEqual(errors, []);
  await context.close();
});

test('what ships short says why and what would help; planned from now, what is weighed in stays as it is', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  const { today } = await api.read('/api/me');
  const [order] = (await api.read('/api/orders')).items;
  const espresso = (await api.read('/api/products')).items.find((/** @type {any} */ each) => each.bag_g === 1000);
  await open(page);
  await api.make('orders', { number: 'W-300', customer: 'Mill Street', ship_day: order.ship_day, transit_days: 1, priority: 1, lines: [{ line: 1, product: espresso.id, bags: 300 }] });
  await page.waitForSelector('.shorts >> text=Not enough green of Vale Sereno');
  const missing = Number(/^(\d+) bags/.exec((await page.textContent('.shorts b')) ?? '')?.[1]);
  assert.ok(missing > 30 && missing < 120, `${missing} of 300 bags of 1 kg from 300 kg of green`);
  await page.waitForSelector(`.ways-out li >> text=With ${missing} bags fewer promised`);
  assert.match((await page.textContent('.ways-out')) ?? '', /more green of VS-3/);
  await shot(page, 'week-short');

  await page.click('#release');
  await page.waitForSelector('#compare >> text=This is what is released');
  const cards = (await api.read(`/api/cards?from=${today}&to=${addDays(today, 6)}`)).items.filter((/** @type {any} */ each) => each.state === 'planned');
  const card = cards[0];
  const weight = { basis: 'weighed', scale: card.green_scale.id ?? card.green_scale, source: 'typed', readings: [{ gross: (card.charge_g / 1000).toFixed(2), container: null }] };
  await api.command('weigh-ins', { batch: crypto.randomUUID(), card: card.id, lot: card.lot.id, style: card.style.id, roaster: card.roaster.id, storeroom: card.storeroom.id, weight });
  await page.waitForSelector(`#cards >> text=${cards.length - 1} cards on the floor`);
  await page.click('#from-now');
  await page.waitForFunction((least) => !document.querySelector('#board[aria-busy]') && document.querySelectorAll('.block').length === least, cards.length - 1);
  assert.doesNotMatch((await page.textContent('#compare')) ?? '', /new|withdrawn|moved/, 'the others keep their day, lot and charge');

  const short = (await api.read('/api/orders')).items.find((/** @type {any} */ each) => each.number === 'W-300');
  await api.change('orders', short.id, { number: short.number, customer: short.customer, ship_day: short.ship_day, transit_days: 1, priority: 1, lines: [{ line: 1, product: espresso.id, bags: 10 }] });
  await page.waitForSelector('#keeping >> text=/Planning freely, without keeping the released cards: .*−\\d+ batches/');
  await page.check('#freely');
  await page.waitForFunction((kept) => !document.querySelector('#board[aria-busy]') && document.querySelectorAll('.block').length < kept, cards.length - 1);
  await page.waitForSelector('#compare summary >> text=withdrawn');
  assert.deepEqual(errors, []);
  await context.close();
});
