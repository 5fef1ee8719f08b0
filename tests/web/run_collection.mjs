// node run_collection.mjs SOURCES BINARY SAMPLE_COLLECTION CHROMIUM: makes the report of an invented
// collection and runs collection_test.mjs. Exit code 77 (skipped) where browser or packages lack.
import { spawnSync } from 'node:child_process';
import { rmSync } from 'node:fs';
import { join } from 'node:path';
import { packages } from './packages.mjs';

const [sources, binary, program, chromium] = process.argv.slice(2);

const modules = packages(sources, binary, chromium);
const folder = join(binary, 'collection');
rmSync(folder, { recursive: true, force: true });
const made = spawnSync(program, [folder], { stdio: 'inherit' });
if (made.status !== 0) process.exit(1);
const run = spawnSync(process.execPath, [join(sources, 'collection_test.mjs'), modules, join(folder, 'report'), join(binary, 'screenshots'), chromium], { stdio: 'inherit' });
process.exit(run.status ?? 1);
