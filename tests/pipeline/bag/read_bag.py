"""Reads a package by RFC 8493 with Python's standard library alone: exit code 0 where it is complete
and valid (section 3), 1 with what is wrong where it is not.  python3 read_bag.py FOLDER"""
import hashlib
import pathlib
import re
import sys

bag = pathlib.Path(sys.argv[1])
wrong = []

# 2.1.1: the declaration has exactly two lines.
declaration = (bag / "bagit.txt").read_text(encoding="utf-8").splitlines()
if len(declaration) != 2 or not re.fullmatch(r"BagIt-Version: \d+\.\d+", declaration[0]):
    wrong.append("bagit.txt")
if declaration[1:] != ["Tag-File-Character-Encoding: UTF-8"]:
    wrong.append("encoding")

payload = {p.relative_to(bag).as_posix() for p in (bag / "data").rglob("*") if p.is_file()}
manifests = sorted(bag.glob("manifest-*.txt"))
if not manifests:
    wrong.append("no payload manifest")


def entries(manifest):
    """2.1.3: checksum, white space, path; %0A, %0D and %25 within it."""
    for line in manifest.read_text(encoding="utf-8").splitlines():
        checksum, path = line.split(None, 1)
        yield checksum.lower(), re.sub(r"%(0A|0D|25)", lambda m: chr(int(m[1], 16)), path, flags=re.I)


def compare(manifest, algorithm):
    listed = set()
    for checksum, path in entries(manifest):
        if path in listed or pathlib.PurePosixPath(path).is_absolute() or ".." in path.split("/"):
            wrong.append(f"{manifest.name}: {path}")
        listed.add(path)
        file = bag / path
        if not file.is_file():
            wrong.append(f"missing: {path}")
        elif hashlib.new(algorithm, file.read_bytes()).hexdigest() != checksum:
            wrong.append(f"changed: {path}")
    return listed


for manifest in manifests:
    listed = compare(manifest, manifest.stem.removeprefix("manifest-"))
    if listed != payload:
        wrong.append(f"{manifest.name} and data/ differ: {sorted(listed ^ payload)}")
for manifest in bag.glob("tagmanifest-*.txt"):
    listed = compare(manifest, manifest.stem.removeprefix("tagmanifest-"))
    for name in [m.name for m in manifests]:
        if name not in listed:
            wrong.append(f"{name} is in no tag manifest")

# 2.2.2: label, colon, value; Payload-Oxum is bytes and files of the payload.
if (bag / "bag-info.txt").exists():
    for line in (bag / "bag-info.txt").read_text(encoding="utf-8").splitlines():
        label, colon, value = line.partition(":")
        if not line.startswith((" ", "\t")) and (not colon or not label.strip()):
            wrong.append(f"bag-info.txt: {line}")
        if label == "Payload-Oxum":
            size = sum((bag / path).stat().st_size for path in payload)
            if value.strip() != f"{size}.{len(payload)}":
                wrong.append(f"Payload-Oxum {value}")

print("\n".join(wrong))
sys.exit(1 if wrong else 0)
