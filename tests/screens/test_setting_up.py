"""Set up: stocks and what is weighed of them, new lots and what they begin with."""

from datetime import date
from typing import Any

import pytest
from visiting import by_key, field, fill, go_to, open_app, refusal, shown, tap

from colourmatch.book.checks import LIMITS
from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import EXAMPLE_STOCK
from colourmatch.screens.fields import ask_figure
from colourmatch.screens.new_lot import PRESETS

OWN = {"ceiling_mg_per_l": 60.0, "tolerance": 1.0, "depth_mm": 12.0, "dilution": 5.0, "jurisdiction": "US",
       "already_mg_per_l": 2.0, "already_colourant": "E163", "serving": {"conditions": [{"name": "neat", "depth_mm": 40.0, "weight": 2.0}]}}  # fmt: skip


def test_a_stock_is_added_once_and_shown(book):
    app = open_app("set_up")
    assert "No stock yet." in shown(app) and "It needs a stock first." in shown(app)
    fill(app, {"stock-colourant": "E129", "stock-name": "red *strong*", "stock-strength": 2.5})
    tap(app, "stock-add")
    (stock,) = book.stocks.all()
    assert (stock.name, stock.strength_g_per_100ml) == ("red *strong*", 2.5)
    assert r"The stock red \*strong\* is on the shelf." in shown(app)
    assert field(app, "stock-name").value == ""


def test_an_unknown_bottle_and_what_powder_or_liquid_a_stock_needs(book):
    app = fill(open_app("set_up"), {"stock-colourant": "unknown"}).run()
    tap(fill(app, {"stock-name": "supermarket red", "stock-like": "E122"}), "stock-add")
    assert book.stocks.get("supermarket red").colourant == "custom:E122:500"
    app = open_app("set_up")
    assert "Weigh 0.588 g of powder" in shown(app)
    fill(app, {"make-content": 0.0}).run()
    assert "The dye content must be more than 0" in shown(app).replace("\\", "")
    fill(app, {"make-what": "a liquid colour"}).run()
    assert "Measure 10 ml of the liquid" in shown(app)  # ml alone where ml is chosen


def test_a_bottle_is_entered_as_it_says_and_followed_by_a_fresh_one(book):
    app = fill(open_app("set_up"), {"stock-colourant": "E163"}).run()
    fill(app, {"stock-name": "grape", "stock-says": "colour_value"}).run()
    fill(app, {"stock-figure": 150.0, "stock-grams": 20.0, "stock-bottle-batch": "K-1207"})
    fill(app, {"stock-bottle-amount": 2.0, "stock-bottle-use-by": date(2031, 5, 1)}).run()
    tap(app, "stock-add")
    grape = book.stocks.get("grape")
    assert grape.strength_g_per_100ml == pytest.approx(1.0)  # E 1 % 15 of 300 in 20 g
    assert (grape.supplier_batch, grape.amount_ml, grape.use_by) == ("K-1207", 2.0, "2031-05-01")
    assert "batch K-1207" in shown(app) and "nearly empty" in shown(app)
    tap(fill(app, {"fresh-batch": "K-1300"}), "away-fresh")
    fresh = book.stocks.get("grape")
    assert (fresh.supplier_batch, fresh.follows) == ("K-1300", grape.id)


@pytest.mark.parametrize("missing", ["stock-name", "stock-colourant"])
def test_a_stock_with_something_missing_is_refused_and_keeps_what_was_typed(book, missing):
    typed = {"stock-colourant": "E129", "stock-name": "red", "stock-strength": 3.0}
    del typed[missing]
    app = tap(fill(open_app("set_up"), typed), "stock-add")
    assert refusal(app) and book.stocks.all() == []
    assert all(field(app, key).value == value for key, value in typed.items())


