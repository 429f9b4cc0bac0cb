"""Derives calibration/phone_prior.csv: how far phones' colours stray from the standard observer's, as a prior.

usage: python tests/bench/derive_phone_prior.py [OUT.csv]

An ensemble of cameras looks at an ensemble of drinks. Sensors: sums of Gaussians around the peaks and widths that
published surveys of camera sensitivities report (R 595 to 605, G 530 to 540, B 450 to 465 nm, widths 30 to 45 nm;
Jiang, Liu, Gu, Suesstrunk 2013, "What is the space of spectral sensitivity functions for digital color cameras?",
WACV, from memory), with side lobes and an infrared cut, and the Nikon 5100 measured by the NPL (in colour-science).
None is a sensor of the photo generator. Each camera gets the 3x3 matrix that maps its white-balanced signals of the
24 ColorChecker patches best to linear Display P3 under a calibration light (daylight, or half way to tungsten, as
phones interpolate; or the light itself), white kept white (Finlayson, Drew 1997), some saturation change, an error of
the matrix, up to 1.5 % of veil, and an S-shaped tone curve on a paper exposed to 0.5 to 0.85; it
then works under another light, white-balanced on paper. What is fitted is the reading model of liquid/learn.py:
y = (1 + gamma) log(M x). Printed: mean, sd, and what the model leaves (rms of y) for daylight and for LED.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares

from colourmatch.colour.spaces import RGB_TO_XYZ, decode_srgb, encode_srgb
from colourmatch.colour.spectra import WAVELENGTHS_NM as NM
from colourmatch.colour.spectra import integration_weights, planck_spectrum, read_illuminant
from colourmatch.facts import find_fact
from colourmatch.liquid.colourants import list_colourants
from colourmatch.liquid.learn import _p3_weights, _soft_log, _through_phone
from colourmatch.liquid.model import base_shapes

NAMES = ("m_rg", "m_rb", "m_gr", "m_gb", "m_br", "m_bg", "gamma_r", "gamma_g", "gamma_b", "roll_off")
EXPECTED = np.array([0.0] * 9 + [0.3])
PULL = np.array([0.15] * 6 + [0.15] * 3 + [0.4])


def draw_sensor(rng: np.random.Generator) -> np.ndarray:
    """Sensitivities (81, 3) of one invented camera."""

    def bump(centre: float, sigma: float, height: float = 1.0) -> np.ndarray:
        return height * np.exp(-0.5 * ((NM - centre) / sigma) ** 2)

    red = bump(rng.normal(600, 6), rng.uniform(24, 42)) + bump(
        rng.normal(530, 15), 30, rng.uniform(0.02, 0.2)
    )
    red += bump(rng.normal(430, 15), 25, rng.uniform(0, 0.08))
    green = bump(rng.normal(534, 5), rng.uniform(33, 45)) + bump(
        rng.normal(610, 12), 25, rng.uniform(0.02, 0.15)
    )
    green += bump(rng.normal(470, 10), 20, rng.uniform(0.02, 0.2))
    blue = bump(rng.normal(459, 5), rng.uniform(24, 34)) + bump(
        rng.normal(530, 12), 25, rng.uniform(0.02, 0.2)
    )
    cut = 1 / (1 + np.exp((NM - rng.normal(665, 12)) / 10)) / (1 + np.exp(-(NM - rng.normal(412, 5)) / 6))
    return np.stack([red, green, blue], axis=1) * cut[:, None]


def nikon() -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        sensor = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"]
    return np.array([sensor[float(w)] for w in NM]).reshape(-1, 3)


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
    strength = 0.0 if rng.random() < 0.2 else rng.uniform(0, 0.6)

    def curve(linear: np.ndarray) -> np.ndarray:
        v = encode_srgb(linear)
        return decode_srgb(v + strength * v * (1 - v) * (2 * v - 1))

    return curve


def fit_camera(
    rng: np.random.Generator, sensor: np.ndarray, light: np.ndarray, patches: np.ndarray, liquids: np.ndarray
):
    """The nine numbers that describe one camera in one light, and the rms they leave."""
    response = sensor * light[:, None]
    response /= response.sum(axis=0)
    back = np.linalg.inv(RGB_TO_XYZ["Display P3"]).T
    warm = rng.random() ** 2 * 0.6
    usual = (1 - warm) * read_illuminant("D65") + warm * read_illuminant("A")
    known = sensor * (usual if rng.random() < 0.6 else light)[:, None]
    target, seen = patches @ integration_weights() @ back, patches @ (known / known.sum(axis=0))
    target_white, seen_white = integration_weights().sum(axis=0) @ back, np.ones(3)
    # white kept white: solve for the part of the matrix that acts on differences from grey
    seen_d, target_d = seen - seen[:, 1:2] * seen_white, target - seen[:, 1:2] * target_white
    matrix = np.linalg.lstsq(seen_d[:, [0, 2]], target_d, rcond=None)[0]
    own = rng.normal(0, rng.uniform(0, 0.03), (3, 3))
    own -= own.mean(axis=1, keepdims=True)
    boost, veil = rng.normal(1.06, 0.07), rng.uniform(0, 0.015)

    def camera(reflectance: np.ndarray) -> np.ndarray:
        raw = reflectance @ response
        rgb = raw[:, 1:2] + (raw - raw[:, 1:2])[:, [0, 2]] @ matrix
        grey = rgb @ np.array([0.23, 0.69, 0.08])
        boosted = grey[:, None] + boost * (rgb - grey[:, None])
        return (1 - veil) * (boosted + boosted @ own.T) + veil

    paper, curve, channels = rng.uniform(0.5, 0.85), draw_curve(rng), rng.normal(0, 0.015, 3)
    seen = curve(np.clip(camera(liquids) * paper, 0, 1)) / curve(np.array(paper))
    y = (1 + channels) * _soft_log(np.maximum(seen, 0.001))[0]
    x = liquids @ _p3_weights()
    weight = 1 / (0.02 + 0.05 * np.abs(y) + 0.004 / np.maximum(np.exp(y), 0.01))
    start = EXPECTED.copy()

    def residual(p: np.ndarray) -> np.ndarray:
        # weak pulls keep terms that this set of drinks does not determine near what is common
        pull = (p - EXPECTED) / PULL
        return np.r_[((_through_phone(x[None], p[None])[0][0] - y) * weight).ravel(), pull]

    fit = least_squares(residual, start)
    left = np.abs(fit.fun[: -len(NAMES)].reshape(-1, 3) / weight)
    light_ones = (y > np.log(0.08)).all(axis=1)
    return (
        fit.x,
        np.sqrt((left[light_ones] ** 2).mean(axis=0)),
        float((left[light_ones] / (0.02 + np.abs(y[light_ones]))).mean()),
    )


def main() -> None:
    rng = np.random.default_rng(3)
    patches = colorchecker()
    daylight = [read_illuminant(n) for n in ("D50", "D55", "D65", "D75")] + [
        planck_spectrum(k) for k in (5000, 6000, 7000)
    ]
    led = [
        read_illuminant(n) for n in ("LED-B3", "LED-B4", "LED-B5", "LED-V1", "LED-V2", "LED-BH1", "LED-B2")
    ]
    fits = {"daylight": [], "led": []}
    for kind, lights in (("daylight", daylight), ("led", led)):
        for k in range(240):
            sensor = nikon() if k % 20 == 0 else draw_sensor(rng)
            found, left, ratio = fit_camera(rng, sensor, lights[k % len(lights)], patches, drinks(rng, 60))
            fits[kind].append(np.r_[found, left, ratio])
        table = np.array(fits[kind])
        print(kind, "mean", dict(zip(NAMES, table[:, :10].mean(axis=0).round(3), strict=True)))
        print(kind, "sd  ", dict(zip(NAMES, table[:, :10].std(axis=0).round(3), strict=True)))
        print(
            kind,
            "rms left in log r, g, b",
            np.median(table[:, 10:13], axis=0).round(3),
            "relative",
            np.median(table[:, 13]).round(3),
        )
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else find_fact("phone_prior.csv")
    pooled = np.concatenate([np.array(fits["daylight"]), np.array(fits["led"])])[:, :10]
    mean, cov = pooled.mean(axis=0), np.cov(pooled.T)
    lines = [
        "# Prior of a phone's colour error against the standard observer: y = (1 + gamma) log(M x), positive y times (1 - roll_off), x linear Display P3.",
        "# source: computed by tests/bench/derive_phone_prior.py from published ranges of camera sensitivities; 480 cameras, half daylight, half LED.",
        "# columns: name, mean, then the covariance row in the order of the names.",
        "name,mean," + ",".join(NAMES),
    ]
    lines += [
        f"{n},{m:.5f}," + ",".join(f"{v:.3e}" for v in row)
        for n, m, row in zip(NAMES, mean, cov, strict=True)
    ]
    out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("pooled sd", np.sqrt(np.diag(cov)).round(3))


if __name__ == "__main__":
    main()
