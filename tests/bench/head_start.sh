#!/usr/bin/env bash
# What the exported pose priors are worth: a plain bundle adjustment solves the demo and the
# published turntable sequence from images alone and with the priors. Prints a Markdown table.
#   bash tests/bench/head_start.sh [folder to work in, build/head_start]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
bash datasets/setup.sh tests
cmake --preset release -DTRUNNION_BENCH=ON >/dev/null
cmake --build build/release --target trunnion head_start >&2
trunnion=build/release/trunnion
work=${1:-build/head_start}
mkdir -p "$work"

demo=$work/demo
if [[ ! -e "$demo/truth/cameras.json" ]]; then
  $trunnion demo "$demo" --width 720 --height 480 --quiet >&2
fi
calibrate() {
  $trunnion calibrate lens "$demo/setups/demo.toml" --images "$demo/boards/lens/*.tif" \
    --board 11x8 --square 0.9 >&2
  $trunnion calibrate axis "$demo/setups/demo.toml" --images "$demo/boards/axis/*.tif" \
    --board 11x8 --square 0.9 --angles "$demo/boards/axis/angles.csv" >&2
}
if [[ ! -e "$demo/setups/demo.calibration.json" ]]; then calibrate; fi
$trunnion prepare "$demo/specimen" --quiet >&2 || true

toy=$work/turntable36
data=${TRUNNION_OPEN_DATA:-../shared/data}/turntable36
if [[ -d "$data" ]]; then
  mkdir -p "$toy/specimen/fused" "$toy/setups"
  cp -n "$data"/images/viff.0[0-2]?.png "$data"/images/viff.03[0-5].png "$toy/specimen/fused/"
  # A guess, as in docs/turntable.md; nothing of this set is calibrated.
  cat >"$toy/setups/video.toml" <<'TOML'
title = "guess"
working_distance_mm = 1000.0
[body]
width_px = 720
height_px = 576
pixel_pitch_um = 8.0
[lens]
focal_length_mm = 21.5
magnification = 0.0225
f_number = 8.0
TOML
  cat >"$toy/specimen/specimen.toml" <<'TOML'
title = "Toy"
setup = "../setups/video.toml"
[[ring]]
name = "a"
elevation_deg = 20.0
stations = 36
step_deg = 10.0
turning = "clockwise"
pattern = "fused/viff.{station}.png"
TOML
  $trunnion prepare "$toy/specimen" --quiet >&2 || true
fi

echo "| set | start | solved | views | pairs matched | points in 3 views | iterations | matching, s" \
  "| solving, s | RMS, px | error of a turn RMS / worst, degrees | drift over the ring, degrees |" \
  "scale error |"
echo "|---|---|---|---|---|---|---|---|---|---|---|---|---|"
run() { GLOG_minloglevel=2 build/release/tests/bench/head_start "$@"; }
run "demo of 720 px, calibrated" "$demo/specimen/prepared" "$demo/truth/cameras.json"
if [[ -d "$data" ]]; then run "turntable36, guessed" "$toy/specimen/prepared" "$data"; fi
