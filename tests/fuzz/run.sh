#!/usr/bin/env bash
# Fuzzes every reader of foreign input, each for so many seconds; ends with a line for each and
# fails where anything was found (then kept below build/fuzz/findings).
#   bash tests/fuzz/run.sh [seconds a target, 900] [targets, all]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
seconds=${1:-900}
shift || true
targets=("$@")
if [[ ${#targets[@]} -eq 0 ]]; then
  targets=(settings setup record capture_table template metadata image)
fi
bash datasets/setup.sh fuzz
cmake --preset fuzz >/dev/null
cmake --build build/fuzz --target fuzz_seeds "${targets[@]/#/fuzz_}"
build/fuzz/tests/fuzz/fuzz_seeds build/fuzz/seeds

found=0
for target in "${targets[@]}"; do
  work=build/fuzz/corpus/$target
  findings=build/fuzz/findings/$target
  regressions=tests/fuzz/regressions/$target
  mkdir -p "$work" "$findings" "build/fuzz/seeds/$target"
  seeds=("build/fuzz/seeds/$target")
  if [[ -d "$regressions" ]]; then seeds+=("$regressions"); fi
  log=build/fuzz/$target.log
  status=ok
  build/fuzz/tests/fuzz/fuzz_"$target" -max_total_time="$seconds" -timeout=5 -rss_limit_mb=2048 \
    -max_len=16384 -print_final_stats=1 -close_fd_mask=1 -artifact_prefix="$findings/" \
    "$work" "${seeds[@]}" 2>"$log" || status=FOUND
  runs=$(awk '/number_of_executed_units/ { print $2 }' "$log")
  peak=$(awk '/peak_rss_mb/ { print $2 }' "$log")
  echo "$target: $status, ${runs:-?} executions in $seconds s, peak ${peak:-?} MB"
  if [[ $status != ok ]]; then found=1; fi
done
exit $found
