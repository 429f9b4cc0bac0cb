"""What phone cameras have in common: the expected error of their colours and, without a card, of their tones.

A phone's sensor is no standard observer and its makers like colours a little richer. How far one phone strays is not
known, but the mean over many is: the linear map, white kept white, that brings an ensemble of cameras nearest to the
truth for drinks. What a single phone strays from that mean is left to the uncertainty and to calibration.
Source: white-point preserving least squares, Finlayson, Drew 1997, "White-point preserving color correction", IS&T/SID
5th Color Imaging Conference (from memory); the ensemble is that of tests/bench/derive_phone_prior.py.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from colourmatch.colour.spaces import RGB_TO_XYZ
from colourmatch.facts import read_rows
from colourmatch.records import Array


@cache
def _expected_p3() -> Array:
    """Seen to expected true linear Display P3, shape (3, 3), rows summing to 1."""
    return np.array([[float(row[c]) for c in ("r", "g", "b")] for row in read_rows("typical_camera.csv")])


def expect_camera(to_xyz: Array) -> Array:
    """The matrix (3, 3) from a file's linear primaries to expected true XYZ, from the file's own matrix to XYZ.

    White stays where it was: grey values are untouched.
    """
    p3 = RGB_TO_XYZ["Display P3"]
    return p3 @ _expected_p3() @ np.linalg.inv(p3) @ np.asarray(to_xyz, float)


@cache
def expect_tones() -> Array:
    """How much more light a code stands for than its encoding says, natural log, (1 + K, 256): mean, then components.

    Cameras raise the contrast of what they write and bend its bright end softly towards full: a white is brighter than its
    file says, and a shadow too. A component is one standard deviation long and common to a photo: principal components of
    measured curves and of none (tests/bench/derive_tone_prior.py).
    """
    rows = read_rows("tone_curves.csv")
    codes, *columns = (np.array([float(row[name]) for row in rows]) for name in rows[0])
    return np.array([np.interp(np.arange(256), codes, column) for column in columns])
