// node pictures.mjs NODE_MODULES WORK OUT CHROMIUM: see pictures.sh.
import { readFileSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { launch } from '../tests/web/browser.mjs';

const [modules, work, out, chromium] = process.argv.slice(2);
const playwright = createRequire(join(modules, 'any.js'))('playwright-core');
const browser = await launch(playwright, chromium);

async function open(file, hash = '', options = {}) {
  const page = await browser.newPage({ viewport: { width: 1200, height: 800 }, ...options });
  page.setDefaultTimeout(180_000);  // without a graphics card the rig takes its time
  await page.goto(pathToFileURL(file).href + hash);
  await page.waitForTimeout(500);
  return page;
}

// Fused images above, the prepared ones with their masks below.
function inAndOut(folder) {
  const report = JSON.parse(readFileSync(join(folder, 'report.json'), 'utf8'));
  const every = Math.max(1, Math.floor(report.views.length / 5));
  const views = report.views.filter((_, i) => i % every === 0).slice(0, 5);
  const cell = (content, [w, h]) => `<div style="aspect-ratio:${w}/${h}">${content}</div>`;
  const before = views.map((v) => cell(`<img src="${join(folder, v.before)}">`, v.before_size_px));
  const after = views.map((v) => {
    const [w, h] = v.after_size_px;
    const hide = v.outline ? `<svg viewBox="-.5 -.5 ${w} ${h}"><path fill-rule="evenodd" d="M-1-1H${w}V${h}H-1Z${v.outline}"/></svg>` : '';
    return cell(`<img src="${join(folder, v.after)}">${hide}`, v.after_size_px);
  });
  return `<!doctype html><meta charset="utf-8"><style>
    body{margin:0;padding:18px;background:#f6f2ea;font:16px 'DejaVu Sans',sans-serif;color:#1c2326;width:1164px}
    p{margin:12px 0 6px}section{display:grid;grid-template-columns:repeat(5,1fr);gap:10px}
    div{position:relative;border-radius:8px;overflow:hidden;background:#22292b}img,svg{position:absolute;inset:0;width:100%;height:100%}
    path{fill:#f6f2ea}</style>
    <p>In: one fused image a station, with its backdrop and with dust on the sensor</p><section>${before.join('')}</section>
    <p>Out: repaired, masked, undistorted, each with its pose in millimetres</p><section>${after.join('')}</section>`;
}

const good = join(work, 'good-report');
const faulty = join(work, 'faulty-report', 'index.html');
writeFileSync(join(work, 'in-out.html'), inAndOut(good));
let page = await open(join(work, 'in-out.html'), '', { viewport: { width: 1200, height: 420 } });
await page.screenshot({ path: join(out, 'in-out.png'), fullPage: true });

page = await open(faulty);
await page.screenshot({ path: join(out, 'report-top.png') });
page = await open(join(good, 'index.html'));
await page.locator('#ring').screenshot({ path: join(out, 'report-ring.png') });
await page.locator('#rig').scrollIntoViewIfNeeded();
await page.waitForTimeout(1000);
await page.locator('#rig').screenshot({ path: join(out, 'report-rig.png') });
page = await open(join(good, 'index.html'), '#view-2', { colorScheme: 'dark' });
await page.locator('dialog').screenshot({ path: join(out, 'report-viewer.png') });
await browser.close();
