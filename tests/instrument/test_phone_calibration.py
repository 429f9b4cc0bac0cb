"""A phone learnt from known liquids: a drawn camera found again, honest doubt, fits of before applied as they were."""

import json
from dataclasses import replace

import numpy as np
import pytest
from known_cameras import draw_phone, reflect, see_lab

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ, lab_to_xyz, xyz_to_lab
from colourmatch.errors import InputError
from colourmatch.instrument import phone_calibration as pc
from colourmatch.instrument.phone_calibration import KnownDye, KnownLiquid, PhoneFit, correct_lab, tone_terms
from colourmatch.instrument.phone_fitting import fit_phone
from colourmatch.liquid.phone import unknown_phone
from colourmatch.measurement import ToneRecord
from colourmatch.photo.card import read_card
from colourmatch.photo.tone import JOINT_PRIOR, through

DYES = [KnownDye("red", "E129"), KnownDye("yellow", "E102")]
MG_PER_L = [(3, 0), (6, 0), (12, 0), (0, 4), (0, 12), (4, 6), (8, 3)]
NOISE = np.eye(3) * 0.1**2
#: How surely colours are told without a calibration: not at all.
UNSURE = np.full(3, 20.0)


def look(reflectance: np.ndarray) -> np.ndarray:
    """True Lab relative to water."""
    return pc.p3_to_lab(np.atleast_2d(reflectance) @ pc.p3_weights())[0]


def known_liquids(phone: np.ndarray, strength: float = 1.0, seed: int = 1) -> list[KnownLiquid]:
    rng = np.random.default_rng(seed)
    drinks = [reflect(tuple(strength * v for v in mg)) for mg in MG_PER_L]
    labs = [see_lab(drink, phone) + rng.normal(0, 0.1, 3) for drink in drinks]
    return [KnownLiquid(lab, NOISE, MG_PER_L[k], lab, UNSURE, f"{k}") for k, lab in enumerate(labs)]


def test_other_dyes_come_nearer_than_they_were_read():
    before, after = [], []
    for seed in range(1, 6):
        phone = draw_phone(seed)
        fit = fit_phone(known_liquids(phone), DYES)
        for dye, mg in (("E124", 12.0), ("E122", 8.0), ("E129", 9.0)):
            drink = reflect((mg, 2.0), (dye, "E102"))
            lab = see_lab(drink, phone)
            before.append(ciede2000(lab, look(drink)))
            after.append(ciede2000(correct_lab(fit, lab, NOISE).lab, look(drink)))
    assert np.median(after) < 1.5
    assert np.median(after) < 0.4 * np.median(before)


def test_the_doubt_holds_the_truth():
    z = []
    for seed in range(1, 4):
        phone = draw_phone(seed)
        fit = fit_phone(known_liquids(phone), DYES)
        for dye, mg in (("E124", 10.0), ("E122", 7.0)):
            drink = reflect((mg,), (dye,))
            found = correct_lab(fit, see_lab(drink, phone), NOISE)
            z.append((found.lab - look(drink)) / found.lab_sd)
    assert np.mean(np.abs(z) < 2) > 0.85


def test_a_strong_stock_is_noticed_within_what_is_known_of_it():
    dyes = [replace(dye, strength_rel_sd=0.10) for dye in DYES]
    fit = fit_phone(known_liquids(draw_phone(1), strength=1.10), dyes, depth_rel_sd=0.01)
    root = np.linalg.cholesky(np.diag([0.1**2] * 2) + 0.01**2)
    factor = root @ fit.numbers[:2]
    sd = np.sqrt(((root @ fit.factor[:2]) ** 2).sum(axis=1))
    assert np.all(np.abs(factor - np.log(1.10)) < 2 * sd)
    assert np.all(sd < 0.1)


def test_a_lot_starts_from_a_narrower_phone():
    fit = fit_phone(known_liquids(draw_phone(1)), DYES)
    known, unknown = fit.phone(), unknown_phone()
    assert known is not None
    own, wide = (p.factor @ p.factor.T for p in (known, unknown))
    assert np.all(np.linalg.eigvalsh(wide - own) > -1e-6)
    assert np.trace(own) < 0.8 * np.trace(wide)
    liquids = known_liquids(draw_phone(1))
    muddled = [replace(one, lab=other.lab) for one, other in zip(liquids, reversed(liquids), strict=True)]
    assert fit_phone(muddled, DYES).phone() is None, "glasses that were mixed up teach a lot nothing"


