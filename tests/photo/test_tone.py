"""The tone curve from the printed greys: known S-curves, printers and veils are taken out, within the sd."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from drawn.camera import tone_curve
from drawn_card import DECODE_TABLE, draw_block, grid_mm, to_flat

from colourmatch.colour.spaces import decode_srgb, encode_srgb
from colourmatch.photo.card import read_card
from colourmatch.photo.flat import FlatCard, mask_paper
from colourmatch.photo.light import fit_light
from colourmatch.photo.tone import ToneCurve, align_channels, fit_curve

S = 2
CARD = read_card()
X, Y = (a[..., None] for a in grid_mm(S))
NO_SHOULDER = 0.98


@cache
def greys(power: float) -> np.ndarray:
    return draw_block(S, greys_power=power)[..., None].repeat(3, axis=-1)


def bend(linear: np.ndarray, s_curve: float) -> np.ndarray:
    """Linear values as they are read back after a phone's S-curve: a logistic curve in the encoded values."""
    return decode_srgb(tone_curve(np.clip(linear, 0, 1.5), s_curve, NO_SHOULDER))


def photograph_greys(power: float, s_curve: float, exposure: float, veil: float = 0.0) -> FlatCard:
    """A card whose greys printed as nominal**power, under a veil, through a tone curve, with noise."""
    seen = exposure * (greys(power) * (1 - veil) + veil)
    return to_flat(bend(seen, s_curve), S, 1.0)


def read_steps(flat: FlatCard) -> dict[float, float]:
    """Mean linear green of the grey steps by nominal reflectance."""
    found: dict[float, list[float]] = {}
    for step in CARD.greys:
        rows, cols = flat.crop(step.centre_mm, CARD.grey_size_mm / 2 - 3)
        found.setdefault(step.reflectance, []).append(float(flat.decode(rows, cols)[..., 1].mean()))
    return {nominal: float(np.mean(values)) for nominal, values in found.items()}


def ratio_error(flat: FlatCard, power: float) -> float:
    """Natural log of the ratio of the 0.2 to the 0.5 step against what was printed."""
    steps = read_steps(flat)
    return float(np.log(steps[0.2] / steps[0.5] / 0.4**power))


# Physics with known truth


@pytest.mark.parametrize(
    ("power", "s_curve", "exposure", "within"),
    [
        # a printer's power or dot gain and a curve look alike in part: some of it stays
        (1.0, 0.3, 0.45, 0.10),
        (1.0, 0.6, 0.6, 0.13),
        (0.92, 0.6, 0.7, 0.15),
        (1.08, 0.6, 0.45, 0.14),
    ],
)
def test_an_s_curve_is_taken_out_of_the_greys(power, s_curve, exposure, within):
    flat = photograph_greys(power, s_curve, exposure)
    curve = fit_curve(flat)
    before = ratio_error(flat, power)
    after = ratio_error(flat.redecoded(curve.table(DECODE_TABLE)), power)
    assert abs(before) > 0.1, "this curve matters"
    assert abs(after) < within
    assert abs(after) < 0.75 * abs(before)


def read_tint(true: float, power: float, s_curve: float, exposure: float) -> tuple[float, float]:
    """Error of a neutral tint read through the fitted curve, and the standard deviation it is given."""
    curve = fit_curve(photograph_greys(power, s_curve, exposure))
    table = curve.table(DECODE_TABLE)[0]
    codes = 255 * encode_srgb(bend(np.array([exposure, exposure * true]), s_curve))
    paper, seen = np.interp(codes, np.arange(256), table)
    rgb = curve.take_veil(np.full(3, seen / paper))
    return rgb[0] - true, np.linalg.norm(curve.shifts(rgb, np.full(3, paper)), axis=0)[0]


