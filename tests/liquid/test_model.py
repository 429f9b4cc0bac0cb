"""Beer-Lambert by hand and against published solutions, then how colour goes with amount and depth."""

import numpy as np
import pytest
from known_liquids import nbs_solutions
from numpy.testing import assert_allclose
from scipy.optimize import least_squares

from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM, integration_weights, transmittance_to_xyz
from colourmatch.liquid.model import View, absorbance_to_lab, base_shapes


def solve_amounts(wanted, colour_of):
    """Amounts of the three solutions whose colour is the wanted one, by least squares from far away."""
    solutions, start = np.array(list(nbs_solutions().values())), [0.2, 2.0, 0.5]
    found = least_squares(lambda amounts: colour_of(amounts @ solutions) - wanted, start, xtol=1e-12)
    assert found.success
    return found.x


# NBS letter circulars LC 929 (1948) and LC 1017: one of each solution together in 1 cm, D65, 10 degrees, is
# L*a*b* 90.27 2.31 2.02 (computed at 1 nm, two decimals). Solved back, the answer is 1, 1, 1.
def test_nbs_mixture_solved_back_from_its_printed_colour():
    weights = integration_weights("D65", 10)

    def colour_of(absorbance):
        return xyz_to_lab(10**-absorbance @ weights, weights.sum(axis=0))

    # The sum at 5 nm is up to 0.04 from the printed colour; one part of chromate is 5.7 in b*.
    assert_allclose(solve_amounts([90.27, 2.31, 2.02], colour_of), [1, 1, 1], rtol=0, atol=0.01)


def test_nbs_mixture_solved_back_from_its_colour_over_paper():
    # Seen twice through 5 mm is seen through 1 cm; D65, 2 degrees, no printed figure needed.
    wanted = absorbance_to_lab(sum(nbs_solutions().values()) / 2)
    assert_allclose(solve_amounts(wanted, lambda a: absorbance_to_lab(a / 2)), [1, 1, 1], rtol=0, atol=1e-6)


# Wine colour from T at 450, 520, 570, 600 and 630 nm (0 to 1), D65, 10 degrees, XYZ in percent:
# Perez-Caballero et al. 2003, from memory; T = 1 gives the white within 0.4 %.
WINE = np.array(
    [
        [19.717, 1.884, 42.539, 32.474, -1.841],
        [7.950, 34.764, 42.736, 15.759, -1.180],
        [103.518, 4.190, 0.251, -1.831, 0.818],
    ]
)


def test_wine_from_a_few_wavelengths_gives_the_white():
    assert_allclose(WINE.sum(axis=1), 100 * transmittance_to_xyz(np.ones(81), "D65", 10), rtol=0.004)


@pytest.mark.parametrize(
    ("absorbance", "illuminant", "lightness", "within"),
    # By hand: A = 0.5 a pass, 10^(-2 * 0.5) = 0.1 everywhere, and L* = 116 * 0.1^(1/3) - 16 = 37.8424.
    [(0.5, "D65", 37.8424, 5e-5), (0.0, "D65", 100, 1e-9), (0.0, "A", 100, 1e-9), (0.0, "LED-B3", 100, 1e-9)],
)
def test_half_absorbance_seen_twice_is_a_tenth_and_water_is_white(absorbance, illuminant, lightness, within):
    lab = absorbance_to_lab(np.full(81, absorbance), illuminant)
    assert_allclose(lab, [lightness, 0, 0], rtol=0, atol=within)


# ---- shapes and errors ---------------------------------------------------------------------------


def test_natural_shapes_are_smooth_and_of_size_one():
    shapes = base_shapes()
    assert shapes.ndim == 2 and shapes.shape[1] == len(WAVELENGTHS_NM)
    assert (shapes >= 0).all()
    near_peak = shapes[:, (WAVELENGTHS_NM >= 430)].max(axis=1)
    assert_allclose(near_peak, 1, atol=0.02)
    assert np.linalg.matrix_rank(shapes) == len(shapes)  # none is a mixture of the others


@pytest.mark.parametrize(
    ("name", "value"),
    [("depth_mm", -3), ("depth_mm", 0), ("dilution", 0.5), ("weight", 0), ("depth_mm", float("nan"))],
)
def test_impossible_view_is_the_callers_mistake(name, value):
    with pytest.raises(ValueError, match=rf"depth_mm > 0, .* are needed, got View.*{name}={value}"):
        View(**{name: value})
