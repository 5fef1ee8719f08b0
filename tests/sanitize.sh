#!/usr/bin/env bash
# Builds with address and undefined-behaviour sanitizers and runs the suite but for its slow checks
# and the browser's. Words after the script's name go to ctest in place of that choice, for instance
# the slow checks alone: bash tests/sanitize.sh -L slow
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
bash datasets/setup.sh tests
cmake --preset sanitize >/dev/null
cmake --build build/sanitize
if (($# == 0)); then set -- --stop-on-failure -LE 'slow|page'; fi
ctest --test-dir build/sanitize --output-on-failure -j "$(nproc)" "$@"
