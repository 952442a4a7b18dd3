/** One whole batch on the floor page, on a desk, a tablet and a phone, by fingers and by keyboard, with and without a network. */
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { asked, intoDrum, keeps, weighIn, weighOut } from './hands.mjs';
import { apiOf, changed, openPage, releaseWeek, roastery, shot, startBrowser, startService, until } from './support.mjs';

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
  const { filterBag, shipDay } = made;
  await api.make('orders', { number: 'W-202', customer: 'Mill Street', ship_day: shipDay, transit_days: 1, priority: 1, lines: [{ line: 1, product: filterBag, bags: 400 }] });
  await releaseWeek(api);
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** @param {import('playwright-core').Page} page @param {string} digits */
async function tap(page, digits) {
  for (const digit of digits) await page.click(`[data-digit="${digit}"]`);
}

/** @param {string} state */
const batches = async (state) => (await api.read(`/api/batches?state=${state}`)).items;

for (const [name, width, height] of /** @type {[string, number, number][]} */ ([['desk', 1280, 800], ['tablet', 1024, 768], ['tablet-upright', 768, 1024], ['phone', 390, 844]])) {
  test(`a whole batch by fingers at ${width} x ${height}`, async () => {
    const { page, context, errors } = await openPage(browser, { viewport: { width, height }, hasTouch: true });
    await page.goto(`${service.url}/floor`);
    await page.waitForSelector('#weigh-in');
    await shot(page, `floor-${name}-next`);
    const charge = await asked(page);

    await page.click('#weigh-in');
    assert.equal(await page.inputValue('#gross'), '', 'a weight is never filled in beforehand');
    const save = await page.locator('.key.go').boundingBox();
    assert.ok(save && save.y + save.height <= height, 'the pad fits the screen');
    for (const key of await page.locator('digit-pad .key').all()) {
      const box = await key.boundingBox();
      assert.ok(box && box.width >= 64 && box.height >= 64, 'keys are at least 64 px');
    }
    await page.click('.crate:has-text("blue crate")');
    await tap(page, (charge + 1.24).toFixed(2));
    assert.match((await page.textContent('.lcd-net')) ?? '', new RegExp(`Coffee alone: ${charge.toFixed(2)} kg`));
    await shot(page, `floor-${name}-weigh-in`);
    await page.click('.key.go');
    await page.waitForSelector('.answer');
    const [batch] = await batches('open');
    assert.equal(batch.state, 'weighed_in');
    assert.equal(batch.weighed_in_g, charge * 1000);

    await page.click('.answer >> text=Into the drum');
    await page.waitForSelector('#drums .drum');
    assert.equal((await batches('open'))[0].state, 'in_drum');

    const out = (charge * 0.86).toFixed(2);
    await page.click('#drums .button.main');
    await tap(page, out);
    await page.click('.key.go');
    await page.waitForSelector('.answer .verdict');
    const words = (await page.textContent('.answer .verdict')) ?? '';
    const loss = ((1 - Number(out) / charge) * 100).toFixed(1);
    assert.ok(words.includes(loss), `the answer says the loss of ${loss} %: ${words}`);
    assert.equal(await page.locator('.answer range-picture svg[role="img"]').count(), 1);
    await shot(page, `floor-${name}-verdict`);

    await page.click('.answer >> text=Undo');
    await page.waitForSelector('#drums .drum');
    assert.equal((await batches('open'))[0].state, 'in_drum');
    await page.click('#drums .button.main');
    await tap(page, out);
    await page.click('.key.go');
    await page.waitForSelector('.answer .verdict');
    assert.equal((await batches('open')).length, 0);
    assert.deepEqual(errors, []);
    await context.close();
  });
}

