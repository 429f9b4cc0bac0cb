"""The tone curve: known S-curves, printers and veils are taken out within the sd; the card's own greys, and how they become known."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from drawn import Phone, Printer
from drawn.camera import tone_curve
from drawn.materials import printed_greys
from drawn_card import DECODE_TABLE, draw_block, grid_mm, to_flat
from known_photos import photograph_grey

from colourmatch.colour.spaces import decode_srgb, encode_srgb
from colourmatch.errors import InputError
from colourmatch.photo.card import read_card
from colourmatch.photo.card_profile import GreysReading, combine_readings, enter_greys, read_greys
from colourmatch.photo.flat import FlatCard, mask_paper
from colourmatch.photo.light import fit_light
from colourmatch.photo.tone import KnownGreys, ToneCurve, align_channels, fit_curve

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


@pytest.mark.parametrize(
    ("power", "s_curve", "exposure", "within"),
    [
        # a printer's power or dot gain and a curve look alike in part: some of it stays
        (1.0, 0.3, 0.45, 0.04),
        (1.0, 0.6, 0.6, 0.09),
        (0.92, 0.6, 0.7, 0.10),
        (1.08, 0.6, 0.45, 0.07),
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
    veils = (0.0, 0.006, 0.012, 0.025)
    found = [fit_curve(photograph_greys(1.0, 0.0, 0.6, veil)).terms[3] for veil in veils]
    assert found == sorted(found)
    assert all(seen <= max(true, 0.002) for seen, true in zip(found, veils, strict=True))


def test_steps_that_are_covered_or_hidden_are_left_out():
    def cover(linear: np.ndarray) -> np.ndarray:
        return np.where((X < 95) & (Y > 145), np.array([0.10, 0.14, 0.32]), linear)

    whole = fit_curve(to_flat(bend(0.6 * greys(1.0), 0.3), S, 1.0))
    covered = fit_curve(to_flat(bend(cover(0.6 * greys(1.0)), 0.3), S, 1.0))
    assert covered.fitted and len(covered.steps) < len(whole.steps)
    assert covered.terms == pytest.approx(whole.terms, abs=0.1)
    flat = to_flat(np.full((180 * S, 250 * S, 3), 0.6), S)
    hidden = replace(flat, inside=np.zeros_like(flat.inside))
    curve = fit_curve(hidden)
    assert not curve.fitted
    assert curve.table(DECODE_TABLE) == pytest.approx(DECODE_TABLE, abs=1e-4)
    assert (np.diag(curve.covariance) > 0).all(), "what is not known is uncertain"


def make_curve(s_shape: float = 0.0, lift: float = 0.0, veil: float = 0.0, sd: float = 0.0) -> ToneCurve:
    return ToneCurve(np.array([s_shape, lift, 1.0, veil, 0.0]), np.diag([sd**2, 0, 0, 0, 0]), True)


# a cubic S rises everywhere while twice its strength and the lift together stay under 1
@pytest.mark.parametrize(("s_shape", "lift"), [(-0.4, 0.1), (0.2, -0.5), (0.2, 0.5), (0.45, 0.0), (0.0, 0.7)])
def test_every_table_rises_from_black_to_white(s_shape, lift):
    table = make_curve(s_shape, lift).table(DECODE_TABLE)
    assert (np.diff(table, axis=1) >= 0).all()
    assert table[:, 0] == pytest.approx([0, 0, 0], abs=1e-3)
    assert table[:, -1] == pytest.approx([1, 1, 1], abs=1e-3)


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


NOMINAL = np.array([step.reflectance for step in CARD.greys])
PRINTERS = [(1.1, 0.3, 0.5), (0.9, 0.3, 0.5), (0.9, 0.6, 0.7), (1.1, 0.0, 0.7)]


def tint_error(true: float, case: tuple[float, ...], known: KnownGreys | None) -> tuple[float, float]:
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


def photograph_card(folder: Path, printer: Printer, phone: Phone, seed: int):
    """A photo of a bare card beside a grey one, and the grey's rectangle in pixels."""
    path = folder / f"card-{seed}.jpg"
    return path, photograph_grey(path, printer, phone, seed)


@pytest.fixture(scope="module")
def bent_card(tmp_path_factory: pytest.TempPathFactory) -> tuple[Printer, list[GreysReading]]:
    """Two readings of one card from a printer far from nominal, by a phone with an S-curve."""
    printer = Printer(gamma=1.12, jitter=0.02, seed=3)
    folder = tmp_path_factory.mktemp("cards")
    taken = []
    for exposure, seed in ((0.6, 1), (0.75, 2)):
        phone = Phone(s_curve=0.3, exposure=exposure, veil=0.004)
        taken.append(photograph_card(folder, printer, phone, seed))
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


def test_readings_are_joined_by_what_they_saw():
    near = enter_greys(NOMINAL[:6], 0.005)
    far = GreysReading(near.reflectance * 1.2, near.log_sd, {"how": "entered"})
    joined, ratio = combine_readings([near, far])
    assert ratio > 2
    assert joined.log_sd[3] > combine_readings([near, near])[0].log_sd[3]
    reading = enter_greys(NOMINAL**1.1, 0.005)
    unseen = np.where(np.arange(12) == 2, np.nan, reading.reflectance)
    hidden = GreysReading(unseen, reading.log_sd, {"how": "entered"})
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
