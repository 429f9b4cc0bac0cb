"""Accuracy of readings on photos with known truth: difference, interval, absolute colour, flags.

usage: python tests/bench/bench_reading.py FOLDER [--verbose] [--limit N] [--plain] [--json]

FOLDER holds photos and truth.json (tests/bench/make_photos.py writes such a folder). Good light means daylight or a
good LED; warm LED and tungsten are counted apart. Photos are read on all cores. --plain reads the near ones the plain way
too (tests/bench/plain_reader.py), which says how hard these photos are.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from plain_reader import read_plainly
from vary import WARM_LIGHTS

from colourmatch.colour.difference import ciede2000
from colourmatch.photo.measure import measure_or_refuse

_WARM = (*WARM_LIGHTS, "A")


def read_one(path: str) -> dict:
    """The measurement of one photo as JSON."""
    return measure_or_refuse(Path(path)).to_json()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--verbose", action="store_true")
    parser.add_argument("--limit", type=int, default=100000)
    parser.add_argument("--plain", action="store_true", help="read them the plain way too")
    parser.add_argument("--json", action="store_true", help="print one object with the figures asked for, at the end")
    args = parser.parse_args()
    truth = json.loads((args.folder / "truth.json").read_text())["photos"]
    names = [n for n, t in truth.items() if t.get("delta_e_2000") is not None and "expect" not in t][: args.limit]
    with ProcessPoolExecutor() as pool:
        readings = dict(zip(names, pool.map(read_one, [str(args.folder / n) for n in names], chunksize=4), strict=True))
    rows, flags, absolute, refused = [], Counter(), [], []
    for name, m in readings.items():
        t = truth[name]
        codes = [f["code"] for f in m["quality"]]
        flags.update(codes)
        if m["error"] or not m["delta_e_2000"]:
            refused.append((name, codes))
            continue
        d, true = m["delta_e_2000"], t["delta_e_2000"]
        good = t.get("light") not in _WARM
        rows.append((true, d["value"] - true, d["low"] <= true <= d["high"], d["high"] - d["low"], good, name, codes))
        for spot in ("reference", "batch"):
            if m["spots"][spot]:
                lab, expected = m["spots"][spot]["lab"], t["spots"][spot]["lab"]
                z = (np.array(lab) - expected) / m["spots"][spot]["lab_sd"]
                absolute.append((float(ciede2000(lab, expected)), good, float(np.hypot(*expected[1:])), *np.abs(z)))
    if args.verbose:
        for true, error, inside, width, _, name, codes in sorted(rows, key=lambda r: -abs(r[1])):
            print(
                f"{name} true {true:5.2f} error {error:+.2f} width {width:.2f} {'' if inside else 'OUTSIDE'} {truth[name].get('light')} {truth[name].get('phone')} {','.join(codes)}"
            )
        for name, codes in refused:
            print(name, "refused", codes)
    print(
        f"photos {len(names)}, measured {len(rows)}, refused {len(refused)} {dict(Counter(c for _, cs in refused for c in cs))}"
    )
    near = [r for r in rows if r[0] < 6 and r[4]]
    error = np.abs([r[1] for r in near])
    print(
        f"true below 6, good light: {len(near)} photos, error median {np.median(error):.3f}, 95th percentile {np.quantile(error, 0.95):.3f}  (targets 0.15, 0.5)"
    )
    plain = None
    if args.plain:
        with ProcessPoolExecutor() as pool:
            found = list(pool.map(read_plainly, [args.folder / r[5] for r in near], chunksize=4))
        plain = np.abs([d - r[0] for d, r in zip(found, near, strict=True) if d is not None])
        print(
            f"the same read plainly: {len(plain)} photos, error median {np.median(plain):.3f}, 95th percentile "
            f"{np.quantile(plain, 0.95):.3f}"
        )
    match = np.array([r[3] for r in near if r[0] < 1.5])
    print(
        f"interval holds the truth: {100 * np.mean([r[2] for r in rows]):.1f} % of all, {100 * np.mean([r[2] for r in near]):.1f} % of near (92 to 99); median width below 1.5: {np.median(match):.2f} (0.8)"
    )
    table = np.array(absolute)
    red = table[(table[:, 2] > 30)]
    print(
        f"absolute Lab of a strong colour: median {np.median(red[:, 0]):.2f}, good light {np.median(red[red[:, 1] > 0, 0]):.2f}, 90th percentile {np.quantile(red[:, 0], 0.9):.2f} (target 3); |z| below 2: {100 * (table[:, 3:] < 2).mean(axis=0).round(3)} %"
    )
    print("flags", dict(flags))
    if args.json:
        figures = {
            "photos": len(names),
            "measured": len(rows),
            "near": len(near),
            "near_error_median": float(np.median(error)),
            "near_error_p95": float(np.quantile(error, 0.95)),
            "near_coverage_percent": 100 * float(np.mean([r[2] for r in near])),
            "match_width_median": float(np.median(match)),
            "strong_absolute_median": float(np.median(red[:, 0])),
        }
        if plain is not None:
            figures |= {
                "plain_error_median": float(np.median(plain)),
                "plain_error_p95": float(np.quantile(plain, 0.95)),
            }
        print(json.dumps(figures))


if __name__ == "__main__":
    main()
