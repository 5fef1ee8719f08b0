// The page of the report in a real browser, opened from disk. Outside checks: axe-core (rules of
// WCAG 2.2 A and AA and its best practices), Chromium's own console, network and pixels.
// node page_test.mjs NODE_MODULES REPORTS SCREENSHOTS CHROMIUM
import assert from 'node:assert/strict';
import { existsSync, mkdirSync, readFileSync, readdirSync, statSync } from 'node:fs';
import { createRequire } from 'node:module';
import { cpus, loadavg } from 'node:os';
import { join } from 'node:path';
import { after, test } from 'node:test';
import { pathToFileURL } from 'node:url';
import { launch } from './browser.mjs';

const [modules, reports, shots, chromium] = process.argv.slice(2);
const require = createRequire(join(modules, 'any.js'));
const playwright = require('playwright-core');
const axe = readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');
mkdirSync(shots, { recursive: true });

const browser = await launch(playwright, chromium);
after(() => browser.close());

const FAULTY = ['low 7', 'low 11', 'low 15', 'high 4', 'high 20'];

async function open(name, options = {}, hash = '', before = null) {
  const context = await browser.newContext({ viewport: { width: 1400, height: 1000 }, ...options });
  context.setDefaultTimeout(120_000);  // machines under load draw slowly
  const page = await context.newPage();
  if (before) await page.addInitScript(before);
  const problems = [];
  const folder = pathToFileURL(join(reports, name)).href;
  page.on('console', (message) => { if (['error', 'warning'].includes(message.type())) problems.push(message.text()); });
  page.on('pageerror', (error) => problems.push(error.message));
  page.on('dialog', (dialog) => { problems.push(`dialog: ${dialog.message()}`); dialog.dismiss(); });
  page.on('request', (request) => {
    if (!/^(data|blob):/.test(request.url()) && !request.url().startsWith(`${folder}/`)) problems.push(`outside: ${request.url()}`);
  });
  page.on('requestfailed', (request) => problems.push(`failed: ${request.url()}`));
  await page.goto(`${folder}/index.html${hash}`);
  // Software rendering warns of its own slowness when pixels are read back.
  page.problems = () => problems.filter((text) => !/GPU stall due to ReadPixels/.test(text));
  return page;
}

async function close(page) {
  assert.deepEqual(page.problems(), []);
  await page.context().close();
}

// Bytes of a screenshot of an element: any change of its pixels changes them.
const pixels = async (locator) => (await locator.screenshot({ animations: 'disabled' })).toString('base64');

async function scrollThrough(page) {
  await page.evaluate(async () => {
    for (let y = 0; y < document.body.scrollHeight; y += 500) {
      scrollTo(0, y);
      await new Promise((done) => setTimeout(done, 60));
    }
  });
  // The rig and the backdrop start when they come into sight.
  for (const [place, ready] of [['#rig', '#rig canvas[data-ready], .rig-none'], ['#maps', '#maps']]) {
    if (await page.locator(place).count() === 0) continue;
    await page.locator(place).scrollIntoViewIfNeeded();
    await page.locator(ready).waitFor();
  }
  await page.evaluate(() => scrollTo(0, 0));
  await page.waitForTimeout(300);
}

async function violations(page) {
  await page.evaluate(axe);
  const result = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ['violations'] }));
  return result.violations.map((v) => `${v.id}: ${v.nodes.slice(0, 3).map((n) => `${n.target} ${n.failureSummary}`).join(' | ')}`);
}

async function folderBytes(folder) {
  return readdirSync(folder, { recursive: true }).map((name) => statSync(join(folder, name))).filter((s) => s.isFile()).reduce((sum, s) => sum + s.size, 0);
}

test('loads from disk without errors and without a request outside its folder, light and dark', async () => {
  for (const colorScheme of ['light', 'dark']) {
    const page = await open('faulty', { colorScheme });
    await scrollThrough(page);
    await page.screenshot({ path: join(shots, `whole-${colorScheme}.png`), fullPage: true });
    await close(page);
  }
});