def test_drops_are_weighed_and_one_ten_times_too_large_is_asked_about(book, red):
    app = tap(fill(open_app("set_up"), {"weigh-grams": 1.6}), "weigh-keep")
    assert book.stocks.get(red).drop_ml == pytest.approx(0.04)
    tap(fill(app, {"weigh-grams": 19.3}), "weigh-keep")
    assert "if 1.93 g is meant, type 1.93" in refusal(app)
    assert book.stocks.get(red).drop_ml == pytest.approx(0.04)
    tap(app, "weigh-keep")
    assert book.stocks.get(red).drop_ml == pytest.approx(0.4825)
    fill(app, {"stock-colourant": "E129", "stock-name": "gold", "stock-drop": 0.4})
    assert "0.04 ml is meant" in refusal(tap(app, "stock-add")) and len(book.stocks.all()) == 1


def test_drops_of_another_dropper_say_nothing_of_what_the_last_lots_poured(book, lot_id):
    book.additions.add(lot_id, "red", drops=20)
    book.stocks.learn("red", 1.2, 0.05, lot_id)
    # 40 drops, each 1.2 times the one assumed
    tap(fill(open_app("set_up"), {"weigh-grams": 2.4, "weigh-another": True}), "weigh-keep")
    assert 1.05 < book.stocks.get("red").strength_factor < 1.2


def test_a_strength_that_was_typed_wrong_is_put_right_for_open_lots_too(book, lot_id):
    book.additions.add(lot_id, "red", drops=20)
    app = tap(open_app("set_up"), "right-write")
    assert "Nothing was changed" in refusal(app)
    tap(fill(app, {"right-strength": 2.0}), "right-write")
    assert "needs its reason" in refusal(app) and book.stocks.get("red").label_strength_g_per_100ml == 1
    tap(fill(app, {"right-reason": "misread"}), "right-write")
    assert book.stocks.get("red").label_strength_g_per_100ml == 2 and not app.error
    assert book.lots.story(lot_id).additions[0].mg == pytest.approx(20)
    assert "count by the new label" in shown(app)


@pytest.mark.parametrize(
    ("field", "typed"), [("lot-dilution", 0.5), ("lot-tolerance", 50.0), ("lot-ceiling_mg_per_l", -30.0)]
)
def test_no_lot_is_begun_with_a_number_that_is_out_of_reach(book, red, field, typed):
    typed_in = {"lot-name": "cordial", "lot-volume": 900.0, field: typed}
    app = tap(fill(open_app("set_up"), typed_in), "lot-begin")
    assert f"{typed:g} cannot be" in refusal(app) and book.lots.count() == 0


def test_a_stock_is_thinned_and_put_away_one_tap_a_stock(book, red):
    app = tap(fill(open_app("set_up"), {"thin-fold": 5.0}), "thin-add")
    thin = book.stocks.get("red 1 in 5")
    assert thin.strength_g_per_100ml == pytest.approx(0.2)
    assert thin.diluted_from_id == book.stocks.get(red).id
    assert "as of the stock it was thinned from" in shown(app)
    first = by_key(app.button, "away-put").key
    tap(app, "away-put")
    assert len(book.stocks.all()) == 1 and first not in [button.key for button in app.button]


def test_what_a_stock_learnt_is_seen_and_set_aside_only_when_confirmed(book, lot_id):
    book.stocks.learn("red", 1.08, 0.05, lot_id)
    app = open_app("set_up")
    assert f"1.08 (0.98 to 1.19) of the label, like 1.08 g in 100 ml, from lot {lot_id}" in shown(app)
    assert "It was made again" in refusal(tap(app, "away-forget"))
    assert book.stocks.get("red").strength_factor == 1.08
    tap(fill(app, {"away-sure": True}), "away-forget")
    assert book.stocks.get("red").learnt is None


@pytest.fixture
def first(book: LotBook, red: str) -> int:
    """A lot with figures of its own."""
    book.stocks.add("yellow", "E102", 1.0)
    return book.lots.begin("bitter", 5000, [red], number="26-041", **OWN).id


