/** What an auditor does: count on a tablet, look at findings, close a period, write bills, read statements of many lots and print them. */
import assert from 'node:assert/strict';
import { createHash } from 'node:crypto';
import { after, before, test } from 'node:test';
import { apiOf, openPage, roastery, shot, startBrowser, startService } from './support.mjs';

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
  const { filter, roaster, lots, store, greenScale, roastedScale } = made;
  for (const out of ['10.34', '10.30', '9.20']) {
    const { batch } = await api.command('weigh-ins', { batch: crypto.randomUUID(), lot: lots[0], style: filter, roaster, storeroom: store, weight: { basis: 'weighed', scale: greenScale, source: 'typed', readings: [{ gross: '12.00', container: null }] } });
    await api.command('weigh-outs', { batches: [batch.id], weight: { basis: 'weighed', scale: roastedScale, source: 'typed', readings: [{ gross: out, container: null }] } });
  }
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** Enters what was found, and says so once more where that is far from the book. @param {import('playwright-core').Page} page */
async function enter(page) {
  await page.click('dialog button[type="submit"]');
  await page.waitForFunction(() => !document.querySelector('dialog') || document.querySelector('dialog .confirm:not([hidden])'));
  if (await page.isVisible('dialog .confirm')) await page.click('dialog button[type="submit"]');
  await page.waitForSelector('dialog', { state: 'detached' });
}

test('a count on a tablet: blind, open sack first, then whole sacks, then booked', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 768, height: 1024 } });
  await page.goto(`${service.url}/count`);
  await page.click('[data-key="open"]');
  await page.check('dialog .kind-check input');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('.places > li');
  assert.match((await page.textContent('.places > li .figures')) ?? '', /Book\?/, 'blind');
  await page.click('.places > li .button');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('dialog .error:not([hidden]) >> text=0 if there are none');
  assert.equal(await page.evaluate(() => document.querySelector('dialog [aria-invalid="true"], dialog .kind-weight .error:not([hidden])') !== null), true, 'said at its field');
  await page.fill('dialog input[name="gross"]', '11.20');
  await page.fill('dialog input[name="whole"]', '1');
  await shot(page, 'count-entry');
  await enter(page);
  await page.waitForSelector('.places > li.counted');
  for (const [sacks, found] of /** @type {[string, RegExp][]} */ ([['0', /Counted0\.00\s+kg/], ['5', /Counted300\.00\s+kg/]])) {
    await page.click('.places > li:nth-child(2) .button');
    await page.fill('dialog input[name="whole"]', sacks);
    await enter(page);
    await page.waitForFunction((source) => new RegExp(source).test(document.querySelector('.places > li:nth-child(2) .figures')?.textContent ?? ''), found.source);
  }
  await shot(page, 'count-sheet');
  await page.click('[data-key="hand-in"]');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('.places .sentence');
  await shot(page, 'count-booked');
  assert.deepEqual(errors.filter((each) => !/409|422/.test(each)), []);
  await context.close();
});

test('a count that is sent back says why to who counts, and what would be booked before it is', async () => {
  const { site } = await api.read('/api/me');
  const { id, revision: _, ...fields } = site;
  await api.change('sites', id, { ...fields, second_person: true });
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
  await page.goto(`${service.url}/count`);
  await page.click('[data-key="open"]');
  await page.getByLabel('Roasted, not in bags').check();
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('.places > li');
  const names = await page.locator('.places > li').evaluateAll((all) => all.filter((each) => each.textContent?.includes('roasted')).map((each) => each.querySelector('p')?.textContent));
  assert.ok(names.length >= 3 && new Set(names).size === names.length, `batches of one run are told apart: ${names.join(' | ')}`);
  await page.locator('.places > li', { hasText: 'VS-3' }).locator('.button').click();
  await page.fill('dialog input[name="whole"]', '5');
  await page.locator('dialog input[name="gross"]').fill('1.00');
  await enter(page);
  await page.waitForSelector('.places > li.counted');
  await page.click('[data-key="hand-in"]');
  assert.match((await page.textContent('dialog .lead')) ?? '', /1 difference to the book: VS-3, Back store \+1\.00\s+kg/);
  await page.click('dialog button[type="submit"]');
  await page.click('[data-key="send-back"]');
  await page.fill('dialog input[name="reason"]', 'weigh the open sack once more');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('.notice >> text=Sent back by Owner: weigh the open sack once more');
  await shot(page, 'count-sent-back');
  await page.click('[data-key="drop"]');
  await page.fill('dialog input[name="reason"]', 'a trial');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('dialog', { state: 'detached' });
  await api.change('sites', id, fields);
  assert.deepEqual(errors.filter((each) => !/409|422/.test(each)), []);
  await context.close();
});