test('the top of the page names every faulty station and links it', async () => {
  const page = await open('faulty');
  const sentence = await page.locator('h1').innerText();
  for (const place of FAULTY) assert.ok(sentence.includes(place), `${place} in: ${sentence}`);
  assert.ok(await page.locator('.to-do li').last().isVisible());
  const box = await page.locator('.to-do li').last().boundingBox();
  assert.ok(box.y + box.height < 1000, 'the list ends within the first screen');
  for (const place of FAULTY) {
    await page.locator('.to-do a', { hasText: new RegExp(`^${place}$`) }).press('Enter');
    assert.match(await page.locator('dialog h2').innerText(), new RegExp(`^${place}\\b`));
    assert.ok(await page.locator('dialog .items li').count() > 0);
    await page.keyboard.press('Escape');
  }
  await close(page);
});

test('a good set says so', async () => {
  const page = await open('clean');
  assert.match(await page.locator('h1').innerText(), /^Ready: all 36 stations/);
  assert.equal(await page.locator('.to-do').count(), 0);
  assert.ok(!(await page.locator('body').innerText()).includes('null'));
  await page.screenshot({ path: join(shots, 'clean.png') });
  await close(page);
});

test('comparison: slider, mask, spots and residuals change the picture', async () => {
  const page = await open('faulty', {}, '#view-3');
  const box = page.locator('.compare');
  await page.waitForFunction(() => [...document.querySelectorAll('.compare img')].every((img) => img.complete && img.naturalWidth > 0));
  await page.screenshot({ path: join(shots, 'viewer.png') });
  const seen = [await pixels(box)];
  const slider = page.locator('dialog input[type=range]');
  await slider.focus();
  for (let i = 0; i < 30; ++i) await page.keyboard.press('ArrowLeft');
  assert.equal(await slider.inputValue(), '20');
  seen.push(await pixels(box));
  for (const name of ['mask', 'repaired spots', 'residuals']) {
    await page.locator('.toggles label', { hasText: name }).locator('input').press('Space');
    seen.push(await pixels(box));
  }
  assert.equal(new Set(seen).size, seen.length);
  await page.screenshot({ path: join(shots, 'viewer-overlays.png') });
  await page.mouse.move(400, 500);
  const r = await box.boundingBox();
  await page.mouse.click(r.x + r.width * 0.75, r.y + r.height / 2);
  assert.ok(Math.abs(Number(await slider.inputValue()) - 75) <= 1);
  const first = await page.locator('dialog h2').innerText();
  await page.keyboard.press('Escape');
  await page.locator('#view-3').press('Enter');
  await page.keyboard.press('ArrowRight');
  assert.notEqual(await page.locator('dialog h2').innerText(), first);
  await close(page);
});

test('cautions stand in the page, outside a mask is no colour of a fault', async () => {
  const page = await open('faulty', {}, '#view-3');
  const data = JSON.parse(readFileSync(join(reports, 'faulty', 'report.json'), 'utf8'));
  assert.ok(data.cautions.list.length >= 7);
  const text = await page.locator('#cautions').innerText();
  for (const sentence of [data.cautions.rule, ...data.cautions.list.map((c) => c.text)]) assert.ok(text.includes(sentence), sentence);
  // Dimmed and hatched: paint without hue.
  for (const part of ['.hatch-ground', '.hatch-line']) {
    const [r, g, b] = (await page.locator(part).evaluate((e) => getComputedStyle(e).fill)).match(/\d+/g).map(Number);
    assert.ok(Math.max(r, g, b) - Math.min(r, g, b) < 16, `${part}: ${r} ${g} ${b}`);
  }
  assert.match(await page.locator('.outside').evaluate((e) => getComputedStyle(e).fill), /hatch/);
  await page.keyboard.press('Escape');
  await page.locator('#cautions').screenshot({ path: join(shots, 'cautions.png') });
  await close(page);
});

