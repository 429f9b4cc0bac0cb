"""Fits the tables of photo/estimator.py on worlds drawn at random and writes calibration/estimator.npz.

usage: python tests/bench/derive_estimator.py [--out FILE] [--worlds N] [--seed S] [--without "Phone D,Phone E"] [--judge]

Three disjoint sets of worlds: the matrices, the errors that they leave, and what an interval must be widened by; with
fewer the coverage is an illusion. --without leaves measured phones out, --judge prints how worlds of those phones alone
are then told (all measured phones when none is left out).
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from worlds import Worlds, draw_worlds, measured_phones

from colourmatch.colour.difference import ciede2000, metric_jacobian, metric_vector
from colourmatch.colour.spaces import RGB_TO_XYZ, xyz_to_lab
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.photo.estimator import Branch, Seen, error_terms, features_of, hue_axes, root

RIDGE = 1e-5
COMPONENTS = {True: 9, False: 7}
PAIRS = 16
WEIGHT = 0.2
#: Of a normal deviate e: mean of log |e| less log of its standard deviation.
_LOG_ABS = -0.6352


def to_seen(worlds: Worlds, *, fields: bool) -> Seen:
    seen = Seen(worlds.reference, worlds.batch, worlds.blank, worlds.water, worlds.srgb)
    return seen if fields else seen.white_alone()


def solve(gram: np.ndarray, right: np.ndarray) -> np.ndarray:
    return np.linalg.solve(gram + RIDGE * np.diag(gram).mean() * np.eye(len(gram)), right)


def likeness(seen: Seen) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of a liquid's roots and of the blank's fields together."""
    white = seen.blank[:, :1]
    both = np.concatenate(
        [
            np.concatenate(
                [
                    root(part / white).reshape(len(white), -1),
                    root(seen.blank[:, 1:] / white).reshape(len(white), -1),
                ],
                axis=1,
            )
            for part in (seen.reference, seen.batch)
        ]
    )
    return both.mean(axis=0), np.cov(both.T)


def plain_difference(seen: Seen) -> np.ndarray:
    """CIEDE2000 (N,) of what was read over white, as it stands."""
    to_xyz = RGB_TO_XYZ["Display P3"].T
    labs = [
        xyz_to_lab(np.maximum(part[:, 0] / seen.blank[:, 0], 1e-4) @ to_xyz)
        for part in (seen.reference, seen.batch)
    ]
    return np.asarray(ciede2000(*labs))


def fit_matrices(worlds: Worlds, *, fields: bool) -> Branch:
    seen = to_seen(worlds, fields=fields)
    d, features = features_of(seen)
    centre, scale = features.mean(axis=0), features.std(axis=0) + 1e-3
    x = (features - centre) / scale
    values, vectors = np.linalg.eigh(np.cov(x.T))
    order = np.argsort(values)[::-1][: COMPONENTS[fields]]
    start = Branch(
        centre, scale, vectors[:, order], np.sqrt(values[order] + 0.1),
        *[np.zeros((3, 1))] * 6, *likeness(seen), np.zeros((1, 1)),
    )  # fmt: skip
    z = start.look(seen).z
    gap, middle = worlds.lab[:, 1] - worlds.lab[:, 0], worlds.lab.mean(axis=1)
    chroma = np.hypot(middle[:, 1], middle[:, 2])
    # by what was seen: weights that know the truth would favour pairs whose reading is too far apart
    weight = 1 / (WEIGHT + 0.08 * plain_difference(seen)) / (1 + 0.02 * chroma)
    terms, readings = z.shape[1], d.shape[1]
    warm = [absorbance_to_lab(worlds.absorbance[:, k], "A") for k in (0, 1)]
    wanted = np.concatenate([gap, warm[1] - warm[0] - gap], axis=1)
    gram, right = np.zeros((terms * readings,) * 2), np.zeros((terms * readings, 6))
    for k in range(0, len(z), 4000):
        rows = slice(k, k + 4000)
        product = (z[rows, :, None] * d[rows, None, :]).reshape(-1, terms * readings) * weight[rows, None]
        gram += product.T @ product
        right += product.T @ (wanted[rows] * weight[rows, None])
    matrix = solve(gram, right).T.reshape(6, terms, readings)
    mean = solve(z.T @ z, z.T @ middle).T
    return replace(start, matrix=matrix[:3], warm=matrix[3:], mean=mean, differences=d.T @ d / len(d))


def fit_errors(table: Branch, worlds: Worlds, *, fields: bool) -> Branch:
    seen = to_seen(worlds, fields=fields)
    at = table.look(seen)
    middle, gap = table.middle(at), table.gap(at)
    axes = hue_axes(middle)
    missed = np.einsum("nac,nc->na", axes, gap - (worlds.lab[:, 1] - worlds.lab[:, 0]))
    off = np.einsum("nac,nc->na", axes, middle - worlds.lab.mean(axis=1))
    terms = error_terms(at, gap)
    error = solve(terms.T @ terms, terms.T @ (np.log(np.abs(missed) + 0.02) - _LOG_ABS)).T
    z = at.z
    scatter = solve(z.T @ z, z.T @ (np.log(np.abs(off) + 0.1) - _LOG_ABS)).T
    return replace(table, error=error, scatter=scatter, warm_sd=fit_warm_sd(table, worlds, seen, middle))


