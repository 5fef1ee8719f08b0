#!/usr/bin/env bash
# clang-tidy over the sources of the program (not its tests), with the compile commands and the
# header dependencies of a finished build. A file that passed is skipped until it, a header of the
# project that it includes, or the configuration changes.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
build=${1:-build/release}
cache=${XDG_CACHE_HOME:-$HOME/.cache}/trunnion-tidy
mkdir -p "$cache"
root=$PWD
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# One line a source: the source, then the project's headers that its object depends on.
ninja -C "$build" -t deps | awk -v root="$root/" '
  /^[^ ].*: #deps/ { if (source != "") print source headers; source = ""; headers = ""; next }
  /^ / {
    path = $1
    if (path ~ /web\/page\.cpp$/) next  # generated
    sub(/^(\.\.\/)+/, "", path)
    sub("^" root, "", path)
    if (path ~ /^(core|config|stages|datasets|pipeline)\/.*\.cpp$/) source = path
    else if (path ~ /^(core|config|stages|datasets|pipeline)\/.*\.h$/) headers = headers " " path
  }
  END { if (source != "") print source headers }' | sort -u >"$work/list"

check() {
  local build=$1 cache=$2 file=$3 stamp output
  shift 2
  stamp="$cache/$( { cat .clang-tidy "$@"; echo "$file"; } | sha256sum | cut -c1-40)"
  if [[ -e "$stamp" ]]; then return 0; fi
  if ! output=$(clang-tidy --quiet --extra-arg=-Wno-unknown-warning-option -p "$build" "$file" \
    2>/dev/null); then
    printf '%s\n' "$output"
    return 1
  fi
  touch "$stamp"
}
export -f check
# shellcheck disable=SC2016
xargs -a "$work/list" -d '\n' -P "${TIDY_JOBS:-$(nproc)}" -I{} \
  bash -c 'check "$1" "$2" $3' _ "$build" "$cache" {}
