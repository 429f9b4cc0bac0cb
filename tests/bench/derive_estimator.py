"""Fits the tables of photo/estimator.py on worlds drawn at random and writes calibration/estimator.npz.

usage: python tests/bench/derive_estimator.py [--out FILE] [--worlds N] [--seed S] [--without "Phone D,Phone E"] [--judge]

Needs PyTorch (pip install -e '.[derive]'). Three disjoint sets of worlds: the matrices, the errors that they leave, and what an
interval must be widened by; with fewer the coverage is an illusion. --without leaves measured phones out, --judge prints
how worlds of those phones alone are then told (all measured phones when none is left out).
"""

from __future__ import annotations

import argparse
import datetime
import itertools
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import torch
from worlds import Worlds, add_noise, draw_worlds, measured_phones

from colourmatch.colour.difference import ciede2000, metric_jacobian, metric_vector
from colourmatch.colour.spaces import RGB_TO_XYZ, xyz_to_lab
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.photo.estimator import (
    CLIP,
    LEAST_NOISE,
    MOST_NOISE,
    Branch,
    Look,
    Seen,
    error_terms,
    features_of,
    hue_axes,
    root,
)

RIDGE = 1e-5
#: By kind of table: components, combinations of the difference (three numbers do not tell in which way two drinks differ).
COMPONENTS = {"fields": 9, "white": 7, "bare": 5}
TURNED = {"fields": 64, "white": 0, "bare": 0}
#: Units of a hidden layer.
HIDDEN = 224
#: What intervals are widened to hold of the worlds, differences of each length by themselves (CIEDE2000, ends of classes).
HELD, LENGTHS = 0.95, (0.3, 0.8, 1.5, 2.5, 4.0, 6.0, 9.0, 14.0, 20.0, 40.0)
#: Lights of 2,700 K in which colours lie furthest off, what part of them is held there, and how many worlds tell that.
WARM_LEDS, HELD_THERE, WORLDS_THERE = ("LED-B1", "LED-V1"), 0.92, 3000
#: Pairs looked at together and how often, the largest step, and how units that do not help shrink (Loshchilov, Hutter 2019).
TOGETHER, STEPS, RATE, DECAY = 1024, {"fields": 12000, "white": 5000, "bare": 5000}, 2e-3, 1e-4
PAIRS = 8
#: What sets the random numbers of a table apart.
_STREAM = {"white": 0, "fields": 1, "bare": 2}
WEIGHT = 0.2
#: Of a normal deviate e: mean of log |e| less log of its standard deviation.
_LOG_ABS = -0.6352


def to_seen(worlds: Worlds, rng: np.random.Generator, *, kind: str, rows: np.ndarray | slice = slice(None)) -> Seen:
    """Readings of some pairs, each with noise of its own level."""
    kinds = worlds.water[rows], worlds.srgb[rows]
    level = np.exp(rng.uniform(np.log(LEAST_NOISE), np.log(MOST_NOISE), len(kinds[0])))
    channels = slice(None) if kind == "fields" else slice(0, 1)
    parts = (getattr(worlds, name)[rows][:, channels] for name in ("reference", "batch", "blank"))
    return Seen(*(add_noise(rng, part, level) for part in parts), *kinds, level)


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


def plain_difference(worlds: Worlds) -> np.ndarray:
    """CIEDE2000 (N,) of what was read over white, as it stands."""
    to_xyz = RGB_TO_XYZ["Display P3"].T
    labs = [
        xyz_to_lab(np.maximum(part[:, 0] / worlds.blank[:, 0], 1e-4) @ to_xyz)
        for part in (worlds.reference, worlds.batch)
    ]
    return np.asarray(ciede2000(*labs))


