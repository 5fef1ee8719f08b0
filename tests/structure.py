#!/usr/bin/env python3
"""Checks how the sources are laid out, in about a second:

  floors   no floor includes a higher one: core < config < stages, datasets < pipeline
  rooms    a stage (a folder of stages/) never includes another one; from outside only its public
           header stages/NAME/NAME.h is included; its own tests may include its inner headers;
           what it declares lies in the namespace trunnion::NAME
  angles   degrees and radians are converted by core/angle.h alone
  sizes    functions over 60 lines, files over 400 lines and functions of more than 6 parameters
           are at most 1 % of each, and each is listed with its reason in structure_exceptions.txt

usage: structure.py ROOT           prints what is wrong, one line each; exit 1 where anything is
       structure.py --self-test    plants a violation of each rule in an invented tree and expects
                                   that it is found
Sizes need universal-ctags; without it they are left out and a line says so.
"""
import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

RANK = {"core": 0, "config": 1, "datasets": 2, "stages": 2, "pipeline": 3}
# datasets stands beside stages: both rest on config, neither on the other.
BESIDE = {("datasets", "stages"), ("stages", "datasets")}
INCLUDE = re.compile(r'^\s*#\s*include\s+"([^"]+)"', re.M)
# Factors between degrees and radians, and pi beside 180.
BY_HAND = re.compile(r"0\.01745|57\.29|3\.14159|"
                     r"\b(numbers::pi|kPi|CV_PI|M_PI)\b.*\b180\b|\b180\b.*\b(numbers::pi|kPi|CV_PI|M_PI)\b")
LONGEST_FUNCTION, LONGEST_FILE, MOST_PARAMETERS, ALLOWED_SHARE = 60, 400, 6, 0.01


def sources(root):
    for floor in [*RANK, "tests"]:
        for path in sorted((root / floor).rglob("*")):
            if path.suffix in (".h", ".cpp") and "node_modules" not in path.parts:
                yield path.relative_to(root)


def room_of(path):
    """The stage that a path belongs to, of its sources or of its tests."""
    parts = Path(path).parts
    if parts[0] == "stages" and len(parts) > 2:
        return parts[1]
    if parts[:2] == ("tests", "stages") and len(parts) > 3:
        return parts[2]
    return None


def include_faults(path, text):
    floor = path.parts[0]
    for target in INCLUDE.findall(text):
        parts = Path(target).parts
        to = parts[0]
        if floor in RANK and to in RANK:
            if RANK[to] > RANK[floor] or (floor, to) in BESIDE:
                yield f"{path}: includes {target}, of a floor that {floor}/ may not include"
                continue
        if to != "stages":
            continue
        room = room_of(target)
        if room is None:
            yield f"{path}: includes {target}, which lies in no room"
        elif floor == "stages" and room != room_of(path):
            yield f"{path}: includes {target}, of another stage"
        elif room != room_of(path) and target != f"stages/{room}/{room}.h":
            yield (f"{path}: includes {target}, an inner header; "
                   f"only stages/{room}/{room}.h is public")


def layout_faults(path, text):
    if path.parts[0] != "stages":
        return
    room = room_of(path)
    if room is None:
        yield f"{path}: lies in no room; move it to stages/NAME/"
        return
    for name in re.findall(r"^namespace (trunnion[\w:]*) \{", text, re.M):
        if name != f"trunnion::{room}":
            yield f"{path}: declares in namespace {name} instead of trunnion::{room}"


def angle_faults(path, text):
    if path.parts[0] not in RANK or path == Path("core/angle.h"):
        return
    for i, line in enumerate(text.splitlines(), 1):
        if BY_HAND.search(line.split("//")[0]):
            yield f"{path}:{i}: converts an angle by hand; use core/angle.h"


def room_faults(root):
    for room in sorted(p for p in (root / "stages").iterdir() if p.is_dir()):
        if not (room / f"{room.name}.h").exists():
            yield f"stages/{room.name}: its public header {room.name}.h is missing"


def parameters(signature):
    """Number of parameters of a signature "(int a, std::map<int, int> b)"."""
    inner = signature[signature.find("(") + 1 : signature.rfind(")")].strip()
    if inner in ("", "void"):
        return 0
    depth, count = 0, 1
    for c in inner:
        depth += c in "<({["
        depth -= c in ">)}]"
        count += c == "," and depth == 0
    return count


