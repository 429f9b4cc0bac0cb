"""What may have gone wrong by hand: what is thought of, and what the fit makes of it on liquids that are known."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from known_liquids import BASE, VIEW

from colourmatch.dosing.doubt import chance_as_noted, find_doubt
from colourmatch.dosing.problem import Problem
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.learn import fit_lot
from colourmatch.liquid.lot_model import StockPrior
from colourmatch.liquid.mishaps import Bottle, Dosed, Mishap, think_of
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.liquid.observations import Shot
from colourmatch.liquid.stock import BatchState, Stock

RED, BLUE = (find_colourant(number).absorptivity() for number in ("E129", "E133"))
REFERENCE = 1.1 * BASE + 40 * RED
NOISE = np.eye(3) * 0.3**2
PRIOR, OTHER = StockPrior("red", RED), Bottle(StockPrior("blue", BLUE), 10.0)
#: Label mg/l of red at each photo.
NOTED = (0.0, 12.0, 24.0)


def look(absorbance: np.ndarray, deeper: float = 1.0) -> np.ndarray:
    return absorbance_to_lab(absorbance * VIEW.path_cm * deeper)


def shoot(held: list[np.ndarray], *, swapped: int = -1, deeper: dict[int, float] | None = None) -> list[Shot]:
    """A photo of each batch, beside what was noted of it."""
    shots = []
    for n, absorbance in enumerate(held):
        sides = [look(absorbance, (deeper or {}).get(n, 1.0)), look(REFERENCE)]
        batch, reference = sides[::-1] if n == swapped else sides
        shots.append(Shot(batch, NOISE, reference, NOISE, (NOTED[n],), 1.0, "one"))
    return shots


def noted_doses(photos: int = 3) -> list[Dosed]:
    """12 mg/l before the second photo, as entry 1, and 12 more before the third, as entry 2; 1.2 ml in a litre each."""
    shown = [np.arange(photos) >= first for first in (1, 2)]
    return [
        Dosed(k + 1, 0, np.where(at, 12.0, 0.0), 12.0, np.where(at, 1.2, 0.0), 1.2)
        for k, at in enumerate(shown)
        if at.any()
    ]


def weigh(shots: list[Shot], **known):
    """The fit of photos of which one stands for each dose, with all that may have gone wrong."""
    shots_of = noted_doses(len(shots))
    return fit_lot(shots, [PRIOR], VIEW, mishaps=think_of(len(shots), [PRIOR], shots_of, dilution=5, **known))


def batch_of(*red: float) -> list[np.ndarray]:
    return [BASE + mg * RED for mg in red]


def test_all_chances_are_one_and_what_was_noted_is_by_far_the_likeliest():
    every = think_of(3, [PRIOR], noted_doses(), dilution=5, shelf=[OTHER])
    chances = np.exp([one.log_chance for one in every])
    assert chances.sum() == pytest.approx(1) and every[0].code == "" and chances[0] > 0.6
    assert {one.code for one in every[1:]} == {
        "glasses-swapped", "thinned-unequally", "reference-paler", "dose-amount", "dose-missing", "other-bottle",
        "not-stirred", "photo-before-addition", "label", "other-photo",
    }  # fmt: skip


def test_a_clock_decides_of_older_photos_and_unseen_glasses_are_not_exchanged():
    every = think_of(3, [PRIOR], noted_doses(), late={(2, 2): 0.0, (1, 1): 0.3}, learnt=[True])
    older = {one.shot: one.log_chance for one in every if one.code == "photo-before-addition"}
    assert older == {1: pytest.approx(np.log(0.3))}
    assert not [one for one in every if one.code == "label"]
    every = think_of(3, [PRIOR], noted_doses(), references=[True, False, True])
    assert {one.shot for one in every if one.code == "glasses-swapped"} == {0, 2}


@pytest.mark.parametrize("red", [(0, 12, 24), (0, 10, 20), (0, 14.5, 29)])
def test_nothing_is_doubted_where_all_is_as_noted_or_a_label_is_a_fifth_off(red):
    fit = weigh(shoot(batch_of(*red)), shelf=[OTHER])
    assert find_doubt(fit) is None and chance_as_noted(fit) > 0.9


WRONG = {
    "glasses-swapped": shoot(batch_of(0, 12, 24), swapped=2),
    "dose-amount": shoot(batch_of(0, 12, 36)),
    "not-stirred": shoot(batch_of(0, 12, 18)),
    "dose-missing": shoot(batch_of(0, 12, 12)),
    "other-bottle": shoot([*batch_of(0, 12), BASE + 12 * RED + 12 * BLUE]),
    "reference-paler": [
        replace(shot, reference_lab=look(0.7 * REFERENCE)) if n == 2 else shot
        for n, shot in enumerate(shoot(batch_of(0, 12, 24)))
    ],
    "thinned-unequally": shoot([*batch_of(0, 12, 24)], deeper={2: 5.0}),
    "other-photo": [
        *shoot(batch_of(0, 12)),
        replace(shoot(batch_of(0, 12, 24))[2], reference_lab=look(20 * BLUE), batch_lab=look(5 * BLUE + 9 * RED)),
    ],
}


@pytest.mark.parametrize("code", WRONG)
def test_what_went_wrong_is_among_the_causes_named(code):
    doubt = find_doubt(weigh(WRONG[code], shelf=[OTHER]))
    assert doubt is not None and code in {cause.code for cause in doubt.causes}
    assert {cause.shot for cause in doubt.causes if cause.code == code} == {2}


@pytest.mark.parametrize(
    ("chances", "named"),
    [((0.1, 0.8, 0.05, 0.05), 1), ((0.1, 0.5, 0.3, 0.1), 2), ((0.1, 0.3, 0.3, 0.3), 3), ((0.2, 0.2, 0.2, 0.2, 0.2), 3)],
)  # fmt: skip
def test_as_many_causes_are_named_as_hold_most_of_what_went_wrong(chances, named):
    codes = ("", "glasses-swapped", "reference-paler", "not-stirred", "dose-missing")[: len(chances)]
    mishaps = [Mishap(code, 0.0, 3, 1, shot=2) for code in codes]
    fit = SimpleNamespace(
        success=True, chances=np.array(chances), kind=np.zeros(1), hands=SimpleNamespace(mishaps=mishaps)
    )
    doubt = find_doubt(fit)
    assert tuple(cause.code for cause in doubt.causes) == codes[1 : 1 + named]
    assert doubt.dominates == (named == 1)


def test_a_photo_of_another_lot_teaches_nothing_of_this_one():
    fit, without = weigh(WRONG["other-photo"]), weigh(WRONG["other-photo"][:2])
    assert find_doubt(fit).causes[0].chance > 0.9
    spans = [np.quantile(one.strength_factors, (0.1, 0.9)) for one in (fit, without)]
    assert spans[0] == pytest.approx(spans[1], rel=0.1)


def test_of_two_photos_of_different_liquids_the_newer_is_doubted_first():
    other = {"reference_lab": look(BASE + 12 * RED), "batch_lab": look(BASE + 12 * RED)}
    shots = [*shoot(batch_of(0)), replace(shoot(batch_of(0, 12))[1], **other)]
    every = think_of(2, [PRIOR], noted_doses(2), dilution=5)
    either = [one for one in every if one.code == "other-photo"]
    for left, asked in ((either, 1), (either[:1], 0)):  # the older once the newer is the lot's own
        mishaps = [one for one in every if one.code != "other-photo"] + left
        fit = fit_lot(shots, [PRIOR], VIEW, mishaps=mishaps)
        (cause,) = find_doubt(fit).causes
        assert (cause.code, cause.shot) == ("other-photo", asked) and fit.chances[-len(left)] > 0.8


def test_twice_the_dose_is_found_with_its_part_and_counts_for_what_is_in():
    fit = weigh(WRONG["dose-amount"])
    cause = find_doubt(fit).causes[0]
    assert (cause.code, cause.entry) == ("dose-amount", 2) and cause.part == pytest.approx(2, rel=0.2)
    # 12 mg/l more than was noted, in all draws that hold it
    more = np.median(fit.unnoted_mg_per_l()[fit.kind == fit.kind[0], 0])
    assert more == pytest.approx(12, rel=0.25)
    batch = fit.batch_lab(np.array([[24.0]]), np.ones(1), VIEW)[0, 0]
    assert np.abs(batch - look(BASE + 36 * RED)).max() < 4
    thinned = fit.batch_lab(np.array([[12.0]]), np.full(1, 0.5), VIEW, np.full(1, 0.5))[0, 0]
    assert np.abs(thinned - look((BASE + 36 * RED) / 2)).max() < 2


def test_another_bottle_is_named_and_its_colour_is_in_the_batch():
    fit = weigh(WRONG["other-bottle"], shelf=[OTHER])
    cause = find_doubt(fit).causes[0]
    assert (cause.code, cause.other, cause.entry) == ("other-bottle", "blue", 2)
    batch = fit.batch_lab(np.array([[24.0]]), np.ones(1), VIEW)[0, 0]
    assert np.abs(batch - look(BASE + 12 * RED + 12 * BLUE)).max() < 2
    state = BatchState(1000.0, {"red": 24.0})
    problem = Problem(fit, (Stock("red", "E129", 1.0),), state, (VIEW,))
    # beside the 24 mg/l of the labels, which always count, the 12 of the blue that was not noted
    assert problem.limit_base_mg_per_l() == pytest.approx(36, rel=0.1)


def test_a_stock_of_twice_its_label_is_no_slip_and_is_learnt():
    fit = weigh(shoot(batch_of(0, 24, 48)))
    assert find_doubt(fit) is None
    assert np.median(fit.strength_factors) == pytest.approx(2, rel=0.1)


def test_a_possibility_of_a_thousand_times_the_dose_is_weighed_without_complaint(recwarn):
    shots = shoot(batch_of(0, 12, 24))
    every = think_of(3, [PRIOR], noted_doses(), dilution=5)
    every = [replace(one, part=(3000.0, 0.1)) if one.part else one for one in every]
    fit = fit_lot(shots, [PRIOR], VIEW, mishaps=every)
    assert np.isfinite(fit.draws).all() and fit.chances.sum() == pytest.approx(1) and find_doubt(fit) is None
    # of numbers alone: what other tests left open is told of whenever it is cleared away
    assert not [one.message for one in recwarn if issubclass(one.category, RuntimeWarning)]