def fit_warm_sd(table: Branch, worlds: Worlds, seen: Seen, middle: np.ndarray) -> np.ndarray:
    """Standard deviation of what a warm lamp changes along lightness, chroma and hue, (2, 3): at none, and per length."""
    apart = table.part_in_warm_light(table.look(seen))
    warm = [absorbance_to_lab(worlds.absorbance[:, k], "A") for k in (0, 1)]
    true = warm[1] - warm[0] - (worlds.lab[:, 1] - worlds.lab[:, 0])
    off = np.abs(np.einsum("nac,nc->na", hue_axes(middle), apart - true))
    length = np.linalg.norm(apart, axis=1)
    small = np.quantile(off[length < 0.5], 0.95, axis=0) / 1.96
    long = (length > 1.5) & (length < 20)
    large = np.quantile(off[long] / length[long, None], 0.95, axis=0) / 1.96
    print(f"warm light: off by {small.round(2)} at none (sd), {large.round(2)} of a long one")
    return np.array([small, np.maximum(large - small / 5, 0.0)])


def widen(table: Branch, worlds: Worlds, *, fields: bool) -> Branch:
    """The same, so that 95 % of lengths lie within 1.96 standard deviations along the difference, and 95 % of middles
    within the ellipsoid of three dimensions."""
    seen = to_seen(worlds, fields=fields)
    at = table.look(seen)
    middle, gap = table.middle(at), table.gap(at)
    axes = hue_axes(middle)
    sd = table.error_sd(at, gap)
    said = np.asarray(ciede2000(middle - gap / 2, middle + gap / 2))
    cov = np.einsum("nac,na,nad->ncd", axes, sd**2, axes)
    along = np.empty(len(said))
    for k in range(len(said)):
        turn = metric_jacobian(middle[k] - gap[k] / 2, middle[k] + gap[k] / 2)
        vector = metric_vector(middle[k] - gap[k] / 2, middle[k] + gap[k] / 2)
        along[k] = np.sqrt(max(vector @ turn @ cov[k] @ turn.T @ vector, 0.0)) / max(
            np.linalg.norm(vector), 1e-6
        )
    near = (said < 8) & (said > 0.3)
    # these worlds are harder than kitchens are: more kinds of lamp, dyes and free shapes
    more = np.quantile(np.abs(said - worlds.delta_e)[near] / along[near], 0.94) / 1.96
    off = np.einsum("nac,nc->na", axes, middle - worlds.lab.mean(axis=1))
    within = 7.815  # chi squared, 3 degrees of freedom, 95 %
    wide = np.sqrt(np.quantile(((off / table.scatter_sd(at)) ** 2).sum(axis=1), 0.95) / within)
    error, scatter = table.error.copy(), table.scatter.copy()
    error[:, 0] += np.log(more)
    scatter[:, 0] += np.log(wide)
    print(f"{'fields' if fields else 'white'}: errors widened by {more:.2f}, scatter by {wide:.2f}")
    return replace(table, error=error, scatter=scatter)


def judge(table: Branch, worlds: Worlds, *, fields: bool) -> None:
    seen = to_seen(worlds, fields=fields)
    at = table.look(seen)
    middle, gap = table.middle(at), table.gap(at)
    said = np.asarray(ciede2000(middle - gap / 2, middle + gap / 2))
    true = worlds.delta_e
    absolute = np.linalg.norm(middle - gap / 2 - worlds.lab[:, 0], axis=1)
    axes = hue_axes(middle)
    missed = np.einsum("nac,nc->na", axes, gap - (worlds.lab[:, 1] - worlds.lab[:, 0]))
    sd = table.error_sd(at, gap)
    inside = ((missed / sd) ** 2).sum(axis=1) < 7.815
    for name, rows in (
        ("all", true < 6),
        ("dyes", (true < 6) & ~worlds.free),
        ("free", (true < 6) & worlds.free),
    ):
        if not rows.any():
            continue
        error = np.abs(said - true)[rows]
        print(
            f"  {'fields' if fields else 'white '} {name:5} {rows.sum():6} near: median {np.median(error):.3f} p95 "
            f"{np.quantile(error, 0.95):.3f}; absolute {np.median(absolute[rows]):.2f}; ellipsoid holds {inside[rows].mean():.3f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path)
    parser.add_argument("--worlds", type=int, default=6000)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--without", default="")
    parser.add_argument("--judge", action="store_true")
    args = parser.parse_args()
    left_out = tuple(name.strip() for name in args.without.split(",") if name.strip())
    phones = tuple(p for p in measured_phones() if p not in left_out)
    rngs = [np.random.default_rng([args.seed, k]) for k in range(4)]
    first = draw_worlds(rngs[0], args.worlds, PAIRS, phones)
    second = draw_worlds(rngs[1], args.worlds // 3, PAIRS, phones)
    third = draw_worlds(rngs[2], args.worlds // 3, PAIRS, phones)
    print(f"worlds drawn: {len(first.world)} pairs", file=sys.stderr)
    tables = {}
    for fields in (True, False):
        water = first.water
        sets = [w.take(w.water) if fields else w for w in (first, second, third)]
        table = fit_errors(fit_matrices(sets[0], fields=fields), sets[1], fields=fields)
        tables[fields] = widen(table, sets[2], fields=fields)
        if args.judge:
            print(" third set")
            judge(tables[fields], sets[2], fields=fields)
            own = left_out or measured_phones()
            test = draw_worlds(np.random.default_rng([args.seed, 9]), 1500, 4, own, share=1.0)
            print(" left out" if left_out else " measured phones")
            judge(tables[fields], test.take(test.water), fields=fields)
        del water
    if args.out:
        arrays = {
            f"{'fields' if fields else 'white'}_{name}": getattr(table, name).astype(np.float32)
            for fields, table in tables.items()
            for name in Branch.__dataclass_fields__
        }
        np.savez_compressed(args.out, **arrays)
        print(f"{args.out.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
