"""A phone learnt from known liquids: exposure-free polynomials, white kept, a drawn camera found again, honest doubt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from colourmatch.colour.difference import ciede2000
from colourmatch.errors import InputError
from colourmatch.liquid import phone_calibration as pc
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.phone import unknown_phone
from colourmatch.liquid.phone_calibration import KnownDye, KnownLiquid, correct_lab, fit_phone, read_fit

DYES = [KnownDye("red", "E129"), KnownDye("yellow", "E102")]
MG_PER_L = [(3, 0), (6, 0), (12, 0), (0, 4), (0, 12), (4, 6), (8, 3)]
NOISE = np.eye(3) * 0.1**2


def draw_phone(seed: int) -> np.ndarray:
    """Unit-normal numbers of a camera."""
    return np.random.default_rng(seed).normal(0, 1, len(unknown_phone().mean))


def reflect(mg_per_l: tuple[float, ...], dyes: tuple[str, ...] = ("E129", "E102")) -> np.ndarray:
    """Reflectance of dyes in 10 mm of water over paper."""
    shapes = np.array([find_colourant(dye).absorptivity() for dye in dyes])
    return 10 ** (-2 * np.asarray(mg_per_l, float) @ shapes)


def photograph(reflectance: np.ndarray, phone: np.ndarray) -> np.ndarray:
    """Lab as a camera reads it."""
    return pc._to_lab(np.exp(pc.see(np.atleast_2d(reflectance), phone)))[0]


def look(reflectance: np.ndarray) -> np.ndarray:
    """True Lab relative to water."""
    return pc._to_lab(np.atleast_2d(reflectance) @ pc.p3_weights())[0]


def known_liquids(phone: np.ndarray, strength: float = 1.0, seed: int = 1) -> list[KnownLiquid]:
    rng = np.random.default_rng(seed)
    return [
        KnownLiquid(
            photograph(reflect(tuple(strength * v for v in mg)), phone) + rng.normal(0, 0.1, 3),
            NOISE,
            mg,
            f"{k}",
        )
        for k, mg in enumerate(MG_PER_L)
    ]


# ---- what the polynomials are --------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "size"), [("matrix", 6), ("root", 15)])
def test_white_stays_white_and_exposure_scales(kind, size):
    # Finlayson, Mackiewicz, Hurlbert 2015, section III: f(k rgb) = k f(rgb), which an ordinary polynomial lacks
    numbers = np.random.default_rng(3).normal(0, 1, size)
    rgb = np.array([[1.0, 1.0, 1.0], [0.9, 0.3, 0.2], [0.5, 0.6, 0.1]])
    through = pc._DIRECT[kind](rgb, numbers)
    assert through[0] == pytest.approx([1, 1, 1])
    assert pc._DIRECT[kind](0.37 * rgb, numbers) == pytest.approx(0.37 * through)


@pytest.mark.parametrize(("kind", "size"), [("matrix", 6), ("root", 15), ("none", 0)])
def test_no_numbers_are_no_correction(kind, size):
    rgb = np.array([[0.9, 0.3, 0.2]])
    assert pc._DIRECT[kind](rgb, np.zeros(size)) == pytest.approx(rgb)


def test_liquids_of_one_proportion_are_one_colouring():
    groups = pc._colourings(np.array([[3, 0], [12, 0], [0, 4], [4, 6], [2, 3]], float))
    assert groups[0] == groups[1] and groups[3] == groups[4]
    assert len(set(groups)) == 3


# ---- a camera of known truth ---------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_other_dyes_come_nearer_than_they_were_read(seed):
    phone = draw_phone(seed)
    fit = fit_phone(known_liquids(phone), DYES)
    before, after = [], []
    for dye, mg in (("E124", 12.0), ("E122", 8.0), ("E129", 9.0)):
        drink = reflect((mg, 2.0), (dye, "E102"))
        lab = photograph(drink, phone)
        before.append(ciede2000(lab, look(drink)))
        after.append(ciede2000(correct_lab(fit, lab, NOISE).lab, look(drink)))
    assert np.median(after) < 1.2
    assert np.median(after) < 0.6 * np.median(before)


def test_the_doubt_holds_the_truth():
    z = []
    for seed in range(1, 4):
        phone = draw_phone(seed)
        fit = fit_phone(known_liquids(phone), DYES, kinds=["camera"])
        for dye, mg in (("E124", 10.0), ("E122", 7.0)):
            drink = reflect((mg,), (dye,))
            found = correct_lab(fit, photograph(drink, phone), NOISE)
            z.append((found.lab - look(drink)) / found.lab_sd)
    assert np.mean(np.abs(z) < 2) > 0.85


def test_liquids_of_the_calibration_itself_are_told_before_and_after():
    fit = fit_phone(known_liquids(draw_phone(2)), DYES)
    before, after = ([one[key] for one in fit.liquids] for key in ("before", "after"))
    assert len(before) == len(MG_PER_L)
    assert np.median(after) < 0.5 * np.median(before)
    assert set(fit.errors) == set(pc.KINDS)
    kept = fit.errors[fit.kind]
    assert kept["together"] == min(own["together"] for own in fit.errors.values())
    assert kept["together"] == pytest.approx(np.hypot(kept["known"], kept["other"]))


def test_a_phone_without_error_is_left_nearly_alone():
    # readings that are true: no camera, no matrix predicts the unseen better by much
    liquids = [KnownLiquid(look(reflect(mg)), NOISE, mg, f"{k}") for k, mg in enumerate(MG_PER_L)]
    fit = fit_phone(liquids, DYES, kinds=["none", "matrix", "root"])
    lab = look(reflect((9.0, 2.0)))
    assert ciede2000(correct_lab(fit, lab, NOISE).lab, lab) < 0.5


def test_a_strong_stock_is_noticed_within_what_is_known_of_it():
    dyes = [replace(dye, strength_rel_sd=0.10) for dye in DYES]
    fit = fit_phone(known_liquids(draw_phone(1), strength=1.10), dyes, depth_rel_sd=0.01, kinds=["camera"])
    root = np.linalg.cholesky(np.diag([0.1**2] * 2) + 0.01**2)
    factor = root @ fit.numbers[:2]
    sd = np.sqrt(((root @ fit.factor[:2]) ** 2).sum(axis=1))
    assert np.all(np.abs(factor - np.log(1.10)) < 2 * sd)
    assert np.all(sd < 0.1)


def test_less_known_stocks_leave_more_doubt():
    lab = look(reflect((9.0, 2.0)))
    sds = [
        correct_lab(
            fit_phone(
                known_liquids(draw_phone(1)), [replace(d, strength_rel_sd=sd) for d in DYES], kinds=["camera"]
            ),
            lab,
            NOISE,
        ).left[1, 1]
        for sd in (0.02, 0.2)
    ]
    assert sds[1] > 1.3 * sds[0]


def test_a_lot_starts_from_a_narrower_phone():
    fit = fit_phone(known_liquids(draw_phone(1)), DYES, kinds=["camera"])
    known, unknown = fit.phone(), unknown_phone()
    assert known is not None
    own, wide = (p.factor @ p.factor.T for p in (known, unknown))
    assert np.all(np.linalg.eigvalsh(wide - own) > -1e-6)
    assert np.trace(own) < 0.8 * np.trace(wide)
    assert fit_phone(known_liquids(draw_phone(1)), DYES, kinds=["matrix"]).phone() is None


def test_a_fit_survives_its_json():
    fit = fit_phone(known_liquids(draw_phone(2)), DYES)
    again = read_fit(fit.to_json())
    lab = photograph(reflect((7.0, 3.0)), draw_phone(2))
    one, other = correct_lab(fit, lab, NOISE), correct_lab(again, lab, NOISE)
    assert one.lab == pytest.approx(other.lab, abs=0.01)
    assert one.lab_sd == pytest.approx(other.lab_sd, abs=0.02)


# ---- too little ----------------------------------------------------------------------------------------------


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
    liquids = [KnownLiquid(look(reflect(mg)), NOISE, mg, f"{k}") for k, mg in enumerate(mg_per_l)]
    with pytest.raises(InputError, match=text):
        fit_phone(liquids, DYES)


def test_a_wrong_number_of_concentrations_is_the_callers_mistake():
    with pytest.raises(ValueError, match="one concentration per dye"):
        fit_phone([KnownLiquid(np.array([80, 40, 20]), NOISE, (3.0,))], DYES)
