#!/usr/bin/env bash
# Builds the Debian packages twice from nothing, in two folders and without the compiler cache, and
# compares them byte by byte. Takes twice a whole build, so it is run before a release and not with
# every change.
#   bash tests/packaging/rebuild.sh [FOLDER TO WORK IN]
set -euo pipefail
tree=$(realpath "$(dirname "${BASH_SOURCE[0]}")/../..")
work=$(realpath "${1:-$(mktemp -d)}")
commit=$(git -C "$tree" rev-parse HEAD)  # the same for both, whatever is committed meanwhile
export CCACHE_DISABLE=1
for copy in one another; do
  rm -rf "${work:?}/$copy"
  git clone --quiet --no-hardlinks "$tree" "$work/$copy"
  git -C "$work/$copy" checkout --quiet --detach "$commit"
  bash "$work/$copy/docs/packaging/build.sh"
done
for package in "$work"/one/build/package/packages/*.deb; do
  cmp "$package" "$work/another/build/package/packages/$(basename "$package")"
  sha256sum "$package"
done
echo "rebuild.sh: two builds, the same bytes"
