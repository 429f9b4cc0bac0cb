"""The veil from the blacks of the bars: formula by hand, what tells it, what it falls back on."""

import pytest

from colourmatch.photo.clarity import Bars
from colourmatch.photo.veil import SURFACE, SURFACE_SD, estimate_veil

INK = 0.06


def through(transmittance: float, veil: float, coarseness: float = 1.0) -> Bars:
    """Bars as they look through a liquid with a veil: T + v beside r T + v."""
    return Bars(transmittance + veil, INK * transmittance + veil, coarseness)


@pytest.mark.parametrize("veil", [0.0, 0.01, 0.03])
def test_a_dark_liquid_beside_water_tells_the_veil(veil):
    bars = {
        "reference": through(0.12, veil, 0.3),
        "batch": through(0.15, veil, 0.3),
        "blank": through(0.93, veil, 0.3),
    }
    seen = estimate_veil(bars, ("reference", "batch", "blank"), 0.0)
    assert seen.value["reference"] == pytest.approx(veil, abs=0.002)
    assert seen.value["blank"] == pytest.approx(veil, abs=0.003)
    assert seen.common_sd < 0.5 * SURFACE_SD


def test_bars_of_water_alone_leave_what_is_expected_of_a_surface():
    seen = estimate_veil({"batch": None, "blank": through(0.93, 0.05)}, ("batch", "blank"), 0.0)
    assert seen.value["batch"] == pytest.approx(SURFACE, abs=0.003)
    assert seen.common_sd > 0.8 * SURFACE_SD


def test_no_glass_has_no_veil_and_blurred_bars_tell_little():
    sharp = {"batch": through(0.15, 0.03), "blank": through(0.93, 0.03)}
    blurred = {"batch": through(0.15, 0.03, 2.0), "blank": through(0.93, 0.03, 2.0)}
    assert set(estimate_veil(sharp, ("batch",), 0.0).value) == {"batch"}
    near, far = (estimate_veil(b, ("batch", "blank"), 0.0).value["batch"] for b in (sharp, blurred))
    assert abs(near - 0.03) < abs(far - 0.03)
    assert estimate_veil({}, ("batch",), 0.0).value["batch"] == SURFACE