def test_what_is_told_surely_is_left_as_it_is():
    liquids = known_liquids(draw_phone(1))
    sure = [replace(one, told=look(reflect(one.mg_per_l)), told_sd=np.full(3, 0.3)) for one in liquids]
    for one, unsure in zip(fit_phone(sure, DYES).liquids, fit_phone(liquids, DYES).liquids, strict=True):
        assert one.corrected_lab == pytest.approx(one.lab, abs=0.5)
        assert np.abs(unsure.corrected_lab - unsure.lab).max() > 1


def test_two_estimates_are_weighed_for_the_least_variance():
    # Bates, Granger 1969, "The combination of forecasts", doi:10.1057/jors.1969.103: no other weight has less
    told, corrected = np.array([2.0, 7.5, 1.0]), np.array([1.0, 7.5, 9.0])
    weight = pc.weigh(told, corrected)
    assert weight[1] == pytest.approx(0.5) and weight[2] == 0
    sd = np.sqrt(np.diag(pc.combine(np.diag(told**2), np.diag(corrected**2), weight)))
    assert sd[2] == told[2] and np.all(sd <= np.minimum(told, corrected))
    others = [pc.combine(np.diag(told**2), np.diag(corrected**2), np.full(3, k / 100)) for k in range(101)]
    assert sd**2 == pytest.approx(np.min([np.diag(one) for one in others], axis=0), rel=1e-3)
    same = np.array([[2.0, 0.3, 0.1], [0.3, 1.0, 0.2], [0.1, 0.2, 3.0]])
    assert pc.combine(same, same, weight, together=1.0) == pytest.approx(same), "one noise stays one"


@pytest.mark.parametrize(
    ("mg_per_l", "text"),
    [
        ([(3, 0), (6, 0), (0, 4)], "3 different known liquids are too few"),
        ([(12, 0)] * 5, "1 different known liquid is too few"),
        ([(3, 0), (6, 0), (9, 0), (12, 0)], "hold the same colourant in one proportion"),
        ([(0.3, 0), (0.6, 0), (0, 0.4), (0.3, 0.3)], "too pale to teach anything"),
    ],
)
def test_too_little_is_refused_with_what_to_add(mg_per_l, text):
    liquids = [KnownLiquid(look(reflect(mg)), NOISE, mg, np.zeros(3), UNSURE, f"{k}") for k, mg in enumerate(mg_per_l)]
    with pytest.raises(InputError, match=text):
        fit_phone(liquids, DYES)


PAPER, WATER = 0.7, 0.9


def draw_tones(curve: tuple[float, float], printer: float = 1.0) -> ToneRecord:
    """What a photo by a phone of this curve records when its own fit took none of it out."""
    nominal = np.array([step.reflectance for step in read_card().greys])
    terms = np.array([*curve, 1.0, 0.0, 0.0])
    paper = float(through(np.array(PAPER), terms))
    greys = np.column_stack([through(nominal**printer * PAPER, terms) / paper, np.full(nominal.shape, paper)])
    white = np.full(3, float(through(np.array(WATER * PAPER), terms)) / paper)
    level = {spot: np.full(3, paper) for spot in ("reference", "batch", "blank")}
    terms = np.array([0.0, 0.0, 1.0, 0.0, 0.0])
    return ToneRecord(terms, white, level, greys, None, RGB_TO_XYZ["Display P3"])


def through_tones(lab: np.ndarray, curve: tuple[float, float]) -> np.ndarray:
    """The reading that such a photo gives of a colour which a phone without a curve reads as `lab`."""
    matrix, terms = RGB_TO_XYZ["Display P3"], np.array([*curve, 1.0, 0.0, 0.0])
    light = np.maximum(np.linalg.inv(matrix) @ lab_to_xyz(lab), 1e-3)
    seen = through(light * WATER * PAPER, terms) / through(np.full(3, WATER * PAPER), terms)
    return xyz_to_lab(matrix @ seen)


