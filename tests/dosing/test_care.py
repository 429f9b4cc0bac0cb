"""Ceilings and limits against hand sums, label texts against the law's wording, cautions by their codes."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import pytest

from colourmatch.dosing import limits
from colourmatch.dosing.care import (
    STANDING_CAUTIONS,
    Portion,
    cautions_for,
    label_line,
    portion_in_glass,
    portions_in_glass,
    warn_of_base,
)
from colourmatch.dosing.limits import ceiling_check, limits_for, list_jurisdictions, name_few, room_mg_per_l
from colourmatch.errors import InputError, NotFoundError
from colourmatch.liquid.stock import Addition, BatchState, Stock


def batch_with(already_mg_per_l: float = 0.0, **mg_per_l: float) -> BatchState:
    """A litre with so many mg of each colourant, from stocks made in the batch."""
    batch = BatchState(1000, already_mg_per_l=already_mg_per_l)
    for code, amount in mg_per_l.items():
        stock = Stock(code, code.replace("_", ":"), 0.1, made_in="batch")
        batch = batch.add(Addition.from_ml(stock, amount))
    return batch


def codes(colourants, jurisdiction="EU"):
    return [caution.code for caution in cautions_for(colourants, jurisdiction)]


# Regulation (EC) No 1333/2008, Annex II, 14.1.4; from memory, see calibration/limits.csv.
@pytest.mark.parametrize(
    ("e_number", "limits"),
    [
        ("E129", [("sum", 100)]), ("E102", [("sum", 100)]), ("E110", [("sum", 100), ("each", 20)]),
        ("E104", [("sum", 100), ("each", 10)]), ("E124", [("sum", 100), ("each", 10)]),
        ("E122", [("sum", 100), ("each", 50)]), ("E155", [("sum", 100), ("each", 50)]), ("E100", [("sum", 100)]),
        ("E123", [("forbidden", 0)]), ("E127", [("forbidden", 0)]),
        ("E150d", [("none", None)]), ("E162", [("none", None)]),
    ],
)  # fmt: skip
def test_eu_limits(e_number, limits):
    found = limits_for([e_number], "EU")
    assert [(limit.kind, limit.limit_mg_per_l) for limit in found] == limits
    for limit in found:
        assert limit.law == "Regulation (EC) No 1333/2008, Annex II"
        assert "from memory" in limit.text and limit.law in limit.text


def test_us_limits_say_which_were_seen():
    (limit,) = limits_for(["E129"], "US")
    assert limit.kind == "none" and "good manufacturing practice" in limit.text and "seen for" in limit.text
    assert not limit.is_unchecked_for("E129") and limit.is_unchecked_for("E110")
    assert [limit.kind for limit in limits_for(["E122"], "us")] == ["forbidden"]
    for natural in ("E120", "E150c", "E162", "E163"):
        assert [limit.kind for limit in limits_for([natural], "US")] == ["none"]
    assert not limits_for(["E150c"], "US")[0].is_unchecked_for("E150")
    (unknown,) = limits_for(["custom:505"], "US")
    assert unknown.kind == "unknown" and "Look it up (21 CFR 73 and 74)" in unknown.text


# 90 FR 4628 of 16 January 2025 (21 CFR 74.303): erythrosine ends in US food on 15 January 2027.
@pytest.mark.parametrize(
    ("day", "kind", "room"), [(date(2027, 1, 14), "none", float("inf")), (date(2027, 1, 15), "forbidden", 0)]
)
def test_a_limit_holds_until_its_day(day, kind, room, monkeypatch):
    assert [limit.kind for limit in limits_for(["E127"], "US", day)] == [kind]
    monkeypatch.setattr(limits, "date", SimpleNamespace(today=lambda: day))
    assert room_mg_per_l(BatchState(1000), "E127", None, "US") == room


def test_a_cordial_is_held_to_the_limits_as_it_is_made_up():
    # Regulation (EC) No 1333/2008, Article 11(3): 1 part made up to 6, so that 100 mg/l are 600 in the bottle.
    cordial = replace(batch_with(E129=300), made_up_to=6.0)
    assert room_mg_per_l(cordial, "E129", None) == pytest.approx(300)
    # the maker's own ceiling is of the batch
    assert room_mg_per_l(cordial, "E129", 400) == pytest.approx(100)
    own, total = ceiling_check(cordial, 400)
    assert (own.amount_mg_per_l, total.amount_mg_per_l) == pytest.approx((300, 50))
    assert "in the drink as made up, 1 part to 6" in total.text and not total.over
    assert is_over(ceiling_check(batch_with(E129=300), None))
    more = Stock("red", "E129", 1.0)
    assert cordial.add(Addition.from_drops(more, 10)).take_sample(30).add_untinted(5).made_up_to == 6


def test_all_caramels_count_together_against_the_intake_of_the_group():
    a, c, both = portions_in_glass({"E150a": (1000, 0), "E150c": (500, 0)}, 200)
    # 200 mg of 300 x 60, 100 mg of 100 x 60, 300 mg of 300 x 60
    shares = [one.shares[0].value for one in (a, c, both)]
    assert shares == pytest.approx([200 / 18000, 100 / 6000, 300 / 18000], abs=5e-5)
    assert both.name == "Caramels together" and both.source.startswith("EFSA")
    mixed = portions_in_glass({"E150c": (500, 0), "E129": (30, 0)})
    assert [one.e_number for one in mixed] == ["E150c", "E129"]


@pytest.mark.parametrize(
    ("colourant", "code", "said"),
    [
        ("E150d", "sulphites", "10 mg/l as SO2"), ("E150b", "sulphites", "named and emphasised"),
        ("E163", "colourant-keeping", "pH rises"), ("E120", "colourant-keeping", "below about pH 3.5"),
        ("spirulina", "shape-taught", "photos teach it"), ("E123", "alcoholic-reference", "may hold 100 mg/l, this drink 0"),
        ("E124", "alcoholic-reference", "may hold 50 mg/l, this drink 10"),
    ],
)  # fmt: skip
def test_natural_colours_and_alcoholic_references_are_cautioned_of(colourant, code, said):
    assert any(c.code == code and said in c.text for c in cautions_for([colourant]))
    assert not {"sulphites", "shape-taught", "alcoholic-reference"} & set(codes(["E129", "E150a"]))
    assert "alcoholic-reference" not in codes([colourant], "US")


def is_over(lines):
    return any(line.over for line in lines)


def test_ceiling_check_adds_up_by_hand():
    batch = batch_with(already_mg_per_l=10, E129=30, E110=15, E150d=40)
    own, total, yellow, caramel = lines = ceiling_check(batch, 120)
    assert not is_over(lines)
    assert own.what == "your ceiling"
    assert (own.amount_mg_per_l, own.left_mg_per_l) == pytest.approx((95, 25))
    # The base's own colour counts for the sum; the caramel does not.
    assert total.amount_mg_per_l == pytest.approx(55) and total.left_mg_per_l == pytest.approx(45)
    assert yellow.amount_mg_per_l == pytest.approx(15) and yellow.left_mg_per_l == pytest.approx(5)
    assert "The 10 mg/l that the base brought are not in this figure" in yellow.text
    assert caramel.limit_mg_per_l is None and caramel.left_mg_per_l is None


def test_the_base_s_own_colour_counts_as_what_it_is_said_to_be():
    unknown = batch_with(already_mg_per_l=12, E110=15)
    known = replace(unknown, already_colourant="E110")
    other = replace(unknown, already_colourant="E163")
    # Unknown: in the sum only. Sunset yellow: 15 + 12 of 20 for its own limit. Anthocyanins: outside both.
    assert [line.amount_mg_per_l for line in ceiling_check(unknown, None)] == pytest.approx([27, 15])
    assert [line.amount_mg_per_l for line in ceiling_check(known, None)] == pytest.approx([27, 27])
    assert [line.amount_mg_per_l for line in ceiling_check(other, None)] == pytest.approx([15, 15, 12])
    assert is_over(ceiling_check(known, None)) and not is_over(ceiling_check(unknown, None))
    assert room_mg_per_l(known, "E110", None) == 0
    assert room_mg_per_l(unknown, "E110", None) == pytest.approx(5)
    assert room_mg_per_l(other, "E129", None) == pytest.approx(85)
    assert "say which colour they are" in ceiling_check(unknown, None)[1].text
    # The maker's own ceiling counts all of it, whatever it is.
    assert {ceiling_check(one, 60)[0].amount_mg_per_l for one in (unknown, known, other)} == {27}


def test_a_base_that_leaves_no_room_is_warned_of_with_what_to_do():
    base = BatchState(900, already_mg_per_l=60)
    assert warn_of_base(BatchState(900), 60, "EU") == ()
    assert [c.code for c in warn_of_base(base, 60)] == ["ceiling-full", "base-unnamed"]
    assert "start from a base with less colour" in warn_of_base(base, 60)[0].text
    assert [c.code for c in warn_of_base(BatchState(900), 0)] == ["ceiling-full"]
    named = replace(base, already_colourant="E110")
    (full,) = warn_of_base(named, 90, "EU")
    assert full.code == "limit-full" and "40 too much" in full.text
    assert warn_of_base(named, 90) == ()


def test_a_limit_of_many_colours_names_the_ones_that_were_asked_about():
    text = limits_for(["E129", "E102"])[0].text
    assert text.startswith("E129, E102 and 11 others: at most 100 mg of pure dye per litre together")
    four = limits_for(["E129", "E102", "E122", "E133"])[0].text
    assert four.startswith("E129, E102, E122 and 10 others:")
    assert name_few(["E129"]) == "E129" and name_few(list("abcd")) == "a, b, c and 1 other"
    unchecked = next(c for c in cautions_for(["E129"], "EU") if c.code == "limit-unchecked")
    assert unchecked.text.startswith("The limit for E129 is from memory")
    # one for the sum and one for the limit of its own
    assert codes(["E110", "E129"]).count("limit-unchecked") == 1


def test_a_glass_against_the_daily_intake_by_hand():
    # 40 mg/l in 50 ml are 2 mg; ADI of E129 7 mg/kg: 2 / 420 and 2 / 140; sd 10 % is 1.608 to 2.392 mg.
    one = portion_in_glass("E129", 40, 4, 50)
    assert one.mg.to_json() == {"value": 2, "low": 1.608, "high": 2.392} and one.source == "JECFA and EFSA"
    adult, child = one.shares
    assert (adult.who, child.who) == ("an adult of 60 kg", "a child of 20 kg")
    # four decimals are kept
    for share, adi_mg in ((adult, 420), (child, 140)):
        expected = [mg / adi_mg for mg in (2, 1.608, 2.392)]
        assert [share.value, share.low, share.high] == pytest.approx(expected, abs=5e-5)
    assert Portion.from_json(one.to_json()) == one
    assert "2.00 mg (1.61 to 2.39)" in one.text
    assert "0.5 % (0.4 to 0.6) for an adult of 60 kg and 1.4 % (1.1 to 1.7) for a child" in one.text
    # The smaller of the two, and whose it is: ponceau 4R has 4 (JECFA) and 0.7 (EFSA).
    ponceau = portion_in_glass("E124", 1, 0)
    assert (ponceau.adi_mg_per_kg, ponceau.source) == (0.7, "EFSA")
    assert portion_in_glass("E129", 10, 20, 50).mg.low == 0
    beet = portion_in_glass("E162", 10, 1)
    assert beet.shares == () and beet.to_json()["adi_mg_per_kg"] is None
    assert "no acceptable daily intake is on file" in beet.text


def test_a_passed_ceiling_is_shown_with_how_much():
    own, *_ = ceiling_check(batch_with(E129=70), 60)
    assert own.over and own.left_mg_per_l == pytest.approx(-10)
    assert own.text == "your ceiling: 70 mg/l of pure dye of 60, 10 too much."
    assert not is_over(ceiling_check(batch_with(E129=60), 60))
    law = ceiling_check(batch_with(E123=1), None)  # without a ceiling of the maker's own
    assert law[0].over and "not permitted in EU" in law[0].text
    caramels = ceiling_check(batch_with(E150a=30, E150d=40), None)  # classes count as one
    assert [line.amount_mg_per_l for line in caramels] == [pytest.approx(70)]


@pytest.mark.parametrize(
    ("colourant", "ceiling", "jurisdiction", "room"),
    [
        ("E129", 60, "EU", 15), ("E129", None, "EU", 55), ("E110", None, "EU", 5), ("E110", 47, "EU", 2),
        ("E129", 30, "EU", 0), ("E123", None, "EU", 0), ("E150", None, "EU", float("inf")),
        ("E129", None, "US", float("inf")), ("E122", 60, "US", 0),
    ],
)  # fmt: skip
def test_room_is_the_least_under_all_ceilings(colourant, ceiling, jurisdiction, room):
    batch = batch_with(E129=30, E110=15)
    assert room_mg_per_l(batch, colourant, ceiling, jurisdiction) == pytest.approx(room)


# Regulation (EC) No 1333/2008, Annex V: these six, in drinks up to 1.2 % vol.
@pytest.mark.parametrize("e_number", ["E102", "E104", "E110", "E122", "E124", "E129"])
def test_the_six_colours_carry_the_warning_in_the_eu(e_number):
    label = label_line([e_number])
    assert label.warning.endswith("may have an adverse effect on activity and attention in children")
    assert e_number in label.warning
    assert label_line([e_number], "US").warning is None
    assert "label-warning" in codes([e_number])
    for other in ("E120", "E123", "E131", "E133", "E150", "E162", "E163"):
        assert label_line([other]).warning is None


def test_label_lines_and_standing_cautions():
    assert label_line(["E129"]).line == "Colour: Allura red AC (E129)"
    both = label_line(["allura red", "E102", "129"]).line
    assert both == "Colours: Allura red AC (E129), Tartrazine (E102)"
    assert label_line(["E129"], "US").line == "Colour: FD&C Red No. 40"
    assert label_line([]).text == "No colour added."
    assert label_line(["custom:505"]).line.startswith("Colour: unknown colour (find its name and E number")
    assert label_line(["E120"]).text == "Colour: Carmine (E120)\nContains carmine (E120)"
    for colourants in ([], ["E129"], ["custom:505:100", "E120"]):
        assert cautions_for(colourants)[-len(STANDING_CAUTIONS) :] == STANDING_CAUTIONS
    texts = " ".join(caution.text for caution in STANDING_CAUTIONS)
    said = ("appearance", "pure dye", "colour already in the base included", "not poured back", "decide")
    assert all(words in texts for words in said)
    # figures from memory are marked
    assert "limit-unchecked" in codes(["E129"], "EU") and "limit-unchecked" in codes(["E122"], "US")
    assert {"limit", "not-permitted"} <= set(codes(["E129", "E123"]))
    assert {"limit-unknown", "strength-unknown"} <= set(codes(["custom:505:100"]))
    # several have one sum, in which an unknown bottle counts
    assert [limit.kind for limit in limits_for(["E129", "E102", "tartrazine"])] == ["sum"]
    assert [limit.kind for limit in limits_for(["custom:505:200"])] == ["sum", "unknown"]
    assert room_mg_per_l(batch_with(E129=70), "custom:505", None) == pytest.approx(30)


def test_carmine_is_named_as_an_allergen_everywhere():
    for jurisdiction in list_jurisdictions():
        assert "allergen-carmine" in codes(["E120"], jurisdiction)
        assert label_line(["E120"], jurisdiction).allergen
    assert "allergen-carmine" not in codes(["E129"])


def test_bad_values_are_refused():
    with pytest.raises(InputError, match=r'no limits on file for "Mars"\. Choose EU or US'):
        limits_for(["E129"], "Mars")
    with pytest.raises(NotFoundError, match="no colourant"):
        limits_for(["E999"])
