"""Derives what phones' colours have in common, calibration/typical_camera.csv, and how far one phone strays from that,
calibration/phone_weights.csv and calibration/phone_prior.csv.

usage: python tests/bench/derive_phone_prior.py [FOLDER]

An ensemble of cameras looks at an ensemble of drinks. Sensors: sums of Gaussians around the peaks and widths that
published surveys of camera sensitivities report (R 595 to 605, G 530 to 540, B 450 to 465 nm, widths 30 to 45 nm;
Jiang, Liu, Gu, Suesstrunk 2013, "What is the space of spectral sensitivity functions for digital color cameras?",
WACV, from memory), with side lobes and an infrared cut, and the Nikon 5100 measured by the NPL (in colour-science).
None is a sensor of the photo generator. Each camera gets the 3x3 matrix that maps its white-balanced signals of the
24 ColorChecker patches best to linear Display P3 under a calibration light (daylight, or half way to tungsten, as
phones interpolate; or the light itself), white kept white (Finlayson, Drew 1997), some saturation change, an error of
the matrix, up to 1.5 % of veil, and an S-shaped tone curve on a paper exposed to 0.5 to 0.85; it
then works under another light, white-balanced on paper. The typical camera is the 3x3 matrix, white kept white, that
brings what they see nearest to the truth; it is taken out of every plain reading (photo/camera.py). The rest of a camera is
its effective weights (81, 3); their principal components, in the metric of what they do to the logarithm of drinks, are
the prior of a phone in the fit of a lot (liquid/phone.py). What the tone curve leaves is fitted as contrast and roll-off.
Printed: what the components leave out, and how differences stray, for SCALE_SD of photo/read_colour.py.
"""

from __future__ import annotations

import sys
import warnings
from functools import cache
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

from colourmatch.colour.spaces import RGB_TO_XYZ, decode_srgb, encode_srgb, xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM as NM
from colourmatch.colour.spectra import integration_weights, planck_spectrum, read_illuminant
from colourmatch.facts import find_fact
from colourmatch.liquid.colourants import list_colourants
from colourmatch.liquid.model import base_shapes
from colourmatch.liquid.phone import bend_tones, p3_weights, soft_log

NAMES = ("gamma_r", "gamma_g", "gamma_b", "roll_off")
EXPECTED = np.array([0.0, 0.0, 0.0, 0.3])
PULL = np.array([0.15, 0.15, 0.15, 0.4])
#: Components kept: what they leave out is far below what tone curves leave.
COMPONENTS = 12


def draw_sensor(rng: np.random.Generator) -> np.ndarray:
    """Sensitivities (81, 3) of one invented camera."""

    def bump(centre: float, sigma: float, height: float = 1.0) -> np.ndarray:
        return height * np.exp(-0.5 * ((NM - centre) / sigma) ** 2)

    red = bump(rng.normal(600, 6), rng.uniform(24, 42)) + bump(rng.normal(530, 15), 30, rng.uniform(0.02, 0.2))
    red += bump(rng.normal(430, 15), 25, rng.uniform(0, 0.08))
    green = bump(rng.normal(534, 5), rng.uniform(33, 45)) + bump(rng.normal(610, 12), 25, rng.uniform(0.02, 0.15))
    green += bump(rng.normal(470, 10), 20, rng.uniform(0.02, 0.2))
    blue = bump(rng.normal(459, 5), rng.uniform(24, 34)) + bump(rng.normal(530, 12), 25, rng.uniform(0.02, 0.2))
    cut = 1 / (1 + np.exp((NM - rng.normal(665, 12)) / 10)) / (1 + np.exp(-(NM - rng.normal(412, 5)) / 6))
    return np.stack([red, green, blue], axis=1) * cut[:, None]


def nikon() -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        sensor = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"]
    return np.array([sensor[float(w)] for w in NM]).reshape(-1, 3)


@cache
def colorchecker() -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        patches = colour.SDS_COLOURCHECKERS["BabelColor Average"].values()
        return np.array([np.interp(NM, p.wavelengths, p.values) for p in patches])


def drinks(rng: np.random.Generator, count: int) -> np.ndarray:
    """Reflectances (count, 81): natural colours with none, one or two food colours, seen twice through the depth."""
    base, dyes = base_shapes(), np.array([c.shape for c in list_colourants() if c.shape.max() > 0.5])
    amounts = rng.gamma(0.35, 0.12, (count, len(base)))
    amounts[:, -1] *= 0.1
    dosed = rng.random((count, len(dyes))) < 1.2 / len(dyes)
    return 10 ** (-2 * (amounts @ base + (dosed * rng.gamma(1.2, 0.25, dosed.shape)) @ dyes))


