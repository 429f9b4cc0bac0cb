"""Stripes over the paper: tones of known depth in drawn paper, and what is none (noise, slopes of light, one edge)."""

import numpy as np
import pytest

from colourmatch.photo.stripes import _SIDE, _depth_of_tones

ROWS, COLS = np.mgrid[:_SIDE, :_SIDE].astype(float)


def paper(noise: float, count: int = 12) -> np.ndarray:
    """Squares of bare paper, shape (count, side, side), with white noise (sd, part of its light)."""
    return 0.7 * (1 + np.random.default_rng(3).normal(0, noise, (count, _SIDE, _SIDE)))


@pytest.mark.parametrize("period_px", [2.3, 5.0, 12.0])
@pytest.mark.parametrize("depth", [0.03, 0.2])
def test_the_depth_of_a_tone_comes_back(period_px, depth):
    tone = np.sin(2 * np.pi * (0.8 * COLS + 0.6 * ROWS) / period_px)
    # a window of 32 pixels spreads a tone over more than 3 x 3 frequencies: a few per cent of it stay outside
    assert _depth_of_tones(paper(0.01) * (1 + depth * tone)) == pytest.approx(depth, rel=0.08)


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.1])
def test_noise_is_no_stripes_however_strong(noise):
    assert _depth_of_tones(paper(noise)) == 0.0


def test_stripes_over_a_few_squares_are_something_that_lies_there():
    striped = paper(0.01)
    striped[:4] *= 1 + 0.2 * np.sin(2 * np.pi * COLS / 6)
    assert _depth_of_tones(striped) == 0.0
    striped[4:8] *= 1 + 0.2 * np.sin(2 * np.pi * COLS / 6)
    assert _depth_of_tones(striped) > 0.1
