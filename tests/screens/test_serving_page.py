"""Where it is drunk, trials and another bottle, through Streamlit's own test runner."""

import re
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest
from visiting import buttons, fill, go_to, open_app, refusal, shown, tap

from colourmatch.book.lot_book import LotBook
from colourmatch.screens import match_details, session
from colourmatch.workflow.glasses import serve_lot
from colourmatch.workflow.lot import record_photos

LONG = {"name": "long drink", "depth_mm": 60.0, "dilution": 4.0, "illuminant": "A", "weight": 2.0}
NEAR = {"value": 0.8, "low": 0.4, "high": 1.5}
GOLD = {"stock": "gold", "reachable_delta_e_2000": NEAR, "gain": NEAR, "doses": [], "text": "With gold."}


@pytest.fixture
def matched(book: LotBook, red: str, photos: list[Path]) -> int:
    """A lot with one photo, which is judged in a long drink."""
    lot = book.lots.begin("cordial", 900, [red], jurisdiction="EU", serving={"conditions": [LONG]}).id
    record_photos(book, lot, [photos[0]])
    return lot


def look(app: AppTest, lot: int) -> AppTest:
    """Unfold the glass."""
    app.session_state[f"glass-fold-{lot}"] = True
    return app.run()


def test_a_glass_is_shown_in_daylight_and_in_warm_light(matched, monkeypatch):
    fits: list[int] = []
    monkeypatch.setattr(match_details, "serve_lot", lambda *given: fits.append(1) or serve_lot(*given))
    app = open_app("match", matched)
    assert "long drink: 60 mm deep, 1 part made up to 4, a warm lamp (A)" in shown(app)
    assert re.search(r"CIEDE2000 \d+\.\d \(\d+\.\d to \d+\.\d\), ", shown(app))
    assert not fits  # the lot is not fitted for a glass that nobody looks at
    text = shown(look(app, matched))
    assert fits and text.count("60 mm deep, 1 part made up to 4") >= 3
    for words in ("Light: daylight (D65)", "Light: a warm lamp (A)", "After this step", "only roughly"):
        assert words in text
    fill(app, {f"glass-{matched}-depth": 20.0}).run()
    assert "20 mm deep, 1 part made up to 4, daylight (D65). The batch against the reference: " in shown(app)
    fill(app, {f"glass-{matched}-lights": []}).run()
    assert "at least one light" in shown(app)


def test_where_the_match_is_judged_can_be_changed(book, matched):
    act = f"conditions-{matched}"
    app = tap(open_app("match", matched), f"{act}-write")
    assert "No glass was changed" in refusal(app)
    tap(fill(app, {f"{act}-2-depth": 20.0, f"{act}-2-name": "neat"}), f"{act}-write")
    neat = {"name": "neat", "depth_mm": 20.0, "weight": 1.0}
    assert book.lots.get(matched).serving == {"conditions": [LONG, neat]}
    assert "neat: 20 mm deep" in shown(app)


def test_a_light_outside_the_short_list_is_shown_and_kept(book, matched):
    glass = {"name": "bar", "depth_mm": 60.0, "illuminant": "2700 K", "weight": 1.0}
    book.lots.amend(matched, "where it is drunk", serving={"conditions": [glass]})
    app = look(open_app("match", matched), matched)
    assert "bar: 60 mm deep, undiluted, 2700 K" in shown(app)
    fill(app, {f"glass-{matched}-lights": ["2700 K"]}).run()
    assert "Light: 2700 K" in shown(app)
    tap(fill(app, {f"conditions-{matched}-1-depth": 40.0}), f"conditions-{matched}-write")
    assert book.lots.get(matched).serving == {"conditions": [glass | {"depth_mm": 40.0}]}


def test_what_a_glass_brings_is_shown_once_something_is_in(book, matched):
    assert "acceptable daily intake" not in shown(open_app("match", matched))
    book.additions.add(matched, "red", drops=20)
    text = shown(open_app("match", matched))
    assert "7 mg per kg (JECFA and EFSA)" in text and "for a child of 20 kg" in text
    # what is in is no addition of the trial's
    trial = shown(open_app("match", book.trials.take(matched, 100).id))
    assert "Photograph reference and batch in equal glasses" in trial and "Added since the last photo" not in trial


def test_a_trial_is_taken_told_and_poured_back(book, matched):
    tap(open_app("match", matched), f"trial-{matched}-take")
    (trial,) = book.trials.of(matched)
    assert (trial.trial_of, book.lots.story(matched).state().volume_ml) == (matched, 800)
    book.additions.add(trial.id, "red", drops=7)
    assert "7 drops of red there are 56 (47 to 65) in the 800 ml" in shown(open_app("match", matched))
    app, act = open_app("match", trial.id), f"pour-back-{trial.id}"
    assert f"This is a trial of cordial (lot {matched})." in shown(app)
    assert "Added since the last photo: 7 drops of red." in shown(app)
    assert "kept clean and undiluted" in refusal(tap(app, f"{act}-do"))
    assert book.lots.story(matched).state().volume_ml == 800
    tap(fill(app, {f"{act}-clean": True}), f"{act}-do")
    assert book.lots.story(matched).state().volume_ml == pytest.approx(900.35)
    assert "of trial lot 2 poured back" in shown(open_app("match", matched))


def test_another_bottle_is_used_at_a_tap(book, matched):
    book.stocks.add("gold", "E102", 0.5)
    photo = book.lots.story(matched).photos[-1]
    advice = {"action": "stop", "reason": "nearest", "text": "Stop here.", "other_stocks": [GOLD]}
    book.photos.add(matched, photo.measurement, photo.advice.to_json() | advice)
    app = open_app("match", matched)
    assert "With gold as well: 0.8 (0.4 to 1.5) could be reached" in shown(app)
    tap(app, f"use-{matched}-gold")
    assert book.lots.get(matched).stocks == ("red", "gold")


def test_volumes_are_in_ml_until_us_measures_are_chosen(book, matched):
    book.volumes.take_sample(matched, 20)
    app = open_app("lots", matched)
    assert "900 ml" in shown(app) and "fl oz" not in shown(app)
    fill(go_to(app, "set_up"), {"measures": session.US}).run()
    app.query_params["lot"] = str(matched)
    # NIST Handbook 44, appendix C: 29.57353 ml a fluid ounce, 4.928922 ml a teaspoon
    text = shown(go_to(app, "lots"))
    assert "900 ml (30.4 fl oz)" in text and "20 ml (4.06 tsp) taken" in text
    assert "900 ml (30.4 fl oz)" in buttons(go_to(app, "start"), "go-on-")[0]