test('a keyboard alone, digits filled to the division of the scale, and an odd weight asked about', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 768 } });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('#weigh-in');
  const charge = await asked(page);
  await page.focus('#weigh-in');
  await page.keyboard.press('Enter');
  await page.keyboard.type(charge.toFixed(1));
  await page.keyboard.press('Enter');
  await page.waitForSelector('.pad-says >> text=shows more digits');
  await page.click(`.pad-says >> text=It is ${charge.toFixed(2)} kg`);
  await page.waitForSelector('.answer');
  await page.click('.answer >> text=Into the drum');
  await page.waitForSelector('#drums .drum');
  await page.click('#drums .button.main');
  await page.keyboard.type((charge * 0.7).toFixed(2));
  await page.keyboard.press('Enter');
  await page.waitForSelector('.odd-choices');
  await shot(page, 'floor-odd');
  await page.click('.odd-choices >> text=Read the scale again');
  assert.equal(await page.inputValue('#gross'), (charge * 0.7).toFixed(2), 'what was typed is kept');
  await page.keyboard.press('Enter');
  await page.click('[data-key="keep"]');
  await page.waitForSelector('.answer .verdict.more, .answer .verdict.impossible');
  const [held] = await batches('held');
  assert.ok(held.hold, 'an odd batch is on hold');
  assert.deepEqual(errors, []);
  await context.close();
});

/** The readings of the last posting of a kind, as they were typed. @param {string} kind @param {string} lot */
async function lastReadings(kind, lot) {
  const all = (await api.read(`/api/postings?lot=${lot}&limit=500`)).items.filter((/** @type {any} */ each) => each.kind === kind);
  const { weighings } = await api.read(`/api/postings/${all.at(-1).id}`);
  return weighings[0].readings.map((/** @type {any} */ { gross, container }) => ({ gross, container }));
}

test('a crate left on the scale is known for what it is, at the weigh-in and at the weigh-out', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 768 } });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('#weigh-in');
  const charge = await asked(page);
  const out = (charge * (await keeps(page))).toFixed(2);
  await page.click('#weigh-in');
  await page.keyboard.type((charge + 1.24).toFixed(2));
  await page.keyboard.press('Enter');
  await page.waitForSelector('dialog >> text=that the card asks for');
  await shot(page, 'floor-far-from-card');
  assert.match((await page.textContent('.odd-choices .explain')) ?? '', /blue crate was still on the scale/);
  assert.equal((await batches('open')).length, 0, 'nothing is booked before the answer');
  await page.click(`.odd-choices >> text=Take ${charge.toFixed(2)} kg`);
  await page.waitForSelector('.answer >> text=weighed in');
  const [open] = await batches('open');
  assert.equal(open.weighed_in_g, Math.round(charge * 1000));
  assert.deepEqual(await lastReadings('weigh_in', open.lot.id), [{ gross: (charge + 1.24).toFixed(2), container: 'blue crate' }], 'the book has what the scale showed, and the crate on it');
  await page.click('.answer >> text=Into the drum');
  await page.click('#drums .button.main');
  await page.keyboard.type((Number(out) + 0.72).toFixed(2));
  await page.keyboard.press('Enter');
  await page.waitForSelector('.odd-choices');
  assert.match((await page.textContent('.odd-choices .explain')) ?? '', /white tub was still on the scale/, 'the crate comes first');
  assert.doesNotMatch((await page.textContent('#odd-words')) ?? '', /On hold/, 'nothing is saved yet');
  await page.click(`.odd-choices >> text=Take ${out} kg`);
  await page.waitForSelector('.answer .verdict.ok');
  assert.deepEqual(await lastReadings('weigh_out', open.lot.id), [{ gross: (Number(out) + 0.72).toFixed(2), container: 'white tub' }]);
  assert.deepEqual(errors, []);
  await context.close();
});

