"""Lots whose truth is known: strength and reference come back, with an uncertainty that holds them.

Readings are made from spectra, without pixels and without a phone's error, unless the test says so.
"""

from dataclasses import replace

import numpy as np
import pytest
from known_liquids import BASE, VIEW
from numpy.testing import assert_allclose

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import RGB_TO_XYZ, xyz_to_lab
from colourmatch.liquid import learn, lot_model
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.learn import LotFit, fit_lot
from colourmatch.liquid.lot_model import StockPrior
from colourmatch.liquid.mishaps import Mishap, stack
from colourmatch.liquid.model import View, absorbance_to_lab
from colourmatch.liquid.observations import Gap, Shot, prepare
from colourmatch.liquid.phone import PhonePrior, unknown_phone
from colourmatch.liquid.sampling import descend, share_out, stratified_normal

RED, YELLOW = (find_colourant(number).absorptivity() for number in ("E129", "E102"))
REFERENCE = 1.1 * BASE + 40 * RED
TINY = np.eye(3) * 0.02**2
LADDER = (0, 12, 24, 32)  # label mg/l of red at each photo
PRIOR = StockPrior("red", RED)


def look(absorbance: np.ndarray) -> np.ndarray:
    """True Lab of a liquid in the view of the photos; absorbance of 1 cm, undiluted."""
    return absorbance_to_lab(absorbance * VIEW.path_cm)


def make_shots(factor: float = 1.0, doses=LADDER, camera: str = "one") -> list[Shot]:
    """A photo after each dose of a red stock that is `factor` times as strong as its label."""
    batches = [look(BASE + factor * dose * RED) for dose in doses]
    beside = TINY, look(REFERENCE), TINY
    pairs = zip(batches, doses, strict=True)
    return [Shot(batch, *beside, (float(dose),), 1.0, camera) for batch, dose in pairs]


def strength_of(fit: LotFit, stock: int = 0) -> tuple[float, float, float]:
    """2.5 %, median and 97.5 % of a stock's strength factor."""
    low, middle, high = np.quantile(fit.strength_factors[:, stock], (0.025, 0.5, 0.975))
    return float(low), float(middle), float(high)


def predict(fit: LotFit, at: np.ndarray, data, kind: int = 0):
    """What the photos of a fit should show at parameters (D, P) under one of its possibilities."""
    return learn._predict(fit.layout, at, data, fit.hands, np.full(len(at), kind))


def lab_of(y: np.ndarray) -> np.ndarray:
    """Lab of a reading in log Display P3."""
    return xyz_to_lab(np.exp(y) @ RGB_TO_XYZ["Display P3"].T)


@pytest.mark.parametrize("factor", [0.85, 1.2])
def test_strength_comes_back(factor):
    fit = fit_lot(make_shots(factor), [PRIOR], VIEW)
    low, middle, high = strength_of(fit)
    assert fit.success and fit.message == "fitted" and fit.photos == len(LADDER)
    assert low <= factor <= high
    # A phone is not known to be perfect: that doubt alone leaves some 5 % of strength.
    assert middle == pytest.approx(factor, rel=0.07)
    seen = fit.reference_lab(VIEW)
    assert ciede2000(seen.mean(axis=0), look(REFERENCE)) < 1.5
    assert (np.abs(seen.mean(axis=0) - look(REFERENCE)) < 3 * seen.std(axis=0)).all()


@pytest.mark.parametrize("dilution", [1.0, 20.0])
def test_a_photo_of_another_dilution_tells_of_the_same_liquids(dilution):
    other = View(10, dilution)
    shots = make_shots(1.1)
    moved = [
        replace(
            shot, path=other.path_cm / VIEW.path_cm, reference_path=other.path_cm / VIEW.path_cm,
            batch_lab=absorbance_to_lab((BASE + 1.1 * dose * RED) * other.path_cm),
            reference_lab=absorbance_to_lab(REFERENCE * other.path_cm),
        )
        for shot, dose in zip(shots, LADDER, strict=True)
    ]  # fmt: skip
    for mixed in (moved, [*shots[:2], *moved[2:]]):
        fit = fit_lot(mixed, [PRIOR], VIEW)
        low, _, high = strength_of(fit)
        assert fit.success and low <= 1.1 <= high
        # A phone that nothing is known of leaves more than 1 in doubt, and none reads as the eye does.
        assert ciede2000(fit.reference_lab(VIEW).mean(axis=0), look(REFERENCE)) < 2.0
    undiluted = [replace(shot, path=1.0, reference_path=1.0) for shot in moved[2:]]
    wrong = fit_lot([*shots[:2], *undiluted], [PRIOR], VIEW)
    assert wrong.misfit > 2 * fit.misfit


