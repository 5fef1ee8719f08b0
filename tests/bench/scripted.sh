#!/usr/bin/env bash
# What a user would script today: ImageMagick straightens the lens and thresholds a mask in one
# call an image, exiftool writes tags in one call for all. Outputs as those of prepare: images of
# the input's type and depth, 8-bit PNG masks, EXIF. Usage: scripted.sh IN OUT JOBS COMPRESSION
set -euo pipefail
in=$1 out=$2 jobs=$3 compression=$4
mkdir -p "$out/images" "$out/masks"
# Several images at once, so one thread each, as prepare does. Debian's policy would send an image
# of this size to a file on disk: that would be unfair.
export MAGICK_THREAD_LIMIT=1 OMP_NUM_THREADS=1
if [[ -n "${POLICY_FOLDER:-}" ]]; then export MAGICK_CONFIGURE_PATH=$POLICY_FOLDER; fi
one() {
  local file=$1 out=$2 compression=$3
  local name=${file##*/}
  # Cubic interpolation of four taps a side, like the others; without "-filter point" ImageMagick
  # would take an elliptical filter that is several times as slow. Then levels above a sixteenth
  # of the range, closed over noise, are specimen.
  convert-im6.q16 "$file" -virtual-pixel black -interpolate catrom -filter point \
    -distort Barrel "0.0 -0.01 0.0 1.01" -compress "$compression" -quality 97 \
    -write "$out/images/$name" \
    -colorspace gray -threshold 6% -morphology close disk:2 -depth 8 -compress zip -quality 30 \
    "$out/masks/${name%.*}.png"
}
export -f one
find "$in" -type f -print0 | sort -z |
  xargs -0 -P "$jobs" -I{} bash -c 'one "$@"' _ {} "$out" "$compression"
exiftool -q -overwrite_original -Make=Maker -Model=Camera -FocalLength=100 -FNumber=5.6 \
  -FocalPlaneXResolution=266 -FocalPlaneResolutionUnit=mm -XMP-dc:Title=Measured \
  -XMP-dc:Description="Prepared by script" "$out/images"
