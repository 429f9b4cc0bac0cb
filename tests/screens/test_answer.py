"""The one answer of a lot: its state, what stands large, where its mark stands; and what Match asks of mishaps and water."""

import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from visiting import buttons, field, open_app, shown, tap, upload

from colourmatch.advice import Advice, Dose, Rescue
from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import Figure
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words, match
from colourmatch.screens.drawing import draw_pair
from colourmatch.screens.lot_words import Answer, draw_scale, find_answer, find_place
from colourmatch.simulate.kitchen import Kitchen, take_photo
from colourmatch.words.advice import STIR, UNNOTED
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.lot import advise_lot, record_photos, view_of_photos

RED = Dose(stock="red", drops=12, ml=0.6, mg_per_l=6.0)
YELLOW = Dose(stock="yellow", drops=5, ml=0.25, mg_per_l=2.0)
NOW = Figure(value=4.0, low=3.0, high=5.0)
FAR = {"value": 9.0, "low": 8.0, "high": 10.0}
SMALL = {"reachable_delta_e_2000": FAR, "gain": FAR}


def advise(action: str, reason: str, *doses: Dose, **more: Any) -> Advice:
    told = {"action": action, "reason": reason, "text": "As the advice says.", **more}
    return Advice.from_json(told).having(doses=doses)


@pytest.mark.parametrize(
    ("advice", "waiting", "expected"),
    [
        (advise("add", "step", RED), "", Answer("add", (("12 drops", ""),), "of red, then stir")),
        (advise("add", "step", RED, YELLOW), "",
         Answer("add", (("12 drops", "red"), ("5 drops", "yellow")), "then stir")),
        (advise("add", "step", RED, reachable=FAR, missing_kind={"kind": "orange", "text": ""} | SMALL), "",
         Answer("add", (("12 drops", ""),),
                "of red, then stir. At best 9.0 (8.0 to 10.0). Something orange is missing.")),
        (advise("stop", "past", missing_kind={"kind": "yellow", "also": "orange", "text": ""} | SMALL), "",
         Answer("stop", (("STOP", ""),), "Past the nearest that red comes. Something orange or yellow is missing.")),
        (advise("add", "rest", RED), "5 drops of red", Answer("add", (("12 drops", ""),), "of red, then stir")),
        (advise("stop", "matched"), "", Answer("stop", (("STOP", ""),), "It matches.", matched=True)),
        (advise("stop", "nearest"), "", Answer("stop", (("STOP", ""),), f"As near as red comes.{UNNOTED}")),
        (advise("stop", "nearest", other_stocks=[{"stock": "blue"}]), "",
         Answer("stop", (("STOP", ""),), "As near as red comes. Blue is missing.")),
        (advise("stop", "ceiling"), "", Answer("stop", (("STOP", ""),), "It is at the ceiling.")),
        (advise("stop", "past", rescue={"untinted_ml": 253.1}), "",
         Answer("stop", (("STOP", ""),), "Past: blend back 250 ml of untinted batch.")),
        (advise("stop", "past", rescue={"untinted_ml": 886.4, "set_aside_ml": 886.4}), "",
         Answer("stop", (("STOP", ""),), "Spoilt: set 880 ml aside, fill up with untinted batch.")),
        (advise("rephotograph", "photo", text=STIR), "12 drops of red",
         Answer("photo", (("Stir, wait, photograph", ""),))),
        (advise("rephotograph", "photo"), "",
         Answer("photo", (("Photograph again", ""),), "As the advice says.")),
        (advise("rephotograph", "photo", text="Was it before?", question={"text": "Was it before?", "sure": True}), "",
         Answer("question", (), "Was it before?")),
        (advise("rephotograph", "photo", question={"text": "This or that. Stir, photograph.", "sure": False}), "",
         Answer("photo", (("Photograph again", ""),), "This or that.")),
    ],
)  # fmt: skip
def test_what_the_answer_is(book, measured, advice, waiting, expected):
    assert find_answer(book.lots.story(measured), advice, waiting) == expected


def test_before_the_first_photo_and_after_the_end(book, lot_id):
    assert find_answer(book.lots.story(lot_id), Advice(), "").lines == (("Lay the card, photograph", ""),)
    drawn = draw_pair(book.lots.story(lot_id), None, changed=False)
    assert "reference, batch and water in three rings" in drawn
    close_lot(book, lot_id, "given up", "", sure=True)
    finished = Answer("closed", (("FINISHED", ""),), "Given up.")
    assert find_answer(book.lots.story(lot_id), Advice(), "") == finished


@pytest.mark.parametrize(("changed", "batch"), [(False, "Batch"), (True, "Batch before")])
def test_the_pair_says_whether_its_batch_is_the_one_in_the_vessel(book, measured, changed, batch):
    story = book.lots.story(measured)
    drawn = draw_pair(story, story.photos[-1], changed=changed)
    assert re.findall(r"<span>([^<]+)</span>", drawn) == ["Reference", batch]


def test_states_differ_and_too_many_drops_are_told_in_ml():
    assert RED.amount == (12, "drops")
    assert RED.having(drops=400, ml=20.0).amount == (20.0, "ml")
    states = ("add", "photo", "stop", "question")
    blocks = [lot_words.draw_answer(Answer(state, (("1", ""),))) for state in states]
    for pattern in (r"cm-answer (\w+)", r'src="([^"]+)"', r"cm-state\">(?:<img[^>]+>)(\w+)"):
        assert len({re.search(pattern, block).group(1) for block in blocks}) == len(blocks)
    typed = lot_words.draw_answer(Answer("add", (("12 drops", "<b>red</b>"),), "of <i>it</i>"))
    assert "<b>" not in typed and "<i>" not in typed