def test_two_stocks_and_two_phones_are_told_apart():
    doses = [(0.0, 0.0), (15.0, 0.0), (15.0, 8.0), (30.0, 8.0)]
    batches = [look(BASE + 1.15 * red * RED + 0.85 * yellow * YELLOW) for red, yellow in doses]
    shots = [Shot(lab, TINY, look(REFERENCE), TINY, held) for lab, held in zip(batches, doses, strict=True)]
    fit = fit_lot(shots, [PRIOR, StockPrior("yellow", YELLOW)], VIEW)
    for stock, factor in enumerate((1.15, 0.85)):
        low, _, high = strength_of(fit, stock)
        assert low <= factor <= high
    assert strength_of(fit, 0)[1] > 1.0 > strength_of(fit, 1)[1]
    shots = make_shots(1.1)
    mixed = [replace(s, camera="two" if k % 2 else "one") for k, s in enumerate(shots)]
    fit = fit_lot(mixed, [PRIOR], VIEW)
    low, _, high = strength_of(fit)
    assert fit.success and low <= 1.1 <= high
    assert fit.layout.size == fit_lot(shots, [PRIOR], VIEW).layout.size + len(unknown_phone().mean)


def test_a_batch_thinned_by_its_stock_is_told_from_a_weak_stock():
    thinned = ((0, 1.0), (15, 0.9), (30, 0.8))
    seen = [look(share * BASE + dose * RED) for dose, share in thinned]
    beside = TINY, look(REFERENCE), TINY
    held = zip(seen, thinned, strict=True)
    shots = [Shot(lab, *beside, (float(dose),), share) for lab, (dose, share) in held]
    low, middle, high = strength_of(fit_lot(shots, [PRIOR], VIEW))
    assert low <= 1 <= high and middle == pytest.approx(1, rel=0.07)


def test_photos_and_doses_that_contradict_are_said_to():
    # Photos of a red and of a pale batch, in turns, that are said to be one batch with nothing added between.
    shots = make_shots(doses=(40, 0, 40, 0))
    swapped = [replace(s, mg_per_l=(20.0,)) for s in shots]
    fit = fit_lot(swapped, [StockPrior("red", RED, log_factor_sd=0.05)], VIEW)
    assert not fit.success
    assert fit.message == "the photos do not fit one lot: check the additions entered and the photos"
    # Red at no dose, pale at 400 mg/l: "fitted" by a dye moved by 36 nm, whose absorbance is below zero.
    red, pale = make_shots(doses=(40, 0))
    fit = fit_lot([replace(red, mg_per_l=(0.0,)), replace(pale, mg_per_l=(400.0,))], [PRIOR], VIEW)
    assert not fit.success


def wrong_hands(shots: int) -> list[Mishap]:
    """One mishap of each sort, of two stocks: as noted, exchanged glasses, a part of a dose, another bottle, depths."""
    plain = Mishap("", 0.0, shots, 2)
    dose = np.tile([4.0, 1.0], (shots + 1, 1))
    where = np.arange(shots) == 1
    blue = StockPrior("blue", find_colourant("E133").absorptivity())
    return [
        plain,
        replace(plain, code="a", swapped=where),
        replace(plain, code="b", less=dose, more=dose, part=(1.0, 0.6)),
        replace(plain, code="c", less=dose, other=np.full(shots + 1, 2.0), bottle=blue, part=(1.0, 0.25)),
        replace(plain, code="d", deeper=np.where(where, 0.8, 1.0), reference_deeper=np.where(where, 1.0, 0.7)),
    ]