test('the keyboard alone reaches everything', async () => {
  const page = await open('faulty');
  await scrollThrough(page);
  for (const summary of await page.locator('summary').all()) await summary.press('Enter');
  const marked = await page.evaluate(() => {
    let count = 0;
    for (const e of document.querySelectorAll('a[href], button, input, select, summary, canvas[tabindex], [role=region]')) {
      if (e.offsetParent === null && !e.classList.contains('skip')) continue;
      if (e.classList.contains('thumb')) continue;  // walked by arrows, see below
      e.dataset.stop = String(count++);
    }
    document.body.focus();
    return count;
  });
  const reached = new Set();
  for (let i = 0; i < marked + 30; ++i) {
    await page.keyboard.press('Tab');
    const stop = await page.evaluate(() => document.activeElement?.dataset?.stop);
    if (stop !== undefined) reached.add(stop);
  }
  const missed = await page.evaluate((got) => [...document.querySelectorAll('[data-stop]')].filter((e) => !got.includes(e.dataset.stop)).map((e) => e.outerHTML.slice(0, 120)), [...reached]);
  assert.deepEqual(missed, []);
  // Every thumbnail by arrows, ring by ring; each opens and gives the focus back.
  for (const dial of await page.locator('.dial').all()) {
    const ids = await dial.locator('.thumb').evaluateAll((list) => list.map((e) => e.id));
    await dial.locator('.thumb[tabindex="0"]').focus();
    await page.keyboard.press('Home');
    for (const id of ids) {
      assert.equal(await page.evaluate(() => document.activeElement.id), id);
      await page.keyboard.press('ArrowRight');
    }
    await page.keyboard.press('Enter');
    assert.ok(await page.locator('dialog[open]').isVisible());
    await page.keyboard.press('Escape');
    assert.equal(await page.evaluate(() => document.activeElement.id), ids[0]);
  }
  await page.locator('.thumb').nth(5).focus();
  await page.screenshot({ path: join(shots, 'focus.png') });
  await close(page);
});

test('the rig draws, turns, zooms, shows and hides its parts and names stations', async () => {
  const page = await open('faulty');
  const canvas = page.locator('#rig canvas');
  await canvas.scrollIntoViewIfNeeded();
  await page.locator('#rig canvas[data-ready]').waitFor();
  await page.waitForTimeout(600);
  // Drawn pixels, read from the graphics buffer itself.
  const drawn = () => canvas.evaluate((element) => {
    const copy = document.createElement('canvas');
    copy.width = element.width; copy.height = element.height;
    const context = copy.getContext('2d');
    context.drawImage(element, 0, 0);
    const data = context.getImageData(0, 0, copy.width, copy.height).data;
    let count = 0;
    for (let i = 3; i < data.length; i += 4) count += data[i] > 0 ? 1 : 0;
    return count / (data.length / 4);
  });
  assert.ok(await drawn() > 0.03, `share of drawn pixels ${await drawn()}`);
  await page.locator('#rig').screenshot({ path: join(shots, 'rig.png') });
  const seen = [await pixels(canvas)];
  await canvas.focus();
  for (const key of ['ArrowLeft', 'ArrowUp', '+', '-', 'ArrowDown']) {
    await page.keyboard.press(key);
    seen.push(await pixels(canvas));
  }
  for (const part of await page.locator('.rig-parts input').all()) {
    await part.press('Space');
    seen.push(await pixels(canvas));
    await part.press('Space');
  }
  await page.locator('.rig-magnify input').focus();
  await page.keyboard.press('End');
  seen.push(await pixels(canvas));
  await page.locator('#rig').screenshot({ path: join(shots, 'rig-shifts.png') });
  await page.keyboard.press('Home');
  assert.equal(new Set(seen).size, seen.length, 'every control changes the picture');
  await page.locator('#rig select').selectOption({ label: 'high 4 (check)' });
  assert.match(await page.locator('.rig-chosen').innerText(), /high 4[\s\S]*Angle correction/);
  // Hover: walk over the canvas until a picture is met.
  await page.locator('button', { hasText: 'Reset' }).click();
  const r = await canvas.boundingBox();
  let met = false;
  for (let i = 0; i < 400 && !met; ++i) {
    await page.mouse.move(r.x + ((i % 20) + 0.5) * r.width / 20, r.y + (Math.floor(i / 20) + 0.5) * r.height / 20);
    met = await page.locator('.tip').isVisible();
  }
  assert.ok(met);
  const named = (await page.locator('.tip strong').innerText()).split(',')[0];
  await page.screenshot({ path: join(shots, 'rig-hover.png') });
  await page.mouse.down();
  await page.mouse.up();
  assert.ok((await page.locator('dialog h2').innerText()).startsWith(named));
  await close(page);
});