def oversized(root, paths):
    """(kind, what, size) of all that is too large, and the number counted of each kind."""
    found = []
    counted = {"file": 0, "function": 0, "parameters": 0}
    for path in paths:
        lines = (root / path).read_text().count("\n")
        counted["file"] += 1
        if lines > LONGEST_FILE:
            found.append(("file", str(path), lines))
    tags = subprocess.run(
        ["ctags", "-f", "-", "--output-format=json", "--language-force=C++", "--kinds-C++=f",
         "--fields=+neS", "-L", "-"],
        input="\n".join(str(p) for p in paths), cwd=root, check=True, capture_output=True,
        text=True).stdout
    for line in tags.splitlines():
        tag = json.loads(line)
        if tag.get("_type") != "tag" or "end" not in tag:
            continue
        counted["function"] += 1
        counted["parameters"] += 1
        what = f"{tag['path']}:{tag['name']}"
        length = tag["end"] - tag["line"] + 1
        if length > LONGEST_FUNCTION:
            found.append(("function", what, length))
        count = parameters(tag.get("signature", ""))
        if count > MOST_PARAMETERS:
            found.append(("parameters", what, count))
    return found, counted


def size_faults(root, paths, exceptions):
    found, counted = oversized(root, paths)
    for kind, what, size in found:
        if (kind, what) not in exceptions:
            yield f"{what}: {kind} {size}; shorten it, or list it with the reason"
    for kind, total in counted.items():
        share = sum(1 for k, _, _ in found if k == kind) / max(1, total)
        if share > ALLOWED_SHARE:
            yield f"{kind}: {100 * share:.2f} % are too large, {100 * ALLOWED_SHARE:g} % allowed"
    there = {(kind, what) for kind, what, _ in found}
    for kind, what in sorted(exceptions.keys() - there):
        yield f"structure_exceptions.txt: {kind} {what} is no longer too large; drop the line"


def read_exceptions(root):
    """Lines of "kind | file:function | reason"."""
    path = root / "tests" / "structure_exceptions.txt"
    exceptions = {}
    for line in path.read_text().splitlines() if path.exists() else []:
        if line and not line.startswith("#"):
            kind, what, reason = (part.strip() for part in line.split("|"))
            exceptions[(kind, what)] = reason
    return exceptions


def faults(root):
    paths = list(sources(root))
    for path in paths:
        text = (root / path).read_text()
        yield from include_faults(path, text)
        yield from layout_faults(path, text)
        yield from angle_faults(path, text)
    yield from room_faults(root)
    if shutil.which("ctags"):
        yield from size_faults(root, paths, read_exceptions(root))
    else:
        print("sizes: SKIPPED, universal-ctags is not installed", file=sys.stderr)


PLANTED = {
    "core/low.h": ('#include "config/user.h"\n', "a floor that core/ may not include"),
    "config/user.h": ('#include "stages/mask/mask.h"\n', "a floor that config/ may not include"),
    "datasets/demo.h": ('#include "stages/mask/mask.h"\n', "datasets/ may not include"),
    "stages/mask/mask.h": ('#include "stages/survey/survey.h"\n', "of another stage"),
    "stages/mask/edge.h": ("namespace trunnion {\n}\n", "instead of trunnion::mask"),
    "stages/flat.h": ("\n", "lies in no room"),
    "stages/survey/inner.h": ("\n", "public header survey.h is missing"),
    "pipeline/run.cpp": ('#include "stages/mask/edge.h"\n', "an inner header"),
    "tests/stages/survey/a_test.cpp": ('#include "stages/mask/edge.h"\n', "an inner header"),
    "core/turn.cpp": ("const double right = 90 * kPi / 180.0;\n", "an angle by hand"),
    "core/long.cpp": ("int f() {\n" + "\n" * 70 + "  return 0;\n}\n", "function 73"),
    "core/many.cpp": ("int g(int a, int b, int c, int d, int e, int f, int h) {\n  return a;\n}\n",
                      "parameters 7"),
    "core/file.cpp": ("\n" * 401, "file 401"),
}


def self_test():
    missed = []
    for name, (text, expected) in PLANTED.items():
        if expected.split()[0] in ("function", "parameters") and not shutil.which("ctags"):
            continue
        with tempfile.TemporaryDirectory() as folder:
            root = Path(folder)
            (root / "stages").mkdir()
            for sound in ("core", "config", "datasets", "pipeline", "tests"):
                (root / sound).mkdir()
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            (root / name).write_text(text)
            if not any(expected in fault for fault in faults(root)):
                missed.append(f"{name}: a planted fault was not found: {expected}")
    return missed


def main():
    if sys.argv[1:] == ["--self-test"]:
        wrong = self_test()
    elif len(sys.argv) == 2:
        wrong = list(faults(Path(sys.argv[1])))
    else:
        sys.exit(__doc__)
    print("\n".join(wrong) if wrong else "structure: nothing is wrong")
    sys.exit(1 if wrong else 0)


main()
