"""Time and memory from a photo's file to its JSON, beside what the same machine needs for a plain decode.

usage: python tests/bench/bench_speed.py [PHOTO] [--runs N] [--sizes] [--json]

PHOTO is by default a 12 megapixel sample photo, else one that is drawn. What is compared runs in turns and the medians
are set side by side, so that a busy machine slows both. --sizes reads it at 48 and 200 megapixels, plain and
progressive, and at 12 turned, too.
"""

from __future__ import annotations

import argparse
import io
import json
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from statistics import median

import cv2
import numpy as np
from PIL import Image, ImageOps

from colourmatch.colour.difference import ciede2000
from colourmatch.photo.measure import measure_photo

#: Reads one photo in a process of its own; prints seconds and how far its memory rose above that of the libraries, MB (Linux).
_IN_CHILD = """
import json, sys, time
from colourmatch.photo.measure import measure_photo
from colourmatch.colour.difference import ciede2000
import cv2
def peak_mb():
    # not getrusage, whose peak counts that of the process which started this one
    lines = open("/proc/self/status").read().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) * 1.024e-3
before = peak_mb()
start = time.perf_counter()
found = measure_photo(sys.argv[1])
took = time.perf_counter() - start
print(json.dumps({"seconds": took, "risen_mb": peak_mb() - before, "delta_e": found.delta_e_2000.value}))
"""


def choose_photo(folder: Path) -> Path:
    """A 12 megapixel sample photo where there is one, else a drawn one written to the folder."""
    for path in sorted((Path(__file__).parents[3] / "shared/photos").glob("still-*.jpg")):
        with Image.open(path) as image:
            if image.width * image.height > 12e6:
                return path
    from make_photos import describe

    return folder / describe(40, True, folder, ".jpg")[0]


def time_in_turns(tasks: dict[str, Callable[[], object]], runs: int) -> dict[str, dict[str, float]]:
    """Median wall and processor seconds of each task; every round runs each of them once."""
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in tasks}
    for k in range(runs + 1):
        for name, task in tasks.items():
            start, cpu = time.perf_counter(), time.process_time()
            task()
            if k:  # the first round warms up
                taken[name].append((time.perf_counter() - start, time.process_time() - cpu))
    return {
        name: {"seconds": median(t for t, _ in rows), "processor_seconds": median(c for _, c in rows)}
        for name, rows in taken.items()
    }


def compare_with_decoding(path: Path, runs: int) -> dict[str, object]:
    """File to JSON beside three ways to decode the whole file."""
    data = path.read_bytes()

    def open_whole() -> Image.Image:
        image = Image.open(io.BytesIO(data))
        image.load()
        return image

    tasks: dict[str, Callable[[], object]] = {
        "file to JSON": lambda: json.dumps(measure_photo(path).to_json()),
        "decode, Pillow": open_whole,
        "decode, Pillow to array": lambda: np.asarray(open_whole()),
        "decode, OpenCV": lambda: cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR),
    }
    times = time_in_turns(tasks, runs)
    ours = times["file to JSON"]
    ratios = {name: {key: ours[key] / value[key] for key in ours} for name, value in times.items() if value is not ours}
    return {"times": times, "ratios": ratios}


def measure_memory(path: Path) -> dict[str, float]:
    """Peak of arrays (tracemalloc) and of the whole process, in frames of the photo as 8-bit RGB."""
    with Image.open(path) as image:
        frame = image.width * image.height * 3 / 1e6
    tracemalloc.start()
    measure_photo(path)
    arrays = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    child = read_in_child(path)
    return {
        "frame_mb": frame,
        "arrays_frames": arrays / frame,
        "process_frames": child["risen_mb"] / frame,
        "seconds": child["seconds"],
        "delta_e": child["delta_e"],
    }


