"""The texts and HTML of the screens: numbers, intervals, escaping."""

from __future__ import annotations

import re

import pytest

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
def test_a_time_is_that_of_the_place_where_the_browser_is(
    zone: str | None, text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(type(parts.st.context), "timezone", zone)
    assert parts.show_time("2026-11-25T12:33:09.123456+00:00") == text
    assert parts.show_time(None) == "–"


@pytest.mark.parametrize(
    ("low", "high", "word"), [(0.2, 1.5, "within"), (1.2, 1.8, "around"), (1.6, 2.0, "over")]
)
def test_an_interval_is_judged_against_the_tolerance(low: float, high: float, word: str) -> None:
    assert parts.judge({"value": 1.4, "low": low, "high": high}, 1.5).startswith(word)


def test_drops_that_would_pass_a_ceiling_are_not_named() -> None:
    advice = {
        "action": "add",
        "reason": "step",
        "text": "Add 4 drops of red.",
        "reachable_delta_e_2000": 20.6,
    }
    advice |= {"to_match": [{"stock": "red", "drops": 45, "low": 27, "high": 69}]}
    assert "about 45 drops of red" in parts.advice_panel(advice)
    held = parts.advice_panel(advice | {"ceiling_cost_delta_e_2000": 15.8})
    assert "45 drops" not in held and "A ceiling comes before the best." in held and "20.6" in held


def test_what_a_person_typed_cannot_become_html() -> None:
    nasty = "<script>alert(1)</script> & <b>red</b>"
    advice = {"action": "add", "reason": "step", "text": f"Add 3 drops of {nasty}.", "doses": []}
    for made in (
        parts.advice_panel(advice),
        parts.advice_panel(advice, waiting=nasty),
        parts.facts({nasty: nasty}),
        parts.flag_line(nasty, nasty),
        parts.swatches([parts.Swatch(nasty, (50, 10, 10), None, nasty)]),
        parts.cell(nasty, nasty, nasty),
    ):
        assert "<script" not in made
        assert "<b>red" not in made
        assert "&lt;script&gt;" in made


def test_what_a_person_typed_cannot_become_markdown() -> None:
    assert parts.plain("*a* $x$ :red[b] <i>") == r"\*a\* \$x\$ \:red\[b\] \<i\>"


def test_a_predicted_batch_keeps_its_difference_from_the_reference() -> None:
    predicted = {"batch": [60.0, 40.0, 30.0], "reference": [58.0, 44.0, 31.0]}
    assert parts.place_beside([57.0, 45.0, 33.0], predicted) == [59.0, 41.0, 32.0]


def test_the_bar_is_full_and_marked_when_the_ceiling_is_passed() -> None:
    made = parts.ceiling_cell(72.0, 60.0)
    assert "12 mg/l over" in made
    assert re.search(r'cm-bar over"><i style="width:100.0%', made)
    assert "width:50.0%" in parts.ceiling_cell(30.0, 60.0)
    assert "No ceiling" in parts.ceiling_cell(30.0, None)
    assert "20 mg/l left" in parts.ceiling_cell(10.0, 60.0, 20.0, "EU")
    assert "limits" not in parts.ceiling_cell(10.0, 60.0, 50.0, "EU")


def test_grave_flags_come_first_and_say_so_in_words() -> None:
    made = parts.flags(
        [
            {"code": "glare", "severity": "warn", "text": "Reflections."},
            {"code": "blurred", "severity": "refuse", "text": "Blurred."},
        ]
    )
    assert made.index("Not measured:") < made.index("Doubtful:")


def test_a_stop_says_its_reason_over_the_sentence() -> None:
    text = "Matched: the difference is 0.9. Stop here."
    made = parts.advice_panel({"action": "stop", "reason": "matched", "text": text, "doses": []})
    assert "Stop: matched" in made
    assert '<p class="cm-do">Matched: the difference is 0.9.</p>' in made
    assert "Stop here." in made


def test_a_wish_for_a_photo_is_shown_whole() -> None:
    text = "No reference was seen yet. Photograph the reference beside the batch once."
    made = parts.advice_panel({"action": "rephotograph", "reason": "photo", "text": text, "doses": []})
    assert f'<p class="cm-do">{text}</p>' in made


def test_a_doubt_that_stands_in_the_advice_is_not_said_again(monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[str] = []
    monkeypatch.setattr(photo_view.st, "html", shown.append)
    doubts = [
        {"code": "glare", "severity": "warn", "text": "Reflections."},
        {"code": "channel-empty", "severity": "warn", "text": "Thin both."},
    ]
    photo_view.show_flags(Measurement.from_json({"quality": doubts}), "Photograph once more. Thin both.")
    assert len(shown) == 1 and "Reflections." in shown[0] and "Thin both." not in shown[0]
    photo_view.show_flags(Measurement.from_json({"quality": doubts[1:]}), "Thin both.")
    assert len(shown) == 1
    photo_view.show_flags(Measurement.from_json({"quality": doubts}))
    assert "Reflections." in shown[1] and "Thin both." in shown[1]


def test_what_stays_different_is_told_of_a_step_and_not_of_a_wish_for_a_photo() -> None:
    advice = {"reason": "step", "text": "Add 3 drops.", "doses": [], "missing": "less orange"}
    assert "Even then it stays different: less orange." in parts.advice_panel(advice | {"action": "add"})
    wish = advice | {"action": "rephotograph", "reason": "photo", "text": "Photograph again."}
    assert "less orange" not in parts.advice_panel(wish)


def test_the_spread_of_a_covariance() -> None:
    assert parts.spread_of([[4.0, 1.0, 0.0], [1.0, 9.0, 0.0], [0.0, 0.0, 0.25]]) == [2.0, 3.0, 0.5]
    assert parts.spread_of(None) is None
