# Sourced by scripts that disturb a run of prepare and resume it: a small posed set in $work/set,
# and what is compared.
export SOURCE_DATE_EPOCH=1000000000
trunnion=${TRUNNION:-$PWD/build/release/trunnion}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# make_set STATIONS WIDTH HEIGHT
make_set() {
  "$trunnion" demo "$work/set" --rings 1 --stations "$1" --width "$2" --height "$3" --no-boards \
    --quiet
  cp "$work/set/truth/demo.calibration.json" "$work/set/setups/"
}
# Timings are volatile; they live in the report only.
content() { (cd "$1" && find prepared -type f ! -path 'prepared/report/*' -print0 | sort -z |
  xargs -0 -r sha256sum); }
inputs() { (cd "$1" && find fused specimen.toml -type f -print0 | sort -z | xargs -0 -r sha256sum); }

# What a run must end with, in $work/expected and $work/inputs, and the time that it takes, $whole_ms.
run_undisturbed() {
  local begun
  cp -r "$work/set" "$work/whole"
  begun=$(date +%s%N)
  "$trunnion" prepare "$work/whole/specimen" --quiet
  whole_ms=$((($(date +%s%N) - begun) / 1000000))
  content "$work/whole/specimen" >"$work/expected"
  inputs "$work/set/specimen" >"$work/inputs"
}
