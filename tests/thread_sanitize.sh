#!/usr/bin/env bash
# Builds the pipeline's tests with the thread sanitizer and runs them but for the slow ones.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
bash datasets/setup.sh tests
cmake --preset thread >/dev/null
cmake --build build/thread --target pipeline_tests
# Debian's oneTBB, OpenCV and libraries below them are not instrumented: what happens inside them
# can't be judged. Address layout without randomness, as the sanitizer needs it.
export TSAN_OPTIONS=ignore_noninstrumented_modules=1:halt_on_error=1:exitcode=66
setarch -R ctest --test-dir build/thread --output-on-failure --stop-on-failure -j "$(nproc)" -R '^pipeline\.' -LE 'slow|page'
