"""How near the colours of red drinks come with a card profile and a calibrated phone, on drawn photos; by hand.

usage: python tests/bench/bench_calibration.py [--kits 8] [--seed 1] [--tests 6] [--near 6] [--cards nominal,grey,true]

A kit is one phone, one light, one printed card and one set of glasses, drawn by `drawn` as for any
benchmark (vary.py); poses, gradients of light and exposures differ from photo to photo. Six photos of known liquids (E129
in three strengths, E102 in two, both together in two), whose stocks are up to some 3 % off their labels and whose glasses
are filled 2 % wrong, calibrate it. Then photos of drinks with other dyes (E124, E122, E110 with E122, or E129) on a
natural base are read. The card is read by its nominal greys, by a profile from two photos beside a grey card, or by its
true greys. Printed per kit and in all: median and 90th percentile CIEDE2000 of red drinks as read and corrected, how
often two standard deviations hold the truth, and differences between the two glasses of a photo. At the end, for pairs
less than 6 CIEDE2000 apart (a batch on its way from another recipe to the reference, or thinned): error and interval of
the difference with a plain card, a card profile, a calibrated phone, and both. Warm lamps (LED-B1, LED-B2) are told apart
from the rest: they lie outside of what phones and the ensemble are made for.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from drawn import (
    Obstacle,
    drink_transmittance,
    dye_absorbance,
    render_photo,
    save_photo,
)
from drawn.liquids import lab_relative_to_water
from drawn.materials import printed_greys
from vary import WARM_LIGHTS, Take, vary

from colourmatch.colour.difference import ciede2000
from colourmatch.errors import ColourMatchError
from colourmatch.instrument.incoming import calibrate
from colourmatch.instrument.kept_fits import Calibration
from colourmatch.instrument.phone_calibration import KnownDye, KnownLiquid, PhoneFit, correct_lab, tone_terms
from colourmatch.instrument.phone_fitting import fit_phone
from colourmatch.measurement import LIQUIDS, CalibrationNamed, Measurement, ToneRecord
from colourmatch.photo.card_profile import combine_readings, read_greys
from colourmatch.photo.measure import measure_or_refuse
from colourmatch.photo.tone import KnownGreys

DYES = ("E129", "E102")
KNOWN: tuple[tuple[dict[str, float], dict[str, float]], ...] = (
    ({"E129": 3}, {"E129": 6}),
    ({"E129": 6}, {"E129": 12}),
    ({"E102": 4}, {"E102": 12}),
    ({"E129": 12}, {"E129": 4, "E102": 6}),
    ({"E129": 4, "E102": 6}, {"E129": 8, "E102": 3}),
    ({"E102": 12}, {"E129": 8, "E102": 3}),
)
STRENGTH_SD, DEPTH_SD = 0.03, 0.02
#: A pair nearer than this is a near one.
NEAR = 6.0
GREY_MM = ((107.0, 72.0), (143.0, 72.0), (143.0, 108.0), (107.0, 108.0))


@dataclass
class Kit:
    """One phone, light, card and set of glasses."""

    seed: int
    take: Take
    folder: Path
    strength: dict[str, float] = field(default_factory=dict)
    depth_mm: float = 10.0

    @property
    def name(self) -> str:
        phone = self.take.phone
        return f"{self.seed:3d} {phone.sensor}, {self.take.light.name}, S {phone.s_curve:.2f}"

    def photograph(self, seed: int, scene: Any) -> tuple[Path, Any]:
        """A photo of a scene by this kit, held and exposed a little otherwise."""
        other = vary(seed)
        rng = np.random.default_rng([seed, 5])
        light = replace(
            self.take.light, gradient=other.light.gradient, azimuth_degrees=other.light.azimuth_degrees,
            bend=other.light.bend, shadow=None, second_gradient=other.light.second_gradient,
        )  # fmt: skip
        exposure = float(np.clip(self.take.phone.exposure * np.exp(rng.normal(0, 0.08)), 0.5, 0.82))
        phone = replace(self.take.phone, exposure=exposure, name=f"Phone {self.seed}")
        drawn = render_photo(
            scene, phone, light, replace(other.pose, motion_px=0.0), seed=seed, printer=self.take.printer
        )
        return save_photo(drawn, self.folder / f"{seed}.jpg"), drawn

    def glasses(self, seed: int, reference: np.ndarray, batch: np.ndarray) -> tuple[Path, Any]:
        """A photo of two liquids beside water in this kit's glasses."""
        water = np.ones_like(reference)
        scene = replace(
            vary(seed).scene,
            reference=reference,
            batch=batch,
            blank=water,
            haze={},
            glass=self.take.scene.glass,
        )
        return self.photograph(seed, scene)


