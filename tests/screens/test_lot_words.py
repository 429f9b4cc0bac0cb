"""Texts and HTML of the screens: what belongs to the last photo, a lot's entries, numbers, escaping."""

import re

import pytest

from colourmatch.advice import Advice, Together
from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import Figure
from colourmatch.measurement import Measurement
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import photo_view
from colourmatch.screens.lots import draw_row

SEEN = {"value": 4.2, "low": 3.1, "high": 5.0}
MEASUREMENT = {"delta_e_2000": SEEN, "difference": {"text": "paler, less red"}, "spots": {}}
ADVICE = {
    "action": "add",
    "reason": "step",
    "text": "Add 3 drops of red and 2 drops of yellow.",
    "doses": [{"stock": "red", "drops": 3, "ml": 0.15}, {"stock": "yellow", "drops": 2, "ml": 0.1}],
}


@pytest.fixture
def lot_id(book: LotBook, lot_id: int) -> int:
    """A lot with two stocks and one photo that advised a dose of each."""
    book.stocks.add("yellow", "E102", 1.0)
    book.lots.amend(lot_id, "another bottle", stocks=["red", "yellow"])
    book.photos.add(lot_id, MEASUREMENT, ADVICE)
    return lot_id


def test_what_went_in_since_the_photo_is_told(book, lot_id):
    def tell() -> str:
        return telling.describe_since_photo(book.lots.story(lot_id))

    entry = book.additions.add(lot_id, "red", drops=1)
    assert tell() == "1 drop of red"
    book.additions.correct(entry.id, reason="never went in", void=True)
    book.volumes.take_sample(lot_id, 20)
    assert tell() == ""
    book.additions.add(lot_id, "red", drops=3)
    book.additions.add(lot_id, "yellow", ml=0.1)
    book.volumes.add_untinted(lot_id, 120)
    assert tell() == "3 drops of red, 0.1 ml of yellow, 120 ml of untinted batch"
    book.photos.add(lot_id, MEASUREMENT, ADVICE)
    assert tell() == ""
    book.additions.add(lot_id, "red", drops=9)
    book.lots.close(lot_id, "given up", "dropped the jug")
    assert tell() == "9 drops of red"
    answer = telling.find_answer(book.lots.story(lot_id), Advice(), tell())
    said = "Given up. Not photographed since 9 drops of red."
    assert answer == telling.Answer("closed", (("FINISHED", ""),), said)


def test_an_advice_to_add_holds_until_something_is_entered_or_learnt(book, lot_id):
    advice = Advice.from_json(ADVICE)
    assert [dose.drops for dose in advice.steps] == [3, 2]
    assert advice.having(action="stop").steps == () == Advice().steps
    assert telling.advice_of_last_photo(book.lots.story(lot_id)).to_json() == ADVICE
    book.stocks.weigh("red", 40, 1.6)
    assert telling.advice_of_last_photo(book.lots.story(lot_id)) is None
    book.photos.add(lot_id, MEASUREMENT, ADVICE)
    assert telling.advice_of_last_photo(book.lots.story(lot_id)).to_json() == ADVICE
    book.volumes.take_sample(lot_id, 20)
    assert telling.advice_of_last_photo(book.lots.story(lot_id)) is None