def draw_curve(rng: np.random.Generator):
    """Linear light to linear light as decoded from the file: an S of random strength about the encoded middle."""
    # what the reading's own correction by the grey steps leaves of it
    strength = rng.normal(0.05, 0.12)

    def curve(linear: np.ndarray) -> np.ndarray:
        v = encode_srgb(linear)
        return decode_srgb(v + strength * v * (1 - v) * (2 * v - 1))

    return curve


def draw_camera(rng: np.random.Generator, sensor: np.ndarray, light: np.ndarray, patches: np.ndarray):
    """A camera in one light: weights (81, 3) from reflectances to its linear Display P3, paper at 1, 1, 1."""
    response = sensor * light[:, None]
    response /= response.sum(axis=0)
    back = np.linalg.inv(RGB_TO_XYZ["Display P3"]).T
    warm = rng.random() ** 2 * 0.6
    usual = (1 - warm) * read_illuminant("D65") + warm * read_illuminant("A")
    known = sensor * (usual if rng.random() < 0.6 else light)[:, None]
    target, seen = patches @ integration_weights() @ back, patches @ (known / known.sum(axis=0))
    matrix = keep_white(seen, target)
    own = rng.normal(0, rng.uniform(0, 0.03), (3, 3))
    own -= own.mean(axis=1, keepdims=True)
    boost = rng.normal(1.06, 0.07)

    luma = np.array([0.23, 0.69, 0.08])
    saturate = boost * np.eye(3) + (1 - boost) * np.ones((3, 1)) * luma
    return response @ matrix.T @ saturate.T @ (np.eye(3) + own).T


def keep_white(seen: np.ndarray, target: np.ndarray, weight: np.ndarray | float = 1.0) -> np.ndarray:
    """The 3x3 matrix, rows summing to 1, that maps seen (N, 3) best to target (N, 3)."""
    sides = np.linalg.lstsq((seen - seen[:, 1:2])[:, [0, 2]] * weight, (target - seen[:, 1:2]) * weight, rcond=None)[
        0
    ].T
    return np.stack([sides[:, 0], 1 - sides.sum(axis=1), sides[:, 1]], axis=1)


def typical_camera(draws: list[tuple]) -> np.ndarray:
    """The mean error of cameras, taken out: seen to true linear Display P3, (3, 3), rows summing to 1."""
    seen = np.concatenate([liquids @ camera for camera, liquids in draws])
    true = np.concatenate([liquids @ p3_weights() for _, liquids in draws])
    # dark channels count as much as the eye counts them; a channel outside the gamut has no place in a linear mean
    inside = (seen.min(axis=1) > 0.02) & (true.min(axis=1) > 0)
    weight = 1 / (0.03 + true[inside].mean(axis=1, keepdims=True))
    return keep_white(seen[inside], true[inside], weight)