@pytest.mark.parametrize(
    "helps", [{"other_stocks": [{"stock": "blue"}]}, {"missing_kind": {"kind": "yellow"}}, {"rescue": None}]
)
def test_nothing_is_blended_back_where_that_does_not_help(helps):
    assert lot_words.untinted_ml(advise("stop", "past", **({"rescue": {"untinted_ml": 250.0}} | helps))) == 0
    assert lot_words.untinted_ml(advise("stop", "matched", rescue={"untinted_ml": 250.0})) == 0


def read_scale(drawn: str) -> dict[str, float]:
    """Where each part stands, in per cent of the width."""
    found = re.findall(r'cm-(good|band|mark)[^"]*" style="(?:left|width):([\d.]+)%', drawn)
    return {name: float(place) for name, place in found}


@pytest.mark.parametrize("now", [NOW, Figure(value=0.4, low=0.0, high=0.9), Figure(value=40.0, low=31.0, high=62.0)])
@pytest.mark.parametrize("tolerance", [0.5, 1.5])
def test_the_mark_stands_in_the_band_and_beyond_the_tolerance_where_it_is(now, tolerance):
    at = read_scale(draw_scale("paler", now, tolerance, expected=False))
    assert at["band"] <= at["mark"] <= 100
    assert (at["mark"] > at["good"]) == (now.value > tolerance)
    assert at["mark"] / at["good"] == pytest.approx(now.value / tolerance, rel=0.1)


def test_a_place_is_that_of_the_last_photo_or_a_hollow_one_that_is_expected(book, measured):
    story = book.lots.story(measured)
    seen = story.photos[-1].measurement
    assert find_place(story, Advice(), "") == (seen.difference.text, seen.delta_e_2000, False)
    place = find_place(story, Advice(expected=NOW), "12 drops of red")
    assert place == ("", NOW, True)
    drawn = draw_scale(*place[:2], 1.5, expected=place[2])
    assert "hollow" in drawn and "About 4.0 now" in drawn
    assert find_place(story, Advice(), "12 drops of red") is None


def test_filling_up_writes_what_was_set_aside_and_what_came(book, measured, monkeypatch):
    book.additions.add(measured, "red", drops=20)
    held = book.lots.story(measured).state()
    rescue = {"untinted_ml": 700.0, "set_aside_ml": 700.0, "text": "", "chance_past": 1.0}
    rescue["predicted"] = NOW.to_json()
    told = {"action": "stop", "reason": "past", "rescue": Rescue.from_json(rescue)}
    monkeypatch.setattr(match, "advise_lot", lambda *of: advise_lot(*of).having(**told))
    app = open_app("match", measured)
    amount = field(app, f"untinted-{measured}-amount")
    assert amount.label == "Untinted batch, ml" and not amount.proto.label_visibility.value  # it is seen
    tap(app, f"untinted-{measured}")
    state = book.lots.story(measured).state()
    assert state.volume_ml == pytest.approx(held.volume_ml)
    assert state.total_mg_per_l() == pytest.approx(held.total_mg_per_l() * (1 - 700 / held.volume_ml))


draw = cache(take_photo)
PHOTOS = Path(__file__).parents[1] / "photos"


@pytest.fixture
def mixed(book: LotBook) -> int:
    """A lot to which 30 drops of blue were noted, and whose photos show red."""
    book.stocks.add("red", "E129", 1.0)
    book.stocks.add("blue", "E133", 1.0)
    lot = book.lots.begin("Mixed", 900, ["blue"], dilution=5).id
    for drops, name in ((0, "ladder1-0.jpg"), (30, "ladder1-2.jpg")):
        if drops:
            book.additions.add(lot, "blue", drops=drops)
        record_photos(book, lot, [PHOTOS / name])
    return lot


def test_the_question_is_the_pages_answer_and_a_yes_after_a_no_puts_the_dose_right(book, mixed):
    app = open_app("match", mixed)
    (block,) = [line for line in shown(app).splitlines() if 'class="cm cm-answer' in line]
    assert "question" in block and "red" in block and "blue" in block
    advice = book.lots.story(mixed).photos[-1].advice
    assert shown(app).count(parts.as_html(advice.text)) == 1
    asked = buttons(app, "question-")
    assert len(asked) == 2
    next(button for button in app.button if button.label == asked[1]).click().run()
    (((question, *_), said),) = book.lots.story(mixed).answers.items()
    assert (question, said) == ("other-bottle", False) and asked != buttons(app, "question-")
    # the next likely cause is the page's question in its turn
    assert "cm-answer question" in shown(app) and len(buttons(app, "question-")) == 2
    tap(app, "undo-")
    assert not book.lots.story(mixed).answers and buttons(app, "question-") == asked
    tap(app, "question-")
    assert not buttons(app, "question-")
    assert [entry.stock for entry in book.lots.story(mixed).additions] == ["red"]


@pytest.mark.parametrize(("thinned", "dilution"), [(True, 4.0), (False, 1.0)])
def test_the_photo_after_too_strong_a_one_is_taken_as_thinned_unless_it_is_not(book, red, thinned, dilution):
    lot = book.lots.begin("cordial", 900, [red]).id
    record_photos(book, lot, [(draw(Kitchen(), 1, dilution=1.0), "1.jpg")])
    app = open_app("match", lot)
    assert "Thin both 1+3, photograph" in shown(app)
    field(app, f"thinned-{lot}").set_value(thinned)
    upload(app, draw(Kitchen(), 2, dilution=dilution))
    story = book.lots.story(lot)
    assert not app.error and len(story.photos) == 2 and view_of_photos(story).dilution == dilution
    assert not [one for one in app.checkbox if str(one.key).startswith("thinned")]
