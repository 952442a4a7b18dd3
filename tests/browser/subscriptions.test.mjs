/** Subscriptions: set up by form, coffees tried out with an answer at once, the list frozen, a subscriber let in, standing orders written down. */
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { addDays, apiOf, openPage, roastery, shot, startBrowser, startService } from './support.mjs';

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

test('a dispatch is set up by form, tried out, kept, frozen, and one is let in', async () => {
  const api = apiOf(service.url);
  const { filter, kirimbi, sereno } = await roastery(api);
  await api.make('products', { name: 'Sereno filter 250', parts: [{ coffee: sereno, share: 1 }], style: filter, bag_g: 250 });
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/subscriptions`);
  await page.click('[data-key="add-destinations"]');
  await page.getByLabel('Name').fill('Home');
  await page.getByRole('button', { name: 'Save' }).click();
  await page.waitForSelector('#offers >> text=2 days on the way');

  await page.click('[data-key="add-subscriptions"]');
  await page.locator('dialog').getByLabel('Name', { exact: true }).fill('Monthly three');
  const fields = () => page.locator('dialog .kind-group .field:visible').evaluateAll((all) => all.map((each) => each.querySelector('[name]')?.getAttribute('name')));
  assert.deepEqual((await fields()).slice(0, 3), ['every', 'weekday', 'nth']);
  await page.getByLabel('It leaves').selectOption('weeks');
  assert.deepEqual((await fields()).slice(0, 3), ['every', 'weeks', 'from'], 'only what the rule asks for is shown');
  await page.locator('dialog').getByRole('button', { name: 'Add a day' }).click();
  await page.locator('dialog [type="date"]:visible').last().fill('2026-12-25');
  await page.getByLabel('Counted from').fill(addDays((await api.read('/api/me')).today, 10));
  await page.locator('dialog').getByLabel('Filter', { exact: true }).check();
  await page.getByLabel('List frozen, days before').fill('3');
  await page.getByRole('button', { name: 'Save' }).click();
  await page.waitForSelector('#offers >> text=/every week from \\d+ \\w{3} \\d{4}/');
  assert.deepEqual((await api.read('/api/subscriptions')).items[0].ships.avoid, ['2026-12-25']);

  const [subscription, destination] = await Promise.all(['subscriptions', 'destinations'].map(async (kind) => (await api.read(`/api/${kind}`)).items[0].id));
  const person = (/** @type {number} */ n, /** @type {number} */ bags) => api.make('subscribers', { number: `S${n}`, name: `Person ${n}`, subscription, bags, styles: [filter], destination, start: '2026-01-01' });
  for (const n of [1, 2, 3]) await person(n, n);
  await page.waitForSelector('#subscribers >> text=S3 Person 3');

  await page.click('[data-key="add-dispatch"]');
  await page.locator('dialog').getByLabel('Ship day').selectOption({ index: 1 });
  await page.locator('dialog').getByLabel('Coffee', { exact: true }).selectOption(kirimbi);
  await page.getByRole('button', { name: 'Save' }).click();
  await page.waitForSelector('#trial .says.covered');
  assert.match((await page.textContent('#trial .says')) ?? '', /6 bags in 3 parcels/);
  await page.click('#add-coffee');
  await page.selectOption('#from-1', '3');
  await page.waitForSelector('#trial .own');
  await page.waitForFunction(() => document.querySelector('#trial tbody tr:nth-child(2)')?.textContent?.includes('Vale Sereno'));
  await page.waitForFunction(() => document.querySelector('#trial tbody tr:nth-child(2) td:nth-child(5)')?.textContent === '1');
  await shot(page, 'subscriptions-trial');
  await page.click('#keep');
  await page.waitForSelector('.dispatches >> text=only from 3 bags');

  await page.locator('[data-key^="list-"]').click();
  await page.waitForSelector('dialog >> text=S3');
  await shot(page, 'subscriptions-list');
  await page.locator('dialog').getByRole('button', { name: 'Close' }).click();
  await page.locator('[data-key^="freeze-"]').click();
  await page.waitForSelector('dialog .lead >> text=/Changes would still reach it until .* The green covers it at 95/');
  await page.locator('dialog').getByRole('button', { name: 'Cancel' }).click();
  await page.waitForSelector('dialog', { state: 'detached' });
  assert.equal((await api.read('/api/dispatches')).items[0].frozen, false, 'nothing is frozen before the answer');
  await page.locator('[data-key^="freeze-"]').click();
  await page.click('dialog .actions .main');
  await page.waitForSelector('.dispatches >> text=List frozen');
  const orders = (await api.read('/api/orders')).items.filter((/** @type {any} */ order) => order.dispatch);
  assert.deepEqual(orders.map((/** @type {any} */ order) => order.lines.reduce((/** @type {number} */ sum, /** @type {any} */ line) => sum + line.bags, 0)), [6]);
  await person(4, 2);
  await page.waitForSelector('#subscribers >> text=S4 Person 4');
  await page.locator('[data-key^="let-"]').click();
  await page.locator('dialog').getByLabel('Subscriber').selectOption({ label: 'S4 Person 4' });
  await page.locator('dialog').getByRole('button', { name: 'Let a subscriber in' }).click();
  await page.waitForSelector('dialog', { state: 'detached' });
  const dispatch = (await api.read('/api/dispatches')).items[0].id;
  assert.equal((await api.read(`/api/dispatches/${dispatch}/list`)).parcels.length, 4);

  const { currency } = (await api.read('/api/me')).site;
  await api.make('tariffs', { kind: 'set', bags: 2, from_day: '2026-01-01', amount: { minor: 2400, currency } });
  await page.locator('[data-key^="margin-"]').click();
  await page.waitForSelector('dialog >> text=All parcels');
  const told = (await page.textContent('dialog')) ?? '';
  for (const words of ['48.00', 'not known', 'what lot K-17 cost', 'Kirimbi filter 250']) assert.ok(told.includes(words), `${words}: ${told}`);
  await page.setViewportSize({ width: 1280, height: 800 });
  await shot(page, 'subscriptions-margin');
  await page.setViewportSize({ width: 390, height: 844 });
  await shot(page, 'subscriptions-margin-phone');
  await page.locator('dialog').getByRole('button', { name: 'Close' }).click();
  assert.deepEqual(errors, []);
  await context.close();
});

test('a blend is set up as a coffee and put into a dispatch', async () => {
  const api = apiOf(service.url);
  const find = async (/** @type {string} */ kind, /** @type {string} */ name) => (await api.read(`/api/${kind}`)).items.find((/** @type {any} */ each) => each.name === name).id;
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.goto(`${service.url}/setup#coffees`);
  await page.click('[data-key="add"]');
  const dialog = page.locator('dialog');
  await dialog.getByLabel('Name').fill('House blend');
  for (const [i, [name, share]] of /** @type {[string, string][]} */ ([['Kirimbi', '60'], ['Vale Sereno', '40']]).entries()) {
    await dialog.getByRole('button', { name: 'Add a part' }).click();
    await dialog.getByLabel('Coffee', { exact: true }).nth(i).selectOption({ label: name });
    await dialog.getByLabel('Share').nth(i).fill(share);
  }
  await shot(page, 'setup-blend');
  await page.setViewportSize({ width: 390, height: 844 });
  await shot(page, 'setup-blend-phone');
  await page.setViewportSize({ width: 1280, height: 800 });
  await dialog.getByRole('button', { name: 'Save' }).click();
  await page.waitForSelector('dialog', { state: 'detached' });
  const [blend, filter, kirimbi, sereno, subscription] = await Promise.all([find('coffees', 'House blend'), find('styles', 'Filter'), find('coffees', 'Kirimbi'), find('coffees', 'Vale Sereno'), find('subscriptions', 'Monthly three')]);
  await api.make('products', { name: 'House filter 250', parts: [{ coffee: kirimbi, share: 0.6 }, { coffee: sereno, share: 0.4 }], style: filter, bag_g: 250 });
  const [first] = (await api.read('/api/dispatches')).items;
  await api.make('dispatches', { subscription, ship_day: addDays(first.ship_day, 7), coffees: [{ coffee: blend }] });
  await page.goto(`${service.url}/subscriptions`);
  await page.locator('[data-key^="try-"]').nth(1).click();
  await page.waitForSelector('#trial .says.covered');
  assert.match((await page.textContent('#trial')) ?? '', /House blend/);
  assert.match((await page.textContent('#trial')) ?? '', /VS-3/);
  await shot(page, 'subscriptions-blend');
  assert.deepEqual(errors, []);
  await context.close();
});