test('weights without a network are kept, judged on the tablet, and sent once, after the browser and the service were gone', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('#weigh-in');
  const charge = await asked(page);
  const out = charge * (await keeps(page));
  await page.evaluate(() => navigator.serviceWorker.ready);
  await service.kill();
  await page.click('#weigh-in');
  await page.keyboard.type(charge.toFixed(2));
  await page.keyboard.press('Enter');
  await page.waitForSelector('.answer >> text=Kept on this tablet');
  await page.click('.answer >> text=Into the drum');
  await page.waitForSelector('#drums .drum');
  await page.click('#drums .button.main');
  await page.keyboard.type(out.toFixed(2));
  await page.keyboard.press('Enter');
  await page.waitForSelector('.answer .verdict');
  assert.match((await page.textContent('#state')) ?? '', /2 weights and 1 other step kept on this tablet/);
  await shot(page, 'floor-kept');
  await page.close();
  const again = await context.newPage();
  await again.goto(`${service.url}/floor`);
  await again.waitForSelector('#state >> text=2 weights and 1 other step kept on this tablet');

  await service.again();
  await until(async () => !/kept/.test((await again.textContent('#state')) ?? 'kept'), 'the kept weights to be sent');
  const today = (await api.read('/api/me')).today;
  const done = (await api.read(`/api/batches?from=${today}&to=${today}`)).items.filter((/** @type {any} */ each) => each.state === 'weighed_out');
  assert.equal(done.filter((/** @type {any} */ each) => each.weighed_in_g === charge * 1000 && each.verdict).length >= 1, true);
  assert.equal((await batches('open')).length, 0, 'in the drum and out of it again, in order');
  const verify = await api.read('/api/verify');
  assert.equal(verify.ok, true);
  await context.close();
});

test('without a network two batches are under way, the time in the drum runs, and every last step can be taken back', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 768, height: 1024 }, hasTouch: true });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('#weigh-in');
  const charge = await asked(page);
  const out = charge * (await keeps(page));
  await weighIn(page, charge.toFixed(2));
  await context.setOffline(true);
  await page.waitForSelector('#state >> text=No network');
  await intoDrum(page);
  await page.waitForSelector('#state >> text=1 step kept on this tablet');
  await page.waitForFunction(() => /^0:0[2-9]$/.test(document.querySelector('#drums .timer')?.textContent ?? ''));
  assert.equal(await page.textContent('#drums .cycle'), 'of 15 min');
  const green = (await page.textContent('#fetch .fetch li > b')) ?? '';
  await weighIn(page, (await asked(page)).toFixed(2));
  assert.notEqual(await page.textContent('#fetch .fetch li > b'), green, 'less green is left to fetch');
  assert.deepEqual([await page.locator('#drums .drum').count(), await page.locator('#line .waiting').count()], [1, 1]);
  await weighOut(page, out.toFixed(2));
  await page.waitForSelector('#done li >> text=kept on this tablet');
  await shot(page, 'floor-two-kept');

  /** @param {string} of */
  const takeBack = async (of) => {
    await page.click(`${of} >> .more summary`);
    await page.click(`${of} >> .more >> text=Undo the last step`);
  };
  await takeBack('#done li:has-text("kept on this tablet")');
  await page.waitForSelector('#drums .drum');
  await takeBack('#drums .drum');
  await page.waitForFunction(() => document.querySelectorAll('#line .waiting').length === 2);
  await takeBack('#line .waiting >> nth=1');
  await page.waitForFunction(() => document.querySelectorAll('#line .waiting').length === 1);

  await context.setOffline(false);
  await until(async () => !/kept|network/.test((await page.textContent('#state')) ?? 'kept'), 'all to be sent');
  assert.match((await page.textContent('#state')) ?? '', /·/, (await page.textContent('#settle')) ?? '');
  assert.equal((await api.read('/api/unsettled')).items.length, 0, 'nothing of it had to be settled');
  assert.deepEqual((await batches('open')).map((/** @type {any} */ each) => [each.state, each.weighed_in_g]), [['weighed_in', charge * 1000]]);
  await takeBack('#line .waiting');
  await page.waitForSelector('#line', { state: 'hidden' });
  assert.equal((await batches('open')).length, 0);
  await context.close();
});

