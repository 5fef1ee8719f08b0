"""Reads and writes TIFF by tifffile (Debian python3-tifffile), which shares no code with libtiff.

tiff_pixels.py decode FOLDER   writes the samples of each NAME.tif as NAME.raw
tiff_pixels.py write FOLDER    writes NAME.tif in many layouts, and their samples as NAME.raw

NAME.raw: rows, columns, samples, as 8-bit or little-endian 16-bit numbers. tifffile without its
optional codecs has no LZW; that of TIFF 6.0, section 13, stands here.
"""
import itertools
import pathlib
import sys

import numpy
import tifffile


def lzw_decode(encoded, buffersize=0, out=None):
    """TIFF 6.0, section 13: codes of 9 to 12 bits, high bit first, 256 clears, 257 ends."""
    bits = int.from_bytes(encoded, "big")
    left = 8 * len(encoded)
    decoded = bytearray()
    table, width, previous = [], 9, b""
    while left >= width:
        left -= width
        code = (bits >> left) & ((1 << width) - 1)
        if code == 257:
            break
        if code == 256:
            table = [bytes([i]) for i in range(256)] + [b"", b""]
            width, previous = 9, b""
            continue
        entry = table[code] if code < len(table) else previous + previous[:1]
        decoded += entry
        if previous:
            table.append(previous + entry[:1])
        previous = entry
        # One code earlier than the table needs it.
        if len(table) + 1 >= 1 << width and width < 12:
            width += 1
    return bytes(decoded)


def interleaved(page):
    samples = page.asarray()
    if samples.ndim == 2:
        samples = samples[:, :, None]
    elif page.planarconfig == tifffile.PLANARCONFIG.SEPARATE:
        samples = numpy.moveaxis(samples, 0, -1)
    return samples


def save(path, samples):
    path.write_bytes(numpy.ascontiguousarray(samples, samples.dtype.newbyteorder("<")).tobytes())


def decode(folder):
    tifffile.tifffile.imagecodecs.lzw_decode = lzw_decode
    for path in sorted(folder.glob("*.tif")):
        with tifffile.TiffFile(path) as tiff:
            save(path.with_suffix(".raw"), interleaved(tiff.pages[0]))


def write(folder):
    random = numpy.random.default_rng(1)
    for samples, depth, planes, tiles, order, big, packed in itertools.product(
            (1, 3, 4), (numpy.uint8, numpy.uint16), (False, True), (False, True), "<>",
            (False, True), (False, True)):
        if planes and samples == 1:
            continue
        image = random.integers(0, numpy.iinfo(depth).max, (45, 70, samples), depth, True)
        name = "_".join(str(x) for x in (samples, depth.__name__, "planes" if planes else "pixels",
                                         "tiles" if tiles else "strips",
                                         "little" if order == "<" else "big",
                                         "bigtiff" if big else "classic",
                                         "deflate" if packed else "plain"))
        data = numpy.moveaxis(image, -1, 0) if planes else image
        tifffile.imwrite(
            folder / (name + ".tif"), data if samples > 1 else image[:, :, 0], byteorder=order,
            bigtiff=big, photometric="rgb" if samples > 1 else "minisblack",
            planarconfig=None if samples == 1 else "separate" if planes else "contig",
            extrasamples=["unassalpha"] if samples == 4 else None,
            tile=(32, 16) if tiles else None, rowsperstrip=None if tiles else 7,
            compression="zlib" if packed else None)
        save(folder / (name + ".raw"), image)


if __name__ == "__main__":
    {"decode": decode, "write": write}[sys.argv[1]](pathlib.Path(sys.argv[2]))
