#!/usr/bin/env bash
# Measures whole runs against their floor and against scripted tools, each stage alone, memory and
# scale, and writes build/bench/table.md, which docs/performance.md shows. On two quiet cores it
# takes some 35 minutes, about fifteen of them once to make the data, and 27 GB below build/bench (a
# reckoning from parts; no quiet run of all has been timed). A part, for instance:
#   bash tests/bench/run.sh --parts whole --sizes 26 --only tiff-deflate --images 4 --rounds 2
#   bash tests/bench/run.sh --help
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
bash datasets/setup.sh bench
cmake --preset release -DTRUNNION_BENCH=ON >/dev/null
cmake --build build/release --target trunnion bench_make_set bench_floor stage_bench >/dev/null
exec python3 tests/bench/run.py "$@"
