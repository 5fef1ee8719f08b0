"""Runs all contestants in turn and prints a Markdown table; run.sh builds them and calls this."""

import argparse
import concurrent.futures
import json
import os
import pathlib
import platform
import shutil
import statistics
import subprocess
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
BUILD = ROOT / "build" / "release"
DATA = ROOT / "build" / "bench"
PROGRAM = BUILD / "trunnion"
SIZES = {26: (6240, 4160, 8), 50: (8640, 5792, 4)}  # megapixels: width, height, images
FORMATS = ["tiff-deflate", "tiff-plain", "jpeg", "png"]
# Megapixels, format, images, rounds; the first with all contestants.
CASES = [
    (26, "tiff-deflate", 8, 3),
    (26, "tiff-plain", 8, 2),
    (26, "jpeg", 8, 2),
    (26, "png", 4, 2),
    (50, "tiff-deflate", 4, 2),
]


class Run:
    """One run of one contestant: seconds, CPU seconds, greatest memory of any process of it."""

    def __init__(self, command):
        with open(DATA / "last.log", "wb") as log:
            begun = time.monotonic()
            child = subprocess.Popen(
                [str(word) for word in command], stdout=log, stderr=log, stdin=subprocess.DEVNULL
            )
            _, status, usage = os.wait4(child.pid, 0)
            self.wall = time.monotonic() - begun
        # 1: prepared, but the set leaves something to be desired.
        if os.waitstatus_to_exitcode(status) not in (0, 1) or (
            command[0] != PROGRAM and status != 0
        ):
            raise SystemExit(f"{command} failed:\n" + (DATA / "last.log").read_text())
        self.cpu = usage.ru_utime + usage.ru_stime
        self.peak = usage.ru_maxrss * 1024 / 1e6


def make_set(size, form, images, coarse=False):
    width, height, _ = SIZES[size] if isinstance(size, int) else size
    name = f"{width}x{height}-{form}-{images}" + ("-coarse" if coarse else "")
    folder = DATA / "sets" / name
    if not (folder / "complete").exists():
        shutil.rmtree(folder, ignore_errors=True)
        print(f"making {name}", flush=True)
        enlarged = 4 if width > 2000 else 1
        words = [BUILD / "tests/bench/bench_make_set", folder, "--format", form]
        words += ["--images", images, "--enlarged", enlarged]
        words += ["--width", width, "--height", height] + (["--coarse"] if coarse else [])
        subprocess.run([str(word) for word in words], check=True)
        (folder / "complete").touch()
    return folder


def make_all(options):
    """All sets that the parts will ask for, two at a time, so that measuring is not disturbed."""
    wanted = []
    if "whole" in options.parts:
        wanted += [(size, form, images) for size, form, images, _ in options.cases]
    if "full-check" in options.parts:
        wanted.append((26, "tiff-deflate", options.images or SIZES[26][2]))
    if "scale" in options.parts:
        wanted += [((480, 320, 0), "tiff-deflate", count) for count in options.counts]
    if "memory" in options.parts:
        wanted += [memory_set(count) for count in options.memory_counts]
    # Longest first.
    wanted = sorted(dict.fromkeys(wanted), key=lambda words: -words[2])
    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda words: make_set(*words), wanted))


def workspace(source, name, toml=""):
    """A fresh workspace over the same images."""
    folder = DATA / "work" / name
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(source, folder, copy_function=os.link)
    specimen = folder / "specimen" / "specimen.toml"
    text = specimen.read_text()
    specimen.unlink()
    specimen.write_text(text + "\n" + toml)
    return folder / "specimen"


NO_REFINE = "[refine]\nenabled = false\n"


ONCE = ("scripted, plain", "scripted, tuned", "floor, deflate out", "floor, one job")  # first round