def begin(app: Any, name: str = "cordial", volume: float | None = 900.0, **fields: Any) -> Any:
    """Fill in name and volume, and what else is given, and begin the lot."""
    typed = {"lot-name": name, "lot-volume": volume} | {f"lot-{key}": value for key, value in fields.items()}
    tap(fill(app, typed), "lot-begin")
    assert not app.error
    return app


@pytest.mark.parametrize("figure", ["ceiling_mg_per_l", "already_mg_per_l", "tolerance", "depth_mm", "dilution"])
def test_a_field_takes_what_the_book_takes(figure):
    class Place:
        said = 0

        def number_input(self, words: str, **how: object) -> object:
            # a browser would keep what lies outside for itself
            assert not how.keys() & {"min_value", "max_value"}
            return self.typed

        def error(self, said: str) -> None:
            self.said += 1

    place = Place()
    _, low, _, high, _ = LIMITS[figure]
    for typed, outside in ((low, 0), (high, 0), (low - 1, 1), (2 * high, 1)):
        place.typed, place.said = typed, 0
        assert ask_figure(place, figure, "key", None) == min(max(typed, low), high)
        assert place.said == outside


def test_a_lot_is_begun_with_its_limits_beside(book, red):
    app = open_app("set_up")
    assert "at most 100 mg of pure dye per litre together in EU" in shown(app)
    assert "from memory" in shown(app)
    tap(fill(app, {"lot-name": "cordial"}), "lot-begin")
    assert "The volume is missing" in refusal(app) and book.lots.count() == 0
    assert field(app, "lot-name").value == "cordial"
    for volume in (1.5, 2.0):  # 1.5 is what a browser makes of 1,500; another amount is asked about again
        tap(fill(app, {"lot-volume": volume}), "lot-begin")
        assert f"{volume:g} l is meant, type {1000 * volume:g}" in refusal(app) and book.lots.count() == 0
    tap(app, "lot-begin")  # it was meant
    (lot,) = book.lots.search()
    assert (lot.name, lot.volume_ml, lot.ceiling_mg_per_l, lot.jurisdiction) == ("cordial", 2, None, "EU")


def test_a_new_lot_whose_base_fills_the_ceiling_is_warned_of(book, red):
    app = begin(open_app("set_up"), **{"ceiling": 30.0, "already_mg_per_l": 30.0, "already-which": "E163"})
    assert book.lots.get("cordial").already_colourant == "E163" and "nothing may be added" in shown(app)


def test_name_and_volume_are_enough_and_the_rest_is_the_last_lot_s(book, first):
    book.trials.take(first, 100)  # a trial is no lot to go by
    app = open_app("set_up")
    taken = "As lot 26-041: ceiling 60 mg/l, 2 mg/l already in"
    fill(app, {"lot-unit": "l", "lot-tolerance": 3.0}).run()
    assert taken in shown(app) and "tolerance 1, " in shown(app)  # of the lot, not what was typed
    fill(app, {"lot-tolerance": 1.0}).run()
    begin(app, volume=1.5)
    lot = book.lots.get("cordial")
    assert {name: getattr(lot, name) for name in OWN} == OWN
    assert (lot.volume_ml, lot.stocks, lot.number) == (1500, ("red",), None)


@pytest.mark.parametrize("ceiling", [None, 20.0])
def test_a_ceiling_that_was_taken_over_is_taken_off_or_changed(book, first, ceiling):
    app = open_app("set_up")
    assert field(app, "lot-ceiling_mg_per_l").value == 60
    # the browser lets a field be emptied that has no value of its own
    assert not field(app, "lot-ceiling_mg_per_l").proto.HasField("default")
    begin(app, ceiling_mg_per_l=ceiling)
    assert book.lots.get("cordial").ceiling_mg_per_l == ceiling