def read_in_child(path: Path) -> dict[str, float]:
    """Seconds, memory and CIEDE2000 of one photo read in a fresh process."""
    done = subprocess.run([sys.executable, "-c", _IN_CHILD, str(path)], capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def compare_cold(path: Path, runs: int) -> dict[str, dict[str, float]]:
    """The command line from nothing, beside a bare interpreter."""

    def run(*arguments: str) -> Callable[[], object]:
        return lambda: subprocess.run([sys.executable, *arguments], capture_output=True, check=True)

    return time_in_turns(
        {
            "bare interpreter": run("-c", "pass"),
            "colourmatch --help": run("-m", "colourmatch", "--help"),
            "colourmatch measure PHOTO": run("-m", "colourmatch", "measure", str(path), "--json"),
        },
        runs,
    )


def compare_ciede2000(pairs: int = 1_000_000) -> dict[str, dict[str, float]]:
    """A million pairs, beside the libraries that are installed."""
    rng = np.random.default_rng(1)
    one, two = (rng.uniform((0, -80, -80), (100, 80, 80), (pairs, 3)) for _ in range(2))
    tasks: dict[str, Callable[[], object]] = {"colourmatch": lambda: ciede2000(one, two)}
    try:
        from colour.difference import delta_E_CIE2000

        tasks["colour-science"] = lambda: delta_E_CIE2000(one, two)
    except ImportError:
        pass
    return time_in_turns(tasks, 3)


def read_other_sizes(path: Path, folder: Path) -> dict[str, dict[str, float]]:
    """The photo enlarged to 48 and 200 megapixels, progressive, and turned by EXIF: seconds, memory, difference."""
    with Image.open(path) as image:
        icc = image.info.get("icc_profile")
        upright = ImageOps.exif_transpose(image).convert("RGB")
    kinds = {
        "12 megapixels": (4032, 1, {}),
        "12, progressive": (4032, 1, {"progressive": True}),
        "12, turned": (4032, 6, {}),
        "48 megapixels": (8064, 1, {}),
        "48, progressive": (8064, 1, {"progressive": True}),
        "200 megapixels": (16320, 1, {}),
        "200, progressive": (16320, 1, {"progressive": True}),
    }
    found = {}
    for name, (width, orientation, options) in kinds.items():
        large = upright.resize((width, round(width * upright.height / upright.width)), Image.Resampling.BICUBIC)
        exif = Image.Exif()
        exif[0x0112] = orientation
        stored = large.transpose(Image.Transpose.ROTATE_90) if orientation == 6 else large
        file = folder / f"{name.replace(', ', '-').replace(' ', '-')}.jpg"
        stored.save(file, quality=92, exif=exif.tobytes(), icc_profile=icc, **options)
        frame = width * large.height * 3 / 1e6
        child = read_in_child(file)
        child["process_frames"] = child.pop("risen_mb") / frame
        found[name] = child
    return found


def say(result: dict[str, dict]) -> None:
    """The figures as lines of text."""
    for name, t in result["warm"]["times"].items():
        line = f"{name:26} {1e3 * t['seconds']:7.1f} ms, processor {1e3 * t['processor_seconds']:7.1f} ms"
        ratio = result["warm"]["ratios"].get(name)
        if ratio:
            line += f"; file to JSON is {ratio['seconds']:.2f} of it, processor {ratio['processor_seconds']:.2f}"
        print(line)
    memory = result["memory"]
    print(
        f"memory: arrays {memory['arrays_frames']:.2f}, process {memory['process_frames']:.2f} decoded frames of "
        f"{memory['frame_mb']:.0f} MB (3)"
    )
    bare = result["cold"]["bare interpreter"]["seconds"]
    for name, t in result["cold"].items():
        print(f"{name:26} {1e3 * t['seconds']:7.0f} ms, {t['seconds'] / bare:.1f} of a bare interpreter")
    own = result["ciede2000"]["colourmatch"]["seconds"]
    for name, t in result["ciede2000"].items():
        print(f"a million CIEDE2000, {name:14} {t['seconds']:.2f} s, {t['seconds'] / own:.2f} of colourmatch's")
    for name, c in result.get("sizes", {}).items():
        print(f"{name:17} {c['seconds']:5.2f} s cold, {c['process_frames']:.2f} frames, CIEDE2000 {c['delta_e']:.3f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photo", type=Path, nargs="?")
    parser.add_argument("--runs", type=int, default=15)
    parser.add_argument("--sizes", action="store_true", help="48 and 200 megapixels, progressive and turned too")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        photo = args.photo or choose_photo(folder)
        result: dict[str, dict] = {
            "warm": compare_with_decoding(photo, args.runs),
            "memory": measure_memory(photo),
            "cold": compare_cold(photo, 5),
            "ciede2000": compare_ciede2000(),
        }
        if args.sizes:
            result["sizes"] = read_other_sizes(photo, folder)
    if args.json:
        print(json.dumps(result))
    else:
        say(result)


if __name__ == "__main__":
    main()
