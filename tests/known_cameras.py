"""Cameras of known truth: measured ones with the matrix that suits them best, and drawn ones of the phones' ensemble."""

import numpy as np
from worlds import colorchecker, keep_white

from colourmatch.colour.spaces import RGB_TO_XYZ
from colourmatch.colour.spectra import integration_weights, read_illuminant
from colourmatch.instrument import phone_calibration as pc
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.phone import unknown_phone


def weigh_p3(sensor: np.ndarray, light: str) -> np.ndarray:
    """Weights (81, 3) to linear Display P3, white at 1, of a sensor (81, 3) in a light.

    The matrix is the least squares one over the 24 patches of the ColorChecker (BabelColor average, in colour-science),
    white kept (Finlayson, Drew 1997).
    """
    response = sensor * read_illuminant(light)[:, None]
    response = response / response.sum(axis=0)
    back = integration_weights() @ np.linalg.inv(RGB_TO_XYZ["Display P3"]).T
    return response @ keep_white(colorchecker() @ response, colorchecker() @ back / back.sum(axis=0)).T


def draw_phone(seed: int) -> np.ndarray:
    """Unit-normal numbers of a camera."""
    return np.random.default_rng(seed).normal(0, 1, len(unknown_phone().mean))


def reflect(mg_per_l: tuple[float, ...], dyes: tuple[str, ...] = ("E129", "E102")) -> np.ndarray:
    """Reflectance of dyes in 10 mm of water over paper."""
    shapes = np.array([find_colourant(dye).absorptivity() for dye in dyes])
    return 10 ** (-2 * np.asarray(mg_per_l, float) @ shapes)


def see_lab(reflectance: np.ndarray, phone: np.ndarray) -> np.ndarray:
    """Lab as a drawn camera reads it."""
    return pc.p3_to_lab(np.exp(pc.see(np.atleast_2d(reflectance), phone)))[0]
