#!/usr/bin/env bash
# Makes each write of one prepare run fail in turn (as on a full disk), then runs it again
# undisturbed: the failed run must end with exit code 1 and a sentence, leave every file under a
# final name whole, what was finished before in its place and the inputs as they were; the second
# must end with the expected bytes. Starts from a set that was never prepared, and from a prepared
# one after a changed setting.
#   bash tests/write_failures.sh [every how many-th call, 1] [1: the disk stays full] [start, both]
#   start: new, prepared
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
every=${1:-1}
stays=${2:-}
starts=${3:-new prepared}
preload=$PWD/build/release/tests/faults/libtrunnion_fail_writes.so
source tests/support/disturbed_run.sh
make_set 4 180 144

# One job, so that calls come in the same order each time.
run() { "$trunnion" prepare "$work/run/specimen" --quiet --jobs 1; }
failing() {
  TRUNNION_FAIL_BELOW="$work/run" TRUNNION_FAIL_AT=$1 TRUNNION_FAIL_ON=$stays \
    TRUNNION_FAIL_COUNT="$work/count" LD_PRELOAD="$preload" run
}
# With its time stamps: a prepared set must be taken for what it is.
begin() {
  rm -rf "$work/run"
  cp -a "$work/start" "$work/run"
}

finished() { if [[ -d "$1/prepared" ]]; then content "$1"; fi; }

# What stands in the run must be the old or the expected file; what stood there must still stand.
check_outputs() {
  finished "$work/run/specimen" >"$work/now"
  if grep -vxFf "$work/expected" "$work/now" | grep -vxFf "$work/before"; then
    echo "call $1: neither the old nor the new file"
    return 1
  fi
  if comm -13 <(cut -c67- "$work/now" | sort) <(cut -c67- "$work/before" | sort) | grep .; then
    echo "call $1: a finished file is gone"
    return 1
  fi
  inputs "$work/run/specimen" | cmp -s - "$work/inputs" || { echo "call $1: inputs changed"; return 1; }
}

from() {
  local tried=0 clear=0 absorbed=0 resumed=0 bad=0 at code total
  finished "$work/start/specimen" >"$work/before"
  inputs "$work/start/specimen" >"$work/inputs"
  begin
  failing 0
  total=$(<"$work/count")
  content "$work/run/specimen" >"$work/expected"
  for ((at = 1; at <= total; at += every)); do
    begin
    tried=$((tried + 1))
    code=0
    failing "$at" >"$work/out" 2>"$work/err" || code=$?
    # Where nothing depends on the call (a folder's flush, a cache), the run may succeed.
    if [[ $code -eq 1 ]] && [[ -s "$work/err" ]]; then
      clear=$((clear + 1))
    elif [[ $code -eq 0 ]] && content "$work/run/specimen" | cmp -s - "$work/expected"; then
      absorbed=$((absorbed + 1))
    else
      bad=$((bad + 1))
      echo "call $at: exit $code, $(head -c 300 "$work/err" "$work/out")"
    fi
    check_outputs "$at" || bad=$((bad + 1))
    if run >/dev/null && content "$work/run/specimen" | cmp -s - "$work/expected" &&
      inputs "$work/run/specimen" | cmp -s - "$work/inputs"; then
      resumed=$((resumed + 1))
    else
      bad=$((bad + 1))
      echo "call $at: the second run differs"
    fi
  done
  echo "$1: $tried of $total calls failed in turn: $clear ended with an error, $absorbed did no" \
    "harm, $resumed resumed to the expected bytes, $bad bad"
  [[ $bad -eq 0 && $resumed -eq $tried && $tried -gt 0 ]]
}

cp -a "$work/set" "$work/start"
good=1
for start in $starts; do
  if [[ $start == prepared ]]; then
    "$trunnion" prepare "$work/start/specimen" --quiet --jobs 1
    printf '\n[undistort]\ninterpolation = "lanczos"\n' >>"$work/start/specimen/specimen.toml"
  fi
  from "$start" || good=0
done
[[ $good -eq 1 ]]