test('findings are looked at and closed with a reason', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1024, height: 900 } });
  await page.goto(`${service.url}/findings`);
  await page.waitForSelector('.found > li');
  const before = await page.locator('.found > li').count();
  assert.ok(before >= 2, 'the odd batch and the count');
  await shot(page, 'findings');
  // The batch that nobody reviewed is found from here, and says so once its weight is put right.
  await page.locator('.found > li', { hasText: 'Loss not reviewed' }).locator('a').click();
  await page.waitForSelector('.outside li:focus .verdict.more');
  const id = new URL(page.url()).hash.slice('#batch-'.length);
  await api.command('corrections', { batch: id, roasted_g: 10320, reason: 'a kilogram was not read' });
  await page.waitForSelector(`#batch-${id} >> text=/Loss 14\\.0.*As expected/`);
  await page.waitForSelector(`#batch-${id} >> text=A weight was put right. Pass it, and it can be packed`);
  await shot(page, 'loss-put-right');
  await page.goto(`${service.url}/findings`);
  await page.waitForSelector('.found > li');
  await page.click('[data-key^="close-"]');
  await page.fill('dialog input[name="reason"]', 'looked at it with the roaster');
  await page.click('dialog button[type="submit"]');
  await page.waitForFunction((count) => document.querySelectorAll('.found > li').length === count - 1, before);
  await page.selectOption('#closed', 'true');
  await page.waitForSelector('text=looked at it with the roaster');
  assert.deepEqual(errors, []);
  await context.close();
});