test('the next batch does not go into the drum at the service before the weigh-out that is still on its way', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('#weigh-in');
  const out = ((await asked(page)) * (await keeps(page))).toFixed(2);
  await weighIn(page, (await asked(page)).toFixed(2));
  await intoDrum(page);
  await context.setOffline(true);
  await weighOut(page, out);
  let go = () => {};
  const held = new Promise((resolve) => {
    go = () => resolve(undefined);
  });
  await page.route('**/api/weigh-outs/**', async (route) => {
    await held;
    await route.continue();
  });
  await context.setOffline(false);
  await page.waitForFunction(() => /^1 weight kept(?!.*No network)/.test(document.querySelector('#state')?.textContent ?? ''));
  const nextOut = ((await asked(page)) * (await keeps(page))).toFixed(2);
  await weighIn(page, (await asked(page)).toFixed(2));
  await intoDrum(page);
  assert.equal(await page.locator('dialog').count(), 0, 'the drum is empty, whatever the service has heard yet');
  go();
  await until(async () => !/kept/.test((await page.textContent('#state')) ?? 'kept'), 'the kept weight to be sent');
  // What is no weight follows it.
  await until(async () => (await batches('open'))[0]?.state === 'in_drum', 'the start to be sent');
  await weighOut(page, nextOut);
  await until(async () => (await batches('open')).length === 0, 'the drum to be empty');
  await page.unrouteAll({ behavior: 'ignoreErrors' });
  await context.close();
});

test('a scale that types is read wherever the focus is, its unit and its mark of rest understood', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 768 } });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('#weigh-in');
  const charge = await asked(page);
  await page.click('#weigh-in');
  await page.focus('.back-key');
  await page.keyboard.type('US,+0010.46kg');
  await page.keyboard.press('Enter');
  await page.waitForSelector('.pad-says >> text=had not come to rest');
  await page.fill('#gross', '');
  await page.focus('.back-key');
  await page.keyboard.type(`ST,GS,+${charge.toFixed(2).padStart(7, '0')}kg`);
  await page.keyboard.press('Enter');
  await page.waitForSelector('.answer >> text=weighed in');
  const [batch] = await batches('open');
  assert.equal(batch.weighed_in_g, Math.round(charge * 1000));
  const [posting] = (await api.read('/api/postings?limit=500')).items.filter((/** @type {any} */ each) => each.id === batch.undo);
  assert.equal((await api.read(`/api/postings/${posting.id}`)).weighings[0].source, 'scale');
  await page.click('.answer >> text=Undo');
  await page.waitForSelector('text=Undone.');
  assert.deepEqual(errors, []);
  await context.close();
});

test('the coffee alone is shown to the gram, however coarse the scale', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1024, height: 768 } });
  await page.goto(`${service.url}/floor`);
  await page.click('#weigh-in');
  await page.click('.crate:has-text("blue crate")');
  await page.keyboard.type('13.25');
  assert.equal(await page.textContent('.lcd-net'), 'Coffee alone: 12.01 kg');
  await page.keyboard.type('5');
  assert.equal(await page.textContent('.lcd-net'), 'Coffee alone: 12.015 kg');
  await context.close();
});

test('times are those of the roastery, without a network, too', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 800 }, timezoneId: 'Asia/Tokyo' });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('.done .when');
  const times = () => page.locator('.done .when').allTextContents();
  const before = await times();
  await page.waitForFunction(() => navigator.serviceWorker.controller !== null);
  await context.setOffline(true);
  await page.reload();
  await page.waitForSelector('.done .when');
  assert.deepEqual(await times(), before);
  await context.close();
});

