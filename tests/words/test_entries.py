"""The entries of a lot, closings, figures, looks and moments in words, as a terminal and a page tell them."""

from functools import partial
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from colourmatch.advice import STOPS
from colourmatch.book.rows import _CLASSES
from colourmatch.colour.difference import Difference, Figure
from colourmatch.measurement import Measurement
from colourmatch.words import entries, figures
from colourmatch.words.entries import Medium, tell_closing, tell_entry
from colourmatch.words.figures import PAGES, tell_drops, tell_lab
from colourmatch.words.looks import tell_glass, tell_look, tell_serving
from colourmatch.words.times import tell_date, tell_minute, tell_time, tell_zones

FAR = {"value": -4.24, "low": -5.04, "high": -3.12}
LAB = [60, 45.25, -3]


def entry(kind: str, **fields: Any) -> SimpleNamespace:
    """A record with what entries of its kind have."""
    plain = {"id": 7, "kind": kind, "reason": None, "void": False, "trial_lot_id": None}
    return SimpleNamespace(**plain | fields)


def red(**fields: Any) -> SimpleNamespace:
    dose = {"quantity": 12, "unit": "drops", "stock": "red", "ml": 0.6004, "mg": 6.012}
    return entry("addition", **dose | fields)


def photo(measurement: dict[str, Any], **fields: Any) -> SimpleNamespace:
    own = {"original_name": "x.jpg", "purpose": "match", "measurement": Measurement.from_json(measurement)}
    return entry("photo", **own | fields)


aside = partial(entry, "set-aside", photo_entry_id=3)
SEEN = {"delta_e_2000": FAR, "difference": {"text": "paler"}}
ALONE = {"spots": {"batch": {"lab": LAB, "lab_sd": [2, 2, 2]}}}


@pytest.mark.parametrize(
    ("told", "text"),
    [
        (red(), "12 drops of red (0.6 ml, 6.01 mg)"),
        (red(void=True, reason="spilt"), "12 drops of red (0.6 ml, 6.01 mg): did not happen; reason: spilt"),
        (entry("sample", ml=20, returned=False), "Sample of 20 ml taken"),
        (entry("sample", ml=20, returned=True), "Sample of 20 ml taken and poured back whole"),
        (entry("sample", ml=100, returned=False, trial_lot_id=4), "100 ml taken for trial lot 4"),
        (entry("untinted", ml=50), "50 ml of untinted batch blended back"),
        (entry("poured-back", ml=99.5, trial_lot_id=4), "99.5 ml of trial lot 4 poured back with its colour"),
        (photo(SEEN), "Photo x.jpg: CIEDE2000 -4.2 (-5.0 to -3.1), paler"),
        (photo(SEEN, purpose="recheck"), "Recheck photo x.jpg: CIEDE2000 -4.2 (-5.0 to -3.1), paler"),
        (photo(ALONE), "Photo x.jpg: the batch alone, L* 60.0 +-2.0, a* 45.2 +-2.0, b* -3.0 +-2.0"),
        (photo({}, original_name=None), "Photo: no difference measured"),
        (aside(back=False, reason="a lamp shone in"), "The photo of entry 3 is set aside; reason: a lamp shone in"),
        (aside(back=True, reason="all right"), "The photo of entry 3 counts again; reason: all right"),
        (entry("note", text="smells of orange"), "Note: smells of orange"),
        (entry("amendment", changes={"ceiling_mg_per_l": 55.0, "dilution": 5}, reason="misread"),
         "Put right: ceiling 55 mg/l; 1 part made up to 5; reason: misread"),
        (entry("reopening", reason="after all"), "Opened again; reason: after all"),
        (entry("closing", outcome="matched", text="Matched: stop."), "Closed: Matched. Stop."),
    ],
)  # fmt: skip
def test_an_entry_is_told_in_a_sentence(told, text):
    assert tell_entry(told) == text


def test_every_kind_has_its_sentence_and_a_page_its_own_signs():
    assert entries._TELLERS.keys() == _CLASSES.keys()
    names = {3: "photo 2", 7: "photo 1"}
    page = Medium(PAGES, us=True, clock=lambda moment: moment[:10], reason=False, names=names)
    assert tell_entry(photo(SEEN), page) == "Photo 1: CIEDE2000 −4.2 (−5.0 to −3.1), paler"
    assert tell_entry(aside(back=False, reason="dark"), page) == "Photo 2 is set aside"
    assert tell_entry(entry("sample", ml=20, returned=False), page) == "Sample of 20 ml (4.06 tsp) taken"
    moved = entry("moved", moved_entry_id=3, moved_to="2026-11-25T12:33:09+00:00")
    assert tell_entry(moved, page) == "Photo 2 happened at 2026-11-25"


