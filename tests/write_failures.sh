#!/usr/bin/env bash
# Makes each write of one prepare run fail in turn (as on a full disk), then runs it again
# undisturbed: the failed run must end with exit code 1 and a sentence, leave no partial file under
# a final name and the inputs as they were; the second must end with the expected bytes.
#   bash tests/write_failures.sh [every how many-th call, 1] [1: the disk stays full]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
every=${1:-1}
stays=${2:-}
preload=$PWD/build/release/tests/faults/libtrunnion_fail_writes.so
source tests/support/disturbed_run.sh
make_set 4 180 144

# One job, so that calls come in the same order each time.
run() { "$trunnion" prepare "$work/run/specimen" --quiet --jobs 1; }
failing() {
  TRUNNION_FAIL_BELOW="$work/run" TRUNNION_FAIL_AT=$1 TRUNNION_FAIL_ON=$stays \
    TRUNNION_FAIL_COUNT="$work/count" LD_PRELOAD="$preload" run
}

cp -r "$work/set" "$work/run"
failing 0
total=$(<"$work/count")
content "$work/run/specimen" >"$work/expected"
inputs "$work/set/specimen" >"$work/inputs"

tried=0 clear=0 absorbed=0 resumed=0 bad=0
for ((at = 1; at <= total; at += every)); do
  rm -rf "$work/run"
  cp -r "$work/set" "$work/run"
  tried=$((tried + 1))
  code=0
  failing "$at" >"$work/out" 2>"$work/err" || code=$?
  # Where nothing depends on the call (a folder's flush, a cache), the run may succeed.
  if [[ $code -eq 1 ]] && [[ -s "$work/err" || -s "$work/out" ]]; then
    clear=$((clear + 1))
  elif [[ $code -eq 0 ]] && content "$work/run/specimen" | cmp -s - "$work/expected"; then
    absorbed=$((absorbed + 1))
  else
    bad=$((bad + 1))
    echo "call $at: exit $code, $(head -c 300 "$work/err")"
  fi
  # An image is the expected one or absent. Files about the set may rightly tell of fewer images;
  # they must be whole all the same.
  if [[ -d "$work/run/specimen/prepared" ]]; then
    for file in cameras.json cameras.gltf report/report.json; do
      if [[ -e "$work/run/specimen/prepared/$file" ]] &&
        ! python3 -m json.tool "$work/run/specimen/prepared/$file" >/dev/null; then
        bad=$((bad + 1))
        echo "call $at: partial $file"
      fi
    done
    while read -r hash file; do
      if [[ $file == prepared/images/* || $file == prepared/masks/* ]] &&
        [[ -e "$work/run/specimen/$file" ]] &&
        [[ $(sha256sum <"$work/run/specimen/$file") != "$hash  -" ]]; then
        bad=$((bad + 1))
        echo "call $at: partial $file"
      fi
    done <"$work/expected"
  fi
  run >/dev/null
  if content "$work/run/specimen" | cmp -s - "$work/expected" &&
    inputs "$work/run/specimen" | cmp -s - "$work/inputs"; then
    resumed=$((resumed + 1))
  else
    bad=$((bad + 1))
    echo "call $at: the second run differs"
  fi
done
echo "$tried of $total calls failed in turn: $clear ended with an error, $absorbed did no harm," \
  "$resumed resumed to the expected bytes, $bad bad"
[[ $bad -eq 0 && $resumed -eq $tried ]]
