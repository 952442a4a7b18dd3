/** Every page at every width, in light and dark: no error, no sideways scrolling, nothing an accessibility checker finds. */
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { after, before, test } from 'node:test';
import { apiOf, openPage, PAGES, releaseWeek, roastery, roasts, settled, shot, startBrowser, startService, WIDTHS } from './support.mjs';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
/** What a page may send in all, compressed as it travels. */
const MOST_BYTES = 150_000;

/** @type {import('./support.mjs').Service} */
let service;
/** @type {import('playwright-core').Browser} */
let browser;

before(async () => {
  [service, browser] = await Promise.all([startService(), startBrowser()]);
  const api = apiOf(service.url);
  const made = await roastery(api);
  await releaseWeek(api);
  await roasts(api, made);
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

for (const name of PAGES) {
  test(`${name} fits every width without an error`, async () => {
    for (const width of WIDTHS) {
      const { page, context, errors } = await openPage(browser, { viewport: { width, height: 900 } });
      await page.goto(`${service.url}/${name}`, { waitUntil: 'load' });
      await settled(page);
      const beyond = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      assert.equal(beyond, 0, `${name} scrolls sideways at ${width} px`);
      assert.deepEqual(await page.evaluate(overlaps), [], `parts of the head of ${name} lie over each other at ${width} px`);
      await smallTargets(page, name === 'floor' ? 64 : 44, width);
      await shot(page, `${name}-${width}`);
      assert.deepEqual(errors, []);
      await context.close();
    }
  });

  for (const colorScheme of /** @type {const} */ (['light', 'dark'])) {
    test(`${name} in ${colorScheme} has nothing that axe finds`, async () => {
      const { page, context } = await openPage(browser, { viewport: { width: 1024, height: 900 }, colorScheme, reducedMotion: 'reduce', bypassCSP: true });
      await page.goto(`${service.url}/${name}`);
      await settled(page);
      await page.evaluate(axe);
      const tags = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice', ...(name === 'floor' ? ['wcag2aaa'] : [])];
      const found = await page.evaluate(async (values) => {
        const { violations } = await /** @type {any} */ (window).axe.run(document, { runOnly: { type: 'tag', values } });
        return violations.map((/** @type {any} */ each) => `${each.id}: ${each.nodes.map((/** @type {any} */ node) => node.target.join(' ')).join('; ')}`);
      }, tags);
      if (colorScheme === 'dark') await shot(page, `${name}-dark`);
      assert.deepEqual(found, []);
      await context.close();
    });
  }

  test(`${name} sends less than ${MOST_BYTES} bytes in all`, async () => {
    const { page, context } = await openPage(browser, { viewport: { width: 1280, height: 800 } });
    const devtools = await context.newCDPSession(page);
    await devtools.send('Network.enable');
    let bytes = 0;
    devtools.on('Network.loadingFinished', (event) => {
      bytes += event.encodedDataLength;
    });
    const hosts = new Set();
    page.on('request', (request) => hosts.add(new URL(request.url()).origin));
    await page.goto(`${service.url}/${name}`);
    await settled(page);
    assert.ok(bytes > 0 && bytes < MOST_BYTES, `${name} sends ${bytes} bytes`);
    assert.deepEqual([...hosts], [service.url], 'nothing comes from elsewhere');
    await context.close();
  });
}

/** Parts of a page's head that lie over each other. Runs in the page. */
function overlaps() {
  const parts = [...document.querySelectorAll('page-frame > .brand, page-frame .opener, page-frame > .state, page-frame > .sign-out, page-frame nav a')]
    .filter((node) => node.checkVisibility()).map((node) => {
      const { left, right, top, bottom } = node.getBoundingClientRect();
      return { name: node.textContent ?? '', box: { left, right: Math.max(right, left + node.scrollWidth), top, bottom } };
    });
  return parts.flatMap((one, i) => parts.slice(i + 1).filter(({ box }) => Math.min(box.right, one.box.right) - Math.max(box.left, one.box.left) > 1 && Math.min(box.bottom, one.box.bottom) - Math.max(box.top, one.box.top) > 1)
    .map((other) => `${one.name} and ${other.name}`));
}

/** No key or field is smaller than a finger needs; links in running text are excepted (WCAG 2.2, 2.5.8). @param {import('playwright-core').Page} page @param {number} least @param {number} width */
async function smallTargets(page, least, width) {
  const small = await page.evaluate((size) => [...document.querySelectorAll('main button, main select, main summary, main input:not([type="checkbox"]):not([type="radio"]), main .tick, main a.button')]
    .filter((node) => node.checkVisibility())
    .map((node) => ({ box: node.getBoundingClientRect(), text: node.outerHTML.slice(0, 120) }))
    .filter(({ box }) => box.height > 0 && box.height < size - 0.5)
    .map(({ box, text }) => `${Math.round(box.height)} px: ${text}`), least);
  assert.deepEqual(small, [], `at ${width} px`);
}
