"""The card's own greys: with them known, a phone's curve is taken out whatever the printer did; how they become known."""

from pathlib import Path

import numpy as np
import pytest
from drawn import Phone, Printer
from drawn.materials import printed_greys
from drawn_card import DECODE_TABLE
from known_photos import photograph_grey
from test_tone import CARD, S, bend, photograph_greys

from colourmatch.colour.spaces import encode_srgb
from colourmatch.errors import InputError
from colourmatch.photo.card_profile import GreysReading, combine_readings, enter_greys, read_greys
from colourmatch.photo.flat import mask_paper
from colourmatch.photo.light import fit_light
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


# ---- entered, and read off photos --------------------------------------------------------------------------------


def photograph_card(folder: Path, printer: Printer, phone: Phone, seed: int):
    """A photo of a bare card beside a grey one, and the grey's rectangle in pixels."""
    path = folder / f"card-{seed}.jpg"
    return path, photograph_grey(path, printer, phone, seed)


@pytest.fixture(scope="module")
def bent_card(tmp_path_factory: pytest.TempPathFactory) -> tuple[Printer, list[GreysReading]]:
    """Two readings of one card from a printer far from nominal, by a phone with an S-curve."""
    printer = Printer(gamma=1.12, jitter=0.02, seed=3)
    folder = tmp_path_factory.mktemp("cards")
    taken = [
        photograph_card(folder, printer, Phone(s_curve=0.3, exposure=e, veil=0.004), s)
        for e, s in ((0.6, 1), (0.75, 2))
    ]
    return printer, [read_greys(path, grey) for path, grey in taken]


def test_photos_beside_a_grey_card_find_what_the_printer_did(bent_card):
    printer, readings = bent_card
    true = printed_greys(printer).mean(axis=1)
    found, ratio = combine_readings(readings)
    error = np.log(found.reflectance / true)
    assert np.all(np.abs(error) < 2.5 * found.log_sd)
    # half a dozen per cent where the nominal greys are wrong by up to 40
    strayed = np.abs(np.log(NOMINAL / true))
    assert np.abs(error[NOMINAL > 0.05]).max() < 0.08
    assert np.abs(error).mean() < 0.4 * strayed.mean()
    assert ratio < 2


def test_a_grey_card_on_the_middle_ring_needs_no_rectangle(tmp_path):
    path, grey = photograph_card(tmp_path, Printer(gamma=1.1, seed=2), Phone(s_curve=0.2), 6)
    found, pointed = read_greys(path), read_greys(path, grey)
    assert found.reflectance == pytest.approx(pointed.reflectance, rel=0.02)


def test_readings_that_disagree_widen_the_profile():
    near = enter_greys(NOMINAL[:6], 0.005)
    far = GreysReading(near.reflectance * 1.2, near.log_sd, {"how": "entered"})
    joined, ratio = combine_readings([near, far])
    assert ratio > 2
    assert joined.log_sd[3] > combine_readings([near, near])[0].log_sd[3]


def test_a_grey_that_no_reading_saw_takes_its_twin():
    reading = enter_greys(NOMINAL**1.1, 0.005)
    hidden = GreysReading(
        np.where(np.arange(12) == 2, np.nan, reading.reflectance), reading.log_sd, {"how": "entered"}
    )
    joined, _ = combine_readings([hidden])
    assert joined.reflectance[2] == pytest.approx(joined.reflectance[8])
    assert joined.log_sd[2] > joined.log_sd[8]


@pytest.mark.parametrize(
    ("values", "sd", "text"),
    [
        ([0.7, 0.5], None, "Give 6, from the lightest"),
        ([0.7, 0.5, 0.3, 0.2, 0.1, 1.2], None, "between 0.001 and 1"),
        ([0.5, 0.7, 0.3, 0.2, 0.1, 0.04], None, "Check their order"),
        (list(NOMINAL[:6]), 3.0, "Give a standard deviation"),
    ],
)
def test_impossible_greys_are_refused_with_what_to_do(values, sd, text):
    with pytest.raises(InputError, match=text):
        enter_greys(values, sd)


def test_a_rectangle_that_holds_no_grey_is_refused(tmp_path):
    path, _ = photograph_card(tmp_path, Printer(), Phone(), 5)
    with pytest.raises(InputError, match="does not lie in the photo"):
        read_greys(path, (5000, 10, 40, 40))
    with pytest.raises(InputError, match=r"no neutral grey of 18 %|too far from the printed card"):
        read_greys(path, (2, 2, 12, 12))
    with pytest.raises(InputError, match="Give a part of 1"):
        read_greys(path, (2, 2, 12, 12), reflectance=(18.0, 0.5))