def components(cameras: np.ndarray, liquids: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
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


def fit_tone(rng: np.random.Generator, camera: np.ndarray, liquids: np.ndarray):
    """The contrast of the channels and the roll-off of one camera, and the rms they leave."""
    paper, curve, channels = rng.uniform(0.5, 0.85), draw_curve(rng), rng.normal(0, 0.015, 3)
    veil = rng.normal(0, 0.004)
    light = liquids @ camera
    seen = curve(np.clip(((1 - veil) * light + veil) * paper, 0, 1)) / curve(np.array(paper))
    y = (1 + channels) * soft_log(np.maximum(seen, 0.001))[0]
    weight = 1 / (0.02 + 0.05 * np.abs(y) + 0.004 / np.maximum(np.exp(y), 0.01))

    def residual(p: np.ndarray) -> np.ndarray:
        # weak pulls keep terms that this set of drinks does not determine near what is common
        return np.r_[((bend_tones(light[None], p[None])[0][0] - y) * weight).ravel(), (p - EXPECTED) / PULL]

    fit = least_squares(residual, EXPECTED)
    left = np.abs(fit.fun[: -len(NAMES)].reshape(-1, 3) / weight)
    light_ones = (y > np.log(0.08)).all(axis=1)
    return np.r_[fit.x, np.sqrt((left[light_ones] ** 2).mean(axis=0))]


def print_straying(rng: np.random.Generator, draws: list[tuple], typical: np.ndarray) -> None:
    """How differences in the ensemble stray once the typical camera is taken out."""
    gaps, missed = [], []
    to_xyz = RGB_TO_XYZ["Display P3"].T
    for camera, liquids in draws:
        # a pair: a drink and the same a little stronger or weaker
        other = liquids ** rng.uniform(0.7, 1.4, (len(liquids), 1))
        true = [xyz_to_lab(r @ p3_weights() @ to_xyz) for r in (liquids, other)]
        seen = [xyz_to_lab(r @ camera @ typical.T @ to_xyz) for r in (liquids, other)]
        usable = ((liquids @ camera).min(axis=1) > 0.02) & (np.linalg.norm(true[1] - true[0], axis=1) > 1)
        gaps.append((true[1] - true[0])[usable])
        missed.append((seen[1] - seen[0])[usable] - gaps[-1])
    gap, miss = (
        np.concatenate(gaps),
        np.concatenate(missed) / np.linalg.norm(np.concatenate(gaps), axis=1, keepdims=True),
    )
    print("part of a difference, sd along L*, a*, b*", miss.std(axis=0).round(3), "pairs", len(gap))


def main() -> None:
    rng = np.random.default_rng(3)
    patches = colorchecker()
    daylight = [read_illuminant(n) for n in ("D50", "D55", "D65", "D75")] + [
        planck_spectrum(k) for k in (5000, 6000, 7000)
    ]
    led = [read_illuminant(n) for n in ("LED-B3", "LED-B4", "LED-B5", "LED-V1", "LED-V2", "LED-BH1", "LED-B2")]
    lights = {"daylight": daylight, "led": led}
    draws = {
        kind: [
            (
                draw_camera(rng, nikon() if k % 20 == 0 else draw_sensor(rng), of_kind[k % len(of_kind)], patches),
                drinks(rng, 60),
            )
            for k in range(240)
        ]
        for kind, of_kind in lights.items()
    }
    typical = typical_camera(draws["daylight"] + draws["led"])
    print("typical camera", typical.round(4).tolist())
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else find_fact("phone_prior.csv").parent
    rows = [f"{c}," + ",".join(f"{v:.5f}" for v in row) for c, row in zip("rgb", typical, strict=True)]
    write_fact(
        folder / "typical_camera.csv",
        "Seen to expected true linear Display P3, white kept: the mean error of phone cameras.",
        ["channel,r,g,b", *rows],
    )
    for kind, of_kind in draws.items():
        print(kind)
        print_straying(rng, of_kind, typical)
    every = draws["daylight"] + draws["led"]
    weights = np.array([camera @ typical.T for camera, _ in every])
    mean, shapes = components(weights, drinks(rng, 300))
    table = np.concatenate([mean[:, None], shapes.transpose(1, 0, 2)], axis=1).reshape(len(NM), -1)
    names = [f"{part}_{c}" for part in ["mean", *(f"c{k + 1}" for k in range(len(shapes)))] for c in "rgb"]
    write_fact(
        folder / "phone_weights.csv",
        "Effective weights of a camera's channels, from reflectance relative to water to linear Display P3 once the "
        "typical camera is taken out: the mean, and components one standard deviation long.",
        ["nm," + ",".join(names)]
        + [f"{nm:.0f}," + ",".join(f"{v:.4e}" for v in row) for nm, row in zip(NM, table, strict=True)],
    )
    fits = np.array([fit_tone(rng, w, liquids) for w, (_, liquids) in zip(weights, every, strict=True)])
    print("tone mean", fits[:, :4].mean(axis=0).round(3), "sd", fits[:, :4].std(axis=0).round(3))
    print("rms left in log r, g, b", np.median(fits[:, 4:], axis=0).round(4))
    tone_mean, cov = fits[:, :4].mean(axis=0), np.cov(fits[:, :4].T)
    rows = [
        f"{n},{m:.5f}," + ",".join(f"{v:.3e}" for v in row) for n, m, row in zip(NAMES, tone_mean, cov, strict=True)
    ]
    write_fact(
        folder / "phone_prior.csv",
        "Prior of what is left of a phone's tones: y = (1 + gamma) log(seen), positive y times (1 - roll_off). Columns: "
        "name, mean, the covariance row in the order of the names.",
        ["name,mean," + ",".join(NAMES), *rows],
    )


def write_fact(path: Path, about: str, rows: list[str]) -> None:
    """A table with its source in the head."""
    source = (
        "# source: computed by tests/bench/derive_phone_prior.py from published ranges of camera sensitivities; "
        "480 cameras, half daylight, half LED."
    )
    path.write_text("\n".join([f"# {about}", source, *rows]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
