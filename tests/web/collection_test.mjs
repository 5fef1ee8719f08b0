// The report of a collection of 5,000 specimens in a real browser, opened from disk. Outside checks:
// axe-core (rules of WCAG 2.2 A and AA), Chromium's own console and network. Times are printed, never
// asserted: machines differ.
// node collection_test.mjs NODE_MODULES REPORT SCREENSHOTS CHROMIUM
import assert from 'node:assert/strict';
import { mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { after, test } from 'node:test';
import { pathToFileURL } from 'node:url';
import { launch } from './browser.mjs';

const [modules, report, shots, chromium] = process.argv.slice(2);
const require = createRequire(join(modules, 'any.js'));
const playwright = require('playwright-core');
const axe = readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');
mkdirSync(shots, { recursive: true });
const browser = await launch(playwright, chromium);
after(() => browser.close());

async function open(options = {}) {
  const context = await browser.newContext({ viewport: { width: 1400, height: 1000 }, ...options });
  context.setDefaultTimeout(120_000);
  const page = await context.newPage();
  const problems = [];
  page.on('console', (message) => { if (['error', 'warning'].includes(message.type())) problems.push(message.text()); });
  page.on('pageerror', (error) => problems.push(error.message));
  page.on('requestfailed', (request) => problems.push(`failed: ${request.url()}`));
  page.on('request', (request) => { if (!/^(data|file):/.test(request.url())) problems.push(`outside: ${request.url()}`); });
  const begun = Date.now();
  await page.goto(pathToFileURL(join(report, 'index.html')).href);
  await page.waitForFunction(() => { const image = document.querySelector('.window img'); return image && image.complete && image.naturalWidth > 0; });
  page.firstPicture = Date.now() - begun;
  page.problems = problems;
  return page;
}

const rows = (page) => page.locator('tr.row');
const status = (page) => page.locator('.said').textContent();
const firstName = (page) => rows(page).first().locator('th').innerText();

// From the input to the drawn frame, ms, in the page's own clock; the median of nine.
const timeOf = (page, action) => page.evaluate(async (source) => {
  const act = new Function('i', source);
  const times = [];
  for (let i = 0; i < 9; ++i) {
    const begun = performance.now();
    act(i);
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
    times.push(performance.now() - begun);
  }
  return times.sort((a, b) => a - b)[4];
}, action);

test('opens from disk with a picture, keeps few rows, and says how long it took', async (t) => {
  const page = await open();
  assert.equal(await status(page), '5000 of 5000 specimens');
  assert.ok(await rows(page).count() < 40);
  t.diagnostic(`first picture after ${page.firstPicture} ms`);
  t.diagnostic(`search ${(await timeOf(page, `const s = document.querySelector('input'); s.value = ['lake', 'taxon 5', 'b 0'][i % 3]; s.dispatchEvent(new Event('input'))`)).toFixed(0)} ms`);
  t.diagnostic(`filter ${(await timeOf(page, `document.querySelectorAll('button[data-kind]')[i % 4].click()`)).toFixed(0)} ms`);
  t.diagnostic(`sort ${(await timeOf(page, `document.querySelectorAll('thead button')[i % 6].click()`)).toFixed(0)} ms`);
  assert.deepEqual(page.problems, []);
  await page.screenshot({ path: join(shots, 'collection.png'), fullPage: true });
  await page.context().close();
});

test('search, filter, cause and sort show what they name, and no more', async () => {
  const page = await open();
  await page.getByLabel('Search').fill('lake dawn');
  assert.equal(await status(page), '1 of 5000 specimens');
  assert.match(await firstName(page), /B 04321/);
  await page.getByLabel('Search').fill('');
  await page.locator('button[data-kind="failed"]').click();
  assert.equal(await status(page), '100 of 5000 specimens');
  assert.match(await rows(page).first().innerText(), /has no image/);
  await page.locator('button[data-kind="failed"]').click();
  await page.locator('select').selectOption('high');
  assert.equal(await status(page), '1000 of 5000 specimens');
  await page.locator('select').selectOption('');
  // Alike but for numbers is one cause: every tenth of those finished, twice.
  const cause = page.locator('button[data-cause]').first();
  const count = Number((await cause.innerText()).split(' ')[0]);
  await cause.click();
  assert.equal(await status(page), `${count} of 5000 specimens`);
  await cause.click();
  await page.locator('th[data-order="time"] button').click();
  await page.locator('th[data-order="time"] button').click();
  assert.equal(await page.locator('th[data-order="time"]').getAttribute('aria-sort'), 'descending');
  assert.match(await rows(page).first().innerText(), /5 min/);  // 299 s, the longest
  assert.deepEqual(page.problems, []);
  await page.context().close();
});

test('scrolling reaches the last specimen, and links lead to the reports', async () => {
  const page = await open();
  await page.locator('.window').evaluate((view) => { view.scrollTop = view.scrollHeight; });
  await page.getByText('B 04999', { exact: true }).waitFor();
  assert.ok(await rows(page).count() < 40);
  const link = await page.getByText('B 04999', { exact: true }).getAttribute('href');
  assert.equal(link, '../drawer-49/B%2004999/prepared/report/index.html');
  assert.deepEqual(page.problems, []);
  await page.context().close();
});

test('has no violation of WCAG 2.2 A and AA, light, dark and narrow', async () => {
  for (const options of [{ colorScheme: 'light' }, { colorScheme: 'dark' }, { viewport: { width: 420, height: 800 } }]) {
    const page = await open(options);
    await page.evaluate(axe);
    const result = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ['violations'] }));
    assert.deepEqual(result.violations.map((v) => `${v.id}: ${v.nodes.slice(0, 3).map((n) => `${n.target} ${n.failureSummary}`).join(' | ')}`), []);
    assert.deepEqual(page.problems, []);
    if (options.colorScheme === 'dark') await page.screenshot({ path: join(shots, 'collection-dark.png') });
    await page.context().close();
  }
});
