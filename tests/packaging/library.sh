#!/usr/bin/env bash
# The installed library: every public header compiles alone, and the three examples, built outside
# the tree against find_package(trunnion), give what the program itself gives, to the last bit.
#   bash tests/packaging/library.sh BUILD [FOLDER TO WORK IN]
set -euo pipefail
build=$(realpath "$1")
here=$(realpath "$(dirname "${BASH_SOURCE[0]}")")
work=${2:-$(mktemp -d)}
/usr/bin/python3 -c 'import tifffile' 2>/dev/null ||
  { echo "SKIPPED: python3-tifffile is not installed; run: bash datasets/setup.sh tests"; exit 77; }
rm -rf "$work"
mkdir -p "$work/sets"
work=$(realpath "$work")
fail() { echo "library.sh: $1" >&2; exit 1; }
check() { /usr/bin/python3 "$here/library.py" "$@" || fail "$1: the results differ"; }

cmake --install "$build" --prefix "$work/prefix" >"$work/install.log"
# What the compiler cache knows need not be compiled again.
export CCACHE_BASEDIR=$work CCACHE_NOHASHDIR=1
launcher=$(command -v ccache || true)
build_against_prefix() {  # SOURCES BUILD
  cmake -S "$1" -B "$2" -G Ninja -DCMAKE_PREFIX_PATH="$work/prefix" -DCMAKE_BUILD_TYPE=Release \
    ${launcher:+-DCMAKE_CXX_COMPILER_LAUNCHER="$launcher"} >"$2.log" 2>&1 || { tail -30 "$2.log"; fail "$1 is not configured"; }
  cmake --build "$2" -j 2 >>"$2.log" 2>&1 || { tail -30 "$2.log"; fail "$1 does not build"; }
}
# From a copy: nothing of the tree is beside them.
cp -r "$work/prefix/share/doc/trunnion/docs/examples" "$work/examples"
build_against_prefix "$work/examples" "$work/examples-build"
cp -r "$here/headers" "$work/headers"
build_against_prefix "$work/headers" "$work/headers-build"

trunnion=$work/prefix/bin/trunnion
examples=$work/examples-build
cd "$work/sets"
"$trunnion" demo set --quiet --no-boards --rings 1 --stations 6 --width 240 --height 160 --backdrop grey
cp set/truth/demo.calibration.json set/setups/
specimen=set/specimen

# The program without what the examples leave out. Angles stand in a table: as a multiple of a step
# they would differ in the last bit.
sed -i '/^pattern = /d' $specimen/specimen.toml
printf '\n[captures]\ntable = "captures.csv"\n' >>$specimen/specimen.toml
echo file,station,angle_deg >$specimen/captures.csv
for i in 0 1 2 3 4 5; do echo "fused/mid_00$i.tif,$i,$((60 * i))"; done >>$specimen/captures.csv
printf '\n[repair]\ndust = false\n[mask]\nenabled = false\n[refine]\nenabled = false\n' \
  >>$specimen/specimen.toml
"$trunnion" prepare $specimen --quiet
for image in $specimen/fused/mid_00[0-2].tif; do
  "$examples/undistort_image" set/setups/demo.calibration.json "$image" out.tif
  check pixels out.tif "$specimen/prepared/images/$(basename "$image")"
done
"$examples/list_poses" set/setups/demo.toml mid 0 60 120 180 240 300 >poses.csv
check poses poses.csv $specimen/prepared/cameras.json

# A set of one station against its empty stage.
mkdir -p one/fused
cp $specimen/fused/mid_000.tif one/fused/
check empty one/fused/mid_000.tif one/fused/empty.tif
sed -e 's/^stations = 6/stations = 1/' -e 's,"\.\./setups,"../set/setups,' -e '/^\[captures\]/,$d' \
  -e 's,^kind = .*,empty = "fused/empty.tif",' $specimen/specimen.toml >one/specimen.toml
echo 'pattern = "fused/mid_{station}.tif"' >>one/specimen.toml
printf '\n[undistort]\nenabled = false\n[refine]\nenabled = false\n' >>one/specimen.toml
"$trunnion" prepare one --quiet
"$examples/mask_image" one/fused/empty.tif one/fused/mid_000.tif mask.png
cmp mask.png one/prepared/masks/mid_000.png || fail "the masks differ"
[[ $(stat -c %s mask.png) -gt 500 ]] || fail "the mask is empty"

# What is wrong is said in a sentence, with exit code 1.
if "$examples/undistort_image" set/setups/demo.toml one/fused/mid_000.tif out.tif 2>said; then
  fail "a setup file passed as a record"
fi
grep -q "demo.toml: is not valid JSON" said || fail "it says: $(cat said)"
rm -rf "$work"
echo "library.sh: every public header compiles alone, and the examples agree with the program"