test('without 3D graphics the page says so and works', async () => {
  const plain = await launch(playwright, chromium, ['--disable-3d-apis']);
  const page = await plain.newPage();
  await page.goto(`${pathToFileURL(join(reports, 'faulty')).href}/index.html`);
  await page.locator('.rig-box').scrollIntoViewIfNeeded();
  await page.locator('.rig-none').waitFor();
  await page.locator('.to-do a').first().press('Enter');
  assert.ok(await page.locator('dialog[open]').isVisible());
  await plain.close();
});

test('charts draw and open the station pressed', async () => {
  const page = await open('faulty');
  await page.locator('#charts').scrollIntoViewIfNeeded();
  await page.waitForTimeout(300);
  const plots = await page.locator('.plot canvas').all();
  assert.equal(plots.length, 6);
  for (const plot of plots) {
    const colours = await plot.evaluate((element) => {
      const data = element.getContext('2d').getImageData(0, 0, element.width, element.height).data;
      const seen = new Set();
      for (let i = 0; i < data.length; i += 4) if (data[i + 3] > 200) seen.add(`${data[i]},${data[i + 1]},${data[i + 2]}`);
      return seen.size;
    });
    assert.ok(colours >= 3, `${colours} colours`);
  }
  await page.locator('#charts').screenshot({ path: join(shots, 'charts.png') });
  assert.match(await page.locator('#chart-sharpness .plot').getAttribute('aria-label'), /lowest 41.0 % at low 11/);
  assert.match(await page.locator('#chart-correction .plot').getAttribute('aria-label'), /highest \+1\.\d+° at high 4/);
  // The eleventh of the slots; the axis is as wide as uPlot made it.
  const over = page.locator('#chart-sharpness .u-over');
  const r = await over.boundingBox();
  await page.mouse.click(r.x + ((11 + 0.6) / 49) * r.width, r.y + r.height / 2);
  assert.match(await page.locator('dialog h2').innerText(), /^low 11/);
  await close(page);
});

test('no accessibility violation: light, dark, narrow, with the viewer open', async () => {
  for (const [name, options, hash] of [
    ['faulty', { colorScheme: 'light' }, ''], ['faulty', { colorScheme: 'dark' }, ''],
    ['faulty', { viewport: { width: 390, height: 800 } }, ''], ['faulty', { colorScheme: 'light' }, '#view-3'],
    ['faulty', { colorScheme: 'dark' }, '#view-3'], ['faulty', {}, '#gap-0'], ['clean', { colorScheme: 'dark' }, '']]) {
    const page = await open(name, options, hash);
    await scrollThrough(page);
    if (!hash) for (const summary of await page.locator('summary').all()) await summary.press('Enter');
    assert.deepEqual(await violations(page), [], `${name} ${JSON.stringify(options)} ${hash}`);
    await close(page);
  }
});

test('the theme switch works against the system and redraws', async () => {
  const page = await open('faulty', { colorScheme: 'light' });
  const back = () => page.evaluate(() => getComputedStyle(document.body).backgroundColor);
  const light = await back();
  await page.locator('.theme').click();
  assert.notEqual(await back(), light);
  assert.deepEqual(await violations(page), []);
  await page.locator('.theme').click();
  assert.equal(await back(), light);
  await close(page);
});

