#!/usr/bin/env bash
# What a user would script today: ImageMagick thresholds a mask, straightens image and mask and
# makes the small pictures of a page; exiftool writes tags. Outputs as those of prepare: images of
# the input's type and depth, 8-bit masks, two pictures a view, EXIF and XMP.
# Usage: scripted.sh IN OUT JOBS COMPRESSION [tuned]
# plain: ImageMagick's defaults, a call a purpose, as one would write it. tuned: one call an image,
# cubic interpolation instead of the elliptical filter, one exiftool for all.
set -euo pipefail
in=$1 out=$2 jobs=$3 compression=$4 how=${5:-plain}
mkdir -p "$out/images" "$out/masks" "$out/pictures"
# Several images at once, so one thread each, as prepare does; and room in memory, where Debian's
# policy would send large images to a file on disk.
export MAGICK_THREAD_LIMIT=1 OMP_NUM_THREADS=1
MAGICK_CONFIGURE_PATH=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)/policy
export MAGICK_CONFIGURE_PATH
export LENS="0.0 -0.01 0.0 1.01"
tag() {
  exiftool -q -overwrite_original -Make=Maker -Model=Camera -FocalLength=100 -FNumber=5.6 \
    -FocalPlaneXResolution=266 -FocalPlaneResolutionUnit=mm -XMP-dc:Title=Measured \
    -XMP-dc:Description="Prepared by script" "$@"
}
plain() {
  local file=$1 out=$2 compression=$3
  local name=${file##*/}
  local mask="$out/masks/${name%.*}.png"
  convert-im6.q16 "$file" -colorspace gray -blur 0x1 -threshold 6% -morphology close disk:2 \
    -depth 8 "$mask"
  convert-im6.q16 "$file" -virtual-pixel black -distort Barrel "$LENS" \
    -compress "$compression" -quality 97 "$out/images/$name"
  convert-im6.q16 "$mask" -virtual-pixel black -distort Barrel "$LENS" -depth 8 "$mask"
  convert-im6.q16 "$file" -resize 880x -depth 8 -quality 84 "$out/pictures/${name%.*}_before.jpg"
  convert-im6.q16 "$out/images/$name" -resize 880x -depth 8 -quality 84 \
    "$out/pictures/${name%.*}_after.jpg"
  tag "$out/images/$name"
}
tuned() {
  local file=$1 out=$2 compression=$3
  local name=${file##*/}
  convert-im6.q16 "$file" \
    \( +clone -resize 880x -depth 8 -quality 84 -write "$out/pictures/${name%.*}_before.jpg" \
       +delete \) \
    -virtual-pixel black -interpolate catrom -filter point -distort Barrel "$LENS" \
    -compress "$compression" -quality 97 -write "$out/images/$name" \
    \( +clone -resize 880x -depth 8 -quality 84 -write "$out/pictures/${name%.*}_after.jpg" \
       +delete \) \
    -colorspace gray -threshold 6% -morphology close disk:2 -depth 8 "$out/masks/${name%.*}.png"
}
export -f plain tuned tag
find "$in" -type f -print0 | sort -z |
  xargs -0 -P "$jobs" -I{} bash -c "set -e; $how \"\$@\"" _ {} "$out" "$compression"
if [[ "$how" == tuned ]]; then tag "$out/images"; fi
