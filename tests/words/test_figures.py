"""Figures in words."""

import pytest

from colourmatch.words.figures import tell_interval, tell_number


def interval(value, low, high):
    return {"value": value, "low": low, "high": high}


@pytest.mark.parametrize(
    "figure, digits, told",
    [
        (interval(9.24, 8.81, 9.58), 1, "9.2 (8.8 to 9.6)"),
        (interval(0.42, 0.0, 1.08), 1, "at most 1.1"),
        (interval(0.42, 0.049, 1.08), 1, "at most 1.1"),
        (interval(0.42, 0.051, 1.08), 1, "0.4 (0.1 to 1.1)"),
        (interval(0.42, 0.049, 1.08), 2, "0.42 (0.05 to 1.08)"),
        (interval(0.0, 0.0, 0.0), 1, "0.0 (0.0 to 0.0)"),
        (interval(-0.3, -1.2, 0.0), 1, "−0.3 (−1.2 to 0.0)"),
        (None, 1, "–"),
        (interval(None, None, None), 1, "–"),
    ],
)
def test_an_interval_that_reaches_0_is_told_as_a_bound(figure, digits, told):
    assert tell_interval(figure, digits, minus="−", none="–") == told


def test_a_zero_has_no_sign():
    assert [tell_number(v) for v in (-0.04, 0.04, -0.06)] == ["0.0", "0.0", "-0.1"]
