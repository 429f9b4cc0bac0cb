"""A new lot begins with what the last one, or the one it is to be like, had; the example's stock is for the example."""

from __future__ import annotations

import pytest
from streamlit.testing.v1 import AppTest
from test_pages import by_key, open_app, shown

from colourmatch.book.example import EXAMPLE_STOCK
from colourmatch.book.lot_book import LotBook
from colourmatch.screens.new_lot import PRESETS

OWN = {"ceiling_mg_per_l": 60.0, "tolerance": 1.0, "depth_mm": 12.0, "dilution": 5.0, "jurisdiction": "US",
       "already_mg_per_l": 2.0, "already_colourant": "E163", "serving": {"conditions": [{"name": "neat", "depth_mm": 40.0, "weight": 2.0}]}}  # fmt: skip


@pytest.fixture
def first(book: LotBook) -> int:
    """A lot with figures of its own."""
    book.stocks.add("yellow", "E102", 1.0)
    book.stocks.add("red", "E129", 1.0)
    return book.lots.begin("bitter", 5000, ["red"], number="26-041", **OWN).id


def begin(app: AppTest) -> None:
    by_key(app.button, "lot-begin").click().run()
    assert not app.exception and not app.error


def test_name_and_volume_are_enough_and_the_rest_is_the_last_lot_s(book: LotBook, first: int) -> None:
    book.trials.take(first, 100)  # a trial is no lot to go by
    app = open_app("set_up")
    assert "As lot 26-041: ceiling 60 mg/l, 2 mg/l already in" in shown(app)
    by_key(app.text_input, "lot-name").set_value("cordial")
    by_key(app.number_input, "lot-volume").set_value(900.0)
    begin(app)
    lot = book.lots.get("cordial")
    assert {name: getattr(lot, name) for name in OWN} == OWN
    assert (lot.volume_ml, lot.stocks, lot.number) == (900, ("red",), None)


def test_the_next_lot_like_a_finished_one_is_filled_in(book: LotBook, first: int) -> None:
    book.lots.close(first, "given up")
    book.lots.begin("shrub", 700, ["yellow"])
    app = open_app("lots", lot=str(first))
    app.button(key="like").click().run()
    app.switch_page("colourmatch/screens/set_up.py").run()  # the test runner forgets where it was led
    begin(app)
    lot = book.lots.search(limit=1)[0]
    assert lot.id != first and {name: getattr(lot, name) for name in OWN} == OWN
    assert (lot.name, lot.volume_ml, lot.stocks, lot.like) == ("bitter", 5000, ("red",), first)


def test_litres_are_taken(book: LotBook, first: int) -> None:
    app = open_app("set_up")
    by_key(app.get("button_group"), "lot-unit").set_value("l").run()
    by_key(app.text_input, "lot-name").set_value("cordial")
    by_key(app.number_input, "lot-volume").set_value(1.5)
    begin(app)
    assert book.lots.get("cordial").volume_ml == 1500


def test_a_stock_of_the_example_is_not_offered_for_real_work(book: LotBook, first: int) -> None:
    book.stocks.add(EXAMPLE_STOCK, "E129", 1.0)
    example = book.lots.begin("example", 900, [EXAMPLE_STOCK]).id
    assert EXAMPLE_STOCK not in by_key(open_app("set_up").multiselect, "lot-stocks").options
    for lot, offered in ((first, ["red", "yellow"]), (example, [EXAMPLE_STOCK])):
        fields = open_app("match", lot=str(lot)).selectbox
        assert by_key(fields, f"addition-{lot}-stock").options == offered


def test_the_next_lot_keeps_its_hand_and_of_another_drink_no_line_but_the_producer(book: LotBook) -> None:
    lines = {"ingredients": "water, sugar", "producer": "Invented Drinks", "best_before": "2027-05-01"}
    book.stocks.add("red", "E129", 1.0)
    book.lots.begin("cordial", 900, ["red"], hand="grams", made_up_to=6, label_lines=lines)
    app = open_app("set_up")
    by_key(app.text_input, "lot-name").set_value("shrub")
    by_key(app.number_input, "lot-volume").set_value(900.0)
    by_key(app.text_input, "lot-label-ingredients").set_value("water, vinegar")
    begin(app)
    lot = book.lots.get("shrub")
    assert (lot.hand, lot.made_up_to) == ("grams", 6)
    assert {key: line for key, line in lot.label_lines.items() if line} == {
        "ingredients": "water, vinegar",
        "producer": "Invented Drinks",
    }


def test_match_begins_with_the_first_dose_as_its_hand_measures_it(book: LotBook) -> None:
    book.stocks.add("red", "E129", 1.0)
    old = book.lots.begin("cordial", 5000, ["red"], hand="grams").id
    book.additions.add(old, "red", grams=20)
    book.lots.close(old, "matched")
    lot = book.lots.begin("cordial", 5000, ["red"], hand="grams", like=old)
    app = open_app("match", lot=str(lot.id))
    assert "cm-answer add" in shown(app) and "photograph reference" not in shown(app)
    by_key(app.button, f"dose-{lot.id}-red").click().run()
    (entry,) = book.lots.story(lot.id).additions
    assert entry.unit == "grams" and 10 < entry.quantity < 20
    assert "cm-answer photo" in shown(app)


def test_a_tap_on_a_drawn_glass_fills_the_first_empty_one(book: LotBook, first: int) -> None:
    app = open_app("set_up")  # its first glass comes from the last lot
    for name in ("long drink", "on ice"):
        by_key(app.button, f"lot-serving-0-{name}").click().run()
        assert not app.exception and not app.warning
    assert all(by_key(app.button, f"lot-serving-0-{one.name}").disabled for one in PRESETS)
    by_key(app.text_input, "lot-name").set_value("cordial")
    by_key(app.number_input, "lot-volume").set_value(900.0)
    begin(app)
    own, *chosen = book.lots.get("cordial").serving["conditions"]
    assert own == {"name": "neat", "depth_mm": 40.0, "weight": 2.0}
    assert chosen == [
        {"name": "long drink", "depth_mm": 60.0, "dilution": 4.0, "weight": 1.0},
        {"name": "on ice", "depth_mm": 40.0, "dilution": 2.0, "illuminant": "A", "weight": 1.0},
    ]
