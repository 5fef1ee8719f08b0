#!/usr/bin/env bash
# Measures whole runs against their floor and against scripted tools, each stage alone, memory and
# scale, and writes build/bench/table.md, which docs/performance.md shows. All of it takes about an
# hour and 10 GB below build/bench (--memory 25 GB more); a part, for instance:
#   bash tests/bench/run.sh --parts whole --only tiff-deflate --images 4 --rounds 2
#   bash tests/bench/run.sh --help
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
bash datasets/setup.sh bench
cmake --preset release -DTRUNNION_BENCH=ON >/dev/null
cmake --build build/release --target trunnion bench_make_set bench_floor stage_bench >/dev/null
exec python3 tests/bench/run.py "$@"
