"""Any sequence of entries gives the state that plain arithmetic gives."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from colourmatch.book.lot_book import open_book
from colourmatch.errors import InputError

STOCKS = {"red": (1.0, 0.05, False), "yellow": (2.5, 0.04, True)}  # g in 100 ml, ml a drop, made in the batch
steps = st.lists(
    st.one_of(
        st.tuples(st.just("add"), st.sampled_from(sorted(STOCKS)), st.integers(1, 200)),
        st.tuples(st.just("sample"), st.booleans(), st.floats(0.1, 80)),
        st.tuples(st.just("untinted"), st.none(), st.floats(0.1, 300)),
        st.tuples(st.just("correct"), st.integers(0, 20), st.integers(1, 200)),
        st.tuples(st.just("void"), st.integers(0, 20), st.none()),
    ),
    max_size=14,
)


@pytest.fixture(scope="module")
def shared_book():
    with tempfile.TemporaryDirectory() as folder, open_book(Path(folder) / "book.sqlite") as book:
        for name, (strength, drop_ml, in_batch) in STOCKS.items():
            made_in = "batch" if in_batch else "water"
            book.stocks.add(name, "E129", strength, drop_ml=drop_ml, made_in=made_in)
        yield book


@settings(max_examples=25)
@example(steps=[("add", "red", 100), ("sample", False, 50.0), ("untinted", None, 100.0)])
@given(steps=steps)
def test_state_is_that_of_plain_arithmetic(shared_book, steps):
    book = shared_book
    lot = book.lots.begin("x", 500, ["red", "yellow"], already_mg_per_l=7).id
    # what really happened, in order: [kind, id of its latest entry, stock or None, amount]
    facts: list[list] = []
    for kind, which, amount in steps:
        if kind == "add":
            facts.append(["add", book.additions.add(lot, which, drops=amount).id, which, amount])
        elif kind == "untinted":
            facts.append(["untinted", book.volumes.add_untinted(lot, amount).id, None, amount])
        elif kind == "sample":
            try:
                taken = book.volumes.take_sample(lot, amount, returned=which)
            except InputError:
                continue
            facts.append(["kept" if which else "sample", taken.id, None, amount])
        elif facts:
            fact = facts[which % len(facts)]
            if fact[0] == "void":
                continue
            is_dose = fact[0] == "add"
            change = book.additions.correct if is_dose else book.volumes.correct
            right = {"drops": amount} if is_dose else {"ml": (amount or 4) / 4}
            values = {"void": True} if kind == "void" else right
            try:
                fact[1] = change(fact[1], reason="x", **values).id
            except InputError:
                continue  # would take more out than there is
            if kind == "void":
                fact[0] = "void"
            else:
                fact[3] = next(iter(values.values()))
                fact[0] = "sample" if fact[0] == "kept" else fact[0]
    volume, base, share, mg = 500.0, 7.0, 1.0, {}
    for kind, _id, stock, amount in facts:
        if kind == "add":
            strength, drop_ml, in_batch = STOCKS[stock]
            mg[stock] = mg.get(stock, 0.0) + amount * drop_ml * strength * 10
            grown = volume + (0 if in_batch else amount * drop_ml)
            base, share, volume = base * volume / grown, share * volume / grown, grown
        elif kind == "sample":
            mg = {name: value * (1 - amount / volume) for name, value in mg.items()}
            volume -= amount
        elif kind == "untinted":
            share, volume = (share * volume + amount) / (volume + amount), volume + amount
    state = book.lots.story(lot).state()
    assert state.volume_ml == pytest.approx(volume)
    assert state.mg == pytest.approx(mg)
    assert (state.already_mg_per_l, state.base_share) == pytest.approx((base, share))
    assert len(book.lots.story(lot).effective) == sum(kind != "void" for kind, *_ in facts)
