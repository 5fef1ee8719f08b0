#!/usr/bin/env bash
# Installs what is missing, builds and runs every test; ends with ctest's own summary.
# Words after the script's name go to ctest, for instance: bash tests/run.sh -R Mask
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
bash datasets/setup.sh tests
cmake --preset release >/dev/null
cmake --build build/release
ctest --test-dir build/release --output-on-failure -j "$(nproc)" "$@"