def test_a_dose_an_aside_and_own_words_are_short():
    assert [entries.tell_dose(one) for one in (red(quantity=1), entry("untinted", ml=50))] == [
        "1 drop of red", "50 ml of untinted batch",
    ]  # fmt: skip
    assert entries.tell_aside("a shadow") == "set aside: a shadow"
    assert entries.tell_aside("") == entries.tell_aside(None) == "set aside"
    assert tell_closing("banana", "") == "Closed, in your own words: Banana."
    told = tell_closing("past", "", "The advice was another: add.")
    assert told == "Closed: Past the match. The advice was another: add."
    assert set(STOPS) < set(entries.OUTCOMES)


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("volume_ml", 950.0, "batch at the beginning 950 ml"),
        ("ceiling_mg_per_l", None, "ceiling none"),
        ("stocks", ["red", "yellow"], "stocks red, yellow"),
        ("already_colourant", "E163", "colourant in the base E163"),
        ("dilution", 1.0, "undiluted"),
        ("target_lab", LAB, "tinted to L* 60.0, a* 45.2, b* -3.0"),
        ("target_lab", None, "tinted to the reference in the photo"),
        ("serving", {"conditions": [{"name": "on ice", "depth_mm": 60}]}, "judged as served: on ice (60 mm deep)"),
        ("serving", None, "judged as photographed"),
    ],
)  # fmt: skip
def test_a_figure_of_the_head_that_was_put_right(key, value, text):
    assert entries.tell_change(key, value) == text


@pytest.mark.parametrize(
    ("outcome", "text", "parts"),
    [
        ("matched", "Matched: the difference is 0.4. Stop here.", ("Matched.", "The difference is 0.4. Stop here.")),
        ("given up", "dropped the jug", ("Given up.", "Dropped the jug")),
        ("banana", "Banana: it is ripe.", ("Banana.", "It is ripe.")),
        ("past", "", ("Past the match.", "")),
    ],
)  # fmt: skip
def test_a_closing_says_its_reason_once(outcome, text, parts):
    assert entries.split_closing(outcome, text) == parts


def interval(value, low, high):
    return {"value": value, "low": low, "high": high}


@pytest.mark.parametrize(
    "figure, digits, told",
    [
        (interval(9.24, 8.81, 9.58), 1, "9.2 (8.8 to 9.6)"),
        (interval(0.42, 0.0, 1.08), 1, "at most 1.1"),
        (interval(0.42, 0.049, 1.08), 1, "at most 1.1"),
        (interval(0.42, 0.051, 1.08), 1, "0.4 (0.1 to 1.1)"),
        (interval(0.42, 0.049, 1.08), 2, "0.42 (0.05 to 1.08)"),
        (interval(0.0, 0.0, 0.0), 1, "0.0 (0.0 to 0.0)"),
        (interval(-0.3, -1.2, 0.0), 1, "−0.3 (−1.2 to 0.0)"),
        (None, 1, "–"),
        (interval(None, None, None), 1, "–"),
    ],
)
def test_an_interval_that_reaches_0_is_told_as_a_bound(figure, digits, told):
    assert figures.tell_interval(figure, digits, PAGES) == told


def test_a_colour_has_the_signs_of_its_medium_and_a_drift_is_said():
    assert tell_lab([60, -0.04, -3.14], [1, 2, 3]) == "L* 60.0 +-1.0, a* 0.0 +-2.0, b* -3.1 +-3.0"
    assert tell_lab([60, 4, -3.14], [1, 2, 3], 0, figures.PAPER) == "L* 60 ± 1, a* 4 ± 2, b* -3 ± 3"
    assert tell_lab([60, 4, -3.14], signs=PAGES) == "L* 60.0, a* 4.0, b* −3.1"
    assert (tell_lab(None), tell_lab(None, signs=PAGES)) == ("-", "–")
    figure = Figure(2.1, 1.2, 3.0)
    seen, none = (Difference(seen=seen, text="paler") for seen in (True, False))
    assert figures.tell_drift(figure, seen) == "drift CIEDE2000 2.1 (1.2 to 3.0), paler"
    assert figures.tell_drift(figure, none).endswith(", no drift seen")


