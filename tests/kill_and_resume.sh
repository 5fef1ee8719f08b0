#!/usr/bin/env bash
# Kills prepare at random moments and resumes it: every run must end with the bytes of an
# undisturbed one, no input touched, no partial file under a final name.
#   bash tests/kill_and_resume.sh [how many, 200] [seed, 1]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
count=${1:-200}
RANDOM=${2:-1}
source tests/support/disturbed_run.sh
make_set 8 360 240

run_undisturbed

same=0 touched=0 partial=0
for ((i = 0; i < count; ++i)); do
  rm -rf "$work/run"
  cp -r "$work/set" "$work/run"
  delay=$(printf '%d.%03d' $((RANDOM % whole_ms / 1000)) $((RANDOM % whole_ms % 1000)))
  "$trunnion" prepare "$work/run/specimen" --quiet >/dev/null 2>&1 &
  victim=$!
  sleep "$delay"
  kill -KILL "$victim" 2>/dev/null || true
  wait "$victim" 2>/dev/null || true  # until it is gone, not only asked to go
  # Whatever stands under a final name must be the finished file.
  if [[ -d "$work/run/specimen/prepared" ]]; then
    while read -r hash file; do
      if [[ -e "$work/run/specimen/$file" ]] &&
        [[ $(sha256sum <"$work/run/specimen/$file") != "$hash  -" ]]; then
        partial=$((partial + 1))
        echo "partial after ${delay} s: $file"
      fi
    done <"$work/expected"
  fi
  "$trunnion" prepare "$work/run/specimen" --quiet >/dev/null
  if content "$work/run/specimen" | cmp -s - "$work/expected"; then
    same=$((same + 1))
  else
    echo "differs after a kill at ${delay} s"
  fi
  inputs "$work/run/specimen" | cmp -s - "$work/inputs" || touched=$((touched + 1))
done
echo "$same of $count ended byte-identical, $touched inputs touched, $partial partial files"
[[ $same -eq $count && $touched -eq 0 && $partial -eq 0 ]]
