"""The limits of the colours of things, against an open library's table of them and against drawn reflectances."""

import numpy as np
import pytest

from colourmatch.colour.gamut import least_value
from colourmatch.colour.spaces import RGB_TO_XYZ
from colourmatch.colour.spectra import WAVELENGTHS_NM, integration_weights

SPACES = ["sRGB", "Display P3"]
#: Linear values of saturated liquids with one channel at nothing, and that channel.
COLOURS = [
    ("sRGB", (0.9, 0.35, 0.0), 2), ("Display P3", (0.8, 0.0, 0.1), 1), ("Display P3", (0.0, 0.3, 0.7), 0),
    ("sRGB", (0.0, 0.5, 0.3), 0),
]  # fmt: skip


def test_the_least_value_lies_on_the_macadam_limits():
    """The same solid by colour-science, built from pulses of D65 light (Roesch-MacAdam colour solid)."""
    colour = pytest.importorskip("colour")
    shape = colour.SpectralShape(380, 780, 5)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    light = colour.SDS_ILLUMINANTS["D65"].copy().align(shape)
    inside, outside = [], []
    for space, rgb, channel in COLOURS:
        least = least_value(rgb, channel, RGB_TO_XYZ[space])
        assert least < 0
        for part, found in ((0.9, inside), (1.1, outside)):
            value = np.array(rgb)
            value[channel] = part * least
            found.append(RGB_TO_XYZ[space] @ value)
    within = colour.volume.is_within_visible_spectrum(np.array([inside, outside]), observer, light)
    assert within.tolist() == [[True] * len(COLOURS), [False] * len(COLOURS)]


@pytest.mark.parametrize("space", SPACES)
def test_no_reflectance_lies_below_it(space):
    rng = np.random.default_rng(3)
    to_rgb = np.linalg.inv(RGB_TO_XYZ[space]).T
    tight = []
    for _ in range(60):
        # steep edges, as strong dyes have
        edge, width = rng.uniform(440, 640), rng.uniform(3, 30)
        low, high = sorted(rng.uniform(0, 1, 2))
        rise = 1 / (1 + np.exp((edge - WAVELENGTHS_NM) / width * rng.choice([-1, 1])))
        rgb = (low * 0.1 + (high - low * 0.1) * rise) @ integration_weights() @ to_rgb
        for channel in range(3):
            if min(np.delete(rgb, channel)) < 0:
                continue
            least = least_value(rgb, channel, RGB_TO_XYZ[space])
            assert least <= rgb[channel] + 1e-9
            tight.append(rgb[channel] - least)
    assert min(tight) < 0.02


def test_grey_has_room_below_and_an_odd_value_or_matrix_is_no_error():
    assert least_value([0.5, 0.5, 0.5], 1, RGB_TO_XYZ["sRGB"]) <= 0
    assert -0.2 < least_value([1.2, 0.4, 0.0], 2, RGB_TO_XYZ["sRGB"]) < 0
    assert least_value([0.5, 0.2, 0.0], 2, -np.eye(3)) == -0.5
