"""The limits of what may be typed."""

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from colourmatch.book import checks
from colourmatch.book.checks import check_name, check_number, check_outcome, utc_text
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


@pytest.mark.parametrize(
    "name", ["", "   ", "x" * 121, "two\nlines", "nul\0", "tab\there", "\x7f", "\ud800", 7, None]
)
def test_impossible_names_are_refused(name):
    with pytest.raises(InputError, match=r"^The name"):
        check_name(name)


def test_names_compare_without_capitals_and_doubled_blanks():
    assert checks.name_key("  Große  ROSÉ ") == checks.name_key("grosse rosé")


@pytest.mark.parametrize("value", [(106, 0, 0), (50, 300, 0), (50, float("nan"), 0), (1, 2), "abc", 5])
def test_impossible_target_colours_are_refused(value):
    with pytest.raises(InputError, match="L\\*"):
        checks.check_lab(value)


def test_json_takes_numpy_and_makes_null_of_nan():
    text = checks.to_json({"lab": np.array([1.5, np.nan]), "n": np.int64(3), "deep": [{"x": float("inf")}]})
    assert text == '{"lab": [1.5, null], "n": 3, "deep": [{"x": null}]}'
    with pytest.raises(TypeError, match="dict"):
        checks.to_json([1])


def test_times_are_utc_of_fixed_width():
    moment = datetime(2026, 7, 1, 12, 0, tzinfo=timezone(timedelta(hours=2)))
    assert utc_text(moment) == "2026-07-01T10:00:00.000000+00:00"
    assert utc_text(utc_text(moment)) == utc_text(moment)
    assert len(utc_text()) == len(utc_text(datetime(2026, 1, 1, tzinfo=UTC)))
    with pytest.raises(ValueError, match="zone"):
        utc_text("2026-07-01T12:00:00")


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