test('bills make a value; a late one is split', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/value`);
  await page.click('[data-key="add-bill"]');
  await page.selectOption('dialog select[name="delivery"]', { label: 'Northgate Green NG-114' });
  await page.selectOption('dialog select[name="kind"]', 'coffee');
  await page.fill('dialog input[name="amount"]', '4500');
  await page.fill('dialog input[name="currency"]', 'USD');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('dialog .error:not([hidden])');
  await page.fill('dialog input[name="rate"]', '0.9231');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('table.value tfoot');
  assert.match((await page.textContent('#value')) ?? '', /bookkeeper decides/);
  await shot(page, 'value-bills');
  for (const kind of ['csv', 'xlsx']) {
    const [file] = await Promise.all([page.waitForEvent('download'), page.click(`.taken a[href*="value.${kind}"]`)]);
    assert.match(file.suggestedFilename(), new RegExp(`^value-.*\\.${kind}$`));
  }
  assert.deepEqual(errors.filter((each) => !each.includes('422')), [], 'the missing rate is said, and nothing else');
  await context.close();
});

test('a statement of all green, to look at, to print and to take away', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await page.goto(`${service.url}/audit?about=all`);
  await page.waitForSelector('.statement >> text=Closing balance');
  assert.match((await page.textContent('.zero dd')) ?? '', /^0\.000\s+kg$/);
  assert.match((await page.textContent('.statement')) ?? '', /Filter · Big drum/, 'a batch is named by style and roaster');
  const shown = await page.locator('.statement tbody tr').evaluateAll((rows) => rows.map((row) => [...row.querySelectorAll('td.num')].map((cell) => (cell.textContent ?? '').replace('−', '-').replace(/[^\d.-]/g, ''))));
  let balance = Math.round(Number(shown[0]?.[0]) * 1000);
  for (const [change, after] of shown.slice(1, -1)) {
    balance += Math.round(Number(change) * 1000);
    assert.equal(balance, Math.round(Number(after) * 1000), 'the figures add up as shown');
  }
  for (const kind of ['csv', 'xlsx', 'jsonl']) {
    const [file] = await Promise.all([page.waitForEvent('download'), page.click(`.taken a[href*="statement.${kind}"]`)]);
    assert.match(file.suggestedFilename(), new RegExp(`^statement-all-.*\\.${kind}$`));
  }
  await shot(page, 'audit-all');
  // Each line leads to its posting, with the readings as they were typed.
  await page.click('.statement tbody tr a:text("Weighed in")');
  await page.waitForSelector('#posting table');
  const posting = (await page.textContent('#posting')) ?? '';
  for (const word of ['Weighed in', 'As read', '12.00 kg', 'K-17', 'Filter, Big drum', 'Booked by']) assert.ok(posting.includes(word), `${word}: ${posting}`);
  await shot(page, 'posting');
  await page.setViewportSize({ width: 390, height: 844 });
  await shot(page, 'posting-phone');
  await page.setViewportSize({ width: 1280, height: 900 });
  await page.goBack();
  await page.waitForSelector('.statement >> text=Closing balance');
  for (const format of ['A4', 'Letter']) await page.pdf({ format, path: new URL(`shots/statement-${format}.pdf`, import.meta.url).pathname });
  await page.selectOption('#about', 'storeroom');
  await page.selectOption('#storeroom', { index: 1 });
  await page.waitForSelector('.statement >> text=Closing balance');
  assert.deepEqual(errors, []);
  await context.close();
});

test('a period the wrong way round is said once; on a phone the statement says that it goes on', async () => {
  const { page, context } = await openPage(browser, { viewport: { width: 390, height: 844 } });
  await page.goto(`${service.url}/audit?about=all&from=2026-12-01&to=2026-01-01`);
  const words = (await page.textContent('#statement .error')) ?? '';
  assert.equal(words.match(/first day/g)?.length, 1, words);
  assert.doesNotMatch(words, /\/from/);
  await page.goto(`${service.url}/audit?about=all`);
  await page.waitForSelector('#statement .sideways >> visible=true');
  await shot(page, 'audit-phone');
  await context.close();
});

test('a period is closed, its statement stays, and only the last is opened again', async () => {
  const { page, context, errors } = await openPage(browser, { viewport: { width: 768, height: 900 } });
  await page.goto(`${service.url}/periods`);
  await page.click('[data-key="close"]');
  const yesterday = new Date(`${made.today}T00:00:00Z`);
  yesterday.setUTCDate(yesterday.getUTCDate() - 1);
  await page.fill('dialog input[name="to_day"]', yesterday.toISOString().slice(0, 10));
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('[data-key^="reopen-"]');
  await shot(page, 'periods');
  await page.click('[data-key^="statement-"]');
  await page.waitForSelector('.statement >> text=Closing balance');
  // Under the statement stands the seal of its closing, on paper too.
  const [seal] = (await api.read('/api/seals')).items;
  assert.equal(await page.textContent('.seal pre'), seal.note);
  const digest = createHash('sha256').update(seal.key).digest('hex');
  assert.equal(((await page.textContent('.seal')) ?? '').replace(/\s/g, '').includes(digest), true, 'the fingerprint of the key');
  await shot(page, 'statement-seal');
  await page.setViewportSize({ width: 390, height: 844 });
  await page.locator('.seal').scrollIntoViewIfNeeded();
  await shot(page, 'statement-seal-phone');
  await page.emulateMedia({ media: 'print' });
  assert.equal(await page.isVisible('.seal pre'), true);
  await page.emulateMedia({ media: 'screen' });
  await page.pdf({ format: 'A4', path: new URL('shots/statement-seal.pdf', import.meta.url).pathname });
  await page.goto(`${service.url}/audit`);
  await page.selectOption('#journal-kind', 'finding');
  await page.waitForSelector('.journal >> text=/Finding (Loss not reviewed|Count difference) · K-17.* closed/');
  await page.selectOption('#journal-kind', 'count');
  await page.waitForSelector('.journal >> text=Count as of');
  await page.waitForSelector('.journal >> text=K-17 71.20 kg');
  await shot(page, 'journal-counts');
  await page.goto(`${service.url}/periods`);
  await page.click('[data-key^="reopen-"]');
  await page.fill('dialog input[name="reason"]', 'a slip was found');
  await page.click('dialog button[type="submit"]');
  await page.waitForSelector('#closings >> text=reopened');
  assert.deepEqual(errors, []);
  await context.close();
});
