// node run.mjs SOURCES BINARY SAMPLE_REPORT CHROMIUM: makes the reports, fetches the packages where
// they are not there yet, runs page_test.mjs. Exit code 77 (skipped) where browser or packages lack.
import { spawnSync } from 'node:child_process';
import { rmSync } from 'node:fs';
import { join } from 'node:path';
import { packages } from './packages.mjs';

const [sources, binary, program, chromium] = process.argv.slice(2);

const modules = packages(sources, binary, chromium);
const reports = join(binary, 'reports');
rmSync(reports, { recursive: true, force: true });
const made = spawnSync(program, [reports], { stdio: 'inherit' });
if (made.status !== 0) process.exit(1);
const run = spawnSync(process.execPath, [join(sources, 'page_test.mjs'), modules, reports, join(binary, 'screenshots'), chromium], { stdio: 'inherit' });
process.exit(run.status ?? 1);
