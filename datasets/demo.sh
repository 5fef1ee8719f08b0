#!/usr/bin/env bash
# Installs what is missing, builds trunnion, makes the demo set, calibrates its setup, prepares it,
# and prints where the report lies. Run again, it does only what changed.
# The demo goes to ./demo, or to the folder given.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
bash datasets/setup.sh
cmake --preset release >/dev/null
cmake --build build/release --target trunnion

trunnion=build/release/trunnion
demo=${1:-demo}
# The set is made again where its maker changed.
stamp=$($trunnion --version; cat datasets/*.cpp datasets/*.h | sha256sum)
if [[ -e "$demo/made-by.txt" && "$(cat "$demo/made-by.txt")" != "$stamp" ]]; then rm -rf "$demo"; fi
$trunnion demo "$demo" --prepare
echo "$stamp" >"$demo/made-by.txt"
echo
echo "Open in a browser: $(realpath "$demo")/specimen/prepared/report/index.html"
