"""The card's own greys: with them known, a phone's curve is taken out whatever the printer did; how they become known."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_card import DECODE_TABLE
from test_tone import CARD, S, bend, photograph_greys

from colourmatch.colour.spaces import encode_srgb
from colourmatch.photo.light import fit_light, mask_paper
from colourmatch.photo.tone import KnownGreys, align_channels, fit_curve

NOMINAL = np.array([step.reflectance for step in CARD.greys])
PRINTERS = [(1.1, 0.3, 0.5), (0.9, 0.3, 0.5), (0.9, 0.6, 0.7), (1.1, 0.0, 0.7)]


def tint_error(
    true: float, case: tuple[float, float, float], known: KnownGreys | None
) -> tuple[float, float]:
    """Natural-log error of a neutral tint read on a card printed with a power, and its sd."""
    power, s_curve, exposure = case
    flat = photograph_greys(power, s_curve, exposure)
    curve = fit_curve(flat, known)
    table = curve.table(DECODE_TABLE)
    flat = flat.redecoded(table)
    channels = align_channels(flat, fit_light(flat, mask_paper(CARD, S), tuple(range(6))), curve, known)
    codes = 255 * encode_srgb(bend(np.array([exposure, exposure * true]), s_curve))
    paper, seen = np.interp(codes, np.arange(256), table[0])
    rgb = channels.apply(curve.take_veil(np.full(3, seen / paper)))
    sd = np.linalg.norm(curve.shifts(rgb, np.full(3, paper)), axis=0)[0]
    return float(np.log(rgb[0] / true)), float(sd / true)


@pytest.mark.parametrize("case", PRINTERS)
@pytest.mark.parametrize("true", [0.6, 0.3, 0.12])
def test_known_greys_take_out_the_curve_whatever_the_printer_did(case, true):
    known = KnownGreys(NOMINAL ** case[0], np.full(12, 0.01))
    error, sd = tint_error(true, case, known)
    # the greys are 0.75, 0.5, 0.35, 0.2, 0.1: between them a strong S leaves 2 % of a tint
    assert abs(error) < 0.025
    assert abs(error) < 3 * np.hypot(sd, 0.006)


def test_a_printer_that_strays_is_what_known_greys_mend():
    case = (0.9, 0.6, 0.5)
    blind, _ = tint_error(0.12, case, None)
    seen, _ = tint_error(0.12, case, KnownGreys(NOMINAL**0.9, np.full(12, 0.01)))
    assert abs(blind) > 0.15
    assert abs(seen) < 0.1 * abs(blind)
