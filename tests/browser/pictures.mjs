/**
 * Makes the pictures of README.md again, from the demo as a visitor sees it: `node pictures.mjs` beside a release build.
 * Small files: as few colours as the picture bears, so that the history of the repository does not grow with each making.
 */
import { spawn } from 'node:child_process';
import { mkdirSync, readdirSync, statSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { smallPng } from './png.mjs';
import { freePort, openPage, startBrowser, until } from './support.mjs';

const here = dirname(fileURLToPath(import.meta.url));
const BINARY = process.env.OUTTURN_BIN ?? join(here, '../../target/release/outturn');
const FOLDER = join(here, '../../demo/pictures');
/** No picture may be larger. */
const MOST_BYTES = 120_000;

/** @typedef {import('playwright-core').Page} Page */

/** What is shown: name, address, size, and what is done before. @type {{name: string, path: (api: any) => Promise<string>, width: number, height: number, before?: (page: Page) => Promise<unknown>}[]} */
const PICTURES = [
  { name: 'floor', path: async () => '/floor', width: 1280, height: 800 },
  { name: 'floor-phone', path: async () => '/floor', width: 390, height: 844 },
  { name: 'weigh-in', path: async () => '/floor', width: 1280, height: 800, before: weighIn },
  { name: 'week', path: async () => '/week', width: 1440, height: 1000, before: (page) => page.waitForSelector('.block') },
  { name: 'green', path: async (read) => `/green#${(await scarce(read)).id}`, width: 1280, height: 1100, before: showLot },
  { name: 'loss', path: async (read) => `/loss#${(await scarce(read)).id}`, width: 1280, height: 1000, before: showLot },
  { name: 'statement', path: async (read) => `/audit?lot=${(await scarce(read)).id}&from=2026-09-01&to=2026-09-14`, width: 1280, height: 1000, before: (page) => page.waitForSelector('.statement') },
];

/** The lot in store that runs out first. @param {(path: string) => Promise<any>} read */
async function scarce(read) {
  const { lots } = await read('/api/stock');
  return lots.filter((/** @type {any} */ lot) => lot.lasts && lot.store_g > 20000).sort((/** @type {any} */ a, /** @type {any} */ b) => a.lasts.day.localeCompare(b.lasts.day))[0] ?? lots[0];
}

/** @param {Page} page */
async function showLot(page) {
  await page.waitForSelector('#one .picture');
  await page.waitForTimeout(500);
  await page.locator('#one').scrollIntoViewIfNeeded();
  await page.evaluate(() => document.getElementById('one')?.scrollIntoView());
}

/** @param {Page} page */
async function weighIn(page) {
  await page.waitForSelector('#weigh-in');
  await page.click('#weigh-in');
  await page.waitForSelector('pad-entry');
  await page.keyboard.type('12.02');
}

const port = await freePort();
const url = `http://127.0.0.1:${port}`;
const demo = spawn(BINARY, ['demo', '--listen', `127.0.0.1:${port}`], { stdio: ['ignore', 'ignore', 'inherit'] });
try {
  await until(async () => (await fetch(`${url}/readyz`).catch(() => null))?.ok === true, 'the demo to be served');
  const browser = await startBrowser();
  mkdirSync(FOLDER, { recursive: true });
  /** @param {string} path */
  const read = async (path) => (await fetch(url + path)).json();
  for (const { name, path, width, height, before } of PICTURES) {
    const { page, context } = await openPage(browser, { viewport: { width, height }, reducedMotion: 'reduce' });
    await page.goto(url + (await path(read)));
    await page.waitForFunction(() => (document.querySelector('main')?.textContent?.length ?? 0) > 60);
    await before?.(page);
    await page.waitForTimeout(400);
    writeFileSync(join(FOLDER, `${name}.png`), smallPng(await page.screenshot()));
    await context.close();
  }
  await browser.close();
} finally {
  demo.kill();
}
for (const file of readdirSync(FOLDER)) {
  const { size } = statSync(join(FOLDER, file));
  console.log(`${file}: ${size} bytes`);
  if (size > MOST_BYTES) process.exitCode = 1;
}
