/** Coming in: by password, by PIN on a paired tablet, with the authority of the house; and being cut off. */
import assert from 'node:assert/strict';
import { createHash } from 'node:crypto';
import { after, before, test } from 'node:test';
import { apiOf, openPage, PASSWORD, shot, startBrowser, startService } from './support.mjs';
import { axe } from './axe.mjs';

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

test('whoever is not signed in is asked to, and comes back to where they were going', async () => {
  const { page, context } = await openPage(browser, { nobody: true });
  await page.goto(`${service.url}/trace?code=ab12`);
  await page.waitForURL((url) => url.pathname === '/sign-in' && url.searchParams.get('then') === '/trace?code=ab12');
  await shot(page, 'sign-in');
  await page.fill('input[name="name"]', 'Owner');
  await page.fill('input[name="password"]', 'not the password');
  const typeOf = () => page.getAttribute('input[name="password"]', 'type');
  assert.equal(await typeOf(), 'password', 'nobody reads over a shoulder');
  await page.click('text=Show');
  assert.equal(await typeOf(), 'text', 'whoever types may look');
  await page.click('text=Hide');
  assert.equal(await typeOf(), 'password');
  await page.click('button[type="submit"]');
  await page.waitForFunction(() => document.querySelector('#said')?.textContent);
  await page.fill('input[name="password"]', PASSWORD);
  await page.click('button[type="submit"]');
  await page.waitForURL('**/trace?code=ab12');
  await page.click('.sign-out');
  await page.waitForURL('**/sign-in');
  await context.close();
});

for (const colorScheme of /** @type {const} */ (['light', 'dark'])) {
  test(`axe finds nothing on the ways in, in ${colorScheme}`, async () => {
    for (const path of ['sign-in', 'sign-in#pair', 'sign-in#invitation=0', 'trust']) {
      const { page, context } = await openPage(browser, { nobody: true, colorScheme, bypassCSP: true, viewport: { width: 360, height: 740 } });
      await page.goto(`${service.url}/${path}`);
      await page.waitForFunction(() => document.querySelector('#title')?.textContent && document.querySelector('section')?.children.length);
      await axe(page, path);
      assert.equal(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth), 0, `${path} scrolls sideways`);
      await shot(page, `${path.replace(/\W+/g, '-')}-${colorScheme}`);
      await context.close();
    }
  });
}

test('a tablet is paired by a code, an operator signs in with a PIN, and one tap cuts it off', async () => {
  const api = apiOf(service.url);
  const operator = await api.make('people', { name: 'Ines', role: 'operator' });
  const owner = await openPage(browser, { viewport: { width: 1280, height: 900 } });
  await owner.page.goto(`${service.url}/people`);
  await owner.page.click(`[data-key="pin-${operator}"]`);
  await owner.page.fill('dialog input', '2580');
  await owner.page.click('dialog button[type="submit"]');
  await owner.page.waitForSelector('#people >> text=has a PIN');
  await owner.page.click('[data-key="add-tablets"]');
  await owner.page.fill('dialog input', 'By the drum');
  await owner.page.click('dialog button[type="submit"]');
  const code = await owner.page.locator('#tablets output').textContent();
  await shot(owner.page, 'people');

  const tablet = await openPage(browser, { nobody: true, viewport: { width: 1024, height: 768 } });
  await tablet.page.goto(`${service.url}/sign-in#pair`);
  await tablet.page.fill('input[name="code"]', String(code).toLowerCase());
  await tablet.page.click('button[type="submit"]');
  await tablet.page.click('text=Ines');
  await tablet.page.fill('input[name="pin"]', '2580');
  await shot(tablet.page, 'pin');
  await tablet.page.click('button[type="submit"]');
  await tablet.page.waitForURL('**/floor');
  await tablet.page.waitForSelector('.sign-out');
  assert.equal(await tablet.page.evaluate(async () => (await fetch('/api/access')).status), 403, 'a PIN is no key to the people');

  await owner.page.click('#tablets [data-key^="cut-"]');
  await owner.page.waitForSelector('#tablets >> text=/cut off/');
  assert.equal(await tablet.page.evaluate(async () => (await fetch('/api/me')).status), 403);
  await owner.context.close();
  await tablet.context.close();
});

test('whoever comes by plain HTTP installs the authority; then the first owner comes in, and the worker that a tablet needs', async () => {
  const fresh = await startService({ owner: false });
  const { host } = new URL(fresh.url);
  try {
    const { page, context, errors } = await openPage(browser, { nobody: true });
    await page.goto(`http://${host}/floor`);
    await page.waitForURL('**/trust');
    const fingerprint = await page.locator('.fingerprint').textContent();
    assert.equal(fingerprint, createHash('sha256').update(fresh.authority).digest('hex').toUpperCase().replace(/(..)(?=.)/g, '$1:'));
    assert.ok(fresh.said().includes(String(fingerprint)), 'the terminal shows the same');
    await shot(page, 'trust');
    assert.equal((await apiOf(fresh.url).read('/api/entrance')).set_up, false, 'whoever trusts this authority alone is answered');

    const link = /https:\/\/\S+#invitation=\w+/.exec(fresh.said())?.[0] ?? '';
    await page.goto(link);
    await page.fill('input[name="name"]', 'Marta');
    await page.fill('input[name="password"]', PASSWORD);
    await page.click('button[type="submit"]');
    await page.waitForURL('**/floor');
    await page.waitForSelector('.sign-out');
    assert.equal(await page.evaluate(() => isSecureContext && 'wakeLock' in navigator), true);
    await page.evaluate(() => navigator.serviceWorker.ready.then(() => undefined));
    const cookies = await context.cookies();
    assert.deepEqual(cookies.map((each) => [each.name, each.secure, each.httpOnly, each.sameSite]).sort(), [
      ['__Host-outturn-device', true, true, 'Strict'], ['__Host-outturn-session', true, true, 'Strict']]);
    // Over plain HTTP the browser says that it does not heed one of the headers: that page is for installing the authority alone.
    assert.deepEqual(errors.filter((each) => !each.includes(`http://${host}/trust`)), []);
    await context.close();
  } finally {
    await fresh.stop();
  }
});
