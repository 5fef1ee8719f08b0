// What the checks in a browser need, fetched where it is not there yet. Exit code 77 (skipped) where
// the browser or a package lacks.
import { spawnSync } from 'node:child_process';
import { copyFileSync, existsSync, mkdirSync } from 'node:fs';
import { join } from 'node:path';

function skip(reason) {
  console.log(`SKIPPED: ${reason}`);
  process.exit(77);
}

// The folder of the packages.
export function packages(sources, binary, chromium) {
  if (!chromium || !existsSync(chromium)) skip('chromium is absent; run: apt-get install chromium');
  mkdirSync(binary, { recursive: true });
  const modules = join(binary, 'node_modules');
  if (!existsSync(join(modules, 'axe-core')) || !existsSync(join(modules, 'playwright-core'))) {
    for (const name of ['package.json', 'package-lock.json']) copyFileSync(join(sources, name), join(binary, name));
    const fetched = spawnSync('npm', ['ci', '--prefer-offline', '--no-audit', '--no-fund', '--ignore-scripts'], { cwd: binary, stdio: 'inherit' });
    if (fetched.status !== 0) skip('the packages of tests/web could not be fetched with npm ci');
  }
  return modules;
}
