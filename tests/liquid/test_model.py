"""Beer-Lambert by hand, the shapes of natural bases, and views that cannot be."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.liquid.model import View, absorbance_to_lab, base_shapes


@pytest.mark.parametrize(
    ("absorbance", "illuminant", "lightness", "within"),
    # By hand: A = 0.5 a pass, 10^(-2 * 0.5) = 0.1 everywhere, and L* = 116 * 0.1^(1/3) - 16 = 37.8424.
    [(0.5, "D65", 37.8424, 5e-5), (0.0, "D65", 100, 1e-9), (0.0, "A", 100, 1e-9), (0.0, "LED-B3", 100, 1e-9)],
)
def test_half_absorbance_seen_twice_is_a_tenth_and_water_is_white(absorbance, illuminant, lightness, within):
    lab = absorbance_to_lab(np.full(81, absorbance), illuminant)
    assert_allclose(lab, [lightness, 0, 0], rtol=0, atol=within)


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
