#!/usr/bin/env bash
# Installs what is missing, builds trunnion, makes the demo set, calibrates its setup, prepares it,
# and prints where the report lies. Run again, it does only what changed.
# The demo goes to ./demo, or to the folder given.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
bash datasets/setup.sh
cmake --preset release >/dev/null
cmake --build build/release --target trunnion

trunnion=build/release/trunnion
demo=${1:-demo}
# The set is made anew where its maker changed.
stamp=$($trunnion --version; cat datasets/*.cpp datasets/*.h | sha256sum)
if [[ "$(cat "$demo/made-by.txt" 2>/dev/null)" != "$stamp" ]]; then
  rm -rf "$demo"
  echo "Making the demo set in $demo: fused images, boards and the truth."
  $trunnion demo "$demo" --quiet
  echo "$stamp" >"$demo/made-by.txt"
fi
record=$demo/setups/demo.calibration.json
if [[ ! -e "$record" ]]; then
  echo "Calibrating the demo's lens and rotation axis from its boards."
  $trunnion calibrate lens "$demo/setups/demo.toml" --images "$demo/boards/lens/*.tif" \
    --board 11x8 --square 0.9
  $trunnion calibrate axis "$demo/setups/demo.toml" --images "$demo/boards/axis/*.tif" \
    --board 11x8 --square 0.9 --angles "$demo/boards/axis/angles.csv"
fi
echo "Preparing the specimen."
$trunnion prepare "$demo/specimen"
echo
echo "Open in a browser: $(realpath "$demo")/specimen/prepared/report/index.html"