test('a standing order is added and written down', async () => {
  const api = apiOf(service.url);
  const { page, context, errors } = await openPage(browser, { viewport: { width: 768, height: 900 } });
  await page.goto(`${service.url}/subscriptions`);
  await page.click('[data-key="add-standing"]');
  const dialog = page.locator('dialog');
  await dialog.getByLabel('Number').fill('W7');
  await dialog.getByLabel('Customer').fill('Quay Café');
  await dialog.getByLabel('It leaves').selectOption('weeks');
  const { today } = await api.read('/api/me');
  await dialog.getByLabel('Counted from').fill(addDays(today, 9));
  await dialog.getByLabel('Product').selectOption({ index: 1 });
  await dialog.getByLabel('Bags', { exact: true }).fill('12');
  await dialog.getByRole('button', { name: 'Save' }).click();
  await page.waitForSelector('#standing >> text=W7 Quay Café');
  await page.click('[data-key="call-up"]');
  await page.locator('dialog').getByRole('button', { name: 'Write the next orders down' }).click();
  await page.waitForSelector('dialog', { state: 'detached' });
  const numbers = (await api.read('/api/orders')).items.map((/** @type {any} */ order) => order.number);
  assert.ok(numbers.includes(`W7 ${addDays(today, 9)}`), numbers.join());
  assert.ok(numbers.includes(`W7 ${addDays(today, 23)}`), numbers.join());
  await shot(page, 'subscriptions-standing');
  assert.deepEqual(errors, []);
  await context.close();
});
