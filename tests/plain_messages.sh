#!/usr/bin/env bash
# Every line that prepare writes on stderr is its own: libraries' notes are not for users. One image
# is a copy of its neighbour, which makes the solver reject steps and warn of them.
#   bash tests/plain_messages.sh PROGRAM
set -euo pipefail
program=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
"$program" demo "$work" --rings 1 --stations 12 --width 480 --height 320 --no-boards --quiet
fused=$work/specimen/fused
cp "$fused/mid_003.tif" "$fused/mid_004.tif"
printf 'x' >>"$fused/mid_004.tif"  # saved again: not the same bytes
code=0
"$program" prepare "$work/specimen" --quiet >/dev/null 2>"$work/said.txt" || code=$?
cat "$work/said.txt"
[[ -s $work/said.txt ]] || { echo "nothing was said of the copy"; exit 1; }
if grep -v '^trunnion: ' "$work/said.txt"; then
  echo "the lines above are not the program's own (exit code $code)"
  exit 1
fi