def test_jacobian_is_that_of_finite_differences():
    shots = [*make_shots(1.1), replace(make_shots(doses=(10,), camera="two")[0], reference_lab=None)]
    shots = [replace(s, mg_per_l=(*s.mg_per_l, 3.0)) for s in shots]
    cameras = ["one", "two"]
    phones = [unknown_phone(), PhonePrior(0.3 * np.ones(16), 0.5 * np.eye(16))]
    every = wrong_hands(len(shots))
    hands = stack(every, VIEW.path_cm)
    layout = lot_model.LotModel([PRIOR, StockPrior("yellow", YELLOW)], phones, VIEW, has_part=True)
    data = prepare(shots, cameras)
    rng = np.random.default_rng(5)
    mean, sd = layout.prior()
    at = mean[None] + 0.3 * sd * rng.standard_normal((len(every), layout.size))
    target = [y[None] for y in data.y]
    kind = np.arange(len(every))
    _, jacobian = learn._residuals(layout, at, data, target, hands, kind)
    for k in range(layout.size):
        step = 1e-5 * sd[k] * np.eye(layout.size)[k]
        up, down = (learn._residuals(layout, at + s, data, target, hands, kind)[0] for s in (step, -step))
        numeric = (up - down) / (2e-5 * sd[k])
        scale = np.abs(jacobian[..., k]).max() + 1e-3
        near = {"rtol": 0, "atol": 2e-5, "err_msg": f"parameter {k}"}
        assert_allclose(jacobian[..., k] / scale, numeric / scale, **near)


def test_more_photos_leave_less_doubt_and_the_same_ones_give_the_same_fit():
    wide = [np.ptp(strength_of(fit_lot(make_shots(doses=LADDER[:n]), [PRIOR], VIEW))[::2]) for n in (1, 2, 4)]
    assert wide[0] > 1.5 * wide[1]
    assert wide[1] > wide[2]
    one, other = (fit_lot(make_shots(), [PRIOR], VIEW) for _ in range(2))
    assert_allclose(one.draws, other.draws, rtol=0, atol=0)
    prior = StockPrior("red", RED, log_factor=np.log(1.2), log_factor_sd=0.04)
    assert strength_of(fit_lot(make_shots(doses=(0,)), [prior], VIEW))[1] == pytest.approx(1.2, rel=0.03)


def test_photos_without_a_reference_still_teach():
    shots = make_shots(1.15)
    some = [shots[0], *(replace(s, reference_lab=None, reference_covariance=None) for s in shots[1:])]
    fit = fit_lot(some, [PRIOR], VIEW)
    low, _, high = strength_of(fit)
    assert fit.success and low <= 1.15 <= high
    assert np.ptp([low, high]) < np.ptp(strength_of(fit_lot(shots[:1], [PRIOR], VIEW)))
    assert ciede2000(fit.reference_lab(VIEW).mean(axis=0), look(REFERENCE)) < 1.5
    shots = [replace(s, reference_lab=None, reference_covariance=None) for s in make_shots()]
    with_one, without = fit_lot(make_shots(), [PRIOR], VIEW), fit_lot(shots, [PRIOR], VIEW)
    assert without.success and np.isfinite(without.draws).all()
    assert without.reference_lab(VIEW).std(0).max() > 3 * with_one.reference_lab(VIEW).std(0).max()


def test_no_stock_and_a_black_batch_give_finite_figures():
    none = fit_lot([replace(s, mg_per_l=()) for s in make_shots(doses=(0,))], [], VIEW)
    assert none.success and none.strength_factors.shape[1] == 0
    black = fit_lot([replace(make_shots(doses=(0,))[0], batch_lab=np.array([2.0, 1.0, -4.0]))], [PRIOR], VIEW)
    assert np.isfinite(black.draws).all() and np.isfinite(black.misfit)


def test_a_reference_of_another_dye_or_of_two_is_found():
    # batch with E129, reference with E122 alone: the descent from the prior's mean leaves the other dye near nothing
    other = BASE + 0.4 * find_colourant("E122").shape / VIEW.path_cm
    shots = [replace(s, reference_lab=look(other)) for s in make_shots(doses=(0, 20))]
    fit = fit_lot(shots, [PRIOR], VIEW)
    amounts = fit.layout.reference_amounts(fit.draws)
    first = len(fit.layout.base)
    e122, own = amounts[:, first + lot_model._REFERENCE_DYES.index("E122")], amounts[:, -1]
    assert np.median(e122) > 1.5 * np.median(own)
    both = BASE + 30 * RED + 20 * YELLOW
    shots = [replace(s, reference_lab=look(both)) for s in make_shots(doses=(0, 15, 30))]
    fit = fit_lot(shots, [PRIOR], VIEW)
    first = len(fit.layout.base)
    amounts = np.quantile(fit.layout.reference_amounts(fit.draws), (0.025, 0.975), axis=0)
    for place, dose, shape in ((-1, 30, RED), (first + lot_model._REFERENCE_DYES.index("E102"), 20, YELLOW)):
        assert amounts[0, place] < dose * shape.max() * VIEW.path_cm < amounts[1, place]