def test_the_first_lot_says_whose_limits_it_keeps(book, red):
    app = open_app("set_up")
    assert "Sold in EU: its limits are kept. Change it under More." in shown(app)
    fill(app, {"lot-place": "another place"}).run()
    assert "No limits of the law are kept." in shown(app)


def test_the_next_lot_like_a_finished_one_is_filled_in(book, first):
    book.lots.close(first, "given up")
    book.lots.begin("shrub", 700, ["yellow"])
    app = open_app("lots", first)
    app.button(key="like").click().run()
    tap(go_to(app, "set_up"), "lot-begin")  # the test runner forgets where it was led
    lot = book.lots.search(limit=1)[0]
    assert lot.id != first and {name: getattr(lot, name) for name in OWN} == OWN
    assert (lot.name, lot.volume_ml, lot.stocks, lot.like) == ("bitter", 5000, ("red",), first)


def test_a_stock_of_the_example_is_not_offered_for_real_work(book, first):
    book.stocks.add(EXAMPLE_STOCK, "E129", 1.0)
    example = book.lots.begin("example", 900, [EXAMPLE_STOCK]).id
    assert EXAMPLE_STOCK not in field(open_app("set_up"), "lot-stocks").options
    for lot, offered in ((first, ["red", "yellow"]), (example, [EXAMPLE_STOCK])):
        assert field(open_app("match", lot), f"addition-{lot}-stock").options == offered


def test_the_next_lot_keeps_its_hand_and_of_another_drink_no_line_but_the_producer(book, red):
    lines = {"ingredients": "water, sugar", "producer": "Invented Drinks", "best_before": "2027-05-01"}
    book.lots.begin("cordial", 900, [red], hand="grams", made_up_to=6, label_lines=lines)
    begin(open_app("set_up"), "shrub", **{"label-ingredients": "water, vinegar"})
    lot = book.lots.get("shrub")
    assert (lot.hand, lot.made_up_to) == ("grams", 6)
    kept = {key: line for key, line in lot.label_lines.items() if line}
    assert kept == {"ingredients": "water, vinegar", "producer": "Invented Drinks"}


def test_match_begins_with_the_first_dose_as_its_hand_measures_it(book, red):
    old = book.lots.begin("cordial", 5000, [red], hand="grams").id
    book.additions.add(old, red, grams=20)
    book.lots.close(old, "matched")
    lot = book.lots.begin("cordial", 5000, [red], hand="grams", like=old).id
    app = open_app("match", lot)
    text = shown(app)
    assert "cm-answer add" in text and "Photograph reference" not in text
    assert '<p class="cm-do">Pour ' in text and "taught, the whole dose of red will be" in text
    tap(app, f"dose-{lot}-red")
    (entry,) = book.lots.story(lot).additions
    assert entry.unit == "grams" and 10 < entry.quantity < 20
    assert "cm-answer photo" in shown(app)


def test_serving_conditions_are_typed_or_tapped_and_every_light_is_on_file(book, first):
    app = open_app("set_up")  # its first glass comes from the last lot
    for name in ("long drink", "on ice"):
        tap(app, f"lot-serving-0-{name}")
        assert not app.warning
    assert all(by_key(app.button, f"lot-serving-0-{one['name']}").disabled for one in PRESETS)
    begin(app, **{"serving-1-light": "A", "serving-1-name": "night cap"})
    assert book.lots.get("cordial").serving["conditions"] == [
        {"name": "night cap", "depth_mm": 40.0, "illuminant": "A", "weight": 2.0},
        {"name": "long drink", "depth_mm": 60.0, "dilution": 4.0, "weight": 1.0},
        {"name": "on ice", "depth_mm": 40.0, "dilution": 2.0, "illuminant": "A", "weight": 1.0},
    ]
    from colourmatch.colour.spectra import name_illuminant
    from colourmatch.screens.new_lot import LIGHTS

    assert [name_illuminant(name) for name in LIGHTS] == list(LIGHTS)
