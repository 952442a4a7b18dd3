/** What an operator does at the floor page, as the tests do it. */

/** @typedef {import('playwright-core').Page} Page */

/** What the next card asks for, in kg. @param {Page} page */
export const asked = async (page) => Number((await page.textContent('#work .charge'))?.replace(/[^\d.]/g, ''));

/** What the style of the next card leaves of the green. @param {Page} page */
export const keeps = async (page) => ((await page.textContent('#work .paper .what'))?.includes('Espresso') ? 0.835 : 0.865);

/** Weighs in on the next card; the crate is not used. @param {Page} page @param {string} kilograms */
export async function weighIn(page, kilograms) {
  await page.click('#weigh-in');
  await page.keyboard.type(kilograms);
  await page.keyboard.press('Enter');
  await page.waitForSelector('.answer >> text=weighed in');
}

/** Puts what was weighed in into the drum. @param {Page} page */
export async function intoDrum(page) {
  await page.click('.answer >> text=Into the drum');
  await page.waitForSelector('#drums .drum');
}

/** Weighs out the batch that is in the drum longest. @param {Page} page @param {string} kilograms */
export async function weighOut(page, kilograms) {
  await page.click('#drums .button.main');
  await page.keyboard.type(kilograms);
  await page.keyboard.press('Enter');
  await page.waitForSelector('.answer .verdict');
  await page.click('.answer >> text=Go on');
}
