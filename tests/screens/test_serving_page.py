"""Where it is drunk, trials, another bottle and what a stock learnt, through Streamlit's own test runner."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest
from test_pages import by_key, open_app, shown

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import serving
from colourmatch.workflow.glasses import serve_lot
from colourmatch.workflow.lot import record_photos

LONG = {"name": "long drink", "depth_mm": 60.0, "dilution": 4.0, "illuminant": "A", "weight": 2.0}


@pytest.fixture
def matched(book: LotBook, photos: list[Path]) -> int:
    """A lot with one photo, which is judged in a long drink."""
    book.stocks.add("red", "E129", 1.0)
    lot = book.lots.begin("cordial", 900, ["red"], jurisdiction="EU", serving={"conditions": [LONG]}).id
    record_photos(book, lot, [photos[0]])
    return lot


def test_the_serving_conditions_are_told_with_their_difference(matched: int) -> None:
    text = shown(open_app("match", lot=str(matched)))
    assert "long drink: 60 mm deep, 1 part made up to 4, a warm lamp (A)" in text
    assert re.search(r"now \d+\.\d \(\d+\.\d to \d+\.\d\), ", text)
    assert "after this step" in text and "more drops of red" in text


def look(app: AppTest, lot: int) -> AppTest:
    """Unfold the glass."""
    app.session_state[f"glass-fold-{lot}"] = True
    return app.run()


def test_a_glass_is_shown_in_daylight_and_in_warm_light(
    matched: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    fits: list[int] = []
    monkeypatch.setattr(serving, "serve_lot", lambda *given: fits.append(1) or serve_lot(*given))
    app = open_app("match", lot=str(matched))
    assert not fits  # the lot is not fitted for a glass that nobody looks at
    text = shown(look(app, matched))
    assert fits
    for words in ("Light: daylight (D65)", "Light: a warm lamp (A)", "Reference", "After this step"):
        assert words in text
    assert text.count("60 mm deep, 1 part made up to 4") >= 3
    assert "Screens show these colours only roughly" in text
    by_key(app.number_input, f"glass-{matched}-depth").set_value(20.0).run()
    assert "20 mm deep, 1 part made up to 4, daylight (D65). The batch against the reference: " in shown(app)
    by_key(app.multiselect, f"glass-{matched}-lights").set_value([]).run()
    assert "at least one light" in shown(app) and not app.exception


def test_a_light_outside_the_short_list_is_shown_and_kept(book: LotBook, matched: int) -> None:
    glass = {"name": "bar", "depth_mm": 60.0, "illuminant": "2700 K", "weight": 1.0}
    book.lots.amend(matched, "where it is drunk", serving={"conditions": [glass]})
    app = look(open_app("match", lot=str(matched)), matched)
    assert "bar: 60 mm deep, undiluted, 2700 K" in shown(app)
    by_key(app.multiselect, f"glass-{matched}-lights").set_value(["2700 K"]).run()
    assert "Light: 2700 K" in shown(app) and not app.exception
    by_key(app.number_input, f"conditions-{matched}-1-depth").set_value(40.0)
    by_key(app.button, f"conditions-{matched}-write").click().run()
    assert not app.exception and not app.error
    assert book.lots.get(matched).serving == {"conditions": [glass | {"depth_mm": 40.0}]}


def test_where_the_match_is_judged_can_be_changed(book: LotBook, matched: int) -> None:
    app = open_app("match", lot=str(matched))
    button = by_key(app.button, f"conditions-{matched}-write")
    button.click()
    app.run()
    assert "No glass was changed" in app.error[0].value
    by_key(app.number_input, f"conditions-{matched}-2-depth").set_value(20.0)
    by_key(app.text_input, f"conditions-{matched}-2-name").set_value("neat")
    by_key(app.button, f"conditions-{matched}-write").click()
    app.run()
    assert book.lots.get(matched).serving == {
        "conditions": [LONG, {"name": "neat", "depth_mm": 20.0, "weight": 1.0}]
    }
    assert "neat: 20 mm deep" in shown(app)


def test_what_a_glass_brings_is_shown_once_something_is_in(book: LotBook, matched: int) -> None:
    assert "Acceptable daily intake" not in shown(open_app("match", lot=str(matched)))
    book.additions.add(matched, "red", drops=20)
    text = shown(open_app("match", lot=str(matched)))
    assert "7 mg per kg of body mass (JECFA and EFSA)" in text
    assert "for a child of 20 kg" in text and "body masses are examples" in text


def test_a_trial_of_a_tinted_batch_begins_with_its_first_photo(book: LotBook, matched: int) -> None:
    book.additions.add(matched, "red", drops=20)
    trial = book.trials.take(matched, 100)
    text = shown(open_app("match", lot=str(trial.id)))
    assert "before the first drop" in text and "Added since the last photo" not in text
    book.additions.add(trial.id, "red", drops=2)
    assert "Added since the last photo: 2 drops of red." in shown(open_app("match", lot=str(trial.id)))


def test_a_trial_is_taken_told_and_poured_back(book: LotBook, matched: int) -> None:
    app = open_app("match", lot=str(matched))
    by_key(app.button, f"trial-{matched}-take").click()
    app.run()
    (trial,) = book.trials.of(matched)
    assert (trial.trial_of, book.lots.story(matched).state().volume_ml) == (matched, 800)
    book.additions.add(trial.id, "red", drops=7)
    assert "7 drops of red there are 56 (47 to 65) in the 800 ml" in shown(
        open_app("match", lot=str(matched))
    )
    app = open_app("match", lot=str(trial.id))
    assert f"This is a trial of cordial (lot {matched})." in shown(app)
    by_key(app.button, f"pour-back-{trial.id}-do").click()
    app.run()
    assert "kept clean and undiluted" in app.error[0].value
    assert book.lots.story(matched).state().volume_ml == 800
    by_key(app.checkbox, f"pour-back-{trial.id}-clean").set_value(True)
    by_key(app.button, f"pour-back-{trial.id}-do").click()
    app.run()
    assert book.lots.story(matched).state().volume_ml == pytest.approx(900.35)
    text = shown(open_app("match", lot=str(matched)))
    assert "of trial lot 2 poured back" in text and "reason: came back with the trial, lot 2" in text


NEAR = {"value": 0.8, "low": 0.4, "high": 1.5}
GOLD = {"stock": "gold", "reachable_delta_e_2000": NEAR, "gain": NEAR, "doses": [], "text": "With gold."}


def test_another_bottle_is_used_at_a_tap(book: LotBook, matched: int) -> None:
    book.stocks.add("gold", "E102", 0.5)
    photo = book.lots.story(matched).photos[-1]
    advice = {"action": "stop", "reason": "nearest", "text": "Stop here.", "other_stocks": [GOLD]}
    book.photos.add(matched, photo.measurement, (photo.advice or {}) | advice)
    app = open_app("match", lot=str(matched))
    assert "With gold as well: 0.8 (0.4 to 1.5) could be reached" in shown(app)
    by_key(app.button, f"use-{matched}-gold").click()
    app.run()
    assert book.lots.get(matched).stocks == ("red", "gold")


def test_what_a_stock_learnt_is_seen_and_set_aside_only_when_confirmed(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    text = shown(open_app("set_up"))
    assert "Photos taught nothing of red yet" in text and "strength as photos showed" not in text
    lot = book.lots.begin("x", 900, ["red"]).id
    book.stocks.learn("red", 1.08, 0.05, lot)
    app = open_app("set_up")
    assert (
        f"strength as photos showed: 1.08 (0.98 to 1.19) of the label, like 1.08 g in 100 ml, from lot {lot}"
        in shown(app)
    )
    by_key(app.button, "away-forget").click()
    app.run()
    assert "It was made again" in app.error[0].value and book.stocks.get("red").strength_factor == 1.08
    by_key(app.checkbox, "away-sure").set_value(True)
    by_key(app.button, "away-forget").click()
    app.run()
    assert book.stocks.get("red").learnt is None


def test_a_new_lot_whose_base_fills_the_ceiling_is_warned_of(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    app = open_app("set_up")
    by_key(app.text_input, "lot-name").set_value("bitter")
    by_key(app.number_input, "lot-volume").set_value(900.0)
    by_key(app.number_input, "lot-ceiling").set_value(30.0)
    by_key(app.number_input, "lot-already-").set_value(30.0)
    by_key(app.selectbox, "lot-already-which").set_value("E163")
    by_key(app.button, "lot-begin").click()
    app.run()
    assert book.lots.get("bitter").already_colourant == "E163"
    assert "nothing may be added" in shown(app)
