"""The entries of a lot in words: each kind once, as a terminal tells it, what another medium changes, and closings."""

from functools import partial
from types import SimpleNamespace
from typing import Any

import pytest

from colourmatch.book.checks import STOPS
from colourmatch.book.rows import _CLASSES
from colourmatch.measurement import Measurement
from colourmatch.words import entries
from colourmatch.words.entries import Medium, tell_closing, tell_entry
from colourmatch.words.figures import PAGES

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


def test_every_kind_that_the_book_keeps_has_its_sentence():
    assert entries._TELLERS.keys() == _CLASSES.keys()


def test_a_page_has_its_own_signs_measures_clock_and_names():
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
