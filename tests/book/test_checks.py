"""The limits of what may be typed, and that the same token again enters nothing twice."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pytest

from colourmatch.book import checks
from colourmatch.book.calibrations import CARD
from colourmatch.book.checks import check_name, check_number, check_outcome, utc_text
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError


@pytest.mark.parametrize("name", checks.LIMITS)
def test_the_highest_value_passes_and_beyond_it_does_not(name):
    _words, low, low_allowed, high, advice = checks.LIMITS[name]
    assert check_number(name, high) == high
    assert check_number(name, np.float64(high)) == high
    with pytest.raises(InputError, match="up to") as caught:
        check_number(name, high * 1.01)
    assert caught.value.text.endswith(advice)
    if low_allowed:
        assert check_number(name, low) == low
    else:
        with pytest.raises(InputError):
            check_number(name, low)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), -1, "900", None, True, [1]])
def test_what_is_no_possible_volume_is_refused_with_the_value(value):
    with pytest.raises(InputError) as caught:
        check_number("volume_ml", value)
    said = "is missing" if value is None else str(value)
    assert said in caught.value.text and "2000 litres" in caught.value.text


@pytest.mark.parametrize("name", ["a", "Rosé № 4 – 苦味酒 🍊", "x" * 120, "  outer blanks  "])
def test_names_in_any_script_pass_and_compare_without_capitals_and_doubled_blanks(name):
    assert check_name(name) == name.strip()


@pytest.mark.parametrize("name", ["", "   ", "x" * 121, "two\nlines", "nul\0", "tab\there", "\x7f", "\ud800", 7, None])
def test_impossible_names_are_refused(name):
    with pytest.raises(InputError, match=r"^The name"):
        check_name(name)


def test_names_json_and_times_are_written_one_way():
    assert checks.name_key("  Große  ROSÉ ") == checks.name_key("grosse rosé")
    text = checks.to_json({"lab": np.array([1.5, np.nan]), "n": np.int64(3), "deep": [{"x": float("inf")}]})
    assert text == '{"lab": [1.5, null], "n": 3, "deep": [{"x": null}]}'
    with pytest.raises(TypeError, match="dict"):
        checks.to_json([1])
    moment = datetime(2026, 7, 1, 12, 0, tzinfo=timezone(timedelta(hours=2)))
    assert utc_text(moment) == "2026-07-01T10:00:00.000000+00:00"
    assert utc_text(utc_text(moment)) == utc_text(moment)
    assert len(utc_text()) == len(utc_text(datetime(2026, 1, 1, tzinfo=UTC)))
    with pytest.raises(ValueError, match="zone"):
        utc_text("2026-07-01T12:00:00")


@pytest.mark.parametrize("value", [(106, 0, 0), (50, 300, 0), (50, float("nan"), 0), (1, 2), "abc", 5])
def test_impossible_target_colours_are_refused(value):
    with pytest.raises(InputError, match="L\\*"):
        checks.check_lab(value)


def test_why_a_lot_was_closed_is_a_known_word_or_own_ones():
    assert [check_outcome(word) for word in ("matched", " Given Up ")] == ["matched", "given up"]
    assert check_outcome("the jug fell") == "the jug fell"
    with pytest.raises(InputError, match=r"'matchd' is nearly 'matched'\. Give one of matched, nearest"):
        check_outcome("matchd")
    with pytest.raises(InputError, match=r"has 41 characters.*a note takes more"):
        check_outcome("x" * 41)
    with pytest.raises(InputError, match="reason for closing is empty"):
        check_outcome(" ")


@pytest.mark.parametrize(
    ("name", "least", "sentence"),
    [
        ("volume_ml", 1, "The volume must be from 1 up to 2,000,000, not 1e-300. Give the batch in ml"),
        ("drops", 0.1, "The number of drops must be from 0.1 up to 100,000, not 1e-300. Count them again"),
        ("ml", 0.001, "The volume must be from 0.001 up to 2,000,000, not 1e-300."),
        ("grams", 0.0001, "The weight must be from 0.0001 up to 2,000,000, not 1e-300."),
        ("rel_sd", 1e-9, "The relative spread must be more than 0 and up to 10, not 0."),
    ],
)
def test_what_no_hand_can_measure_is_refused_in_a_sentence(name, least, sentence):
    assert check_number(name, least) == least
    with pytest.raises(InputError) as refused:
        check_number(name, 0 if name == "rel_sd" else 1e-300)
    assert refused.value.text.startswith(sentence)


SEEN = {"delta_e_2000": {"value": 2.0, "low": 1.5, "high": 2.5}}

#: what is entered -> (a way to enter it, given the book, the lot and a content; the content, another)
Act = Callable[[LotBook, int, Any], Any]
KINDS: dict[str, tuple[Act, Any, Any]] = {
    "addition": (lambda b, n, v: b.additions.add(n, "red", drops=v, token="t"), 5, 6),
    "another stock": (lambda b, n, v: b.additions.add(n, v, drops=5, token="t"), "red", "yellow"),
    "another lot": (lambda b, n, v: b.additions.add(n + v, "red", drops=5, token="t"), 0, 1),
    "another unit": (lambda b, n, v: b.additions.add(n, "red", **{v: 5}, token="t"), "ml", "grams"),
    "sample": (lambda b, n, v: b.volumes.take_sample(n, 10, returned=v, token="t"), False, True),
    "untinted": (lambda b, n, v: b.volumes.add_untinted(n, v, token="t"), 10, 11),
    "another kind": (lambda b, n, v: getattr(b.volumes, v)(n, 10, token="t"), "add_untinted", "take_sample"),
    "note": (lambda b, n, v: b.entries.add_note(n, v, token="t"), "a", "b"),
    "measurement": (lambda b, n, v: b.photos.add(n, v, token="t"), SEEN, {}),
    "closing": (lambda b, n, v: b.lots.close(n, v, token="t"), "matched", "nearest"),
    "amendment": (lambda b, n, v: b.lots.amend(n, "x", tolerance=v, token="t"), 2, 3),
    "reason": (lambda b, n, v: b.lots.amend(n, v, tolerance=2, token="t"), "x", "y"),
    "trial": (lambda b, n, v: b.trials.take(n, v, token="t"), 90, 80),
    "lot": (lambda b, _, v: b.lots.begin("Bitter", v, ["red", "yellow"], number="B1", token="t"), 900, 901),
    "stocks of a lot": (lambda b, _, v: b.lots.begin("Bitter", 900, v.split(), token="t"), "red yellow", "yellow red"),
    "stock": (lambda b, _, v: b.stocks.add("blue", "E133", v, token="t"), 1, 2),
    "weighed": (lambda b, _, v: b.stocks.weigh("red", 40, v, token="t"), 1.9, 1.8),
    "learnt": (lambda b, n, v: b.stocks.learn("red", v, 0.05, n, token="t"), 0.9, 0.8),
    "learnt of another": (lambda b, n, v: b.stocks.learn(v, 0.9, 0.05, n, token="t"), "red", "yellow"),
    "label": (lambda b, _, v: b.stocks.correct("red", "x", strength_g_per_100ml=v, token="t").stock, 2, 3),
    "reference": (lambda b, _, v: b.references.add(v, token="t"), "Bottle", "Jar"),
    "reading": (lambda b, _, v: b.references.add_reading(
        b.references.add("Bottle", token="r").id, (v, 40, 30), depth_mm=10, token="t"), 60, 61),
    "card": (lambda b, _, v: b.calibrations.add(CARD, "home", {"greys": [v]}, token="t"), 0.1, 0.2),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_a_token_that_comes_again_with_other_content_is_refused(book, lot, kind):
    enter, content, other = KINDS[kind]
    book.lots.begin("Second", 900, "red")
    first = enter(book, lot, content)
    assert enter(book, lot, content) == first
    with pytest.raises(InputError, match=r"with the token '.*' already"):
        enter(book, lot, other)
    assert enter(book, lot, content) == first


def test_what_is_about_an_entry_is_compared_too(book, lot, jpeg):
    doses = [book.additions.add(lot, "red", drops=5) for _ in range(2)]
    photos = [book.photos.add(lot, SEEN) for _ in range(2)]
    sample = book.volumes.take_sample(lot, 10)
    moment = doses[0].created_at
    acts = (
        lambda k: book.photos.set_aside(lot, photos[k].id, "x", token="aside"),
        lambda k: book.entries.move(photos[k].id, moment, "x", token="moved"),
        lambda k: book.volumes.correct(sample.id, ml=9 + k, reason="x", token="volume"),
        lambda k: book.additions.correct(doses[0].id, drops=6 + k, reason="x", token="dose"),
        lambda k: book.additions.correct(doses[1].id, void=True, reason=f"x{k}", token="void"),
        lambda k: book.photos.add(lot, SEEN, photo=jpeg if k == 0 else None, token="photo"),
    )
    for act in acts:
        first = act(0)
        assert act(0) == first
        with pytest.raises(InputError, match="Something was entered with the token"):
            act(1)


def test_a_stock_that_was_renamed_since_is_the_same(book, lot):
    first = book.additions.add(lot, "red", drops=5, token="t")
    book.stocks.correct("red", "mistyped", name="crimson")
    for name in ("red", "crimson", first.stock_id):
        assert book.additions.add(lot, name, drops=5, token="t").id == first.id
