#!/usr/bin/env bash
# Makes the pictures in docs/img from the demo set: what goes in, what comes out, the report.
# Needs the built program, and chromium and npm as the tests of the report page do.
set -euo pipefail
here=$(cd "$(dirname "$0")/.." && pwd)
program=${TRUNNION:-$here/build/release/trunnion}
work=${1:-$here/build/pictures}
modules=$here/build/pictures-packages
[[ -x $program ]] || { echo "pictures.sh: $program is missing; build first: cmake --build build/release" >&2; exit 1; }
chromium=$(command -v chromium || true)
[[ -n $chromium ]] || { echo "pictures.sh: chromium is missing; run: apt-get install --no-install-recommends chromium" >&2; exit 1; }

if [[ ! -d $modules/node_modules ]]; then
  mkdir -p "$modules"
  cp "$here"/tests/web/package.json "$here"/tests/web/package-lock.json "$modules"
  (cd "$modules" && npm ci --no-audit --no-fund --ignore-scripts)
fi
rm -rf "$work"
mkdir -p "$work" "$here/docs/img"
# One set as it should be, one with something to find.
"$program" demo "$work/good" --quiet --no-boards --rings 2 --stations 12 --width 900 --height 600
cp "$work/good/truth/demo.calibration.json" "$work/good/setups/"
"$program" demo "$work/faulty" --quiet --no-boards --rings 1 --stations 16 --width 900 --height 600 \
  --fault missing:5 --fault slip:9
cp "$work/faulty/truth/demo.calibration.json" "$work/faulty/setups/"
for set in good faulty; do
  specimen=$work/$set/specimen
  # Exit code 1 says that the set has a fault, which is what the second one is for.
  "$program" prepare "$specimen" --quiet || [[ $set = faulty ]]
  ln -sfn "$specimen/prepared/report" "$work/$set-report"
done
node "$here/datasets/pictures.mjs" "$modules/node_modules" "$work" "$here/docs/img" "$chromium"