@pytest.mark.parametrize(
    ("power", "s_curve", "exposure"), [(1.0, 0.0, 0.7), (1.0, 0.3, 0.45), (0.9, 0.2, 0.7), (1.1, 0.2, 0.45)]
)
@pytest.mark.parametrize("true", [0.6, 0.1])
def test_the_uncertainty_covers_what_is_left(true, power, s_curve, exposure):
    error, sd = read_tint(true, power, s_curve, exposure)
    # three: a true power of 0.9 together with a curve lies one sd off on both priors
    assert abs(error) < 3 * sd


def test_a_veil_is_not_claimed_from_a_pale_black():
    # a printer's weak black and a veil look alike: only a trace of it is put down to the photo
    veils = [fit_curve(photograph_greys(1.0, 0.0, 0.6, veil)).terms[3] for veil in (0.0, 0.006, 0.012, 0.025)]
    assert veils == sorted(veils)
    assert all(
        found <= max(true, 0.002) for found, true in zip(veils, (0.0, 0.006, 0.012, 0.025), strict=True)
    )


def test_covered_steps_are_left_out():
    def cover(linear: np.ndarray) -> np.ndarray:
        return np.where((X < 95) & (Y > 145), np.array([0.10, 0.14, 0.32]), linear)

    whole = fit_curve(to_flat(bend(0.6 * greys(1.0), 0.3), S, 1.0))
    covered = fit_curve(to_flat(bend(cover(0.6 * greys(1.0)), 0.3), S, 1.0))
    assert covered.fitted and len(covered.steps) < len(whole.steps)
    assert covered.terms == pytest.approx(whole.terms, abs=0.1)


def test_a_card_without_its_greys_keeps_the_files_own_curve():
    flat = to_flat(np.full((180 * S, 250 * S, 3), 0.6), S)
    hidden = replace(flat, inside=np.zeros_like(flat.inside))
    curve = fit_curve(hidden)
    assert not curve.fitted
    assert curve.table(DECODE_TABLE) == pytest.approx(DECODE_TABLE, abs=1e-4)
    assert (np.diag(curve.covariance) > 0).all(), "what is not known is uncertain"


# Invariants of a curve


def make_curve(s_shape: float = 0.0, lift: float = 0.0, veil: float = 0.0, sd: float = 0.0) -> ToneCurve:
    return ToneCurve(np.array([s_shape, lift, 1.0, veil, 0.0]), np.diag([sd**2, 0, 0, 0, 0]), True)


# a cubic S rises everywhere while twice its strength and the lift together stay under 1
@pytest.mark.parametrize(("s_shape", "lift"), [(-0.4, 0.1), (0.2, -0.5), (0.2, 0.5), (0.45, 0.0), (0.0, 0.7)])
def test_every_table_rises_from_black_to_white(s_shape, lift):
    table = make_curve(s_shape, lift).table(DECODE_TABLE)
    assert (np.diff(table, axis=1) >= 0).all()
    assert table[:, 0] == pytest.approx([0, 0, 0], abs=1e-3)
    assert table[:, -1] == pytest.approx([1, 1, 1], abs=1e-3)


# Channels against each other


def test_channels_bent_apart_are_brought_together_and_paper_stays_paper():
    for powers in (np.array([1.0, 1.0, 1.06]), np.ones(3)):
        flat = to_flat(0.6 * greys(1.0) ** powers, S, 1.0)
        light = fit_light(flat, mask_paper(CARD, S), tuple(range(6)))
        tones = align_channels(flat, light, make_curve())
        for level in (0.5, 0.2, 0.1):
            seen = level**powers
            if np.ptp(seen):
                assert np.ptp(np.log(tones.apply(seen))) < 0.5 * np.ptp(np.log(seen))
            else:
                assert tones.apply(seen) == pytest.approx(seen, rel=0.01)
        assert tones.apply(np.ones(3)) == pytest.approx(np.ones(3), rel=0.005)
        assert tones.covariance(np.ones(3)) == pytest.approx(np.zeros((3, 3)))
        beyond = np.array([1.2, 0.0, -0.1])
        assert np.isfinite(tones.apply(beyond)).all() and (tones.apply(beyond) > 0).all()
        assert np.isfinite(tones.covariance(beyond)).all()
