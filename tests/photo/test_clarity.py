"""What the bars tell: clarity from their contrast, the veil from their blacks, and how sure either is."""

import numpy as np
import pytest

from colourmatch.photo import veil as veiling
from colourmatch.photo.clarity import SURFACE, Bars, judge_clarity
from colourmatch.photo.veil import estimate_veil

#: Levels of bare bars, part of paper.
WHITE, BLACK = 1.0, 0.04


def see(transmittance: float, haze: float = 0.0, veil: float = 0.0, coarseness: float = 1.0) -> Bars:
    """Bars through a liquid under a veil and the reflection of its surface; haze adds the same to both."""
    over = haze + veil + SURFACE
    return Bars(transmittance * WHITE + over, transmittance * BLACK + over, coarseness)


def test_contrast_is_michelsons():
    # (Lmax - Lmin) / (Lmax + Lmin), Michelson (1927), Studies in Optics
    assert Bars(0.9, 0.1, 1.0).contrast(0.0) == pytest.approx(0.8)
    assert Bars(0.5, 0.5, 1.0).contrast(0.0) == 0.0
    assert Bars(0.7, 0.0, 1.0).contrast(0.0) == 1.0


@pytest.mark.parametrize("transmittance", [1.0, 0.6, 0.2, 0.05])
@pytest.mark.parametrize("veil", [0.0, 0.02])
def test_a_clear_liquid_is_clear_however_dark(transmittance, veil):
    clarity = judge_clarity(see(transmittance, veil=veil), see(0.93, veil=veil), veil)
    assert clarity.value == pytest.approx(1.0, abs=1e-9)


def test_haze_lowers_clarity_as_its_light_says():
    values = []
    for haze in (0.0, 0.02, 0.05, 0.1, 0.3):
        clarity = judge_clarity(see(0.6, haze), see(0.93), 0.0)
        wanted = 0.6 * (WHITE - BLACK) / (0.6 * (WHITE + BLACK) + 2 * haze)
        assert clarity.value == pytest.approx(wanted / ((WHITE - BLACK) / (WHITE + BLACK)), rel=1e-9)
        values.append(clarity.value)
    assert values == sorted(values, reverse=True)


def test_a_darker_liquid_and_an_unknown_surface_are_judged_less_surely():
    sds = [judge_clarity(see(t), see(0.93), 0.0).sd for t in (0.9, 0.4, 0.15, 0.05)]
    assert sds == sorted(sds) and sds[-1] > 5 * sds[0]
    # a surface that reflects twice as much as is taken for granted
    liquid = Bars(0.15 + 2 * SURFACE, 0.15 * BLACK + 2 * SURFACE, 1.0)
    clarity = judge_clarity(liquid, see(0.93), 0.0)
    assert clarity.value < 1
    assert abs(clarity.value - 1) < 2 * clarity.sd


@pytest.mark.parametrize(
    ("liquid", "plain"),
    [
        (Bars(0.0, 0.0, 1.0), see(0.93)),
        (Bars(0.5, 0.7, 1.0), see(0.93)),
        (see(0.5), Bars(0.5, 0.5, 1.0)),
        (Bars(0.001, 0.0005, 3.0), Bars(0.001, 0.0005, 3.0)),
        (Bars(5.0, 0.0, 1.0), see(0.93)),
    ],
)
@pytest.mark.parametrize("veil", [0.0, 0.05])
def test_any_levels_give_a_finite_clarity_in_its_range(liquid, plain, veil):
    clarity = judge_clarity(liquid, plain, veil)
    assert 0.0 <= clarity.value <= 1.2
    assert np.isfinite(clarity.sd) and clarity.sd > 0


def through(transmittance: float, veil: float, coarseness: float = 1.0) -> Bars:
    """Bars of a paler ink as they look through a liquid with a veil: T + v beside r T + v."""
    return Bars(transmittance + veil, 0.06 * transmittance + veil, coarseness)


@pytest.mark.parametrize("veil", [0.0, 0.01, 0.03])
def test_a_dark_liquid_beside_water_tells_the_veil(veil):
    glasses = (("reference", 0.12), ("batch", 0.15), ("blank", 0.93))
    bars = {name: through(transmittance, veil, 0.3) for name, transmittance in glasses}
    seen = estimate_veil(bars, tuple(bars), 0.0)
    assert seen.value["reference"] == pytest.approx(veil, abs=0.002)
    assert seen.value["blank"] == pytest.approx(veil, abs=0.003)
    assert seen.common_sd < 0.5 * veiling.SURFACE_SD


def test_no_glass_water_alone_and_blurred_bars_tell_little_of_the_veil():
    seen = estimate_veil({"batch": None, "blank": through(0.93, 0.05)}, ("batch", "blank"), 0.0)
    assert seen.value["batch"] == pytest.approx(veiling.SURFACE, abs=0.003)
    assert seen.common_sd > 0.8 * veiling.SURFACE_SD
    sharp = {"batch": through(0.15, 0.03), "blank": through(0.93, 0.03)}
    blurred = {"batch": through(0.15, 0.03, 2.0), "blank": through(0.93, 0.03, 2.0)}
    assert set(estimate_veil(sharp, ("batch",), 0.0).value) == {"batch"}
    near, far = (estimate_veil(b, ("batch", "blank"), 0.0).value["batch"] for b in (sharp, blurred))
    assert abs(near - 0.03) < abs(far - 0.03)
    assert estimate_veil({}, ("batch",), 0.0).value["batch"] == veiling.SURFACE
