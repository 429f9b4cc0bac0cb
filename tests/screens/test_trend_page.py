"""The page of closed lots against each other, and its charts."""

import pytest
from known_photos import close_measured
from visiting import open_app, shown

from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import Figure
from colourmatch.screens import plots, trend
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
