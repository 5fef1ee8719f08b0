#!/usr/bin/env bash
# The API pages: Doxygen makes them without a warning, every public header has one that begins with
# the text at the header's top, and a comment that it can't read makes the build fail.
#   bash tests/packaging/api.sh BUILD [FOLDER TO WORK IN]
set -euo pipefail
build=$(realpath "$1")
work=${2:-$(mktemp -d)}
command -v doxygen >/dev/null ||
  { echo "SKIPPED: doxygen is not installed; run: bash datasets/setup.sh tests"; exit 77; }
fail() { echo "api.sh: $1" >&2; exit 1; }
rm -rf "$work"
mkdir -p "$work"
cmake --build "$build" --target trunnion_api >"$work/log" 2>&1 ||
  { grep -i warning "$work/log" || tail "$work/log"; fail "the API pages have faults"; }
html=$build/api/html
grep -q "Undistort: resamples an image and its mask" "$html/undistort_8h.html" ||
  fail "undistort.h has no description"
grep -q "rad, signed by the direction of turning" \
  "$html/structtrunnion_1_1orient_1_1OrientStation.html" || fail "members have no description"
headers=$(sed -n 's/^INPUT *= *//p' "$build/api/Doxyfile" | tr ' ' '\n' | grep -c '\.h$')
pages=$(find "$html" -name '*_8h.html' | wc -l)
[[ $headers -ge 80 && $pages == "$headers" ]] || fail "$pages pages for $headers headers"

# Doxygen does see faults: here a parameter that is not there.
{
  grep -v -e '^INPUT' -e '^OUTPUT' -e '^FILTER' "$build/api/Doxyfile"
  echo "INPUT = $work/planted.h"
  echo "OUTPUT_DIRECTORY = $work"
} >"$work/Doxyfile"
printf '/// \\file\n\n/// A fault.\n/// \\param missing none\nint planted(int there);\n' >"$work/planted.h"
if doxygen "$work/Doxyfile" >"$work/planted.log" 2>&1; then fail "a planted fault passed"; fi
rm -rf "$work"
echo "api.sh: $pages headers have their page, no warning"