def bent_sitting(phone: np.ndarray, curve: tuple[float, float], printer: float) -> list[KnownLiquid]:
    tone = draw_tones(curve, printer)
    liquids = known_liquids(phone, seed=4)
    return [replace(one, lab=through_tones(one.lab, curve), tone=tone) for one in liquids]


def test_a_ladder_of_known_liquids_tells_the_phones_curve_from_the_printers():
    curve, printer = (0.25, 0.03), 0.93
    phone = draw_phone(2)
    liquids = bent_sitting(phone, curve, printer)
    fit = fit_phone(liquids, DYES)
    skip = len(fit.numbers) - len(JOINT_PRIOR)
    sd = np.sqrt((fit.factor[skip:] ** 2).sum(axis=1)) * JOINT_PRIOR[:, 1]
    assert np.all(np.abs(tone_terms(fit.numbers) - [*curve, 0.0, printer, 0.0]) < 2.5 * sd)
    assert np.all(sd[[0, 3]] < 0.75 * JOINT_PRIOR[[0, 3], 1]), "both are better known than beforehand"
    drink = reflect((9.0, 2.0), ("E124", "E102"))
    lab, tone = through_tones(see_lab(drink, phone), curve), (draw_tones(curve, printer), "batch")
    with_tones = ciede2000(correct_lab(fit, lab, NOISE, tone).lab, look(drink))
    blind = fit_phone([replace(one, tone=None) for one in liquids], DYES)
    assert blind.greys is None
    assert with_tones < 1.0 < ciede2000(lab, look(drink))
    assert with_tones < ciede2000(correct_lab(blind, lab, NOISE).lab, look(drink))


def test_tones_are_known_again_or_not_and_a_fit_of_before_is_read():
    fit = fit_phone(bent_sitting(draw_phone(2), (0.2, 0.0), 1.0), DYES)
    assert fit.knows_tones(draw_tones((0.2, 0.0)))
    assert not fit.knows_tones(draw_tones((-0.1, 0.0)))
    assert not fit.knows_tones(None)
    again = PhoneFit.from_json(json.loads(json.dumps(fit.to_json())))
    assert again.knows_tones(draw_tones((0.2, 0.0))) and not again.knows_tones(draw_tones((-0.1, 0.0)))
    lab, tone = np.array([75.0, 40.0, 25.0]), (draw_tones((0.2, 0.0)), "batch")
    one, other = (correct_lab(f, lab, NOISE, tone) for f in (fit, again))
    assert one.lab == pytest.approx(other.lab, abs=0.01)
    assert one.lab_sd == pytest.approx(other.lab_sd, abs=0.02)
    data = fit_phone(known_liquids(draw_phone(2)), DYES).to_json()
    old = {k: v for k, v in data.items() if k not in ("scale", "greys", "strain", "left_out")}
    fit = PhoneFit.from_json(json.loads(json.dumps(old)))
    assert fit.greys is None and fit.scale == 1.0
    assert np.isfinite(correct_lab(fit, [75, 40, 25], NOISE).lab_sd).all()


def test_a_light_outside_the_ensemble_is_noticed_and_leaves_more_doubt():
    phone = draw_phone(2)
    far = phone.copy()
    far[:-4] *= 3.5
    near_fit, far_fit = (fit_phone(known_liquids(one), DYES) for one in (phone, far))
    assert near_fit.scale == 1.0 < far_fit.scale
    drink = reflect((9.0, 2.0), ("E124", "E102"))
    fits = ((near_fit, phone), (far_fit, far))
    near, wide = (correct_lab(fit, see_lab(drink, one), NOISE) for fit, one in fits)
    assert np.linalg.norm(wide.lab_sd) > 1.5 * np.linalg.norm(near.lab_sd)


@pytest.mark.parametrize(("sd", "strained"), [(20.0, False), (0.5, True)])
def test_known_liquids_further_off_than_readings_say_are_told(sd, strained):
    liquids = [replace(one, told_sd=np.full(3, sd)) for one in known_liquids(draw_phone(3))]
    strain = fit_phone(liquids, DYES).strain
    assert (strain > 1.5) == strained and strain >= 1
