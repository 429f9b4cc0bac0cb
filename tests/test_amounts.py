"""Amounts as people type them: units, the two readings of 1.500, and which sizes are asked about."""

import pytest

from colourmatch.amounts import SIZES, ask_about, ask_about_weighing, read_amount
from colourmatch.errors import InputError


@pytest.mark.parametrize(
    ("typed", "size", "value"),
    [
        ("900", "batch", 900), ("900 ml", "batch", 900), ("2 l", "batch", 2000), ("2,5 l", "batch", 2500),
        ("0.9l", "batch", 900), ("1 dl", "batch", 100), ("75 cl", "batch", 750), ("2 Litres", "batch", 2000),
        ("1e3", "batch", 1000), ("50 ul", "drop", 0.05), ("50 µl", "drop", 0.05), ("1 cm", "depth", 10),
        ("12 g", "dose weighed", 12), ("500 mg", "dose weighed", 0.5), ("0.06 g/l", "content", 60),
        ("10 g/l", "strength", 1), ("1 %", "strength", 1), ("1 g/100 ml", "strength", 1),
    ],
)  # fmt: skip
def test_an_amount_is_read_with_its_unit(typed, size, value):
    assert read_amount(typed, "--x", SIZES[size]) == (pytest.approx(value, rel=1e-12), None)


@pytest.mark.parametrize("typed", ["2 kg", "2 ml/l", "900 mml", "3 cm"])
def test_another_kind_of_unit_is_refused(typed):
    with pytest.raises(InputError, match=r"whose unit does not fit[.] Give it in ml, l, dl, cl, ul"):
        read_amount(typed, "--volume", SIZES["batch"])


@pytest.mark.parametrize(
    ("value", "size", "other", "typed"),
    [
        (2, "batch", "2 l", "'2 l'"), (0.5, "batch", "0.5 l", "'0.5 l'"), (20, "batch", "20 l", "'20 l'"),
        (900_000, "batch", "900 ml", "900"), (0.48, "drop", "0.048 ml", "0.048"), (0.005, "drop", "0.05 ml", "0.05"),
        (50, "drop", "50 ul", "'50 ul'"), (1, "depth", "1 cm", "'1 cm'"), (0.5, "stock", "0.5 l", "'0.5 l'"),
    ],
)  # fmt: skip
def test_an_absurd_size_is_asked_about_with_both_readings(value, size, other, typed):
    question = ask_about(value, f"--x {value}", SIZES[size])
    assert (question.other, question.typed_other) == (other, typed)
    assert question.meant == f"{value:g} {SIZES[size].unit}"
    assert all(part in question.text() for part in (other, question.meant, typed, "--sure"))
    assert "'" not in question.text(bare=True)  # a field of numbers takes no unit


@pytest.mark.parametrize(
    ("value", "size"),
    [(50, "batch"), (100, "batch"), (200_000, "batch"), (0, "batch"), (0.02, "drop"), (0.1, "drop"), (0.15, "drop"),
     (10, "depth"), (3, "depth"), (0.4, "dose"), (500, "part")],
)  # fmt: skip
def test_a_usual_size_and_one_without_a_better_reading_are_not_asked_about(value, size):
    assert ask_about(value, "--x", SIZES[size]) is None


def test_a_digit_that_may_have_slipped_is_asked_about():
    assert read_amount("2 ml", "--x", SIZES["batch"]).question is None
    assert read_amount("0.48 ml", "--x", SIZES["drop"]).question.other == "0.048 ml"
    question = ask_about_weighing(40, 19.3, 1.0)
    assert (question.other, question.meant) == ("1.93 g", "19.3 g")
    assert ask_about_weighing(40, 0.193, 1.0).other == "1.93 g"
    assert ask_about_weighing(40, 1.93, 1.0) is None and ask_about_weighing(0, 1.93, 1.0) is None


@pytest.mark.parametrize("typed", ["1.500", "1,500"])
def test_three_digits_behind_a_point_are_asked_about_where_thousands_are_usual(typed):
    value, question = read_amount(typed, "--volume-ml", SIZES["batch"])
    assert (value, question.other, question.meant) == (1.5, "1500 ml", "1.5 ml")
    assert question.text().endswith("add --sure.")
    both = read_amount(typed, "--ml", SIZES["part"])
    assert both.question.text().endswith("if 1500 ml is meant, type 1500; if 1.5 ml is meant, type 1.5.")
    alone = read_amount(typed, "--grams", SIZES["drops weighed"])
    assert alone == (1.5, None)
    assert read_amount(f"{typed} l", "--volume", SIZES["batch"]) == (1500, None)