class Net(torch.nn.Module):
    """The network of a Branch, with differences over their standard deviation."""

    def __init__(self, features: int, readings: int, *, kind: str) -> None:
        super().__init__()
        turned, terms = TURNED[kind], 1 + features + HIDDEN
        self.readings = readings
        self.turned = torch.nn.Parameter(torch.randn(turned, readings) / readings**0.5)
        self.first = torch.nn.Linear(features + turned, HIDDEN)
        self.second = torch.nn.Linear(HIDDEN, HIDDEN)
        self.matrix = torch.nn.Linear(terms, 6 * readings, bias=False)
        self.mean = torch.nn.Linear(terms, 3, bias=False)

    def forward(self, x: torch.Tensor, d: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Lab of the gap and of what a warm lamp changes (N, 6), and of the middle (N, 3), each over its SIZES."""
        hidden = torch.cat([x, torch.abs(d @ self.turned.T)], dim=1)
        for layer in (self.first, self.second):
            hidden = torch.nn.functional.silu(layer(hidden))
        z = torch.cat([torch.ones(len(x), 1), x, hidden], dim=1)
        return torch.einsum("ncd,nd->nc", self.matrix(z).view(-1, 6, self.readings), d), self.mean(z)


#: What the network's gap and middle are multiplied by, so that their weights are about as large as the others.
SIZES = 3.0, 10.0


def fit_matrices(worlds: Worlds, rng: np.random.Generator, *, kind: str) -> Branch:
    """Centres, components and likeness of the readings, and the network, trained on noise drawn for each step."""
    some = rng.permutation(len(worlds.world))[:60000]
    seen = to_seen(worlds, rng, kind=kind, rows=some)
    d, features = features_of(seen)
    centre, scale = features.mean(axis=0), features.std(axis=0) + 1e-3
    values, vectors = np.linalg.eigh(np.cov(((features - centre) / scale).T))
    order = np.argsort(values)[::-1][: COMPONENTS[kind]]
    net = Net(features.shape[1], d.shape[1], kind=kind)
    spread = d.std(axis=0)
    middle = train(net, worlds, rng, (centre, scale, spread), kind=kind)
    numbers = {name: value.detach().numpy().astype(float) for name, value in net.state_dict().items()}
    matrix = SIZES[0] * numbers["matrix.weight"].reshape(6, d.shape[1], -1).transpose(0, 2, 1) / spread
    mean = SIZES[1] * numbers["mean.weight"]
    mean[:, 0] += middle
    none = np.zeros((3, 1))
    table = Branch(
        centre, scale, vectors[:, order], np.sqrt(values[order] + 0.1), numbers["turned"].T / spread[:, None],
        numbers["first.weight"].T, numbers["first.bias"], numbers["second.weight"].T, numbers["second.bias"],
        matrix[:3], mean, matrix[3:], none, none, none, *likeness(seen), d.T @ d / len(d),
    )  # fmt: skip
    with torch.no_grad():
        x = torch.tensor(np.clip((features - centre) / scale, -CLIP, CLIP), dtype=torch.float32)
        told, _ = net(x[:100], torch.tensor(d[:100] / spread, dtype=torch.float32))
    few = Seen(*(getattr(seen, name)[:100] for name in Seen.__dataclass_fields__))
    found = table.gap(table.look(*features_of(few)))  # the network is written twice
    assert np.allclose(found, SIZES[0] * told[:, :3].numpy(), rtol=1e-3, atol=1e-2)
    return table


def train(
    net: Net, worlds: Worlds, rng: np.random.Generator, scaled: tuple[np.ndarray, ...], *, kind: str
) -> np.ndarray:
    """Fits the network by what its colours miss, lightness, chroma and hue as CIE 116:1995 weighs them; the mean middle.

    Large misses count by their size, not its square: worlds that no reading tells apart must not rule the others.
    """
    centre, scale, spread = scaled
    gap, middle = worlds.lab[:, 1] - worlds.lab[:, 0], worlds.lab.mean(axis=1)
    warm = [absorbance_to_lab(worlds.absorbance[:, k], "A") for k in (0, 1)]
    chroma = np.hypot(middle[:, 1], middle[:, 2])
    unit = np.stack([np.ones_like(chroma), 1 + 0.045 * chroma, 1 + 0.015 * chroma], axis=1)
    axes = hue_axes(middle) / unit[:, :, None]
    # by what was seen: weights that know the truth would favour pairs whose reading is too far apart
    weight = 1 / (WEIGHT + 0.08 * plain_difference(worlds))
    mean = middle.mean(axis=0)
    wanted = np.stack([gap, warm[1] - warm[0] - gap, middle - mean], axis=1)
    optimiser = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=DECAY)
    rates = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=STEPS[kind])
    for _ in range(STEPS[kind]):
        rows = rng.integers(len(gap), size=TOGETHER)
        d, features = features_of(to_seen(worlds, rng, kind=kind, rows=rows))
        x = np.clip((features - centre) / scale, -CLIP, CLIP)
        told, lies = net(torch.tensor(x, dtype=torch.float32), torch.tensor(d / spread, dtype=torch.float32))
        found = torch.cat([SIZES[0] * told, SIZES[1] * lies], dim=1).view(-1, 3, 3)
        missed = torch.einsum("nac,nkc->nka", torch.tensor(axes[rows]), found.double() - torch.tensor(wanted[rows]))
        size = torch.sqrt((missed**2).sum(dim=2) + torch.tensor([0.05, 0.1, 0.3]) ** 2)
        share = torch.tensor(weight[rows] / weight.mean())[:, None] * torch.tensor([1.0, 0.2, 0.0])
        loss = (size * (share + torch.tensor([0.0, 0.0, 0.1]))).sum(dim=1).mean()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        rates.step()
    return mean


@dataclass(frozen=True, eq=False)
class Told:
    """What a table tells of worlds: middle and gap (N, 3), the axes of lightness, chroma and hue there (N, 3, 3), and along
    these by how much gap and middle are missed, (N, 3)."""

    at: Look
    middle: np.ndarray
    gap: np.ndarray
    axes: np.ndarray
    missed: np.ndarray
    off: np.ndarray


def tell(table: Branch, worlds: Worlds, rng: np.random.Generator, *, kind: str) -> Told:
    """Readings of the worlds with noise, as the table tells them."""
    at = table.look(*features_of(to_seen(worlds, rng, kind=kind)))
    middle, gap = table.middle(at), table.gap(at)
    axes = hue_axes(middle)
    missed, off = (
        np.einsum("nac,nc->na", axes, found - true)
        for found, true in (
            (gap, worlds.lab[:, 1] - worlds.lab[:, 0]),
            (middle, worlds.lab.mean(axis=1)),
        )
    )
    return Told(at, middle, gap, axes, missed, off)


def fit_errors(table: Branch, worlds: Worlds, rng: np.random.Generator, *, kind: str) -> Branch:
    told = tell(table, worlds, rng, kind=kind)
    at, gap, missed, off = told.at, told.gap, told.missed, told.off
    terms = error_terms(at, gap)
    error = solve(terms.T @ terms, terms.T @ (np.log(np.abs(missed) + 0.02) - _LOG_ABS)).T
    z = at.z
    scatter = solve(z.T @ z, z.T @ (np.log(np.abs(off) + 0.1) - _LOG_ABS)).T
    return replace(table, error=error, scatter=scatter, warm_sd=fit_warm_sd(table, worlds, at))


def fit_warm_sd(table: Branch, worlds: Worlds, at: Look) -> np.ndarray:
    """Standard deviation of what a warm lamp changes along lightness, chroma and hue, (2, 3): at none, and per length."""
    apart = table.part_in_warm_light(at)
    warm = [absorbance_to_lab(worlds.absorbance[:, k], "A") for k in (0, 1)]
    true = warm[1] - warm[0] - (worlds.lab[:, 1] - worlds.lab[:, 0])
    off = np.abs(np.einsum("nac,nc->na", hue_axes(table.middle(at)), apart - true))
    length = np.linalg.norm(apart, axis=1)
    small = np.quantile(off[length < 0.5], 0.95, axis=0) / 1.96
    long = (length > 1.5) & (length < 20)
    large = np.quantile(off[long] / length[long, None], 0.95, axis=0) / 1.96
    print(f"warm light: off by {small.round(2)} at none (sd), {large.round(2)} of a long one")
    return np.array([small, np.maximum(large - small / 5, 0.0)])


def widen(table: Branch, worlds: Worlds, rng: np.random.Generator, phones: tuple[str, ...], *, kind: str) -> Branch:
    """The same, so that as many differences of each length as HELD lie within 1.96 standard deviations along them, and as
    many middles, HELD_THERE of those of measured phones under warm LEDs, within the ellipsoid of 95 % in three dimensions."""
    told = tell(table, worlds, rng, kind=kind)
    at, middle, gap, axes = told.at, told.middle, told.gap, told.axes
    sd = table.error_sd(at, gap)
    said = np.asarray(ciede2000(middle - gap / 2, middle + gap / 2))
    cov = np.einsum("nac,na,nad->ncd", axes, sd**2, axes)
    along = np.empty(len(said))
    for k in range(len(said)):
        turn = metric_jacobian(middle[k] - gap[k] / 2, middle[k] + gap[k] / 2)
        vector = metric_vector(middle[k] - gap[k] / 2, middle[k] + gap[k] / 2)
        along[k] = np.sqrt(max(vector @ turn @ cov[k] @ turn.T @ vector, 0.0)) / max(np.linalg.norm(vector), 1e-6)
    missed = np.abs(said - worlds.delta_e) / along / 1.96
    terms = error_terms(at, gap)
    first = at.z.shape[1]  # where the length's own terms lie
    ways = terms[:, [0, first, first + 1]]
    classes = [(said > low) & (said <= high) for low, high in itertools.pairwise(LENGTHS)]
    more = np.log([np.quantile(missed[rows], HELD) for rows in classes])
    by_length, *_ = np.linalg.lstsq(np.array([ways[rows].mean(axis=0) for rows in classes]), more, rcond=None)
    error, scatter = table.error.copy(), table.scatter.copy()
    error[:, [0, first, first + 1]] += by_length
    beyond = strains(table, told)
    wide = max(np.quantile(beyond, HELD), np.quantile(in_warm_leds(table, phones, kind=kind), HELD_THERE))
    scatter[:, 0] += np.log(wide)
    print(
        f"{kind}: errors widened by {np.exp(more).round(2)}, scatter by {wide:.2f}"
        f" ({np.quantile(beyond, HELD):.2f} for all worlds)"
    )
    return replace(table, error=error, scatter=scatter)


def strains(table: Branch, told: Told) -> np.ndarray:
    """How far middles lie off, (N,), 1 where the ellipsoid that is to hold 95 % of them ends."""
    within = 7.815  # chi squared, 3 degrees of freedom, 95 %
    return np.sqrt(((told.off / table.scatter_sd(told.at)) ** 2).sum(axis=1) / within)


def in_warm_leds(table: Branch, phones: tuple[str, ...], *, kind: str) -> np.ndarray:
    """The same of the phones under warm LEDs, which are rare among all worlds and held there least."""
    rng = np.random.default_rng([17, _STREAM[kind]])
    worlds = draw_worlds(rng, WORLDS_THERE, 4, phones, share=1.0, lamps=WARM_LEDS, bare=kind == "bare")
    worlds = worlds.take(worlds.water) if kind == "fields" else worlds
    return strains(table, tell(table, worlds, rng, kind=kind))


def judge(table: Branch, worlds: Worlds, rng: np.random.Generator, *, kind: str) -> None:
    told = tell(table, worlds, rng, kind=kind)
    middle, gap = told.middle, told.gap
    said = np.asarray(ciede2000(middle - gap / 2, middle + gap / 2))
    true = worlds.delta_e
    absolute = np.linalg.norm(middle - gap / 2 - worlds.lab[:, 0], axis=1)
    sd = table.error_sd(told.at, gap)
    inside = ((told.missed / sd) ** 2).sum(axis=1) < 7.815
    for name, rows in (
        ("all", true < 6),
        ("dyes", (true < 6) & ~worlds.free),
        ("free", (true < 6) & worlds.free),
    ):
        if not rows.any():
            continue
        error = np.abs(said - true)[rows]
        print(
            f"  {kind:6} {name:5} {rows.sum():6} near: median {np.median(error):.3f} p95 "
            f"{np.quantile(error, 0.95):.3f}; absolute {np.median(absolute[rows]):.2f}; ellipsoid holds {inside[rows].mean():.3f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path)
    parser.add_argument("--worlds", type=int, default=24000)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--without", default="")
    parser.add_argument("--judge", action="store_true")
    args = parser.parse_args()
    left_out = tuple(name.strip() for name in args.without.split(",") if name.strip())
    phones = tuple(p for p in measured_phones() if p not in left_out)
    tables = {}
    for bare in (False, True):
        rngs = [np.random.default_rng([args.seed, k]) for k in range(3)]
        torch.manual_seed(args.seed)
        drawn = [
            draw_worlds(rng, args.worlds // part, PAIRS, phones, bare=bare)
            for rng, part in zip(rngs, (1, 4, 4), strict=True)
        ]
        print(f"worlds drawn: {len(drawn[0].world)} pairs", file=sys.stderr)
        for kind in ("bare",) if bare else ("fields", "white"):
            sets = [w.take(w.water) if kind == "fields" else w for w in drawn]
            table = fit_matrices(sets[0], np.random.default_rng([args.seed, 3, _STREAM[kind]]), kind=kind)
            rng = np.random.default_rng([args.seed, 4, _STREAM[kind]])
            table = fit_errors(table, sets[1], rng, kind=kind)
            tables[kind] = widen(table, sets[2], rng, phones, kind=kind)
            if args.judge:
                print(" third set")
                judge(tables[kind], sets[2], rng, kind=kind)
                own = left_out or measured_phones()
                test = draw_worlds(np.random.default_rng([args.seed, 9]), 1500, 4, own, share=1.0, bare=bare)
                print(" left out" if left_out else " measured phones")
                judge(tables[kind], test.take(test.water), rng, kind=kind)
    if args.out:
        arrays = {
            f"{kind}_{name}": getattr(table, name).astype(np.float32)
            for kind, table in tables.items()
            for name in Branch.__dataclass_fields__
        }
        about = f"{datetime.date.today()}, seed {args.seed}, {args.worlds} worlds of {PAIRS} pairs"
        np.savez_compressed(args.out, about=np.array(about), **arrays)
        print(f"{args.out.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
