/** What axe finds wrong with a page (WCAG 2.2 AA): nothing. */
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';

const source = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

/** @param {import('playwright-core').Page} page @param {string} what */
export async function axe(page, what) {
  await page.evaluate(source);
  const found = await page.evaluate(async () => {
    const values = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'];
    const { violations } = await /** @type {any} */ (window).axe.run(document, { runOnly: { type: 'tag', values } });
    return violations.map((/** @type {any} */ each) => `${each.id}: ${each.nodes.map((/** @type {any} */ node) => node.html).join(' | ')}`);
  });
  assert.deepEqual(found, [], what);
}
