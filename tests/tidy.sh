#!/usr/bin/env bash
# clang-tidy over the sources of the program (not its tests), those that changed last first. A file
# that passed is skipped until it, a header of the project that it includes, or the configuration
# changes. The first finding ends it, so that a time limit hides none.
#
# usage: tidy.sh [FILE...]    the files named, or all
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
cache=${XDG_CACHE_HOME:-$HOME/.cache}/trunnion-tidy
mkdir -p "$cache"
# Single sources, not several as one: the compile commands alone are needed, nothing is built.
cmake --preset release -B build/tidy -DTRUNNION_UNITY=OFF >/dev/null
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# One line a source: the source, then the project's headers that it includes, directly or not.
python3 - "$@" >"$work/list" <<'PYTHON'
import re, subprocess, sys
from pathlib import Path

FLOORS = ("core/", "config/", "stages/", "datasets/", "pipeline/")
git = lambda *words: subprocess.run(["git", *words], check=True, capture_output=True,
                                    text=True).stdout.splitlines()
newest = {}
for name in git("log", "--name-only", "--format=", "-n", "400"):
    newest.setdefault(name, len(newest))
included = {}

def headers(path, seen):
    if path not in included:
        text = Path(path).read_text()
        included[path] = [h for h in re.findall(r'#include "([^"]+)"', text) if Path(h).exists()]
    for header in included[path]:
        if header not in seen:
            seen.add(header)
            headers(header, seen)
    return seen

sources = [s for s in git("ls-files", "*.cpp") if s.startswith(FLOORS) and Path(s).exists()]
if len(sys.argv) > 1:
    sources = [s for s in sources if s in sys.argv[1:]]
for source in sorted(sources, key=lambda s: newest.get(s, len(newest))):
    print(source, *sorted(headers(source, set())))
PYTHON

check() {
  local cache=$1 file=$2 stamp output
  shift 2
  stamp="$cache/$( { cat .clang-tidy "$file" "$@"; echo "$file"; } | sha256sum | cut -c1-40)"
  if [[ -e "$stamp" ]]; then return 0; fi
  if ! output=$(clang-tidy --quiet --extra-arg=-Wno-unknown-warning-option -p build/tidy "$file" \
    2>/dev/null); then
    printf '%s\n' "$output"
    return 255  # xargs starts no further one
  fi
  touch "$stamp"
}
export -f check
# shellcheck disable=SC2016
xargs -a "$work/list" -d '\n' -P "${TIDY_JOBS:-$(nproc)}" -I{} bash -c 'check "$1" $2' _ "$cache" {} || exit 1
