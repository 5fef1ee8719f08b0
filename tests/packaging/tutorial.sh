#!/usr/bin/env bash
# Runs every command of docs/tutorial.md, in order, in an empty folder. A block of commands must end
# with exit code 0, or with N where "<!-- exit N: reason -->" stands above it.
#   bash tests/packaging/tutorial.sh BUILD [FOLDER TO WORK IN]
set -euo pipefail
build=$(realpath "$1")
page=$(realpath "$(dirname "${BASH_SOURCE[0]}")/../../docs/tutorial.md")
work=${2:-$(mktemp -d)}
rm -rf "$work"
mkdir -p "$work/day" "$work/bin"
work=$(realpath "$work")
fail() { echo "tutorial.sh: $1" >&2; exit 1; }
ln -s "$build/trunnion" "$work/bin/trunnion"
export PATH=$work/bin:$PATH
cd "$work/day"

ran=0
expected=0
inside=0
: >"$work/shown"
while IFS= read -r line; do
  if [[ $line =~ ^'<!-- exit '([0-9]+): ]]; then
    expected=${BASH_REMATCH[1]}
  elif [[ $line == '```sh' ]]; then
    inside=1
  elif [[ $line == '```'* ]]; then
    inside=0
    expected=0
  elif [[ $inside == 1 ]]; then
    code=0
    echo "\$ $line" >>"$work/shown"
    bash -eu -c "$line" >>"$work/shown" 2>&1 || code=$?
    [[ $code == "$expected" ]] || { tail -20 "$work/shown"; fail "exit code $code: $line"; }
    ran=$((ran + 1))
  fi
done <"$page"
[[ $ran -ge 13 ]] || fail "only $ran commands were found in $page"

# What the page says of them.
said() { grep -q "$1" "$work/shown" || fail "nothing shows \"$1\""; }
said "complete series of 12 of 12 stations"
said "Not complete: mid 4 is missing"
said "are gathered, but not fused yet"
for file in plan/beetle/specimen.toml plan/beetle/shot-list.csv board.svg board.pdf \
  bench/specimen/series.csv bench/specimen/fuse.sh \
  bench/setups/demo.calibration.json handover/images/mid_004.tif handover/masks/mid_004.png \
  handover/cameras.json handover/exterior.csv handover/poses_quaternion.csv \
  handover/poses_matrix.csv handover/cameras.gltf handover/report/index.html; do
  [[ -s $file ]] || fail "$file was not written"
done
python3 - handover/cameras.json <<'PY'
import json, sys
cameras = json.load(open(sys.argv[1]))
assert len(cameras["views"]) == 12 and cameras["calibration"]["axis_calibrated"], cameras["calibration"]
PY
rm -rf "$work/day"
echo "tutorial.sh: $ran commands ran as docs/tutorial.md says"