#: A zero has no sign; amounts have three figures and no exponent, a large volume keeps its tenths; room under a ceiling is
#: left or passed; a jug is read to two figures, and never beyond what there is.
TOLD = {
    figures.tell_number: {-0.04: "0.0", 0.04: "0.0", -0.06: "-0.1"},
    figures.tell_amount: {
        0: "0", 0.05: "0.05", 0.01234: "0.0123", 12.25: "12.2", 60.0: "60", 900.6: "901", 9.999: "10",
        12345.6: "12346", 0.456: "0.456", None: "-",
    },
    figures.tell_ml: {900.63: "900.6 ml", 1200.0: "1200 ml", 25000.0: "25000 ml", 0.6: "0.6 ml"},
    figures.tell_left: {12.24: "12.2 mg/l left", -3: "3 mg/l over", -1e-12: "0 mg/l left"},
    partial(figures.jug_ml, at_most=True): {886.4: 880, 1050.0: 1000, 12.0: 12, 9.99: 9.9, 0: 0},
}  # fmt: skip


@pytest.mark.parametrize(("tell", "value", "text"), [(t, v, s) for t, told in TOLD.items() for v, s in told.items()])
def test_a_figure_as_a_maker_reads_it(tell, value, text):
    assert tell(value) == text


def test_us_measures_are_the_published_ones():
    """NIST Handbook 44, appendix C: 1 gallon (3785.412 ml) is 128 fluid ounces, 6 teaspoons are a fluid ounce."""
    assert pytest.approx(3785.412, abs=0.0005) == 128 * figures.ML_PER_FLOZ
    assert pytest.approx(figures.ML_PER_FLOZ, abs=5e-6) == 6 * figures.ML_PER_TSP
    told = [figures.tell_ml(ml, us=True) for ml in (20000, 29.57353, 5, 0.5)]
    assert told == ["20000 ml (676 fl oz)", "29.6 ml (1 fl oz)", "5 ml (1.01 tsp)", "0.5 ml"]


def test_drops_amounts_and_typed_figures():
    assert [tell_drops(n) for n in (0, 0.5, 1, 2, 1.0)] == [
        "0 drops", "0.5 drops", "1 drop", "2 drops", "1 drop",
    ]  # fmt: skip
    assert tell_drops(1, (0, 3)) == "1 (0 to 3) drops" and tell_drops(1, (1, 1)) == "1 (1 to 1) drop"
    assert tell_drops(7, (6, 8.2), "more") == "7 (6 to 8) more drops"
    assert tell_drops(1, (None, None), "more") == "1 more drop"
    said = [figures.tell_quantity(1, unit) for unit in ("drops", "ml", "grams")]
    assert said == ["1 drop", "1 ml", "1 g"]
    typed = {60.0: "60", 100.25: "100.25", 1234567.0: "1234567", 0.1 + 0.2: "0.3"}
    assert [figures.tell_typed(value) for value in typed] == list(typed.values())
    assert figures.tell_contents({"red": 6.0, "yellow": 4.1234}) == "red 6 mg/l, yellow 4.12 mg/l"
    assert (figures.tell_percent(0.2), figures.tell_percent(0.154, PAGES)) == ("+-20 %", "± 15 %")


LONG = {"name": "long drink", "depth_mm": 60, "dilution": 4, "illuminant": "A", "weight": 2}


def test_looks_and_serving_conditions_are_told():
    assert tell_look(LONG) == "60 mm deep, 1 part made up to 4, light A, weight 2"
    warm = {"illuminant": "A", "dilution": None, "weight": 1.0}
    assert tell_look(warm, {"A": "a warm lamp (A)"}.__getitem__) == "a warm lamp (A)"
    assert tell_glass(7.5, 1) == "7.5 mm deep, undiluted"
    served = {"conditions": [LONG, {"name": "neat"}], "ice": "two cubes"}
    assert tell_serving(served) == f"long drink ({tell_look(LONG)}); neat; ice two cubes"
    assert tell_serving(None) == "as photographed"


LATE = "2026-11-28T23:30:00.000000+00:00"
SUMMER = "2026-07-01T10:00:00.000000+00:00"
PARIS, HALIFAX = ZoneInfo("Europe/Paris"), ZoneInfo("America/Halifax")


def test_moments_and_zones_are_told_for_a_place():
    assert tell_date(LATE, PARIS) == "2026-11-29" and tell_date(LATE, HALIFAX) == "2026-11-28"
    assert tell_minute(LATE, PARIS) == "2026-11-29 00:30"
    assert tell_time(LATE, PARIS) == "2026-11-29 00:30 CET"
    assert tell_zones((SUMMER, LATE, SUMMER), PARIS) == "CEST (UTC+02:00) and CET (UTC+01:00)"
    assert tell_zones((LATE,), ZoneInfo("UTC")) == "UTC"
    assert tell_zones((LATE,), ZoneInfo("America/Sao_Paulo")) == "UTC-03:00"
