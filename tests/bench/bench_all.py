"""Accuracy, dosing and speed in one command, as a table beside the figures asked for.

usage: python tests/bench/bench_all.py [--photos N] [--lots N]

Draws its own photos (tests/bench/make_photos.py, seed 7) in a folder that it removes. Each benchmark runs as a process
of its own; what it prints goes to stderr, the table to stdout, ready for guide/method.md.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from datetime import date
from pathlib import Path
from typing import Any

_HERE = Path(__file__).parent


def run(script: str, *arguments: str) -> dict[str, Any]:
    """The object that a benchmark prints last."""
    command = [sys.executable, "-W", "ignore", str(_HERE / script), *arguments]
    done = subprocess.run(
        command, stdout=subprocess.PIPE, text=True, check=True, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    )
    print(done.stdout, file=sys.stderr)
    return json.loads(done.stdout.strip().splitlines()[-1])


def reading_rows(r: dict[str, Any]) -> list[tuple[str, str, str]]:
    """What is asked of readings, what was found, what was asked."""
    return [
        (
            f"true difference below 6, good light ({r['near']} photos): error, median",
            f"{r['near_error_median']:.2f}",
            "0.15",
        ),
        ("the same, 95th percentile", f"{r['near_error_p95']:.2f}", "0.5"),
        (
            "the same photos read plainly: error, median and 95th percentile",
            f"{r['plain_error_median']:.2f} and {r['plain_error_p95']:.2f}",
            "",
        ),
        ("the 95 % interval holds the truth", f"{r['near_coverage_percent']:.0f} %", "92 to 99 %"),
        ("its width near a match, median", f"{r['match_width_median']:.2f}", "0.8"),
        ("a strong colour by itself, error, median", f"{r['strong_absolute_median']:.1f}", "3"),
    ]


def easier_rows(r: dict[str, Any]) -> list[tuple[str, str, str]]:
    """As `reading_rows`, for photos on which all departs half as far from ideal."""
    return [
        (
            "photos half as hard: error, median and 95th percentile",
            f"{r['near_error_median']:.2f} and {r['near_error_p95']:.2f}",
            "0.15 and 0.5",
        ),
        (
            "the same photos read plainly",
            f"{r['plain_error_median']:.2f} and {r['plain_error_p95']:.2f}",
            "",
        ),
    ]


def floor_rows(r: dict[str, Any]) -> list[tuple[str, str, str]]:
    """As `reading_rows`, with everything but the camera ideal."""
    return [
        (
            f"such cameras alone, all else ideal{card}: error, median and 95th percentile",
            f"{r[f'{key}_error_median']:.2f} and {r[f'{key}_error_p95']:.2f}",
            "",
        )
        for key, card in (("white", ""), ("fields", ", with the colour card"))
    ]


def dosing_rows(d: dict[str, Any]) -> list[tuple[str, str, str]]:
    """As `reading_rows`, for simulated lots that follow the advice."""
    return [
        (
            f"{d['lots']} lots, tolerance 1: ends within max(1, best + 0.4)",
            f"{d['good_percent']:.1f} %",
            "97 %",
        ),
        ("beyond the best reachable, median", f"{d['excess_median']:.2f}", "0.2"),
        ("ceiling passed", f"{d['ceiling_passed']}", "0"),
        ("optimum overshot", f"{d['overshot_percent']:.1f} %", "1 %"),
        (
            "photos, median and most",
            f"{d['photos_median']:.0f} and {d['photos_most']}",
            "3 and 6",
        ),
        ("the stop gives the true reason", f"{d['true_reason_percent']:.1f} %", "97 %"),
        ("dose from the first photo, error, median", f"{d['first_dose_error_percent']:.0f} %", "20 %"),
        (
            "the difference now, nearer than 3: the 95 % interval holds it",
            f"{d['now_holds_percent']:.0f} %",
            "92 to 99 %",
        ),
        (
            "its width, and that of the last photo's own, mean",
            f"{d['now_width']:.2f} and {d['alone_width']:.2f}",
            "no wider",
        ),
        ("fit and advice", f"{d['advice_ms']:.0f} ms", "150 ms"),
    ]


def whole_rows(d: dict[str, Any], card: str) -> list[tuple[str, str, str]]:
    """As `reading_rows`, for lots whose every photo is drawn, written, read and recorded."""
    rows = [
        ("ends within max(1, best + 0.4)", f"{d['good_percent']:.0f} %", "97 %"),
        ("beyond the best reachable, median", f"{d['excess_median']:.2f}", "0.2"),
        ("ceiling passed", f"{d['ceiling_passed']}", "0"),
        ("the stop gives the true reason", f"{d['true_reason_percent']:.0f} %", "97 %"),
        (
            "photos, median, without those asked for again",
            f"{d['photos_median']:.0f}, {d['steps_median']:.0f}",
            "3",
        ),
        (
            "the difference now, nearer than 3: the interval holds it",
            f"{d['now_holds_percent']:.0f} %",
            "92 to 99 %",
        ),
    ]
    return [(f"{d['lots']} lots on drawn photos of {card}: {name}", found, asked) for name, found, asked in rows]


def speed_rows(s: dict[str, Any]) -> list[tuple[str, str, str]]:
    """As `reading_rows`, for time and memory, beside general-purpose libraries in the same run."""
    rows = [
        (f"12 megapixel photo, file to JSON, against {name}", f"{ratio['seconds']:.2f} times", "1.5")
        for name, ratio in s["warm"]["ratios"].items()
    ]
    bare = s["cold"]["bare interpreter"]["seconds"]
    own = s["ciede2000"]["colourmatch"]["seconds"]
    return [
        *rows,
        ("memory of it, decoded frames", f"{s['memory']['process_frames']:.1f}", "3"),
        *(
            (
                f"{name}, against a bare interpreter",
                f"{t['seconds'] / bare:.1f} times ({t['seconds']:.2f} s)",
                "",
            )
            for name, t in s["cold"].items()
            if name != "bare interpreter"
        ),
        *(
            (f"a million CIEDE2000, {name} against colourmatch", f"{t['seconds'] / own:.2f} times", "")
            for name, t in s["ciede2000"].items()
            if name != "colourmatch"
        ),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=120)
    parser.add_argument("--lots", type=int, default=1000)
    parser.add_argument("--whole", type=int, default=60, help="lots on drawn photos (default 60)")
    args = parser.parse_args()
    rows = []
    for hardness, tell in ((1.0, reading_rows), (0.5, easier_rows)):
        with tempfile.TemporaryDirectory() as folder:
            draw = [sys.executable, str(_HERE / "make_photos.py"), folder, str(args.photos), "--seed", "7"]
            subprocess.run([*draw, "--hardness", str(hardness)], check=True, stderr=subprocess.DEVNULL)
            rows += tell(run("bench_reading.py", folder, "--plain", "--json"))
    rows += floor_rows(run("camera_floor.py", "--json"))
    rows += dosing_rows(run("bench_dosing.py", str(args.lots), "--json"))
    for card, more in (("card 1", ()), ("the colour card", ("--fields",))):
        rows += whole_rows(run("bench_whole.py", str(args.whole), *more, "--json"), card)
    rows += speed_rows(run("bench_speed.py", "--json"))
    print(f"{date.today().isoformat()}, {os.cpu_count()} cores, {platform.machine()}\n")
    print("| figure | found | asked |\n|---|---|---|")
    for row in rows:
        print("| " + " | ".join(row) + " |")


if __name__ == "__main__":
    main()
