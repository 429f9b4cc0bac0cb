"""Cameras whose sensitivities were measured, with the matrix that suits them best."""

from __future__ import annotations

import numpy as np
from derive_phone_prior import colorchecker, keep_white

from colourmatch.colour.spaces import RGB_TO_XYZ
from colourmatch.colour.spectra import integration_weights, read_illuminant


def weigh_p3(sensor: np.ndarray, light: str) -> np.ndarray:
    """Weights (81, 3) to linear Display P3, white at 1, of a sensor (81, 3) in a light.

    The matrix is the least squares one over the 24 patches of the ColorChecker (BabelColor average, in colour-science),
    white kept (Finlayson, Drew 1997).
    """
    response = sensor * read_illuminant(light)[:, None]
    response = response / response.sum(axis=0)
    back = integration_weights() @ np.linalg.inv(RGB_TO_XYZ["Display P3"]).T
    return response @ keep_white(colorchecker() @ response, colorchecker() @ back / back.sum(axis=0)).T
