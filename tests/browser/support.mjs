/** The real service over https by a name of the house, with a fresh book and a small roastery in it, and a browser to look at it. */
import { execFileSync, spawn } from 'node:child_process';
import { mkdtempSync, mkdirSync, rmSync } from 'node:fs';
import { request } from 'node:https';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { chromium } from 'playwright-core';
import { uuid7 } from '../../static/js/api.js';

const here = dirname(fileURLToPath(import.meta.url));
const BINARY = process.env.OUTTURN_BIN ?? join(here, '../../target/debug/outturn');
const CHROMIUM = process.env.CHROMIUM_BIN ?? '/usr/bin/chromium';
/** The name of the house by which services are reached. */
export const NAME = 'roastery.lan';
/** The name by which another site of the same book is reached: what a browser keeps is kept by name. */
const OTHER_NAME = 'coast.lan';
/** A browser that knows the name of the house. It has no authority installed, so it takes any; `send` checks the certificate instead. */
const FLAGS = ['--headless', '--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync', `--host-resolver-rules=MAP ${NAME} 127.0.0.1, MAP ${OTHER_NAME} 127.0.0.1`, '--ignore-certificate-errors'];

/** Where pictures of the pages are put for people to look at. */
export const SHOTS = join(here, 'shots');
/** The widths that every page must fit. */
export const WIDTHS = [360, 768, 1024, 1440];
export const PAGES = ['floor', 'week', 'green', 'loss', 'shipping', 'subscriptions', 'packing', 'packing-list', 'label', 'cupping', 'cost', 'audit', 'count', 'findings', 'periods', 'posting', 'value', 'sites', 'trace', 'setup', 'people'];
export const ZONE = 'Europe/Lisbon';

/** @returns {Promise<number>} */
export function freePort() {
  return new Promise((resolve, reject) => {
    const probe = createServer();
    probe.on('error', reject);
    probe.listen(0, '127.0.0.1', () => {
      const address = probe.address();
      probe.close(() => (address && typeof address === 'object' ? resolve(address.port) : reject(new Error('no port'))));
    });
  });
}

/** The password of the first owner. */
export const PASSWORD = 'four words in a row';
/** What the owner's browser keeps, by the address of the service. @type {Map<string, {name: string, value: string}[]>} */
const OWNERS = new Map();

/** The authorities of the services, PEM by address. @type {Map<string, string>} */
const AUTHORITIES = new Map();

/**
 * What `fetch` does, for a service whose certificate is made by its own authority: that is trusted, the certificate is checked.
 * @param {string} url @param {{method: string, headers: Record<string, string>, body?: string}} what
 * @returns {Promise<{status: number, text: string, cookies: string[]}>}
 */
function send(url, { method, headers, body }) {
  const { origin, hostname, port, pathname, search } = new URL(url);
  return new Promise((resolve, reject) => {
    const asking = request({ host: '127.0.0.1', port, servername: hostname, ca: AUTHORITIES.get(origin), method, path: pathname + search, headers: { ...headers, host: `${hostname}:${port}` } }, (answer) => {
      let text = '';
      answer.setEncoding('utf8').on('data', (part) => {
        text += part;
      }).on('end', () => resolve({ status: answer.statusCode ?? 0, text, cookies: answer.headers['set-cookie'] ?? [] })).on('error', reject);
    });
    asking.on('error', reject);
    asking.end(body);
  });
}

/** The certificate of its own authority, as a device of the house gets it to install. @param {number} port */
async function authorityOf(port) {
  const authority = Buffer.from(await (await fetch(`http://127.0.0.1:${port}/authority.crt`)).arrayBuffer());
  return { authority, ca: `-----BEGIN CERTIFICATE-----\n${authority.toString('base64').replace(/(.{64})/g, '$1\n')}\n-----END CERTIFICATE-----\n` };
}

/** The first owner chooses a password by the link on the terminal, as a page does. @param {string} url @param {string} code */
async function choosePassword(url, code) {
  const { status, text, cookies } = await send(`${url}/api/passwords`, { method: 'POST', headers: { 'content-type': 'application/json', origin: url }, body: JSON.stringify({ code, password: PASSWORD }) });
  if (status >= 400) throw new Error(`the owner's password: ${status} ${text}`);
  OWNERS.set(url, cookies.map((line) => {
    const [name = '', value = ''] = (line.split(';')[0] ?? '').split('=');
    return { name, value };
  }));
}

