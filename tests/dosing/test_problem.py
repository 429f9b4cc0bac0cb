"""A growing batch and its ceilings in numbers; `ask` makes the problems that all dosing tests use."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from known_liquids import VIEW, look
from numpy.testing import assert_allclose

from colourmatch.colour.difference import ciede2000
from colourmatch.dosing.limits import ceiling_check
from colourmatch.dosing.problem import Problem, compare_draws, count_draws
from colourmatch.liquid.learn import fit_lot
from colourmatch.liquid.lot_model import expect_stock
from colourmatch.liquid.observations import Shot
from colourmatch.liquid.stock import Addition, BatchState, Stock

RED = Stock("red", "E129", 1.0)
YELLOW = Stock("yellow", "E102", 0.5)
DRAWS = 40  # a quarter of the usual, for speed


def pour(stocks: Sequence[Stock], drops: Sequence[float], start: BatchState) -> tuple[BatchState, float]:
    """The batch after so many drops of each stock, and the part of it that is base."""
    state = start
    for stock, count in zip(stocks, drops, strict=True):
        state = state.add(Addition.from_drops(stock, count)) if count else state
    return state, start.volume_ml / state.volume_ml


def ask(
    stocks: tuple[Stock, ...] = (RED,),
    drops: tuple[float, ...] | None = None,
    *,
    reference: dict[str, float] | None = None,
    volume_ml: float = 900.0,
    already: float = 0.0,
    factor: float = 1.0,
    sd: float = 0.1,
    **bounds,
) -> Problem:
    """A problem whose photos were taken of a known truth: at no dose, at half of it and as the batch is now.

    reference: mg/l of each colourant in it, over the same natural base; factor: true over label strength of
    every stock; sd of a reading in Lab; bounds: what else Problem takes.
    """
    held = tuple(sorted(({"E129": 40.0} if reference is None else reference).items()))
    fit, state = _fit(stocks, drops or (0,) * len(stocks), held, volume_ml, already, factor, sd)
    return Problem(fit, stocks, state, **({"views": (VIEW,)} | bounds))


@cache
def _fit(stocks, drops, reference, volume_ml, already, factor, sd):
    """The fit of such photos, made once for all tests that ask it, with the batch as it is and its part of base."""
    wanted = look(dict(reference))
    start, noise = BatchState(volume_ml, already_mg_per_l=already), np.eye(3) * sd**2
    shots = []
    for part in (0, 0.5, 1) if any(drops) else (0,):
        state, share = pour(stocks, [part * n for n in drops], start)
        seen = look({e: factor * state.colourant_mg_per_l(e) for e in state.mg_by_colourant}, share)
        held = tuple(state.concentration_mg_per_l(s) for s in stocks)
        shots.append(Shot(seen, noise, wanted, noise, held, share, "one"))
    priors = [expect_stock(s.name, s.colourant) for s in stocks]
    return fit_lot(shots, priors, VIEW, draws=DRAWS), state


PLAIN = ask()
PAIR = ask((RED, YELLOW))


@settings(max_examples=30)
@given(st.floats(0.05, 30), st.floats(0.05, 30), st.sampled_from(["water", "batch"]))
def test_a_batch_grows_as_its_state_does_in_one_step_or_two_and_in_any_order(red_ml, yellow_ml, made_in):
    made = replace(RED, made_in=made_in)
    red, yellow = Addition.from_ml(made, red_ml), Addition.from_ml(YELLOW, yellow_ml)
    first = BatchState(900).add(red)
    one, other = first.add(yellow), BatchState(900).add(yellow).add(red)
    assert one.volume_ml == pytest.approx(other.volume_ml)
    assert one.mg == pytest.approx(other.mg)
    fresh = replace(PAIR, stocks=(made, YELLOW))
    later = replace(fresh, state=first)
    for problem, ml in ((fresh, [red_ml, yellow_ml]), (later, [0.0, yellow_ml])):
        mg_per_l, share, _ = problem.after(np.array([ml]))
        assert_allclose(mg_per_l[0], [one.concentration_mg_per_l(made), one.concentration_mg_per_l(YELLOW)])
        assert share[0] == pytest.approx(900 / one.volume_ml)


def test_blending_back_thins_the_colour_and_not_the_base():
    state, share = pour((RED,), (80,), BatchState(900))
    problem = replace(PLAIN, state=state)
    mg_per_l, base, left = problem.blended(np.array([0.0, state.volume_ml]))
    assert_allclose(mg_per_l[1], mg_per_l[0] / 2)
    assert base[0] == pytest.approx(share) and share < base[1] < 1
    assert_allclose(left, [1, 0.5])


@settings(max_examples=60)
@given(
    ceiling=st.floats(5, 200),
    already=st.floats(0, 60),
    drops=st.integers(0, 60),
    made_in=st.sampled_from(["water", "batch"]),
)
def test_the_room_is_filled_to_the_ceiling_and_not_beyond(ceiling, already, drops, made_in):
    stock = replace(RED, made_in=made_in)
    state, _ = pour((stock,), (drops,), BatchState(900, already_mg_per_l=already))
    problem = replace(PLAIN, stocks=(stock,), state=state, ceiling_mg_per_l=ceiling)
    room, used = problem.room_ml()[0], problem.limit_base_mg_per_l()
    assert room >= 0
    if used >= ceiling:
        assert room == 0 and problem.ceiling_left() == 0
        assert not problem.keeps_ceiling([stock.drop_ml])
    else:
        assert problem.ceiling_left() == pytest.approx(ceiling - used)
        assert problem.keeps_ceiling([0.999 * room]) and not problem.keeps_ceiling([1.001 * room + 1e-6])
        after = state.add(Addition.from_ml(stock, room))
        counted = after.total_mg_per_l() if problem.counted_factor()[0] == 1 else None
        assert counted is None or counted <= ceiling * (1 + 1e-9)


def test_a_ceiling_is_for_all_stocks_together():
    problem = replace(PAIR, ceiling_mg_per_l=40.0)
    halves = 0.55 * problem.room_ml()
    assert problem.keeps_ceiling([halves[0], 0]) and problem.keeps_ceiling([0, halves[1]])
    assert not problem.keeps_ceiling(halves)

    mixed = replace(PLAIN, state=BatchState(900).add(Addition.from_drops(YELLOW, 72)), ceiling_mg_per_l=60.0)
    assert mixed.ceiling_left() == pytest.approx(60 - 18 / 0.9036)  # another stock's colour takes room too


def test_a_stock_that_proved_strong_counts_for_more_and_a_weak_one_for_no_less():
    strong, weak = ask(drops=(40,), factor=1.3), ask(drops=(40,), factor=0.75)
    assert strong.counted_factor()[0] > 1.1
    assert weak.counted_factor()[0] == 1
    counted = strong.counted_factor()[0] * strong.state.total_mg_per_l()
    assert strong.limit_base_mg_per_l() == pytest.approx(counted)
    rooms = [replace(p, ceiling_mg_per_l=60.0).room_ml()[0] for p in (strong, weak)]
    assert rooms[0] < 0.85 * rooms[1]


def test_the_first_dose_keeps_the_ceiling_whatever_the_stock_is_likely_to_hold():
    # 95 % of a normal log of sd 0.25 lie below exp(1.645 * 0.25) = 1.51 times the label
    assert PLAIN.counted_factor()[0] == pytest.approx(1.51 / 1.05, rel=0.04)
    factors = np.exp(0.25 * np.random.default_rng(1).standard_normal((20000, 1)))
    assert count_draws(factors, np.ones(1))[0] == pytest.approx(1.51 / 1.05, rel=0.02)
    assert count_draws(0.5 * factors, np.ones(1))[0] == 1


@settings(max_examples=100)
@example(numbers=("E122", "E122"), ml=(4.0, 2.0), ceiling=None, already=0.0)
@example(numbers=("E129", "E102"), ml=(5.0, 12.0), ceiling=None, already=0.0)
@given(
    numbers=st.sampled_from(
        [("E129",), ("E122",), ("E110",), ("E102",),
         ("E129", "E102"), ("E129", "E129"), ("E122", "E122"), ("E110", "E102")]
    ),
    ml=st.tuples(st.floats(0, 12), st.floats(0, 24)),
    ceiling=st.sampled_from([None, 15.0, 40.0, 200.0]),
    already=st.sampled_from([0.0, 30.0]),
)  # fmt: skip
def test_what_keeps_the_ceiling_breaks_no_limit_with_one_stock_or_two(numbers, ml, ceiling, already):
    stocks = tuple(replace(one, colourant=code) for one, code in zip((RED, YELLOW), numbers, strict=False))
    ml, start = ml[: len(stocks)], BatchState(900, already_mg_per_l=already)
    likely = replace(PLAIN if len(stocks) == 1 else PAIR, stocks=stocks, state=start)
    if replace(likely, ceiling_mg_per_l=ceiling, jurisdiction="EU").keeps_ceiling(ml):
        after, _ = pour(stocks, [v / s.drop_ml for v, s in zip(ml, stocks, strict=True)], start)
        over = [line.text for line in ceiling_check(after, ceiling, "EU") if line.over]
        # What the base brought may be over the maker's ceiling before anything is added.
        assert not over or not any(ml)


def test_draws_that_scatter_are_no_difference_and_views_are_weighed():
    rng = np.random.default_rng(3)
    reference = np.array([70.0, 40.0, 20.0]) + rng.normal(0, 0.5, (400, 3))
    batch = reference + rng.normal(0, 0.4, (400, 3))
    apart = compare_draws(reference, batch)
    plain = ciede2000(reference, batch)
    assert apart.low == 0 and apart.value == pytest.approx(np.median(plain), abs=1e-9)
    assert apart.high == pytest.approx(np.quantile(plain, 0.95), rel=0.05)
    two = ask(drops=(20,))
    pale, deep = replace(two.views[0], dilution=10.0, weight=1.0), replace(two.views[0], weight=3.0)
    none = two.after(np.zeros((1, 1)))
    parts = [replace(two, views=(v,)).interval(*none).value for v in (pale, deep)]
    both = replace(two, views=(pale, deep)).interval(*none).value
    assert both == pytest.approx((parts[0] + 3 * parts[1]) / 4, rel=0.01)
