/** The heads of the pages: a browser is told at once of all modules that a page will load, and shows its name before any of them runs. */
import assert from 'node:assert/strict';
import { readdirSync, readFileSync } from 'node:fs';
import { dirname, join, posix } from 'node:path';
import { test } from 'node:test';
import { fileURLToPath } from 'node:url';
import { T } from '../../static/js/texts.js';

const ROOT = join(dirname(fileURLToPath(import.meta.url)), '../..');
/** @param {string} path as its address has it: `/static/...` */
const textOf = (path) => readFileSync(join(ROOT, path), 'utf8');

/** The modules that one loads, directly and indirectly, the nearest first. @param {string} script */
function loadedBy(script) {
  const found = new Set([script]);
  for (const path of found) {
    for (const [, from = ''] of textOf(path).matchAll(/^import (?:.* from )?'(\..*)';$/gm)) found.add(posix.join(posix.dirname(path), from));
  }
  return [...found].slice(1);
}

for (const file of readdirSync(join(ROOT, 'static')).filter((name) => name.endsWith('.html'))) {
  const html = textOf(`/static/${file}`);
  test(`${file} names the modules it loads`, () => {
    const script = /<script type="module" src="([^"]+)">/.exec(html)?.[1] ?? '';
    assert.deepEqual([...html.matchAll(/<link rel="modulepreload" href="([^"]+)">/g)].map(([, path]) => path), loadedBy(script));
  });

  const page = /** @type {keyof typeof T.pages|undefined} */ (/<page-frame page="([^"]+)">/.exec(html)?.[1]);
  if (page) {
    test(`${file} bears its name from the beginning`, () => {
      assert.match(html, new RegExp(`<title>${T.pages[page]} · Outturn</title>`));
      const heading = /<h1[^>]*>([^<]*)<\/h1>/.exec(html);
      assert.ok(heading?.[1]);
      if (heading[0].includes('data-page-name')) assert.equal(heading[1], T.pages[page]);
      if (page === 'floor') assert.equal(heading[1], T.floor.next);
    });
  }
}
