// node desk_test.mjs NODE_MODULES TRUNNION FOLDER SCREENSHOTS CHROMIUM: the desk as a person uses it.
// Each check looks at what lies on the disk, not at what the page says of itself.
import assert from 'node:assert/strict';
import { spawn, spawnSync } from 'node:child_process';
import { existsSync, mkdirSync, readFileSync, rmSync, statSync, unlinkSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { inflateSync } from 'node:zlib';
import { launch } from './browser.mjs';

const [modules, program, folder, screenshots, chromium] = process.argv.slice(2);
const require = createRequire(join(modules, 'any.js'));
const playwright = require('playwright-core');
const axe = readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');

rmSync(folder, { recursive: true, force: true });
mkdirSync(screenshots, { recursive: true });
const run = (...args) => {
  const done = spawnSync(program, args, { encoding: 'utf8' });
  assert.ok(done.status === 0 || done.status === 1, done.stderr);
  return done;
};
run('demo', folder, '--width', '720', '--height', '480', '--rings', '1', '--stations', '10', '--no-boards', '--quiet');
const workspace = join(folder, 'specimen');

// An 8-bit grey PNG without interlacing as rows of values: W3C PNG, 9 (filters).
function readGrey(file) {
  const bytes = readFileSync(file);
  const [width, height] = [bytes.readUInt32BE(16), bytes.readUInt32BE(20)];
  assert.deepEqual([bytes[24], bytes[25]], [8, 0], `${file} is no 8-bit grey PNG`);
  const data = [];
  for (let at = 8; at < bytes.length; at += 12 + bytes.readUInt32BE(at)) {
    if (bytes.toString('latin1', at + 4, at + 8) === 'IDAT') data.push(bytes.subarray(at + 8, at + 8 + bytes.readUInt32BE(at)));
  }
  const raw = inflateSync(Buffer.concat(data));
  const rows = [];
  for (let y = 0; y < height; y += 1) {
    const filter = raw[y * (width + 1)];
    const row = Uint8Array.from(raw.subarray(y * (width + 1) + 1, (y + 1) * (width + 1)));
    for (let x = 0; x < width; x += 1) {
      const [a, b, c] = [x > 0 ? row[x - 1] : 0, y > 0 ? rows[y - 1][x] : 0, x > 0 && y > 0 ? rows[y - 1][x - 1] : 0];
      const p = a + b - c;
      const [pa, pb, pc] = [Math.abs(p - a), Math.abs(p - b), Math.abs(p - c)];
      row[x] += [0, a, b, (a + b) >> 1, pa <= pb && pa <= pc ? a : pb <= pc ? b : c][filter];
    }
    rows.push(row);
  }
  return rows;
}
const set = (rows) => rows.reduce((sum, row) => sum + row.reduce((n, value) => n + Number(value > 127), 0), 0);

const desk = spawn(program, ['desk', workspace, '--no-browser'], { stdio: ['ignore', 'pipe', 'inherit'] });
const address = await new Promise((done) => { desk.stdout.once('data', (text) => done(String(text).trim())); });
const browser = await launch(playwright, chromium);
const problems = [];
async function open(context, url) {
  const page = await context.newPage();
  page.on('pageerror', (error) => problems.push(String(error)));
  page.on('console', (message) => { if (message.type() === 'error') problems.push(message.text()); });
  // While the set is prepared again, the page may ask for a picture of the report before.
  page.on('response', (response) => {
    if (response.status() >= 400 && !response.url().includes('/report/pictures/')) problems.push(`${response.status()} ${response.url()}`);
  });
  await page.goto(url);
  return page;
}
const settled = (page) => page.waitForFunction(() => document.documentElement.dataset.running === 'false' && document.querySelector('.stations-list button'), null, { timeout: 240_000 });
const running = (page) => page.waitForFunction(() => document.documentElement.dataset.running === 'true', null, { timeout: 10_000 });
const press = (page, name) => page.getByRole('button', { name, exact: true }).click();
const shot = (page, name) => page.screenshot({ path: join(screenshots, `desk-${name}.png`) });
async function choose(page, index) {
  await page.locator('.stations-list button').nth(index).click();
  await page.waitForTimeout(900);
  return page.locator('.stations-list button').nth(index).getAttribute('data-name');
}
const state = (page) => page.evaluate(() => fetch('/state').then((response) => response.json()));
const painted = (view, kind) => join(workspace, view.source_file.replace(/\.[^.]+$/, `.mask-${kind}.png`));
const maskFile = (name) => join(workspace, 'prepared/masks', `${name}.png`);

async function drag(page, from, to) {
  const box = await page.locator('.stage').boundingBox();
  const at = ([x, y]) => [box.x + box.width * x, box.y + box.height * y];
  await page.mouse.move(...at(from));
  await page.mouse.down();
  await page.mouse.move(...at(to), { steps: 6 });
  await page.mouse.up();
}

async function accessible(page, name) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ['violations'] }));
  assert.deepEqual(violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html.slice(0, 120)).join(' | ')}`), [], name);
}

try {
  const context = await browser.newContext({ viewport: { width: 1366, height: 768 } });
  const page = await open(context, address);
  await settled(page);
  assert.ok(!page.url().includes('token'), 'the token stays in the address');
  await shot(page, 'first');
  await accessible(page, 'desk');

  // A stroke changes the file beside the image and the mask in prepared/.
  const name = await choose(page, 2);
  const view = (await state(page)).views.find((one) => one.name === name);
  const before = set(readGrey(maskFile(name)));
  await press(page, 'Add');
  await drag(page, [0.48, 0.2], [0.55, 0.2]);
  await shot(page, 'stroke');
  await running(page);
  await settled(page);
  assert.ok(existsSync(painted(view, 'add')), 'no painted mask lies beside the image');
  const grown = set(readGrey(maskFile(name)));
  assert.ok(grown > before + 100, `the prepared mask did not grow: ${before}, ${grown}`);
  await page.waitForTimeout(800);
  await shot(page, 'mended');

  // Undo gives the mask back, and the painted file goes.
  await press(page, 'Undo');
  await running(page);
  await settled(page);
  assert.ok(!existsSync(painted(view, 'add')));
  assert.equal(set(readGrey(maskFile(name))), before);
  await press(page, 'Redo');
  await running(page);
  await settled(page);
  assert.equal(set(readGrey(maskFile(name))), grown);

  // A second page on the same station: no stroke of either is lost.
  const second = await open(context, page.url());
  await settled(second);
  await second.locator(`.stations-list button[data-name="${name}"]`).click();
  await second.waitForTimeout(900);
  await press(second, 'Add');
  await drag(second, [0.48, 0.85], [0.55, 0.85]);
  await running(second);
  await settled(second);
  const both = readGrey(painted(view, 'add'));
  assert.ok(both.slice(0, 240).some((row) => row.some((value) => value > 127)), 'the stroke of the first page is lost');
  assert.ok(both.slice(240).some((row) => row.some((value) => value > 127)), 'the stroke of the second page is lost');
  await second.close();

  // By the keyboard alone: to the image, a brush, a stroke.
  const other = await choose(page, 4);
  const otherView = (await state(page)).views.find((one) => one.name === other);
  await page.locator('.stage').focus();
  await page.keyboard.press('s');
  for (let k = 0; k < 3; k += 1) await page.keyboard.press('ArrowUp');
  await page.keyboard.press('Space');
  for (let k = 0; k < 4; k += 1) await page.keyboard.press('ArrowRight');
  await page.keyboard.press('Space');
  await running(page);
  await settled(page);
  assert.ok(existsSync(painted(otherView, 'subtract')), 'no stroke by keys');
  await page.keyboard.press('Control+z');
  await running(page);
  await settled(page);
  assert.ok(!existsSync(painted(otherView, 'subtract')));
  await page.keyboard.press('v');

  // Exclusion with its reason, and back.
  await page.getByText('Exclude this station').click();
  await page.getByLabel('Reason for excluding this station').fill('the pin moved');
  await press(page, 'Exclude');
  await running(page);
  await settled(page);
  const review = readFileSync(join(workspace, 'review.toml'), 'utf8');
  assert.match(review, /\[\[exclude\]\][\s\S]*reason = "the pin moved"\ndate = "\d{4}-\d\d-\d\d"/);
  assert.ok(!existsSync(maskFile(other)));
  await page.locator('h1', { hasText: 'is excluded' }).waitFor();
  await shot(page, 'excluded');

  // Every doubt accepted: the set is ready, and says that a person accepted.
  for (let k = 0; k < 20 && (await state(page)).to_do.length > 0; k += 1) {
    const item = (await state(page)).to_do[0];
    const anchor = (await state(page)).views.find((one) => one.anchor === item.anchor);
    if (anchor) await page.locator(`.stations-list button[data-name="${anchor.name}"]`).click();
    await page.getByText('Accept this doubt').first().click();
    await page.getByLabel('Reason for accepting this doubt').first().fill('looked at');
    await page.getByRole('button', { name: 'Accept', exact: true }).first().click();
    await running(page);
    await settled(page);
  }
  assert.equal((await state(page)).verdict, 'good');
  await page.locator('h1', { hasText: 'accepted by a person' }).waitFor();
  await page.waitForTimeout(500);
  await shot(page, 'ready');
  await accessible(page, 'ready');

  // Zoom beyond 100 %, layers.
  await press(page, '100 %');
  for (let k = 0; k < 4; k += 1) await press(page, 'Zoom in');
  await page.waitForTimeout(1200);
  await shot(page, 'pixels');
  await press(page, 'Before');
  await press(page, 'Mask');
  await press(page, 'Fit');
  await page.waitForTimeout(1200);
  await shot(page, 'before');

  // The list on paper, and the report behind the same door.
  unlinkSync(join(workspace, (await state(page)).views[1].source_file));
  const printed = await open(context, new URL('/shoot-again', page.url()).href);
  await shot(printed, 'shoot-again');
  await accessible(printed, 'shoot again');
  await printed.goto(new URL('/report/index.html', page.url()).href);
  await printed.waitForSelector('.dial');
  await printed.close();

  // A phone.
  const phone = await browser.newContext({ viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true, storageState: await context.storageState() });
  const small = await open(phone, page.url());
  await settled(small);
  await small.waitForTimeout(1200);
  assert.ok(await small.evaluate(() => document.documentElement.scrollWidth <= innerWidth), 'the page is wider than the phone');
  await shot(small, 'phone');
  await accessible(small, 'phone');
  await phone.close();

  // Without the cookie nothing is seen.
  const stranger = await browser.newContext();
  const closed = await stranger.newPage();
  assert.equal((await closed.goto(address)).status(), 403);
  assert.equal((await closed.goto(new URL('/state', address).href)).status(), 403);
  assert.deepEqual(problems.filter((text) => !/net::ERR_|EventSource|status of 404/.test(text)), []);

  desk.kill('SIGINT');
  const code = await new Promise((done) => { desk.on('exit', done); });
  assert.equal(code, 0, 'Ctrl-C does not end the desk well');
  assert.ok(statSync(painted(view, 'add')).size > 0);
  console.log('the desk: all checks passed');
} finally {
  desk.kill('SIGKILL');
  await browser.close();
}