test('a long lot name leaves the weighing screen of a phone as wide as the phone', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 390, height: 844 }, isMobile: true, hasTouch: true });
  await changed(page, '/api/cards*', ({ items }) => {
    for (const card of items) card.lot.name = 'Vale Sereno Honey Reserve 3';
  });
  await page.goto(`${service.url}/floor`);
  await page.click('#weigh-in');
  for (const width of [390, 360]) {
    await page.setViewportSize({ width, height: 844 });
    await shot(page, `floor-weighing-${width}`);
    const beyond = await page.evaluate((most) => [...document.querySelectorAll('main *')].filter((each) => each.getBoundingClientRect().right > most + 0.5).map((each) => each.className || each.tagName), width);
    assert.deepEqual(beyond, [], `beyond ${width} px`);
  }
  await context.close();
});

test('without a network, too, an odd weight is explained before it is saved, and one tap takes the right one', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('#weigh-in');
  await context.setOffline(true);
  const charge = await asked(page);
  const out = (charge * (await keeps(page))).toFixed(2);
  await page.click('#weigh-in');
  await page.keyboard.type(charge.toFixed(2));
  await page.keyboard.press('Enter');
  await page.click('.answer >> text=Into the drum');
  await page.click('#drums .button.main');
  await page.keyboard.type((Number(out) - 1).toFixed(2));
  await page.keyboard.press('Enter');
  await page.waitForSelector('.odd-choices >> text=A whole kilogram off');
  await shot(page, 'floor-odd-offline');
  await page.click(`.odd-choices >> text=Take ${out} kg`);
  await page.waitForSelector('.answer .verdict.ok');
  await context.setOffline(false);
  await until(async () => (await batches('weighed_out')).some((/** @type {any} */ each) => each.weighed_out_g === Math.round(Number(out) * 1000)), 'the weight to be sent');
  await context.close();
});

test('a batch held since another day bears its day; lots that cannot be had yet are marked', async () => {
  const before = new Date(Date.now() - 26 * 3600000).toISOString();
  const weight = (/** @type {string} */ scale, /** @type {string} */ gross) => ({ basis: 'weighed', scale, source: 'typed', readings: [{ gross, container: null }] });
  const { batch } = await api.command('weigh-ins', { happened_at: before, batch: crypto.randomUUID(), lot: made.lots[0], style: made.filter, roaster: made.roaster, storeroom: made.store, weight: weight(made.greenScale, '12.00') });
  await api.command('weigh-outs', { happened_at: before, batches: [batch.id], weight: weight(made.roastedScale, '8.00') });
  const delivery = await api.make('deliveries', { supplier: 'Casa Alta', reference: 'CA-1', expected_day: made.shipDay });
  await api.make('lots', { name: 'CA-AA', delivery, coffee: made.kirimbi, grade: 'AA', storeroom: made.store, expected_g: 60000, packing: { kind: 'liner', sacks: 1, sack_g: 60000, loose_g: 0 }, moisture: [], claims: [], use_rank: 1 });
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('.done .when >> text=/^\\d+ \\w+, \\d\\d:\\d\\d$/');
  await page.click('#weigh-in');
  await page.waitForSelector('pad-entry');
  const lots = await page.locator('.weigh-tools option').allTextContents();
  assert.ok(lots.some((each) => /^CA-AA · .* · Expected$/.test(each)), lots.join('; '));
  assert.deepEqual(errors, []);
  await context.close();
});

test('a tablet whose clock is wrong is told; a service whose clock was set is followed instead', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.clock.install({ time: Date.now() + 10 * 60000 });
  await page.goto(`${service.url}/floor`);
  await page.waitForSelector('#state >> text=The clock of this tablet is 10 minutes fast.');
  await changed(page, '/api/me', (me) => ({ ...me, clock_set: true }));
  await page.reload();
  await page.waitForSelector('#weigh-in');
  await page.waitForSelector('#state >> text=Harbour Lane');
  assert.doesNotMatch((await page.textContent('#state')) ?? '', /clock/);
  await page.unrouteAll({ behavior: 'ignoreErrors' });
  await context.close();
});