/**
 * @typedef {object} Service
 * @property {string} url
 * @property {Buffer} authority the certificate that a device of the house installs
 * @property {string} folder where its book lies
 * @property {() => string} said what it has said on its terminal
 * @property {() => Promise<void>} stop ends the service and throws its book away
 * @property {() => Promise<void>} kill ends it without warning, the book stays
 * @property {() => Promise<void>} again starts it anew on the same port and book
 */

/**
 * The service with a fresh book and its first owner signed in.
 * @param {{owner?: boolean, program?: string, site?: {name: string, of: Service}}} [how] `owner` false: nobody has chosen a password yet; `site`: another site in the book of a service
 * @returns {Promise<Service>}
 */
export async function startService({ owner = true, program = BINARY, site } = {}) {
  const folder = site?.of.folder ?? mkdtempSync(join(tmpdir(), 'outturn-browser-'));
  const port = await freePort();
  const name = site ? OTHER_NAME : NAME;
  const url = `https://${name}:${port}`;
  const database = `sqlite:${join(folder, 'book.sqlite')}`;
  if (site) execFileSync(program, ['site', '--database', database, 'add', site.name, '--zone', ZONE], { stdio: 'ignore' });
  /** @type {import('node:child_process').ChildProcess} */
  let child;
  let said = '';
  const begin = async () => {
    said = '';
    child = spawn(program, ['serve', '--database', database, '--listen', `127.0.0.1:${port}`, '--zone', ZONE, '--names', name, '--keys', join(folder, name), ...(site ? ['--site', site.name] : [])], { stdio: ['ignore', 'pipe', 'inherit'] });
    child.stdout?.on('data', (/** @type {Buffer} */ data) => {
      said += data.toString();
    });
    await until(async () => {
      if (child.exitCode !== null) throw new Error(`${program} ended with ${child.exitCode}`);
      return (await fetch(`http://127.0.0.1:${port}/trust`).catch(() => null))?.ok === true;
    }, 'the service to be ready');
  };
  /** @param {NodeJS.Signals} signal */
  const end = (signal) => new Promise((resolve) => {
    if (child.exitCode !== null || child.signalCode !== null) {
      resolve(undefined);
      return;
    }
    child.once('exit', () => resolve(undefined));
    child.kill(signal);
  });
  await begin();
  const { authority, ca } = await authorityOf(port);
  AUTHORITIES.set(url, ca);
  const code = /#invitation=(\w+)/.exec(said)?.[1];
  if (code && owner) await choosePassword(url, code);
  return {
    url, authority, folder,
    said: () => said,
    again: begin,
    kill: async () => void (await end('SIGKILL')),
    stop: async () => {
      await end('SIGKILL');
      if (!site) rmSync(folder, { recursive: true, force: true });
    },
  };
}

/** Waits until something holds, or says what did not come. @param {() => Promise<boolean>} holds @param {string} what */
export async function until(holds, what) {
  const patience = Date.now() + 30000;
  while (!(await holds())) {
    if (Date.now() > patience) throw new Error(`waited in vain for ${what}`);
    await new Promise((resolve) => setTimeout(resolve, 50));
  }
}

/** The API by plain requests. @param {string} url */
export function apiOf(url) {
  /** @param {string} method @param {string} path @param {any} [body] @param {Record<string, string>} [headers] */
  const call = async (method, path, body, headers = {}) => {
    const { status, text } = await send(url + path, { method, headers: { 'content-type': 'application/json', origin: url, cookie: (OWNERS.get(url) ?? []).map(({ name, value }) => `${name}=${value}`).join('; '), ...headers }, body: body === undefined ? undefined : JSON.stringify(body) });
    if (status >= 400) throw new Error(`${method} ${path}: ${status} ${text}`);
    return text ? JSON.parse(text) : null;
  };
  return {
    /** @param {string} path */
    read: (path) => call('GET', path),
    /** @param {string} path @param {any} body */
    ask: (path, body) => call('POST', path, body),
    /** A new record; answers its id. @param {string} kind @param {any} fields @returns {Promise<string>} */
    make: async (kind, fields) => {
      const id = uuid7();
      await call('PUT', `/api/${kind}/${id}`, fields, { 'if-none-match': '*' });
      return id;
    },
    /** @param {string} kind @param {any} fields */
    command: (kind, fields) => call('PUT', `/api/${kind}/${uuid7()}`, { v: 1, happened_at: new Date().toISOString(), ...fields }, { 'if-none-match': '*' }),
    /** @param {string} kind @param {string} id @param {any} fields */
    change: async (kind, id, fields) => {
      const { revision } = await call('GET', `/api/${kind}/${id}`);
      return call('PUT', `/api/${kind}/${id}`, fields, { 'if-match': `"${revision}"` });
    },
  };
}

