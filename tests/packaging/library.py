"""Helps library.sh, by readers that are not ours (tifffile; json of Python).

library.py empty IMAGE OUT        an image of the stage without the specimen: each row of IMAGE from
                                  its left to its right end in a straight line
library.py pixels A B             A and B, TIFF, hold the same pixels
library.py poses CSV CAMERAS      the poses of list_poses are those of cameras.json, to the last bit
"""
import csv
import json
import math
import pathlib
import sys

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "reference"))
import numpy
import tifffile
import tiff_pixels

tifffile.tifffile.imagecodecs.lzw_decode = tiff_pixels.lzw_decode


def pixels(path):
    with tifffile.TiffFile(path) as tiff:
        return tiff.pages[0].asarray()


def empty(image, out):
    seen = pixels(image)
    left, right = seen[:, :8].mean(1), seen[:, -8:].mean(1)
    at = numpy.linspace(0, 1, seen.shape[1])[None, :, None]
    line = left[:, None] * (1 - at) + right[:, None] * at
    tifffile.imwrite(out, numpy.rint(line).astype(seen.dtype), photometric="rgb")


def same_pixels(a, b):
    a, b = pixels(a), pixels(b)
    if a.shape != b.shape or a.dtype != b.dtype:
        sys.exit(f"{a.shape} {a.dtype} against {b.shape} {b.dtype}")
    if (a != b).any():
        sys.exit(f"{(a != b).sum()} of {a.size} values differ")


def same_poses(listed, cameras):
    rows = list(csv.DictReader(open(listed)))
    views = json.load(open(cameras))["views"]
    if len(rows) != len(views):
        sys.exit(f"{len(rows)} poses against {len(views)} views")
    for row, view in zip(rows, views):
        ours = [float(row[k]) for k in ("X_mm", "Y_mm", "Z_mm", "qw", "qx", "qy", "qz")]
        theirs = view["pose"]["centre_mm"] + view["pose"]["quaternion_wxyz"]
        if ours != theirs or not all(map(math.isfinite, ours)):
            sys.exit(f"{view['name']}: {ours} against {theirs}")


{"empty": empty, "pixels": same_pixels, "poses": same_poses}[sys.argv[1]](*sys.argv[2:])