def with_gaps(shots: list[Shot], noise: float, unknown: float) -> list[Shot]:
    """The same photos with their true differences, as an estimate gives them."""
    noises = np.eye(3) * noise**2, np.eye(3) * unknown**2
    return [replace(s, gap=Gap(s.batch_lab - s.reference_lab, *noises)) for s in shots]


def with_warm(shots: list[Shot], batches: list[np.ndarray], reference: np.ndarray, sd: float) -> list[Shot]:
    """Photos with gaps that also know what illuminant A changes; batches, reference: absorbance of 1 cm, undiluted."""
    lamp, path_cm = "A", VIEW.path_cm
    seen = absorbance_to_lab(reference * path_cm, lamp)
    warm = [absorbance_to_lab(batch * path_cm, lamp) - seen for batch in batches]
    gaps = [replace(s.gap, warm_covariance=np.eye(3) * sd**2) for s in shots]
    gaps = [replace(gap, warm=w - gap.lab) for gap, w in zip(gaps, warm, strict=True)]
    return [replace(s, gap=gap) for s, gap in zip(shots, gaps, strict=True)]


def spread_of_gap(fit: LotFit, dose: float) -> float:
    """How surely the fit knows the Lab difference at a dose: root mean square of its standard deviations."""
    batch = fit.batch_lab(np.array([[dose]]), np.ones(1), VIEW)[:, 0]
    return float(np.sqrt((batch - fit.reference_lab(VIEW)).var(axis=0).mean()))


def test_an_estimated_difference_makes_the_fit_surer_and_keeps_it_true():
    noise = np.eye(3) * 0.6**2
    shots = [replace(s, batch_covariance=noise, reference_covariance=noise) for s in make_shots(1.1)]
    plain, told = fit_lot(shots, [PRIOR], VIEW), fit_lot(with_gaps(shots, 0.1, 0.1), [PRIOR], VIEW)
    assert spread_of_gap(told, 32.0) < 0.7 * spread_of_gap(plain, 32.0)
    batch = told.batch_lab(np.array([[32.0]]), np.ones(1), VIEW)[:, 0]
    true = look(BASE + 1.1 * 32 * RED) - look(REFERENCE)
    off = (batch - told.reference_lab(VIEW)).mean(axis=0) - true
    assert np.abs(off).max() < 0.5


def test_what_a_warm_lamp_changes_tells_of_which_dye_the_reference_is():
    # azorubine in the reference, Allura red in the stock, in amounts that look much alike in daylight
    reference = BASE + 0.36 * find_colourant("E122").shape / VIEW.path_cm
    shots = [replace(s, reference_lab=look(reference)) for s in make_shots(doses=(0, 30))]
    plain = with_gaps(shots, 0.1, 0.3)
    told = with_warm(plain, [BASE, BASE + 30 * RED], reference, 0.3)

    def doubt(shots: list[Shot]) -> float:
        """How unsure the change to illuminant A is, root mean square of its standard deviations."""
        fit = fit_lot(shots, [PRIOR], VIEW)
        looks = [replace(VIEW, illuminant=light) for light in ("D65", "A")]
        batches = [fit.batch_lab(np.array([[30.0]]), np.ones(1), view)[:, 0] for view in looks]
        day, warm = (lab - fit.reference_lab(view) for lab, view in zip(batches, looks, strict=True))
        return float(np.sqrt((warm - day).var(axis=0).mean()))

    assert doubt(told) < 0.8 * doubt(plain)


def test_the_slopes_of_an_estimated_difference_are_those_of_its_values():
    shots = with_gaps(make_shots(1.1), 0.1, 0.1)
    shots[1:] = with_warm(shots[1:], [BASE + 1.1 * dose * RED for dose in LADDER[1:]], REFERENCE, 0.3)
    fit = fit_lot(shots, [PRIOR], VIEW)
    data, at = prepare(shots, ["one"]), fit.draws[:1]
    found = predict(fit, at, data)
    for k in range(0, fit.layout.size - 4, 3):
        step = np.zeros_like(at)
        step[0, k] = 1e-4
        up, down = (predict(fit, at + sign * step, data).gap[0] for sign in (1, -1))
        assert found.gap[1][..., k] == pytest.approx((up - down) / 2e-4, abs=2e-3)


