// node run.mjs SOURCES BINARY SAMPLE_REPORT CHROMIUM: makes the reports, fetches the packages where
// they are not there yet, runs page_test.mjs. Exit code 77 (skipped) where browser or packages lack.
import { spawnSync } from 'node:child_process';
import { copyFileSync, existsSync, mkdirSync, rmSync } from 'node:fs';
import { join } from 'node:path';

const [sources, binary, program, chromium] = process.argv.slice(2);

function skip(reason) {
  console.log(`SKIPPED: ${reason}`);
  process.exit(77);
}

if (!chromium || !existsSync(chromium)) skip('chromium is absent; run: apt-get install chromium');
mkdirSync(binary, { recursive: true });
const modules = join(binary, 'node_modules');
if (!existsSync(join(modules, 'axe-core')) || !existsSync(join(modules, 'playwright-core'))) {
  for (const name of ['package.json', 'package-lock.json']) copyFileSync(join(sources, name), join(binary, name));
  const fetched = spawnSync('npm', ['ci', '--prefer-offline', '--no-audit', '--no-fund', '--ignore-scripts'], { cwd: binary, stdio: 'inherit' });
  if (fetched.status !== 0) skip('the packages of tests/web could not be fetched with npm ci');
}
const reports = join(binary, 'reports');
rmSync(reports, { recursive: true, force: true });
const made = spawnSync(program, [reports], { stdio: 'inherit' });
if (made.status !== 0) process.exit(1);
const run = spawnSync(process.execPath, [join(sources, 'page_test.mjs'), modules, reports, join(binary, 'screenshots'), chromium], { stdio: 'inherit' });
process.exit(run.status ?? 1);
