#!/usr/bin/env bash
# Two runs on one workspace, disturbed: started together, the first killed, stopped past its lease and
# resumed once the second is done, or resumed while it works. Each time the set must end with the
# bytes of an undisturbed one, no input may be touched, what the second wrote may not be written
# again by the first, and the second may wait for the lease no longer than stated: twice its time.
#   bash tests/lease_races.sh [how many, 200] [seed, 1]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
count=${1:-200}
RANDOM=${2:-1}
export TRUNNION_LEASE_SECONDS=1
source tests/support/disturbed_run.sh
make_set 6 240 160

run_undisturbed

# Names, inodes, sizes and time stamps: any write changes them. The lease is the holder's own.
snapshot() { (cd "$1" && find prepared .trunnion -type f ! -name 'lease.*' ! -name '*-shm' \
  -printf '%p %i %s %T@\n' | sort); }

# The lease that is held; a candidate has another name.
leases() { (cd "$1/.trunnion" 2>/dev/null && ls -d lease.* 2>/dev/null | tail -1) || true; }
start_ms=3000  # a program that starts on a busy machine

same=0 touched=0 twice=0 stuck=0 odd=0 lost=0
for ((i = 0; i < count; ++i)); do
  way=$((i % 4))
  rm -rf "$work/run"
  cp -r "$work/set" "$work/run"
  run=$work/run/specimen
  delay=$(printf '%d.%03d' $((RANDOM % whole_ms / 1000)) $((RANDOM % whole_ms % 1000)))
  "$trunnion" prepare "$run" --quiet >/dev/null 2>"$work/first.txt" &
  first=$!
  [[ $way -eq 0 ]] || sleep "$delay"
  case $way in
    1) kill -KILL "$first" 2>/dev/null || true; wait "$first" 2>/dev/null || true ;;
    2 | 3) kill -STOP "$first" 2>/dev/null || true; sleep 1.1 ;;
  esac
  code=0
  before=$(leases "$run")
  begun=$(date +%s%N)
  "$trunnion" prepare "$run" --quiet >/dev/null 2>"$work/second.txt" &
  second=$!
  # Until the second has the lease, or ends because it is refused.
  while [[ $(leases "$run") == "$before" ]] && kill -0 "$second" 2>/dev/null; do sleep 0.02; done
  took_ms=$((($(date +%s%N) - begun) / 1000000))
  ((took_ms <= 2000 + start_ms)) || { stuck=$((stuck + 1)); echo "way $way: $took_ms ms"; }
  if [[ $way -eq 3 ]]; then
    sleep "$(printf '%d.%03d' $((RANDOM % whole_ms / 1000)) $((RANDOM % whole_ms % 1000)))"
    kill -CONT "$first" 2>/dev/null || true
  fi
  wait "$second" || code=$?
  first_code=0
  if [[ $way -eq 2 ]]; then
    snapshot "$run" >"$work/before"
    kill -CONT "$first" 2>/dev/null || true
    wait "$first" || first_code=$?
    snapshot "$run" >"$work/after"
    # One that was stopped before it had the lease, or after it gave it back, ends with 0: it runs
    # after the second, as anyone may.
    if [[ $first_code -ne 0 ]]; then
      lost=$((lost + 1))
      if ! cmp -s "$work/before" "$work/after"; then
        twice=$((twice + 1))
        diff "$work/before" "$work/after" | head -5 || true
      fi
    fi
  elif [[ $way -ne 1 ]]; then
    wait "$first" || first_code=$?
  fi
  # Together, or where the first woke before the second had begun: one is refused, or learns that
  # it lost. Otherwise the second has to come to its end.
  if [[ $way -eq 1 || $way -eq 2 ]] && [[ $code -ne 0 ]]; then
    odd=$((odd + 1)); echo "way $way after $delay s: second ended with $code: $(cat "$work/second.txt")"
  elif [[ $code -ne 0 && $first_code -ne 0 ]]; then
    odd=$((odd + 1)); echo "way $way after $delay s: both failed: $(cat "$work/first.txt" "$work/second.txt")"
  fi
  if content "$run" | cmp -s - "$work/expected"; then
    same=$((same + 1))
  else
    echo "way $way after $delay s: differs (first $first_code, second $code)"
  fi
  inputs "$run" | cmp -s - "$work/inputs" || touched=$((touched + 1))
done
echo "$same of $count ended byte-identical, $touched inputs touched, $twice written twice," \
  "$stuck stuck beyond the stated time, $odd ended otherwise; $lost were stopped while they had the lease"
[[ $same -eq $count && $touched -eq 0 && $twice -eq 0 && $stuck -eq 0 && $odd -eq 0 ]]