test('fits a projector, a phone and paper', async () => {
  for (const [width, height] of [[1280, 720], [1920, 1080], [390, 844], [320, 640]]) {
    const page = await open('faulty', { viewport: { width, height } });
    await scrollThrough(page);
    const overflow = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    assert.ok(overflow <= 0, `${overflow} px too wide at ${width}`);
    await page.screenshot({ path: join(shots, `width-${width}.png`) });
    if (width === 390) await page.locator('#ring').screenshot({ path: join(shots, 'ring-390.png') });
    await close(page);
  }
  const page = await open('faulty', { colorScheme: 'dark' });
  await scrollThrough(page);
  await page.pdf({ path: join(shots, 'print.pdf'), format: 'A4', printBackground: true });
  await page.emulateMedia({ media: 'print' });
  const ink = await page.evaluate(() => [getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color]);
  assert.deepEqual(ink, ['rgb(255, 255, 255)', 'rgb(28, 35, 38)']);
  // The axes' ink is that of the light theme too, though the charts were drawn on dark.
  await page.waitForTimeout(500);
  const darkest = await page.locator('#chart-exposure .plot canvas').evaluate((element) => {
    const data = element.getContext('2d').getImageData(0, element.height - 40, element.width, 40).data;
    let least = 255;
    for (let i = 0; i < data.length; i += 4) if (data[i + 3] > 200) least = Math.min(least, (data[i] + data[i + 1] + data[i + 2]) / 3);
    return least;
  });
  assert.ok(darkest < 120 && darkest > 75, `darkest ink of the chart's axis: ${darkest} of 255; drawn for dark it is 64 (lines) and 177`);
  await page.screenshot({ path: join(shots, 'print.png'), fullPage: true });
  // A4 at 96 dpi less 1 cm a side: every column of the table lies on the sheet.
  await page.setViewportSize({ width: 718, height: 1040 });
  await page.locator('#table details').evaluate((element) => { element.open = true; });
  const columns = await page.locator('#table thead th').evaluateAll((cells) => cells.map((cell) => cell.getBoundingClientRect().right));
  assert.ok(columns.length >= 13, `${columns.length} columns`);
  assert.ok(Math.max(...columns) <= 718, `the last column ends at ${Math.max(...columns)} of 718 px`);
  assert.equal(await page.locator('#table .scroll').evaluate((element) => getComputedStyle(element).overflowX), 'visible');
  await page.locator('#table').screenshot({ path: join(shots, 'print-table.png') });
  await page.pdf({ path: join(shots, 'print-open.pdf'), format: 'A4', printBackground: true });
  await page.context().close();
});

test('hostile names and texts stay text', async () => {
  const page = await open('hostile');
  await scrollThrough(page);
  assert.equal(await page.evaluate(() => globalThis.owned), undefined);
  assert.equal(await page.locator('#page, img[src="x"]').count(), 0);
  assert.ok((await page.locator('.title').innerText()).includes('</script><script>globalThis.owned=1</script>'));
  await page.screenshot({ path: join(shots, 'hostile.png') });
  await close(page);
});

test('200 images: at most 25 MB, first picture within 2 s', async (t) => {
  const megabytes = (await folderBytes(join(reports, 'large'))) / 1e6;
  t.diagnostic(`report of 200 noisy images: ${megabytes.toFixed(1)} MB`);
  assert.ok(megabytes <= 25, `${megabytes} MB`);
  // From navigation to the first paint with a thumbnail in it; the best of some, since a busy machine
  // can only make it slower.
  const times = [];
  let page;
  for (let i = 0; i < 5 && !(Math.min(...times) <= 2000); ++i) {
    if (page) await close(page);
    page = await open('large', {}, '', () => {
      globalThis.firstPicture = new Promise((done) => {
        const watch = new MutationObserver(() => {
          const image = document.querySelector('.thumb img');
          if (!image) return;
          watch.disconnect();
          image.decode().then(() => requestAnimationFrame(() => setTimeout(() => done(performance.now()))));
        });
        watch.observe(document, { childList: true, subtree: true });
      });
    });
    times.push(await page.evaluate(() => globalThis.firstPicture));
  }
  const [busy] = loadavg();
  t.diagnostic(`first picture after ${times.map((ms) => ms.toFixed(0)).join(', ')} ms at a load of ${busy.toFixed(1)} on ${cpus().length} cores`);
  if (Math.min(...times) > 2000 && busy > 2 * cpus().length) t.diagnostic('not judged: the machine is too busy');
  else assert.ok(Math.min(...times) <= 2000, `${times} ms`);
  await scrollThrough(page);
  await page.locator('#ring').screenshot({ path: join(shots, 'large-ring.png') });
  await page.locator('#rig').screenshot({ path: join(shots, 'large-rig.png') });
  await close(page);
});

test('the machine-readable twin says the same', async () => {
  const json = JSON.parse(readFileSync(join(reports, 'faulty', 'report.json'), 'utf8'));
  const page = await open('faulty');
  assert.equal(await page.locator('h1').innerText(), json.judgement.sentence);
  assert.equal(await page.locator('#methods-text').innerText(), json.methods);
  assert.equal(await page.locator('.stations tbody tr').count(), json.views.length + json.gaps.length);
  for (const view of json.views) assert.ok(existsSync(join(reports, 'faulty', view.after)));
  await close(page);
});
