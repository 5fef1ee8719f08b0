#!/usr/bin/env bash
# Makes the Debian packages trunnion, libtrunnion-dev and trunnion-doc from this tree, after
# installing what is missing to build them, and prints where they lie. Run again on the same commit
# it gives the same bytes, in whatever folder.
#   bash docs/packaging/build.sh [FOLDER FOR THE BUILD, build/package]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
build=${1:-build/package}
bash datasets/setup.sh package
commit=$(git rev-parse --short=12 HEAD 2>/dev/null || true)
cmake --preset package -B "$build" -DTRUNNION_COMMIT="$commit" >/dev/null
cmake --build "$build"
cmake --build "$build" --target trunnion_api
cpack --config "$build/CPackConfig.cmake" -B "$build/packages" >/dev/null
rm -rf "$build/packages/_CPack_Packages"
ls -1 "$build"/packages/*.deb
