/**
 * When a page shows something first and its largest part, in milliseconds, and what it sends in all: `node paint.mjs` beside a release build makes the
 * table of README.md. Each visit is in a new window that knows nothing yet, over https, at a small roastery's book. Several programs are
 * measured in turn, so that a busy moment meets all of them: `node paint.mjs OLD NEW`.
 */
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { apiOf, openPage, releaseWeek, roastery, roasts, settled, startBrowser, startService } from './support.mjs';

const RELEASE = join(dirname(fileURLToPath(import.meta.url)), '../../target/release/outturn');
const TIMES = 7;
/** The pages of the table; `trust` asks the service for nothing, so it tells what the machine itself takes. */
const SHOWN = ['trust', 'floor', 'week', 'green', 'loss', 'shipping', 'subscriptions', 'packing', 'audit', 'count', 'value', 'trace', 'setup', 'people'];

/** @typedef {{kB: number, first: number, largest: number}} Visit */

/** @param {import('playwright-core').Browser} browser @param {string} url @param {string} name @returns {Promise<Visit>} */
async function visit(browser, url, name) {
  const { page, context } = await openPage(browser, { at: url, viewport: { width: 1280, height: 800 } });
  const devtools = await context.newCDPSession(page);
  await devtools.send('Network.enable');
  let bytes = 0;
  devtools.on('Network.loadingFinished', (event) => {
    bytes += event.encodedDataLength;
  });
  await page.goto(`${url}/${name}`);
  if (name !== 'trust') await settled(page);
  const first = await page.evaluate(() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN);
  const largest = await page.evaluate(() => new Promise((resolve) => new PerformanceObserver((list) => resolve(list.getEntries().at(-1)?.startTime ?? NaN)).observe({ type: 'largest-contentful-paint', buffered: true })));
  await context.close();
  return { kB: bytes / 1000, first, largest: Number(largest) };
}

/** The median and, in brackets, the least. @param {number[]} all */
function middle(all) {
  const sorted = all.toSorted((a, b) => a - b);
  return `${Math.round(sorted[Math.floor(sorted.length / 2)] ?? NaN)} (${Math.round(sorted[0] ?? NaN)})`;
}

const programs = process.argv.length > 2 ? process.argv.slice(2) : [process.env.OUTTURN_BIN ?? RELEASE];
const browser = await startBrowser();
const services = [];
try {
  for (const program of programs) {
    const service = await startService({ program });
    services.push(service);
    const api = apiOf(service.url);
    const made = await roastery(api);
    await releaseWeek(api);
    await roasts(api, made);
  }
  console.log('| page | kB | first paint | largest paint |\n| --- | --- | --- | --- |');
  for (const name of SHOWN) {
    /** @type {Visit[][]} */
    const visits = programs.map(() => []);
    for (let i = 0; i < TIMES; i += 1) {
      for (const [at, { url }] of services.entries()) visits[at]?.push(await visit(browser, url, name));
    }
    for (const [at, all] of visits.entries()) {
      console.log(`| ${name}${programs.length > 1 ? ` ${programs[at]}` : ''} | ${Math.round(all[0]?.kB ?? 0)} | ${middle(all.map((each) => each.first))} | ${middle(all.map((each) => each.largest))} |`);
    }
  }
} finally {
  await browser.close();
  for (const service of services) await service.stop();
}
