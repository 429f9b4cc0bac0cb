"""Closed lots against each other, and one by itself: photographed again, its drift, its labels; and their charts."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from known_photos import close_measured, measured
from visiting import open_app, shown, undo, upload

from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import Figure
from colourmatch.screens import plots, trend
from colourmatch.screens.pages import make_paper
from colourmatch.workflow.lot import record_photos
from colourmatch.workflow.recheck import Drift, PhotoDrift
from colourmatch.workflow.trend import Limits, Outside, Trend, TrendLot, tell_trend


@pytest.fixture
def closed(book: LotBook) -> LotBook:
    """Nine lots alike and one that strays."""
    book.stocks.add("red", "E129", 1.0)
    book.stocks.add("yellow", "E102", 1.0)
    for k in range(9):
        close_measured(book, f"B{k}", [0.0, 0.1 * (-1) ** k, 0.0], name="Aperitif <b>")
    close_measured(book, "B9", [0.0, -4.0, 0.0])
    return book


def test_few_lots_are_told_that_limits_need_more(book, red):
    assert "No lot is closed yet." in shown(open_app("trend"))
    close_measured(book, "B0", [0.0, 0.1, 0.0])
    page = shown(open_app("trend"))
    assert page.count("limits need at least 3") == 1 and "No limits yet" not in page
    assert not plots.draw_chart(chart(limits=None), "a*").layout.shapes
    assert trend.tell_limits(None) == "No limits yet: they need at least three lots."


def test_the_trend_names_lots_outside_and_shows_limits_and_spread(closed):
    app = open_app("trend")
    text = shown(app)
    assert "Of 10 closed lots one is outside its limits: lot B9." in text
    assert "Lot B9: a* 41.00 is below" in text and "(10 lots, provisional)" in text
    table = app.dataframe[0].value
    assert list(table["Lot"]) == [f"B{k}" for k in range(9, -1, -1)]
    assert all("±" in cell for name in ("L*", "a*", "b*", "mg/l") for cell in table[name])
    assert table["CIEDE2000"][0].startswith("1.7 (") and " to " in table["CIEDE2000"][0]
    assert table["By stock"][0].startswith("red 44.2 ± ")
    assert len(app.get("plotly_chart")) == 5
    assert "Aperitif <b>" in set(table["Name"])


def test_the_filters_choose_lots_and_say_when_none_fits(closed):
    bottle = closed.references.add("Bottle").id
    close_measured(closed, "R1", [0, 0, 0], reference=bottle)
    bare = closed.lots.begin("Bare", 900, "red", number="R2", dilution=5, reference=bottle).id
    closed.lots.close(bare, "given up")
    app = open_app("trend")
    app.selectbox(key="trend-reference").set_value(bottle).run()
    assert list(app.dataframe[0].value["Lot"]) == ["R1"]
    assert "Lot R2:</span>no photo shows it beside its reference" in shown(app)
    app = open_app("trend")
    app.text_input(key="trend-name").set_value("B3").run()
    assert list(app.dataframe[0].value["Lot"]) == ["B3"]
    app.text_input(key="trend-name").set_value("").run()
    app.selectbox(key="trend-stock").set_value("yellow").run()
    assert not app.exception and not app.dataframe


def chart(*outside: Outside, limits: Limits | None) -> Trend:
    """A trend of three lots in a*."""
    lots = tuple(
        TrendLot(
            k, f"<{k}>", "Bitter", "2026-01-01", "matched", (70.0, 40.0 + k, 30.0), (0.1,) * 3,
            Figure(1.0, 0.5, 1.5), 20.0, 1.0, None, (),
        )
        for k in (1, 2, 3)
    )  # fmt: skip
    return Trend(lots, {"a*": limits}, outside, (), (), "")


def test_the_chart_draws_interval_limits_and_marks():
    said = ((3, "It jumps."), (2, "Lot 2 jumps."))
    jumps = [Outside(k, f"<{k}>", "a*", "jump", 1.0, 2.0, text) for k, text in said]
    outside = (Outside(3, "<3>", "a*", "above", 43.0, 44.0, "Lot 3."), *jumps)
    told = chart(*outside, limits=Limits(42.0, 40.0, 44.0, 1.0, 2.0, 3, provisional=True))
    figure = plots.draw_chart(told, "a*")
    trace = figure.data[0]
    assert list(trace.y) == [41, 42, 43]
    assert list(trace.error_y.array) == pytest.approx([0.196] * 3, rel=1e-4)
    assert list(trace.marker.symbol) == ["circle", "diamond-open", "diamond"]
    notes = [note.text for note in figure.layout.annotations]
    assert notes == ["&lt;2>", "&lt;3>", "upper limit 44.00", "lower limit 40.00"]
    assert [line.y0 for line in figure.layout.shapes] == [42, 44, 40]
    assert trend.tell_outside(told) == ["Lot 3. It jumps.", "Lot 2 jumps."]
    text = tell_trend(told.lots, {"L*": told.limits["a*"]}, told.outside)
    assert text.startswith("Of 3 closed lots 2 are outside their limits: <3>, <2>. Lot 3. It jumps.")


BEGIN = datetime.now(UTC) - timedelta(weeks=8)
FADING = np.array([0.1, -0.6, -0.4])


@pytest.fixture
def finished(book: LotBook, red: str) -> int:
    """A lot that was finished on its reference eight weeks ago."""
    lot = book.lots.begin("Aperitif", 900, [red], number="B1", jurisdiction="EU").id
    book.additions.add(lot, red, drops=40)
    book.photos.add(lot, measured(np.zeros(3)), taken_at=BEGIN)
    book.lots.close(lot, "matched")
    return lot


def test_only_a_closed_lot_says_when_to_photograph_it_again(book, lot_id, finished):
    app = open_app("lots", finished)
    assert "No recheck yet." in shown(app) and "in a week and in a month" in shown(app)
    assert "Labels (PDF)" in [button.label for button in app.get("download_button")]
    assert make_paper("labels", finished).startswith(b"%PDF") and not app.get("plotly_chart")
    app = open_app("lots", lot_id)
    assert "Does the colour hold?" not in shown(app) and not app.file_uploader


def test_drift_rate_and_forecast_stand_with_their_intervals(book, finished):
    for week in (2, 4, 6):
        taken = BEGIN + timedelta(weeks=week)
        book.photos.add(finished, measured(FADING * week), purpose="recheck", taken_at=taken)
    app = open_app("lots", finished)
    text = shown(app)
    assert "In 6.0 weeks the batch has turned" in text
    assert "CIEDE2000 a week (between" in text and "the tolerance of 1.5 from its reference" in text
    assert "Change a week: L* 0.10 ± " in text
    for weeks in ("2.0 weeks", "4.0 weeks", "6.0 weeks"):
        assert weeks in text
    assert len(app.get("plotly_chart")) == 1
    # What a photo afterwards shows is not how the lot ended.
    assert 'Last photo alone</p><p class="cm-big">at most ' in text


def test_a_photo_afterwards_is_kept_once_and_a_refused_one_named(book, lot_id, photos, card_photo_bytes):
    record_photos(book, lot_id, [photos[1]])
    book.lots.close(lot_id, "matched")
    app = upload(open_app("lots", lot_id), card_photo_bytes, "week.jpg")
    assert undo(app).label == "Photo 2 measured. Undo"
    assert not app.success and not app.toast  # it is told once
    upload(app, b"this is no photo", "note.jpg")
    assert "note.jpg: This is not a readable photo" in shown(app)
    assert [photo.purpose for photo in book.lots.story(lot_id).photos] == ["match", "recheck"]


def test_the_drift_is_drawn_over_weeks_with_its_interval():
    photo = PhotoDrift(weeks=2.0, delta_e_2000=Figure(1.0, 0.4, 1.8))
    figure = plots.draw_drift(Drift(tolerance=1.5, photos=(photo,)))
    trace = figure.data[0]
    assert (trace.x[0], trace.y[0]) == (2.0, 1.0)
    assert trace.error_y.array[0] == pytest.approx(0.8) and trace.error_y.arrayminus[0] == pytest.approx(0.6)
    assert figure.layout.shapes[0].y0 == 1.5
