#!/usr/bin/env bash
# Builds with address and undefined-behaviour sanitizers and runs the suite but for its slow checks.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
bash datasets/setup.sh tests
cmake --preset sanitize >/dev/null
cmake --build build/sanitize
ctest --test-dir build/sanitize --output-on-failure --stop-on-failure -j "$(nproc)" -LE 'slow|page'
