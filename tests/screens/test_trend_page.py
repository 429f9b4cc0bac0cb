"""Closed lots against each other, and one by itself: photographed again, its drift, its labels; and their charts."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from known_photos import close_measured, measured
from processes import run_python
from visiting import open_app, shown, undo, upload

from colourmatch.advice import Advice, Curve
from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import Figure
from colourmatch.measurement import Measurement, Pair
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
    close_measured(book, "B9", [0.0, -4.0, 0.0], name="Aperitif <b>")
    return book


def test_few_lots_are_told_that_limits_need_more(book, red):
    assert "No lot is closed yet." in shown(open_app("trend"))
    close_measured(book, "B0", [0.0, 0.1, 0.0])
    page = shown(open_app("trend"))
    assert page.count("limits need at least 3") == 1 and "No limits yet" not in page
    assert not plots.draw_chart(chart(limits=None), "a*").layout.shapes
    for number in ("B1", "B2"):  # limits of two drinks together say nothing of either
        close_measured(book, number, [0.0, 0.1, 0.0], name="Tonic")
    page = shown(open_app("trend"))
    assert "choose one drink by its name" in page and "Mean" not in page


def test_the_trend_names_lots_outside_and_shows_limits_and_spread(closed):
    app = open_app("trend")
    text = shown(app)
    assert "Of 10 closed lots one is outside its limits: lot B9." in text
    assert "Lot B9: a* 41.00 is below" in text and "(10 lots, provisional)" in text
    table = app.dataframe[0].value
    assert list(table["Lot"]) == [f"B{k}" for k in range(9, -1, -1)]
    assert all("±" in cell for name in ("L*", "a*", "b*", "mg/l") for cell in table[name])
    far = table["CIEDE2000, last photo"][0]
    assert far.startswith("1.8 (") and " to " in far
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
    assert "No later photo yet." in shown(app) and "in a week and in a month" in shown(app)
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


def test_the_drift_and_the_curve_are_drawn_with_their_marks():
    photo = PhotoDrift(weeks=2.0, delta_e_2000=Figure(1.0, 0.4, 1.8))
    figure = plots.draw_drift(Drift(tolerance=1.5, photos=(photo,)))
    trace = figure.data[0]
    assert (trace.x[0], trace.y[0]) == (2.0, 1.0)
    assert trace.error_y.array[0] == pytest.approx(0.8) and trace.error_y.arrayminus[0] == pytest.approx(0.6)
    assert figure.layout.shapes[0].y0 == 1.5
    curve = {"stock": "red <b>", "drops": [0, 5, 10], "delta_e_2000": [3, 1, 2]}
    curve |= {"low": [2, 0, 1], "high": [4, 2, 3], "best_drops": 5, "ceiling_drops": 9}
    figure = plots.draw_curve(Curve.from_json(curve), 4, 1.5)
    held = plots.draw_curve(Curve.from_json(curve | {"ceiling_drops": 5}), 4, 1.5)
    said, alone = ([note.text for note in one.layout.annotations if note.text != "tolerance"] for one in (figure, held))
    assert said == ["this step: 4", "best: 5", "most allowed: 9"] and alone == [
        "this step: 4",
        "most allowed: 5",
    ]
    assert figure.layout.xaxis.title.text == "further drops of red &lt;b>"


def reading(reference: list[float], batch: list[float]) -> Measurement:
    return Measurement.from_json({"spots": {"reference": {"lab": reference}, "batch": {"lab": batch}}})


ALONE = Measurement.from_json({"spots": {"reference": {"lab": [1, 2, 3]}, "batch": None}})


def test_batches_prediction_and_reference_are_drawn():
    seen = {2: reading([60, 40, 30], [90, 5, 5]), 4: ALONE, 5: reading([58, 42, 30], [70, 30, 20])}
    path = plots.trace_path(seen)
    assert path is not None and path.reference == [58, 42, 30]
    assert path.batches == ([88, 7, 5], [70, 30, 20])
    drawn = plots.draw_ab(path).data[0]  # by the numbers they have in the lot
    assert list(drawn.text) == ["2", "5"] and list(drawn.hovertext) == ["photo 2", "photo 5 (the last)"]
    assert plots.trace_path({1: ALONE}) is None  # without both liquids there is no way to draw
    predicted = {"batch": [64.0, 36.0, 25.0], "reference": [58.0, 42.0, 30.0]}
    path = plots.trace_path({1: reading([58, 42, 30], [70, 30, 20])}, Advice(predicted_lab=predicted))
    assert path is not None
    figure = plots.draw_ab(path)
    assert [trace.name for trace in figure.data] == ["batch", "reference", "after this step"]
    ranked = sorted(figure.data, key=lambda trace: trace.legendrank or 1000)  # as the card has them
    assert [trace.name for trace in ranked] == ["reference", "batch", "after this step"]
    assert (figure.data[2].x[-1], figure.data[2].y[-1]) == (36.0, 25.0)
    lightness = plots.draw_lightness(path)
    assert lightness.data[1].y[0] == 58


def test_photos_and_what_is_expected_after_the_step_have_their_ellipses():
    variances = {"photo": [0.04, 0.04, 0.01], "scene": [0, 0.05, 0], "phone": [0, 0, 0.03]}
    spread = {part: np.diag(values).tolist() for part, values in variances.items()}
    after = {"batch": [64.0, 36.0, 0.0], "reference": [58.0, 42.0, 0.0]}
    step = {"predicted_lab": after, "predicted_covariance": np.diag([0.25, 0.16, 0.09]).tolist()}
    seen = reading([58, 42, 0], [60, 40, 0]).having(uncertainty=Pair.from_json(spread))
    path = plots.trace_path({1: reading([58, 42, 0], [70, 30, 0]), 2: seen}, Advice.from_json(step))
    assert path is not None
    # around a*, b* and L*: the roots of 0.04 + 0.05, of 0.01 + 0.03 and of 0.04; of a photo without one none is drawn
    for name, middle, sds in (("95 % of the difference", (40, 0, 60), (0.3, 0.2, 0.2)), ("95 % after this step", (36, 0, 64), (0.4, 0.3, 0.5))):  # fmt: skip
        figure, deep = plots.draw_ab(path), plots.draw_lightness(path)
        (ring,), (high,) = ([t for t in one.data if t.name == name] for one in (figure, deep))
        reach = max(ring.x) - middle[0], max(ring.y) - middle[1], max(high.y) - middle[2]
        assert reach == pytest.approx([2.448 * sd for sd in sds], abs=0.001)
        # told from the rings of photos without its colour
        assert (ring.line.dash == "dot") is ("after" in name)
        assert figure.layout.yaxis.range[1] > max(ring.y)


#: Another thread is in the middle of importing pandas, as when two pages are opened at once.
_HALF_READ = """
import sys, threading, time
import plotly.graph_objects
import colourmatch.screens.html, colourmatch.colour.ellipse  # all but pandas
assert "pandas" not in sys.modules
seen = threading.Event()
class Slow:
    def find_spec(self, name, path=None, target=None):
        if name == "pandas.core":
            seen.wait()
            time.sleep(0.5)  # it goes on while the import below waits for it
sys.meta_path.insert(0, Slow())
threading.Thread(target=__import__, args=("pandas",)).start()
while "pandas" not in sys.modules:
    time.sleep(0.01)
assert not hasattr(sys.modules["pandas"], "Series")
seen.set()
import colourmatch.screens.plots as drawn
drawn.go.Figure().add_scatter(x=[1.0], y=[2.0], hovertext=["a"], hoverinfo="text")
"""


def test_a_chart_is_drawn_while_another_page_is_still_importing_pandas():
    done = run_python("-c", _HALF_READ)
    assert done.returncode == 0, done.stderr