def test_the_story_escapes_and_strikes_out_and_tells_a_closing_once(book, lot_id):
    book.entries.add_note(lot_id, "<b>strained</b> twice", entered_by="<i>M</i>")
    entry = book.additions.add(lot_id, "red", drops=9)
    book.additions.correct(entry.id, reason="<u>miscounted</u>", drops=8)
    book.lots.close(lot_id, "matched", "Matched: the difference is 0.4 (between 0.0 and 1.1). Stop here.")
    story = book.lots.story(lot_id)
    told = "".join(telling.tell_rows(story).values())
    for tag in ("<b>", "<i>", "<u>"):
        assert tag not in told
    assert '<span class="gone">9 drops of red (0.45 ml, 4.5 mg)</span> (corrected later)' in told
    assert "8 drops of red" in told and "Photo 1: CIEDE2000 4.2 (3.1 to 5.0), paler, less red" in told
    assert telling.closing_panel(story.closing).count("Matched") == 1
    assert "all photos" not in telling.closing_panel(story.closing) + draw_row(story)
    book.lots.reopen(lot_id, "more")
    book.lots.close(lot_id, "matched", "", Advice(now=Figure(1.0, 0.5, 1.5)))
    story = book.lots.story(lot_id)
    assert ", judged by all photos together." in telling.closing_panel(story.closing)
    assert "1.0<small>0.5–1.5" in draw_row(story) and ">all photos<" in draw_row(story)


def test_several_photos_of_a_state_are_told_as_one(book, lot_id):
    together = Together(photos=["Photo 1", "Photo 2", "Photo 3"], agree=True)
    advice = Advice.from_json(ADVICE)
    for combined, found in ((None, None), (together, together), (together.having(photos=["Photo 3"]), None)):
        assert telling.find_combined(book.lots.story(lot_id), advice.having(combined=combined)) == found
    assert telling.describe_photos(None) == "last photo"
    assert telling.describe_photos(together) == "last 3 photos"
    book.photos.add(lot_id, MEASUREMENT, advice.having(combined=together))
    # an addition since leaves no advice: what holds is that of the last photo
    assert telling.find_combined(book.lots.story(lot_id), Advice()) == together


def test_only_photos_thinned_as_the_last_one_lie_on_one_way(book, lot_id):
    for dilution in (1, 5, 5):
        book.photos.add(lot_id, MEASUREMENT | {"view": {"dilution": dilution}}, ADVICE)
    story = book.lots.story(lot_id)
    assert list(telling.alike_photos(story)) == [3, 4]
    book.photos.add(lot_id, MEASUREMENT | {"view": {"dilution": story.lot.dilution}}, ADVICE)
    alike = telling.alike_photos(book.lots.story(lot_id))
    assert list(alike) == [1, 2, 5] and alike[5].id > alike[2].id > alike[1].id


@pytest.mark.parametrize(
    ("zone", "text"),
    [
        ("Pacific/Auckland", "2026-11-26 01:33 NZDT"),  # thirteen hours ahead of UTC in their summer
        (None, "2026-11-25 12:33 UTC"),
        ("No/Such", "2026-11-25 12:33 UTC"),
    ],
)
def test_a_time_is_that_of_the_place_where_the_browser_is(zone, text, monkeypatch):
    monkeypatch.setattr(type(parts.st.context), "timezone", zone)
    assert parts.show_time("2026-11-25T12:33:09.123456+00:00") == text
    assert parts.show_time(None) == "–"


@pytest.mark.parametrize("low, high, word", [(0.2, 1.5, "within"), (1.2, 1.8, "around"), (1.6, 2.0, "over")])
def test_an_interval_is_judged_against_the_tolerance(low, high, word):
    figure = Figure(value=1.4, low=low, high=high)
    assert parts.judge(figure, 1.5).startswith(word)
    # the lot stops by the chance: what it calls matched is within here too
    assert parts.judge(figure, 1.5, 0.96).startswith("within" if word == "around" else word)
    assert ("83 %" in parts.judge(figure, 1.5, 0.83)) is (word == "around")


