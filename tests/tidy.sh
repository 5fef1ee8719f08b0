#!/usr/bin/env bash
# clang-tidy over every source of the project. A file that passed is skipped until it, a header of
# the project or the configuration changes: its stamp carries the hash of all three.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
build=${1:-build/release}
cache=${XDG_CACHE_HOME:-$HOME/.cache}/trunnion-tidy
mkdir -p "$cache"
headers=$(git ls-files '*.h' .clang-tidy | sort | xargs cat | sha256sum)

check() {
  local file=$1 stamp
  stamp="$3/$( { cat "$file"; echo "$4 $file"; } | sha256sum | cut -c1-40)"
  if [[ -e "$stamp" ]]; then return 0; fi
  local output
  if ! output=$(clang-tidy --quiet -p "$2" "$file" 2>/dev/null); then
    printf '%s\n' "$output"
    return 1
  fi
  touch "$stamp"
}
export -f check
git ls-files '*.cpp' | xargs -P "$(nproc)" -I{} bash -c 'check "$@"' _ {} "$build" "$cache" "$headers"
