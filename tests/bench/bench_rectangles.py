"""How often the intervals of readings from rectangles hold the truth on drawn photos of a colour chart, and how wide they are.

usage: python tests/bench/bench_rectangles.py [PHOTOS] [--seed N]

PHOTOS of each kind of tone curve (tests/bench/charts.py), white patch and light grey as white in turn. Absolute: L*, a*, b*
jointly (chi squared of three), each by itself, the standard deviations said. Differences: of a patch and the same a
little deeper (near), and of two patches (apart), with the factor by which the intervals might shrink and still hold 95 %.
"""

from __future__ import annotations

import argparse
import datetime
import io

import numpy as np
from charts import KINDS, LIGHT_GREY, WHITE, ChartPhoto, photograph_chart
from PIL import Image

from colourmatch.colour.difference import ciede2000
from colourmatch.photo.rectangles import measure_rectangles

#: Chi squared, 3 degrees of freedom, 95 %.
WITHIN = 7.815


def read_photo(photo: ChartPhoto, white: int, *, apart: bool) -> tuple[list, list]:
    """Of each pair: misses in Lab and sd of both (6, 2); the true difference and the one that is said."""
    file = io.BytesIO()
    Image.fromarray(photo.codes).save(file, "PNG", compress_level=0)
    lab, part = photo.lab(white)
    absolute, differences = [], []
    for k in range(24):
        one, other = k, (k + 7) % 24 + 24 if apart else k + 24
        if white in (one, other):
            continue
        m = measure_rectangles(
            file.getvalue(), photo.boxes[white], photo.boxes[one], photo.boxes[other], white_reflectance=part
        )
        said = m.delta_e_2000
        differences.append((float(ciede2000(lab[one], lab[other])), said.value, said.low, said.high))
        for spot, place in (("reference", one), ("batch", other)):
            colour = m.spots[spot]
            absolute.append((colour.lab - lab[place], colour.lab_sd))
    return absolute, differences


def told_under(kind: str, more: str) -> tuple[str, ...]:
    """The rows that a photo counts in; a flattened rendering is told by itself."""
    return (kind,) if kind == KINDS[-1] else (kind, more, "all")


def tell_absolute(name: str, rows: list) -> None:
    missed, sd = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    z = missed / sd
    print(
        f"{name:34}{((z**2).sum(axis=1) < WITHIN).mean():7.3f}{(np.abs(z) < 1.96).all(axis=1).mean():7.3f}  "
        + " ".join(f"{v:.3f}" for v in (np.abs(z) < 1.96).mean(axis=0))
        + "  sd "
        + " ".join(f"{v:.2f}" for v in np.median(sd, axis=0))
        + "  off "
        + " ".join(f"{v:.2f}" for v in np.sqrt((missed**2).mean(axis=0)))
        + "  mean "
        + " ".join(f"{v:+.2f}" for v in missed.mean(axis=0))
    )


def tell_differences(name: str, rows: list) -> None:
    true, value, low, high = np.array(rows).T
    held = (low <= true) & (true <= high)
    side = np.where(true > value, high - value, value - low)
    need = np.quantile(np.abs(true - value) / np.maximum(side, 1e-6), 0.95)
    print(
        f"{name:34}{held.mean():7.3f}  width {np.median(high - low):.2f}  might be times {need:.2f}  error {np.median(np.abs(true - value)):.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=int, nargs="?", default=12)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print(f"{datetime.date.today()}, seed {args.seed}, {args.photos} photos of each kind of tone curve")
    absolute, near, apart = {}, {}, {}
    for kind in KINDS:
        for number in range(args.photos):
            rng = np.random.default_rng([args.seed, KINDS.index(kind), number])
            vessels = number % 4 >= 2
            photo = photograph_chart(rng, kind, vessels=vessels)
            white = (WHITE, LIGHT_GREY)[number % 2]
            for far in (False, True):
                a, d = read_photo(photo, white, apart=far)
                for key in told_under(kind, "white" if white == WHITE else "light grey"):
                    absolute.setdefault(key, []).extend(a)
                for key in told_under(kind, ("chart", "vessels")[vessels]):
                    (apart if far else near).setdefault(key, []).extend(d)
    print("absolute: jointly, all three within 1.96 sd, L* a* b* each")
    for key, rows in absolute.items():
        tell_absolute(key, rows)
    for name, of in (("near", near), ("apart", apart)):
        for key, rows in of.items():
            tell_differences(f"{name}, {key}", rows)


if __name__ == "__main__":
    main()
