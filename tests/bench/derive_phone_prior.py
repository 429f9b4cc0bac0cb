"""Derives how far one phone's reading strays, calibration/phone_weights.csv and calibration/phone_prior.csv.

usage: python tests/bench/derive_phone_prior.py [FOLDER] [--without "Phone A,Phone B"]

The cameras are those of worlds.py: half of them measured sensors (calibration/sensors.json), moved and widened a little,
half invented; lamps by day, CIE LEDs, warm ones too; the matrices that makers fit. What a camera makes of a reflectance in
its light is its effective weights (81, 3) to linear Display P3, water at 1; their principal components, in the metric of
what they do to the logarithm of drinks, are the prior of a phone in the fit of a lot (liquid/phone.py). What the reading
leaves of an S-shaped tone curve and of veil is fitted as contrast and roll-off. --without leaves sensors out, to judge lots
of these phones by a prior that never saw them. Printed: what the components leave out. A new table is another camera model:
count CAMERA_MODEL of liquid/phone.py up, so that calibrations kept with the one before are fitted again.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from worlds import (
    Array,
    bend,
    draw_drinks,
    draw_lamp,
    draw_matrix,
    draw_measured,
    draw_sensor,
    file_to_p3,
    measured_phones,
)

from colourmatch.colour.spectra import WAVELENGTHS_NM as NM
from colourmatch.facts import find_fact
from colourmatch.liquid.phone import bend_tones, soft_log

NAMES = ("gamma_r", "gamma_g", "gamma_b", "roll_off")
EXPECTED = np.array([0.0, 0.0, 0.0, 0.3])
PULL = np.array([0.15, 0.15, 0.15, 0.4])
#: Components kept: what they leave out is far below what tone curves leave.
COMPONENTS = 12
#: Cameras, those of them whose tones are fitted, and drinks of each.
CAMERAS, TONES, DRINKS = 1000, 480, 20


def draw_camera(rng: np.random.Generator, phones: tuple[str, ...]) -> Array:
    """Weights (81, 3) from reflectances to linear Display P3 of a camera in a light, paper at 1, 1, 1."""
    measured = rng.random() < 0.5
    sensor = draw_measured(rng, str(rng.choice(phones))) if measured else draw_sensor(rng)
    lamp, srgb = draw_lamp(rng), rng.random() < 0.5
    response = sensor * lamp[:, None]
    response = response / response.sum(axis=0)
    matrix = draw_matrix(rng, sensor, lamp, srgb=srgb, hard=1.0)
    return np.asarray(response @ matrix.T @ file_to_p3(srgb=srgb).T)


def components(cameras: Array, liquids: Array) -> tuple[Array, Array]:
    """Mean weights (81, 3) and components (K, 81, 3), each one standard deviation long, of cameras (C, 81, 3).

    The metric: rms change of log(R . w) over the liquids, so that the fine structure of a lamp that no drink shows
    takes no component. A component is the regression of the weights on its score.
    """
    mean = cameras.mean(axis=0)
    value = np.maximum(liquids @ mean, 0.03)
    change = np.einsum("mw,cwk->cmk", liquids, cameras - mean) / value
    left, size, _ = np.linalg.svd(change.reshape(len(cameras), -1) / np.sqrt(len(liquids)), full_matrices=False)
    scores = left[:, :COMPONENTS] * np.sqrt(len(cameras))
    shapes = np.einsum("ck,cwj->kwj", scores, cameras - mean) / len(cameras)
    rest = change - np.einsum("ck,kwj,mw->cmj", scores, shapes, liquids) / value
    print("components, size", (size[:COMPONENTS] / np.sqrt(len(cameras))).round(4))
    print("rms change of log by a camera", np.sqrt((change**2).mean(axis=(0, 1))).round(4))
    print("rms left out", np.sqrt((rest**2).mean(axis=(0, 1))).round(4))
    return mean, shapes


def fit_tone(rng: np.random.Generator, camera: Array, liquids: Array) -> Array:
    """The contrast of the channels and the roll-off of one camera, and the rms they leave, (7,)."""
    # what the reading's own correction leaves of an S
    paper, strength, channels = rng.uniform(0.5, 0.85), rng.normal(0.05, 0.12), rng.normal(0, 0.015, 3)
    veil = rng.normal(0, 0.004)
    light = liquids @ camera
    seen = bend((1 - veil) * light + veil, strength, paper)
    y = (1 + channels) * soft_log(np.maximum(seen, 0.001))[0]
    weight = 1 / (0.02 + 0.05 * np.abs(y) + 0.004 / np.maximum(np.exp(y), 0.01))

    def residual(p: Array) -> Array:
        # weak pulls keep terms that this set of drinks does not determine near what is common
        return np.r_[((bend_tones(light[None], p[None])[0][0] - y) * weight).ravel(), (p - EXPECTED) / PULL]

    fit = least_squares(residual, EXPECTED)
    left = np.abs(fit.fun[: -len(NAMES)].reshape(-1, 3) / weight)
    light_ones = (y > np.log(0.08)).all(axis=1)
    return np.r_[fit.x, np.sqrt((left[light_ones] ** 2).mean(axis=0))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?", default=find_fact("phone_prior.csv").parent)
    parser.add_argument("--without", default="")
    args = parser.parse_args()
    phones = tuple(phone for phone in measured_phones() if phone not in args.without.split(","))
    rng = np.random.default_rng(3)
    weights = np.array([draw_camera(rng, phones) for _ in range(CAMERAS)])
    liquids = 10 ** (-2 * draw_drinks(rng, DRINKS * TONES)[0][:, 0])
    mean, shapes = components(weights, liquids[:300])
    table = np.concatenate([mean[:, None], shapes.transpose(1, 0, 2)], axis=1).reshape(len(NM), -1)
    names = [f"{part}_{c}" for part in ["mean", *(f"c{k + 1}" for k in range(len(shapes)))] for c in "rgb"]
    write_fact(
        args.folder / "phone_weights.csv",
        "Effective weights of a camera's channels, from reflectance relative to water to linear Display P3: the mean, and "
        "components one standard deviation long.",
        ["nm," + ",".join(names)]
        + [f"{nm:.0f}," + ",".join(f"{v:.4e}" for v in row) for nm, row in zip(NM, table, strict=True)],
    )
    each = zip(weights, liquids.reshape(TONES, DRINKS, -1), strict=False)
    fits = np.array([fit_tone(rng, camera, drinks) for camera, drinks in each])
    tone_mean, cov = fits[:, :4].mean(axis=0), np.cov(fits[:, :4].T)
    print("tone mean", tone_mean.round(3), "sd", np.sqrt(np.diag(cov)).round(3))
    print("rms left in log r, g, b", np.median(fits[:, 4:], axis=0).round(4))
    rows = [
        f"{n},{m:.5f}," + ",".join(f"{v:.3e}" for v in row) for n, m, row in zip(NAMES, tone_mean, cov, strict=True)
    ]
    write_fact(
        args.folder / "phone_prior.csv",
        "Prior of what is left of a phone's tones: y = (1 + gamma) log(seen), positive y times (1 - roll_off). Columns: "
        "name, mean, the covariance row in the order of the names.",
        ["name,mean," + ",".join(NAMES), *rows],
    )


def write_fact(path: Path, about: str, rows: list[str]) -> None:
    """A table with its source in the head."""
    source = (
        f"# source: computed by tests/bench/derive_phone_prior.py; {CAMERAS} cameras, half of them with the sensors of "
        "sensors.json, moved and widened a little, half invented."
    )
    path.write_text("\n".join([f"# {about}", source, *rows]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