def test_the_panel_of_an_advice_tells_what_comes_of_it():
    advice = {"action": "add", "reason": "step", "text": "Add 4 drops of red.", "doses": [], "missing": "less orange",
              "reachable": {"value": 20.6, "low": 19.0, "high": 22.0}, "to_match": [{"stock": "red", "drops": 45, "low": 27, "high": 69}]}  # fmt: skip
    made = parts.advice_panel(Advice.from_json(advice), 1.5)
    assert "45 (27 to 69) drops of red" in made and "20.6 (19.0 to 22.0): it stays less orange." in made
    assert ": it may stay less orange." in parts.advice_panel(Advice.from_json(advice), 19.0)
    curve = {"stock": "red", "drops": [0, 50], "delta_e_2000": [30, 20], "low": [28, 18], "high": [32, 22]}
    curve |= {"best_drops": 30.4, "ceiling_drops": 30}
    held = parts.advice_panel(Advice.from_json(advice | {"ceiling_cost_delta_e_2000": 15.8, "curve": curve}), 1.5)
    assert "but a ceiling comes first, at 30 drops" in held and "20.6" in held
    wish = {"action": "rephotograph", "reason": "photo", "text": "Nothing was seen. Photograph again."}
    made = parts.advice_panel(Advice.from_json(advice | wish), 1.5)
    assert '<p class="cm-do">Nothing was seen. Photograph again.</p>' in made and "less orange" not in made
    stop = {"action": "stop", "reason": "matched", "text": "Matched: it is 0.9. Stop here.", "doses": []}
    made = parts.advice_panel(Advice.from_json(stop), 1.5)
    assert "Stop: matched" in made and "Stop here." in made
    assert '<p class="cm-do">Matched: it is 0.9.</p>' in made


def test_what_a_person_typed_can_become_neither_html_nor_markdown():
    nasty = "<script>alert(1)</script> & <b>red</b>"
    advice = Advice(action="add", reason="step", text=f"Add 3 drops of {nasty}.")
    for made in (
        parts.advice_panel(advice, 1.5),
        parts.advice_panel(advice, 1.5, waiting=nasty),
        parts.facts({nasty: nasty}),
        parts.flag_line(nasty, nasty),
        parts.swatches([parts.Swatch(nasty, (50, 10, 10), None, nasty)]),
        parts.cell(nasty, nasty, nasty),
    ):
        assert "<script" not in made and "<b>red" not in made and "&lt;script&gt;" in made
    assert parts.plain("*a* $x$ :red[b] <i>") == r"\*a\* \$x\$ \:red\[b\] \<i\>"


def test_a_predicted_batch_and_a_passed_ceiling_are_drawn():
    predicted = {"batch": [60.0, 40.0, 30.0], "reference": [58.0, 44.0, 31.0]}
    assert parts.place_beside([57.0, 45.0, 33.0], predicted) == [59.0, 41.0, 32.0]
    made = parts.ceiling_cell(72.0, 60.0)
    assert "12 mg/l over" in made
    assert re.search(r'cm-bar over"><i style="width:100.0%', made)
    assert "width:50.0%" in parts.ceiling_cell(30.0, 60.0)
    assert "No ceiling" in parts.ceiling_cell(30.0, None)
    assert "20 mg/l left" in parts.ceiling_cell(10.0, 60.0, 20.0, "EU")
    assert "limits" not in parts.ceiling_cell(10.0, 60.0, 50.0, "EU")


def test_grave_flags_come_first_and_one_that_stands_in_the_advice_is_not_said_again(monkeypatch):
    glare = {"code": "glare", "severity": "warn", "text": "Reflections."}
    empty = {"code": "channel-empty", "severity": "warn", "text": "Thin both."}
    blurred = {"code": "blurred", "severity": "refuse", "text": "Blurred."}
    shown: list[str] = []
    monkeypatch.setattr(photo_view.st, "html", shown.append)
    photo_view.show_flags(Measurement.from_json({"quality": [glare, blurred]}))
    assert shown[0].index("Not measured:") < shown[0].index("Doubtful:")
    first = ([glare, empty], "Photograph once more. Thin both.", ["Reflections."])
    last = ([glare, empty], "", ["Reflections.", "Thin both."])
    for doubts, advice, said in (first, ([empty], "Thin both.", []), last):
        shown.clear()
        photo_view.show_flags(Measurement.from_json({"quality": doubts}), advice)
        assert [one["text"] for one in doubts if one["text"] in "".join(shown)] == said