def make_kit(seed: int, folder: Path) -> Kit:
    """A kit whose stocks and depth are a little off what its maker believes."""
    rng = np.random.default_rng([seed, 77])
    strength = {dye: float(np.exp(rng.normal(0, STRENGTH_SD))) for dye in DYES}
    return Kit(seed, vary(seed), folder, strength, 10 * float(np.exp(rng.normal(0, DEPTH_SD))))


def draw_drink(rng: np.random.Generator) -> np.ndarray:
    """A red drink of another dye than those calibrated with, or of E129 on a base."""
    dyes = {}
    for dye in [("E124",), ("E122",), ("E129",), ("E110", "E122")][int(rng.integers(4))]:
        peak = rng.uniform(0.2, 0.65) * (0.5 if dye == "E110" else 1)
        dyes[dye] = float(peak / dye_absorbance(dye).max())
    return drink_transmittance(
        dyes,
        depth_mm=10,
        caramel_a610=float(10 ** rng.uniform(-3, -1.7)),
        anthocyanin_a525=float(rng.choice([0.0, rng.uniform(0, 0.15)])),
        yellow_a430=float(rng.uniform(0.02, 0.2)),
    )


def draw_pairs(seed: int, count: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """A reference of one recipe and a batch of another, or of the same a little weaker."""
    rng = np.random.default_rng([seed, 88])
    for k in range(count):
        reference = draw_drink(rng)
        yield reference, reference ** float(rng.uniform(0.75, 0.95)) if k % 2 else draw_drink(rng)


def draw_near_pairs(seed: int, count: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """A reference, and a batch on its way to or from another recipe or water, 0.2 to 6 CIEDE2000 away."""
    rng = np.random.default_rng([seed, 99])
    for _ in range(count):
        reference, other = draw_drink(rng), draw_drink(rng)
        sign, wanted = rng.choice([-1.0, 1.0]), rng.uniform(0.2, NEAR)
        one, two = -np.log(reference), -np.log(other) * (rng.random() < 0.5)
        low, high = 0.0, 0.6
        for _ in range(25):
            middle = 0.5 * (low + high)
            batch = np.exp(-np.maximum(one + sign * middle * (two - one), 0))
            away = float(ciede2000(lab_relative_to_water(reference), lab_relative_to_water(batch)))
            low, high = (middle, high) if away < wanted else (low, middle)
        yield reference, np.exp(-np.maximum(one + sign * high * (two - one), 0))


def read_card_of(kit: Kit, how: str) -> KnownGreys | None:
    """The greys by which photos are read."""
    true = printed_greys(kit.take.printer).mean(axis=1)
    if how == "nominal":
        return None
    if how == "true":
        return KnownGreys(true, np.full(12, 0.01))
    readings = []
    for k in range(2):
        empty = replace(
            kit.take.scene, reference=None, batch=None, blank=None, haze={}, glints=(), bubbles=(), stains=(),
            obstacles=(Obstacle(GREY_MM, (0.18, 0.18, 0.18)),),
        )  # fmt: skip
        path, drawn = kit.photograph(kit.seed * 100 + 90 + k, empty)
        x, y = drawn.view.to_pixels(np.array([[125.0, 90.0]]))[0]
        try:
            readings.append(read_greys(path, (int(x) - 15, int(y) - 15, 30, 30)))
        except ColourMatchError as error:
            print("   card not read:", error)
    return combine_readings(readings)[0] if readings else None


def calibrate_kit(kit: Kit, photos: list[Path], greys: KnownGreys | None) -> PhoneFit:
    """The kept fit."""
    liquids = []
    for k, (path, held) in enumerate(zip(photos, KNOWN, strict=True)):
        read = measure_or_refuse(path, greys=greys).to_json()
        if read["error"]:
            continue
        for spot, one in zip(("reference", "batch"), held, strict=True):
            colour = read["spots"][spot]
            if colour and colour["white"] == "blank":
                mg_per_l = tuple(float(one.get(dye, 0.0)) for dye in DYES)
                plain = Measurement.from_json(read).reading(spot)
                lab, covariance = plain.lab, plain.covariance
                liquids.append(
                    KnownLiquid(
                        lab, covariance, mg_per_l, np.array(colour["lab"]), np.array(colour["lab_sd"]), str(k),
                        greys is not None, ToneRecord.from_json(read["tone"]) if read["tone"] else None, spot,
                    )
                )  # fmt: skip
    dyes = [KnownDye(dye, dye, STRENGTH_SD) for dye in DYES]
    kept = fit_phone(liquids, dyes, depth_rel_sd=DEPTH_SD)
    print(
        f"   kept {kept.kind}, light {kept.scale:g} times wider than usual, tones {None if kept.greys is None else tone_terms(kept.numbers)}"
    )
    return kept


def read_tests(fit: PhoneFit, photos: list[tuple[Path, Any]], greys: KnownGreys | None) -> list[dict[str, Any]]:
    """One row a red drink, and one a difference."""
    rows = []
    for path, drawn in photos:
        read = measure_or_refuse(path, greys=greys).to_json()
        if read["error"] or not read["delta_e_2000"]:
            continue
        told = Measurement.from_json(read)
        kept = calibrate(told, Calibration(fit, CalibrationNamed(kind=fit.kind))).to_json()
        # what the calibration alone would tell, without the estimate beside it
        alone = {
            spot: correct_lab(fit, told.reading(spot).lab, told.reading(spot).covariance).lab
            for spot in LIQUIDS
            if told.spots[spot]
        }
        if any(read["spots"][spot]["white"] != "blank" for spot in ("reference", "batch")):
            continue  # no clear water was found, which is told with the photo: it is not corrected
        true = drawn.truth["delta_e_2000"]
        for spot in ("reference", "batch"):
            lab = np.array(drawn.truth["spots"][spot]["lab"])
            if np.hypot(*lab[1:]) < 25 or np.degrees(np.arctan2(lab[2], lab[1])) > 60:
                continue
            rows.append(
                {
                    "read": float(ciede2000(read["spots"][spot]["lab"], lab)),
                    "kept": float(ciede2000(kept["spots"][spot]["lab"], lab)),
                    "alone": float(ciede2000(alone[spot], lab)),
                    "z": (np.array(kept["spots"][spot]["lab"]) - lab) / kept["spots"][spot]["lab_sd"],
                    "sd": kept["spots"][spot]["lab_sd"], "sd_read": read["spots"][spot]["lab_sd"],
                }
            )  # fmt: skip
        for when, one in (("read", read), ("kept", kept)):
            seen = one["delta_e_2000"]
            rows.append(
                {
                    "difference": when, "error": seen["value"] - true, "held": seen["low"] <= true <= seen["high"],
                    "width": seen["high"] - seen["low"], "true": true,
                }
            )  # fmt: skip
    return rows


def tell_near(every: dict[str, list[dict[str, Any]]]) -> None:
    """Near differences: plain, with a card profile alone, with a calibrated phone alone, with both."""
    cases = (("plain card", "nominal", "read"), ("card profile alone", "true", "read"),
             ("calibrated phone", "nominal", "kept"), ("both", "true", "kept"))  # fmt: skip
    for words, how, when in cases:
        some = [row for row in every.get(how, ()) if row.get("difference") == when and row["true"] < NEAR]
        if not some:
            continue
        error, held = np.abs([row["error"] for row in some]), np.mean([row["held"] for row in some])
        print(
            f"   near, {words}: {len(some)} pairs, median error {np.median(error):.2f}, 95 % "
            f"{np.quantile(error, 0.95):.2f}, interval holds {100 * held:.0f} %, median width "
            f"{np.median([row['width'] for row in some]):.2f}"
        )


def tell(name: str, rows: list[dict[str, Any]]) -> None:
    """One line of errors, one of how well they are known."""
    colours = [row for row in rows if "z" in row]
    parts = [
        f"{key} {np.median([r[key] for r in colours]):.2f} ({np.quantile([r[key] for r in colours], 0.9):.2f})"
        for key in ("read", "kept", "alone")
    ]
    print(f"{name}: {len(colours)} red drinks, median (90 %): " + ", ".join(parts))


def tell_more(rows: list[dict[str, Any]]) -> None:
    colours = [row for row in rows if "z" in row]
    z, sd, sd_read = (np.array([row[key] for row in colours]) for key in ("z", "sd", "sd_read"))
    print(f"   two sd hold L*, a*, b* in {(100 * (np.abs(z) < 2).mean(axis=0)).round(0)} %")
    print(f"   median sd as read {np.median(sd_read, axis=0).round(2)}, corrected {np.median(sd, axis=0).round(2)}")
    for when in ("read", "kept"):
        some = [row for row in rows if row.get("difference") == when]
        error, held = np.abs([r["error"] for r in some]), np.mean([r["held"] for r in some])
        width = np.median([r["width"] / max(r["true"], 1) for r in some])
        print(
            f"   difference {when}: median error {np.median(error):.2f}, 90 % {np.quantile(error, 0.9):.2f}, interval "
            f"holds {100 * held:.0f} %, width {100 * width:.0f} % of the difference"
        )


def main() -> None:
    """Runs the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kits", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tests", type=int, default=6)
    parser.add_argument("--near", type=int, default=6)
    parser.add_argument("--cards", default="nominal,grey,true")
    given = parser.parse_args()
    every: dict[str, list[dict[str, Any]]] = {how: [] for how in given.cards.split(",")}
    for seed in range(given.seed, given.seed + given.kits):
        with tempfile.TemporaryDirectory() as folder:
            kit = make_kit(seed, Path(folder))
            known = []
            for k, held in enumerate(KNOWN):
                drinks = [
                    drink_transmittance({dye: mg * kit.strength[dye] for dye, mg in one.items()}, depth_mm=kit.depth_mm)
                    for one in held
                ]
                known.append(kit.glasses(seed * 100 + k, *drinks)[0])
            tests = [kit.glasses(seed * 100 + 50 + k, *pair) for k, pair in enumerate(draw_pairs(seed, given.tests))]
            near = [kit.glasses(seed * 100 + 70 + k, *pair) for k, pair in enumerate(draw_near_pairs(seed, given.near))]
            for how, rows in every.items():
                greys = read_card_of(kit, how)
                try:
                    fit = calibrate_kit(kit, known, greys)
                except ColourMatchError as error:
                    print(f"{kit.name}: {error}")
                    continue
                own = read_tests(fit, tests, greys)
                tell(f"{kit.name}, card {how}, kept {fit.kind}", own)
                pairs = [row for row in read_tests(fit, near, greys) if "difference" in row]
                rows += [row | {"warm": kit.take.light.name in WARM_LIGHTS} for row in own + pairs]
    for warm in (False, True):
        some = {how: [row for row in rows if row["warm"] == warm] for how, rows in every.items()}
        for how, rows in some.items():
            if rows:
                tell(f"ALL{' under warm lamps' * warm}, card {how}", rows)
                tell_more(rows)
        tell_near(some)


if __name__ == "__main__":
    main()
