// node run_desk.mjs SOURCES BINARY TRUNNION CHROMIUM: runs desk_test.mjs.
import { spawnSync } from 'node:child_process';
import { join } from 'node:path';
import { packages } from './packages.mjs';

const [sources, binary, program, chromium] = process.argv.slice(2);
const modules = packages(sources, binary, chromium);
const run = spawnSync(process.execPath, [join(sources, 'desk_test.mjs'), modules, program, join(binary, 'desk'), join(binary, 'screenshots'), chromium], { stdio: 'inherit' });
process.exit(run.status ?? 1);
