"""CIELAB against printed values and two libraries, RGB encodings against their standards, the limits of things' colours."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from colourmatch.colour import spaces
from colourmatch.colour.gamut import least_value
from colourmatch.colour.spaces import PRIMARIES_XY, RGB_TO_XYZ, WHITE_D65_XYZ, decode_srgb, xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM, _import_colour, integration_weights

RNG = np.random.default_rng(7)


def white_from_xy(x: float, y: float) -> np.ndarray:
    return np.array([x / y, 1.0, (1 - x - y) / y])


# Printed in the tests of a general colour library; seen. XYZ with Y from 0 to 1, white as xy.
PRINTED = [
    ((0.07049534, 0.1008, 0.09558313), (0.3457, 0.3585), (37.98562910, -23.62907688, -4.41746615)),
    ((0.07049534, 0.1008, 0.09558313), (0.31270, 0.32900), (37.98562910, -22.61920654, 4.19811236)),
    ((0.47097710, 0.3495, 0.11301649), (0.3457, 0.3585), (65.70971880, 41.56438554, 37.78303554)),
]


@pytest.mark.parametrize(("xyz", "white_xy", "lab"), PRINTED)
def test_printed_lab_values(xyz, white_xy, lab):
    # The inputs have 8 decimals, which alone moves b* by 2e-6; the printed values come from the same inputs.
    assert_allclose(xyz_to_lab(xyz, white_from_xy(*white_xy)), lab, rtol=0, atol=5e-9)


def test_white_is_cie_d65_2_degrees():
    # 95.047 100 108.883; seen. xy 0.3127 0.3290 rounds from it.
    assert_allclose(100 * WHITE_D65_XYZ, [95.047, 100, 108.883], rtol=0, atol=5e-4)
    assert_allclose(white_from_xy(0.3127, 0.3290), WHITE_D65_XYZ, atol=5e-4)


# IEC 61966-2-1, annex F: the matrix from linear sRGB to XYZ, four decimals.
def test_srgb_matrix_is_that_of_the_standard():
    standard = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    from_xy = spaces.primaries_to_matrix(PRIMARIES_XY["sRGB"], white_from_xy(0.3127, 0.3290))
    assert_allclose(from_xy, standard, rtol=0, atol=5e-5)
    # The package scales to the tabulated white instead: 1.08883 in Z where the rounded xy give 1.08906.
    assert_allclose(RGB_TO_XYZ["sRGB"], standard, rtol=0, atol=2.5e-4)


@pytest.mark.parametrize("encoding", PRIMARIES_XY)
def test_equal_rgb_is_neutral(encoding):
    grey = xyz_to_lab(np.linspace(0, 1, 20)[:, None] * RGB_TO_XYZ[encoding].sum(axis=1))
    assert_allclose(grey[:, 1:], 0, atol=1e-9)
    assert (np.diff(grey[:, 0]) > 0).all()


def test_round_trips_and_cielab_of_colour_science():
    xyz = np.concatenate([RNG.uniform(0, 1.2, (500, 3)), RNG.uniform(-0.02, 0.02, (200, 3))])
    assert_allclose(spaces.lab_to_xyz(xyz_to_lab(xyz)), xyz, atol=1e-12)
    colour = _import_colour()
    xyz = RNG.uniform(0, 1, (500, 3))
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    assert_allclose(xyz_to_lab(xyz, white_from_xy(*white)), colour.XYZ_to_Lab(xyz, white), atol=1e-9)


@pytest.mark.parametrize(
    ("name", "theirs"), [("sRGB", "sRGB"), ("Display P3", "Display P3"), ("Adobe RGB", "Adobe RGB (1998)")]
)
def test_matrices_agree_with_colour_science(name, theirs):
    colour = _import_colour()
    matrix = colour.RGB_COLOURSPACES[theirs].matrix_RGB_to_XYZ
    # Theirs are rounded to four digits, or have the white from xy; 3e-4 is the size of that.
    assert_allclose(RGB_TO_XYZ[name], matrix, rtol=0, atol=3e-4)


def test_adaptation_and_srgb_curve_agree_with_colour_science():
    colour = _import_colour()
    d50 = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2022, clause 7.2.16
    theirs = colour.adaptation.matrix_chromatic_adaptation_VonKries(d50, WHITE_D65_XYZ, transform="Bradford")
    assert_allclose(spaces.adaptation_matrix(d50, WHITE_D65_XYZ), theirs, atol=1e-9)
    assert_allclose(spaces.adaptation_matrix(d50, WHITE_D65_XYZ) @ d50, WHITE_D65_XYZ, atol=1e-12)
    colour = _import_colour()
    value = np.linspace(0, 1, 1001)
    assert_allclose(decode_srgb(value), colour.models.eotf_sRGB(value), atol=1e-7)
    assert_allclose(spaces.encode_srgb(decode_srgb(value)), value, atol=1e-7)
    assert (np.diff(decode_srgb(value)) > 0).all()


def test_swatches():
    assert spaces.lab_to_hex([100, 0, 0]) == "#ffffff"
    assert spaces.lab_to_hex([0, 0, 0]) == "#000000"
    # CIE lightness of 18 % grey is 49.5, sRGB code 118; computed by hand.
    assert spaces.lab_to_hex([116 * 0.18 ** (1 / 3) - 16, 0, 0]) == "#767676"
    rgb, clipped = spaces.lab_to_srgb([[50, 0, 0], [50, 120, 0]])
    assert clipped.tolist() == [False, True] and rgb.dtype == np.uint8


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