class Case:
    """All contestants over one set."""

    def __init__(self, size, form, images, jobs):
        self.size, self.form, self.images, self.jobs = size, form, images, jobs
        self.source = make_set(size, form, images)
        self.plain = form == "tiff-plain"
        self.output = "[output]\ncompress = false\n" if self.plain else ""

    def floor(self, codec="same", jobs=None):
        out = DATA / "work" / "floor"
        shutil.rmtree(out, ignore_errors=True)
        return Run(
            [BUILD / "tests/bench/bench_floor", self.source / "specimen/fused", out]
            + ["--record", self.source / "setups/demo.calibration.json"]
            + ["--jobs", jobs or self.jobs, "--codec", "plain" if self.plain else codec]
        )

    def prepare(self, refine, jobs=None):
        folder = workspace(self.source, "prepare", self.output + ("" if refine else NO_REFINE))
        return Run([PROGRAM, "prepare", "--quiet", "--jobs", jobs or self.jobs, folder])

    def scripted(self, how):
        out = DATA / "work" / "scripted"
        shutil.rmtree(out, ignore_errors=True)
        compression = "none" if self.plain else "lzw" if "tiff" in self.form else "undefined"
        script = ROOT / "tests/bench/scripted.sh"
        fused = self.source / "specimen/fused"
        return Run(["bash", script, fused, out, self.jobs, compression, how])

    def contestants(self, wanted):
        every = {
            "floor": self.floor,
            "prepare": lambda: self.prepare(False),
            "prepare with refinement": lambda: self.prepare(True),
        }
        more = {
            "prepare, one job": lambda: self.prepare(False, 1),
            "floor, one job": lambda: self.floor(jobs=1),
            "floor, deflate out": lambda: self.floor("deflate"),
            "scripted, plain": lambda: self.scripted("plain"),
            "scripted, tuned": lambda: self.scripted("tuned"),
        }
        if wanted or (self.size, self.form) == CASES[0][:2]:
            every |= more
        return {k: v for k, v in every.items() if not wanted or k in wanted or k == "floor"}


def load():
    return os.getloadavg()[0]


def span(values, digits=2):
    return f"{min(values):.{digits}f} to {max(values):.{digits}f}"


def ratios(runs, a, b, what):
    """Of runs that took turns within one round."""
    return [getattr(x, what) / getattr(y, what) for x, y in zip(runs[a], runs[b])]


def whole(options, lines):
    for size, form, images, rounds in options.cases:
        case = Case(size, form, images, options.jobs)
        contestants = case.contestants(options.contestants)
        runs = {name: [] for name in contestants}
        loads = [load()]
        for number in range(rounds):
            for name, action in contestants.items():
                if number > 0 and name in ONCE:
                    continue
                run = action()
                runs[name].append(run)
                print(
                    f"{size} MP {form} round {number + 1} {name}: {run.wall:.1f} s, "
                    f"CPU {run.cpu:.1f} s, {run.peak:.0f} MB",
                    flush=True,
                )
            loads.append(load())
        lines.append(
            f"\n### {size} megapixels, {form}, {images} images\n\n"
            f"{rounds} rounds, {options.jobs} jobs, load average {span(loads, 1)}.\n\n"
            "| contestant | s an image | CPU s an image | time / floor | spread | CPU / floor "
            "| spread | peak MB |\n|---|---|---|---|---|---|---|---|"
        )
        for name, done in runs.items():
            wall = ratios(runs, name, "floor", "wall")
            cpu = ratios(runs, name, "floor", "cpu")
            lines.append(
                f"| {name} | {statistics.median(r.wall for r in done) / images:.2f} "
                f"| {statistics.median(r.cpu for r in done) / images:.2f} "
                f"| {statistics.median(wall):.2f} | {span(wall)} "
                f"| {statistics.median(cpu):.2f} | {span(cpu)} "
                f"| {max(r.peak for r in done):.0f} |"
            )
        for label, a, b in (
            ("Two jobs against one", "prepare, one job", "prepare"),
            ("The same of the floor", "floor, one job", "floor"),
            ("Scripted, plain / prepare without refinement", "scripted, plain", "prepare"),
            ("Scripted, plain / prepare with refinement", "scripted, plain", "prepare with refinement"),
            ("Scripted, tuned / prepare with refinement", "scripted, tuned", "prepare with refinement"),
        ):
            if a in runs and b in runs:
                wall = statistics.median(ratios(runs, a, b, "wall"))
                cpu = statistics.median(ratios(runs, a, b, "cpu"))
                lines.append(f"\n{label}: {wall:.2f} of time, {cpu:.2f} of CPU.")
        write(lines)


def scale(options, lines):
    """Cost an image and no-op run over the number of images; small ones suffice."""
    lines.append(
        "\n### Number of images (480 x 320, TIFF)\n\n"
        "| images | s an image | CPU s an image | peak MB | no-op run, s | full check, s |\n"
        "|---|---|---|---|---|---|"
    )
    for images in options.counts:
        source = make_set((480, 320, 0), "tiff-deflate", images)
        folder = workspace(source, "scale")
        prepare = [PROGRAM, "prepare", "--quiet", "--jobs", options.jobs, folder]
        first = Run(prepare)
        again = min((Run(prepare) for _ in range(3)), key=lambda run: run.wall)
        full = min((Run(prepare + ["--full-check"]) for _ in range(3)), key=lambda run: run.wall)
        lines.append(
            f"| {images} | {first.wall / images:.3f} | {first.cpu / images:.3f} "
            f"| {first.peak:.0f} | {again.wall:.2f} | {full.wall:.2f} |"
        )
        print(lines[-1], flush=True)
    write(lines)