/** @typedef {ReturnType<typeof apiOf>} Api */

/** @param {string} day @param {number} days */
export function addDays(day, days) {
  const moved = new Date(`${day}T00:00:00Z`);
  moved.setUTCDate(moved.getUTCDate() + days);
  return moved.toISOString().slice(0, 10);
}

const OPEN = { from: '00:10', to: '23:50' };

/**
 * A small roastery: two coffees in three lots (a peaberry beside its larger sibling), two styles, one roaster, two scales with crates.
 * @param {Api} api
 */
export async function roastery(api) {
  const { today, site } = await api.read('/api/me');
  await api.change('sites', site.id, { name: 'Harbour Lane', zone: ZONE, currency: 'EUR', mass_unit: 'kg', service_level: 0.9, false_flag_rate: 0.0027, overfill_g: 2 });
  const store = await api.make('storerooms', { name: 'Back store' });
  const greenScale = await api.make('scales', { name: 'Floor scale', unit: 'kg', division_g: 20, max_g: 60000, containers: [{ name: 'blue crate', tare_g: 1240 }] });
  const roastedScale = await api.make('scales', { name: 'Bench scale', unit: 'kg', division_g: 10, max_g: 30000, containers: [{ name: 'white tub', tare_g: 720 }] });
  const filter = await api.make('styles', { name: 'Filter', nominal_loss: 0.135, rest_days: 1, fresh_days: 30, shade: 1 });
  const espresso = await api.make('styles', { name: 'Espresso', nominal_loss: 0.165, rest_days: 2, fresh_days: 40, shade: 2 });
  const roaster = await api.make('roasters', { name: 'Big drum', min_charge_g: 4000, max_charge_g: 15000, step_g: 100, cycle_min: 15, changeover_min: 5, startup_min: 20, hours: Array(7).fill(OPEN), exceptions: [], weighs: 'before_destoner', green_scale: greenScale, roasted_scale: roastedScale, charge_limits: [] });
  const kirimbi = await api.make('coffees', { name: 'Kirimbi' });
  const sereno = await api.make('coffees', { name: 'Vale Sereno' });
  const delivery = await api.make('deliveries', { supplier: 'Northgate Green', reference: 'NG-114', expected_day: today });
  const packing = { kind: 'liner', sacks: 5, sack_g: 60000, loose_g: 0 };
  /** @param {string} name @param {string} coffee @param {string} grade */
  const lot = (name, coffee, grade) => api.make('lots', { name, delivery, coffee, grade, storeroom: store, expected_g: 300000, packing, moisture: [{ day: today, fraction: 0.108 }], claims: [], use_rank: 1 });
  const lots = [await lot('K-17', kirimbi, 'AA'), await lot('K-PB', kirimbi, 'PB'), await lot('VS-3', sereno, '17/18')];
  await api.command('receipts', { delivery, lines: lots.map((each) => ({ lot: each, storeroom: store, weight: { basis: 'nominal', sacks: 5, sack_g: 60000, loose_g: 0 } })) });
  const filterBag = await api.make('products', { name: 'Kirimbi filter 250', parts: [{ coffee: kirimbi, share: 1 }], style: filter, bag_g: 250 });
  const espressoBag = await api.make('products', { name: 'Sereno espresso 1000', parts: [{ coffee: sereno, share: 1 }], style: espresso, bag_g: 1000 });
  const shipDay = addDays(today, 5);
  await api.make('ship-days', { day: shipDay, packing_day: shipDay, carrier_at: '15:00' });
  const order = await api.make('orders', { number: 'W-201', customer: 'Quay Café', ship_day: shipDay, transit_days: 1, priority: 1, lines: [{ line: 1, product: filterBag, bags: 180 }, { line: 2, product: espressoBag, bags: 30 }] });
  return { today, store, greenScale, roastedScale, filter, espresso, roaster, kirimbi, sereno, delivery, lots, filterBag, espressoBag, shipDay, order };
}