RNG = np.random.default_rng(8)
SD = np.array([0.5, 2.0, 1.0, 3.0, 0.8])


def line_up(design: np.ndarray, seen: np.ndarray):
    """Whitened residuals of a linear model, for draws with targets (D, R) of their own."""

    def residuals(at, who):
        return at @ design.T - seen[who], np.repeat(design[None], len(at), axis=0)

    return residuals


@pytest.mark.parametrize("rows", [3, 9])  # fewer rows than unknowns, and more
def test_a_linear_descent_ends_at_the_closed_form(rows):
    design, seen, mean = RNG.normal(size=(rows, 5)), RNG.normal(size=(2, rows)), RNG.normal(size=(2, 5))
    found = descend(line_up(design, seen), mean, (mean, np.tile(SD, (2, 1))), 60)
    precision = design.T @ design + np.diag(SD**-2)
    for k in range(2):
        wanted = np.linalg.solve(precision, design.T @ seen[k] + mean[k] / SD**2)
        assert_allclose(found.at[k], wanted, atol=1e-2)  # it stands still where a step gains less than 0.01
        cost = ((design @ wanted - seen[k]) ** 2).sum() + (((wanted - mean[k]) / SD) ** 2).sum()
        assert found.cost[k] == pytest.approx(cost, abs=1e-3)


@pytest.mark.parametrize("rows", [3, 9])
def test_evidence_of_a_linear_model_is_that_of_its_normal_distribution(rows):
    """Laplace's approximation is exact here: the data are normal with covariance I + A S S A'."""
    design, seen = RNG.normal(size=(rows, 5)), RNG.normal(size=(1, rows))
    expected = []
    priors = [(np.zeros((1, 5)), SD[None]), (np.ones((1, 5)), 2 * SD[None])]
    for mean, sd in priors:
        cov = np.eye(rows) + (design * sd**2) @ design.T
        off = seen[0] - design @ mean[0]
        expected.append(-0.5 * off @ np.linalg.solve(cov, off) - 0.5 * np.linalg.slogdet(cov)[1])
    found = [descend(line_up(design, seen), p[0], p, 60).log_evidence()[0] for p in priors]
    assert_allclose(found, expected, atol=1e-3)


def test_jittered_descents_have_the_scatter_of_the_posterior():
    count, design, seen = 4000, RNG.normal(size=(4, 5)), RNG.normal(size=4)
    target = seen + stratified_normal(RNG, count, 4)
    prior = stratified_normal(RNG, count, 5) * SD
    at = descend(line_up(design, target), np.zeros((count, 5)), (prior, np.tile(SD, (count, 1))), 60).at
    cov = np.linalg.inv(design.T @ design + np.diag(SD**-2))
    scale = np.sqrt(np.diag(cov))
    # the covariance of 4000 draws is good to 1/sqrt(4000) = 1.6 % of the scales
    assert_allclose(np.cov(at.T) / np.outer(scale, scale), cov / np.outer(scale, scale), atol=0.07)
    assert_allclose(at.mean(axis=0) / scale, cov @ design.T @ seen / scale, atol=0.05)


def test_a_draw_that_stands_still_leaves_the_others_their_steps():
    """One starts at its least, the other far away on a curve; both end at the least."""

    def residuals(at, _who):
        return np.exp(at) - 3.0, np.exp(at)[..., None]

    start = np.array([[np.log(3.0)], [-2.0]])
    found = descend(residuals, start, (np.zeros((2, 1)), np.full((2, 1), 1e3)), 60)
    assert_allclose(found.at, np.log(3.0), atol=1e-3)


@pytest.mark.parametrize("chance", [[1.0], [0.5, 0.3, 0.2], [0.0, 0.004, 0.996], [0.25] * 4])
def test_each_kind_gets_its_share_to_within_one_draw(chance):
    got = np.bincount(share_out(np.array(chance), 160), minlength=len(chance))
    assert got.sum() == 160
    assert (np.abs(got - 160 * np.array(chance)) < 1).all()
