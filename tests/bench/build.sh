#!/usr/bin/env bash
# CPU seconds of a build from nothing, program and tests, of this tree beside another commit: both in
# one run, one after the other, without a compiler cache and with the same flags. Wants an idle
# machine.
#
# usage: build.sh [COMMIT]    the commit to compare with; by default d10acfc
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
commit=${1:-d10acfc}
work=$(mktemp -d)
trap 'git worktree remove --force "$work/before" 2>/dev/null || true; rm -rf "$work"' EXIT
git worktree add -q --detach "$work/before" "$commit"
export CCACHE_DISABLE=1

# cpu_seconds SOURCE BUILD
cpu_seconds() {
  cmake -S "$1" -B "$2" -G Ninja -DCMAKE_BUILD_TYPE=Release >/dev/null
  TIMEFORMAT='%U %S'
  { time cmake --build "$2" >/dev/null; } 2>&1 | awk 'END { print $1 + $2 }'
}
before=$(cpu_seconds "$work/before" "$work/build-before")
now=$(cpu_seconds "$PWD" "$work/build-now")
awk -v a="$before" -v b="$now" -v c="$commit" \
  'BEGIN { printf "%s %.0f s, this tree %.0f s of CPU: %.2f\n", c, a, b, b / a }'