def full_check(options, lines):
    """Bytes a second of a full check: what it takes longer than a no-op run."""
    case = Case(26, "tiff-deflate", options.images or SIZES[26][2], options.jobs)
    folder = workspace(case.source, "check", NO_REFINE)
    prepare = [PROGRAM, "prepare", "--quiet", "--jobs", options.jobs, folder]
    Run(prepare)
    size = sum(f.stat().st_size for f in (folder / "prepared").rglob("*") if f.is_file())
    quick = min(Run(prepare).wall for _ in range(3))
    full = min(Run(prepare + ["--full-check"]).wall for _ in range(3))
    lines.append(
        f"\nFull check of {size / 1e9:.2f} GB: {full:.2f} s, no-op run {quick:.2f} s: "
        f"{size / 1e9 / max(1e-3, full - quick):.1f} GB/s."
    )
    write(lines)


def memory_set(count):
    return 26, "tiff-deflate", count, True


def memory(options, lines):
    """Peak memory over the number of images, 26 megapixels at 16 bit, two jobs. Files hold eight
    bits in sixteen and JPEG comes out, which the disk has room for; pixels in memory are the same."""
    lines.append(
        "\n### Peak memory, 26 megapixels, 16 bit in, JPEG out, two jobs, with refinement\n\n"
        "| images | MB | s an image | CPU s an image |\n|---|---|---|---|"
    )
    for count in options.memory_counts:
        source = make_set(*memory_set(count))
        output = '[output]\ntype = "jpeg"\nbits = "8"\n'
        folder = workspace(source, "memory", output)
        run = Run([PROGRAM, "prepare", "--quiet", "--jobs", 2, folder])
        lines.append(
            f"| {count} | {run.peak:.0f} | {run.wall / count:.2f} | {run.cpu / count:.2f} |"
        )
        print(lines[-1], flush=True)
        shutil.rmtree(folder.parent)
    write(lines)


def stages(options, lines):
    """Each stage alone, megapixels a second of CPU time."""
    words = [BUILD / "tests/bench/stage_bench", "--benchmark_format=json"]
    words += ["--benchmark_min_time=0.1"]
    done = subprocess.run([str(w) for w in words], check=True, capture_output=True)
    lines.append(
        "\n### Each stage alone, 26 megapixels, one core\n\n"
        f"Load average {load():.1f}.\n\n| stage | ms of CPU | megapixels a second |\n|---|---|---|"
    )
    for entry in json.loads(done.stdout)["benchmarks"]:
        name = entry["name"].split("/iterations")[0].replace("/", ", ").replace("_", " ")
        lines.append(f"| {name} | {entry['cpu_time']:.0f} | {entry['megapixels/s']:.0f} |")
    write(lines)


PARTS = {
    "whole": whole,
    "stages": stages,
    "scale": scale,
    "full-check": full_check,
    "memory": memory,
}


def machine():
    model = next(
        (l.split(":")[1].strip() for l in open("/proc/cpuinfo") if l.startswith("model name")), "?"
    )
    total = int(open("/proc/meminfo").readline().split()[1]) / 1024 / 1024
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], cwd=ROOT, capture_output=True, text=True
    ).stdout.strip()
    return (
        f"{os.cpu_count()} cores ({model}), {total:.0f} GiB, Linux {platform.release()}, "
        f"commit {commit}, {time.strftime('%Y-%m-%d')}."
    )


def write(lines):
    OUT.parent.mkdir(parents=True, exist_ok=True)
    OUT.write_text("\n".join(lines) + "\n")


def main():
    global OUT
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=list(PARTS))
    parser.add_argument("--sizes", nargs="+", type=int, choices=SIZES, default=list(SIZES))
    parser.add_argument("--only", nargs="+", choices=FORMATS, help="formats of the whole runs")
    parser.add_argument("--contestants", nargs="+", help="by their names in the table")
    parser.add_argument("--images", type=int, help="of the whole runs, in place of 8 and 4")
    parser.add_argument("--rounds", type=int, help="of the whole runs, in place of 3 and 2")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--counts", nargs="+", type=int, default=[24, 240, 1000])
    parser.add_argument("--memory-counts", nargs="+", type=int, default=[24, 240])
    parser.add_argument("--out", type=pathlib.Path, default=DATA / "table.md")
    options = parser.parse_args()
    OUT = options.out
    DATA.mkdir(parents=True, exist_ok=True)
    options.cases = [
        (size, form, options.images or images, options.rounds or rounds)
        for size, form, images, rounds in CASES
        if size in options.sizes and form in (options.only or FORMATS)
    ]
    make_all(options)
    lines = [machine()]
    begun = time.monotonic()
    for part in options.parts:
        PARTS[part](options, lines)
    print(f"measured in {(time.monotonic() - begun) / 60:.1f} minutes\n")
    print(OUT.read_text())


main()