/** Plans the week and releases all of it. @param {Api} api */
export async function releaseWeek(api) {
  const plan = await api.ask('/api/plans', {});
  return api.command('releases', {
    from_day: plan.from_day, days: plan.days,
    batches: plan.batches.map((/** @type {any} */ batch) => ({ roaster: batch.roaster.id, day: batch.day, start: batch.start, lot: batch.lot.id, style: batch.style.id, charge_g: batch.charge_g, feeds: batch.feeds })),
  });
}

/** Some batches beside the cards: two as expected, one whose loss is off, one in the drum. @param {Api} api @param {Awaited<ReturnType<typeof roastery>>} made */
export async function roasts(api, { filter, roaster, lots, store, greenScale, roastedScale }) {
  const weight = (/** @type {string} */ scale, /** @type {string} */ gross) => ({ basis: 'weighed', scale, source: 'typed', readings: [{ gross, container: null }] });
  const weighIn = async (/** @type {string|undefined} */ lot) => (await api.command('weigh-ins', { batch: crypto.randomUUID(), lot, style: filter, roaster, storeroom: store, weight: weight(greenScale, '12.00') })).batch.id;
  for (const out of ['10.34', '10.30', '9.20']) await api.command('weigh-outs', { batches: [await weighIn(lots[0])], weight: weight(roastedScale, out) });
  await api.command('starts', { batch: await weighIn(lots[2]) });
}

/** What shows that the owner of a service is signed in. Services share a name and so their cookies: it is one of them. @param {string} [url] */
const ownerCookies = (url = [...OWNERS.keys()].at(-1) ?? '') => (OWNERS.get(url) ?? []).map((cookie) => ({ ...cookie, url }));

/** A browser of its own with what it kept before in `home`, as a tablet is closed and opened again; the owner is signed in. @param {string} home */
export async function openBrowser(home) {
  const tablet = await chromium.launchPersistentContext(home, { executablePath: CHROMIUM, args: FLAGS, locale: 'en-GB', viewport: { width: 1280, height: 800 } });
  await tablet.addCookies(ownerCookies());
  return tablet;
}

export const startBrowser = () => chromium.launch({ executablePath: CHROMIUM, args: FLAGS });

/**
 * A page whose errors are kept: the console's and uncaught ones. Asking for what is not there (404) by a picture is not one of them.
 * The owner is signed in, unless it is to be nobody: of the service at `at`, or of the one that was started last.
 * @param {import('playwright-core').Browser} browser @param {import('playwright-core').BrowserContextOptions & {nobody?: boolean, at?: string}} options
 */
export async function openPage(browser, { nobody = false, at, ...options }) {
  const context = await browser.newContext({ locale: 'en-GB', ...options });
  if (!nobody) await context.addCookies(ownerCookies(at));
  const page = await context.newPage();
  /** @type {string[]} */
  const errors = [];
  page.on('console', (message) => message.type() === 'error' && errors.push(`${message.text()} ${message.location().url}`));
  page.on('pageerror', (error) => errors.push(`${error.message} ${error.stack}`));
  return { context, page, errors };
}

/** Waits until a page has drawn what the service said. @param {import('playwright-core').Page} page */
export async function settled(page) {
  await page.waitForFunction(() => (document.querySelector('#state')?.textContent ?? '').includes('·'));
  await page.waitForFunction(() => (document.querySelector('main')?.textContent?.length ?? 0) > 60);
  await page.evaluate(() => new Promise((resolve) => requestAnimationFrame(() => setTimeout(resolve, 300))));
}

/**
 * Lets a page have what the service answers to its owner, changed.
 * @param {import('playwright-core').Page} page @param {string} path a pattern, as the page asks for it @param {(answer: any) => unknown} change
 */
export const changed = (page, path, change) => page.route(`**${path}`, async (route) => {
  const { origin, pathname, search } = new URL(route.request().url());
  const answer = await apiOf(origin).read(pathname + search);
  await route.fulfill({ json: change(answer) ?? answer });
});

/** Keeps a picture of the page for people to look at. @param {import('playwright-core').Page} page @param {string} name */
export async function shot(page, name) {
  mkdirSync(SHOTS, { recursive: true });
  await page.screenshot({ path: join(SHOTS, `${name}.png`), fullPage: true });
}
