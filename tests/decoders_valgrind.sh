#!/usr/bin/env bash
# Runs the decoders once under valgrind's memcheck, over every layout of TIFF, damaged and odd files
# and the writers: memory that is used before it was written, or that is not ours, ends in exit 1.
# Pixels are compared in the tests, so that unwritten ones count as used. It takes some two minutes.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
if ! command -v valgrind >/dev/null; then
  echo "SKIPPED: valgrind is not installed" >&2
  exit 77
fi
if (($# == 0)); then
  cmake --preset release >/dev/null
  cmake --build build/release --target core_tests
fi
# libjpeg's own vector code converts columns behind the image's last one, and memcheck then takes the
# last one for unwritten too (the pixels are the same with the plain code, whatever the memory held).
export JSIMD_FORCENONE=1
program=${1:-build/release/tests/core_tests}
valgrind --quiet --error-exitcode=1 --leak-check=no --track-origins=yes --num-callers=20 \
  "$program" \
  --gtest_filter='ImageTiff.*:ImagePng.*:ImageJpeg.*:ImageIo.*:Lossless/*:Metadata.*'
