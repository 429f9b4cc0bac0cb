"""The texts and HTML of the screens: numbers, intervals, escaping."""

import re

import pytest

from colourmatch.advice import Advice
from colourmatch.colour.difference import Figure
from colourmatch.measurement import Measurement
from colourmatch.screens import html as parts
from colourmatch.screens import photo_view


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


@pytest.mark.parametrize(
    ("low", "high", "word"), [(0.2, 1.5, "within"), (1.2, 1.8, "around"), (1.6, 2.0, "over")]
)
def test_an_interval_is_judged_against_the_tolerance(low, high, word):
    assert parts.judge(Figure(value=1.4, low=low, high=high), 1.5).startswith(word)


def test_the_panel_of_an_advice_tells_what_comes_of_it():
    advice = {"action": "add", "reason": "step", "text": "Add 4 drops of red.", "doses": [], "missing": "less orange",
              "reachable": {"value": 20.6, "low": 19.0, "high": 22.0}, "to_match": [{"stock": "red", "drops": 45, "low": 27, "high": 69}]}  # fmt: skip
    made = parts.advice_panel(Advice.from_json(advice), 1.5)
    assert "45 (27 to 69) drops of red" in made and "20.6 (19.0 to 22.0): it stays less orange." in made
    assert ": it may stay less orange." in parts.advice_panel(Advice.from_json(advice), 19.0)
    held = parts.advice_panel(Advice.from_json(advice | {"ceiling_cost_delta_e_2000": 15.8}), 1.5)
    assert "but a ceiling comes first" in held and "20.6" in held
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
