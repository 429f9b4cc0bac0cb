"""What stands beside the advice: glasses, other bottles and their state, what a glass brings, passed ceilings."""

import json
from dataclasses import replace
from datetime import date

import known_lot
import pytest
from known_liquids import look

from colourmatch.advice import Served
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError
from colourmatch.liquid.colourants import custom_colourant
from colourmatch.workflow.ceilings import passed_ceilings
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.glasses import serve_lot
from colourmatch.workflow.lot import advise_lot
from colourmatch.workflow.photo_colours import read_intake
from colourmatch.workflow.shelf_state import describe_bottles, see_in_water, trace_batch

pytestmark = pytest.mark.usefixtures("as_noted")
LONG = {"name": "long drink", "depth_mm": 60, "dilution": 4, "illuminant": "A", "weight": 2}
NEAT = {"name": "neat", "depth_mm": 20, "dilution": 1}


def test_the_advice_tells_each_serving_condition_now_and_after_the_step(bench):
    made = bench(serving={"conditions": [LONG, NEAT]})
    made.add(45)
    advice = made.shoot()["advice"]
    long, neat = advice["serving"]
    assert {k: long[k] for k in LONG} == LONG and neat["name"] == "neat" and neat["illuminant"] == "D65"
    for one in (long, neat):
        assert one["after_step"]["value"] < one["delta_e_2000"]["value"]
        assert one["spots"]["batch_after"] is not None and one["to_match"][0]["stock"] == "red"
    made.follow()
    done = made.advice()["serving"]
    assert all(one["after_step"] is None and one["delta_e_2000"]["value"] < 3 for one in done)
    assert bench().shoot()["advice"]["serving"] == []


def test_any_glass_can_be_looked_at(bench):
    made = bench()
    assert serve_lot(made.book, made.lot, [LONG]) == ()
    made.shoot()
    doses = advise_lot(made.book, made.lot).doses
    long, plain = serve_lot(made.book, made.lot, [LONG, {"depth_mm": 30}], doses)
    assert long.after_step is not None and long.after_step.value < long.delta_e_2000.value
    assert (plain.depth_mm, plain.dilution, plain.illuminant) == (30, 1, "D65")
    assert Served.from_json(json.loads(json.dumps(long.to_json()))) == long
    with pytest.raises(InputError, match="The depth must be from 1 up to 200"):
        serve_lot(made.book, made.lot, [{"depth_mm": 900}])


def test_a_bottle_on_the_shelf_that_closes_the_gap_is_in_the_advice(bench, monkeypatch):
    monkeypatch.setattr(known_lot, "REFERENCE", look({"E129": 40, "E102": 25}))
    made = bench()
    made.book.stocks.add("gold", "E102", 0.5)
    made.book.stocks.add("blue", "E133", 0.1)
    advice = made.follow()
    assert (advice["reason"], advice["missing_kind"]) == ("nearest", None)
    first = advice["other_stocks"][0]
    assert first["stock"] == "gold" and first["gain"]["low"] > 0
    assert advice["text"].endswith(first["text"]) and "With gold from your shelf as well" in advice["text"]
    # Put to the lot, it is dosed.
    made.book.lots.amend(made.lot, "to come nearer", stocks=["red", "gold"])
    then = made.advice()
    assert then["action"] == "add" and "gold" in {dose["stock"] for dose in then["doses"]}
    # Put away, it is no longer on the shelf: the kind is named, no colourant.
    made.book.lots.amend(made.lot, "as before", stocks=["red"])
    made.book.stocks.put_away("gold")
    alone = made.advice()
    assert alone["other_stocks"] == [] and alone["missing_kind"]["kind"] in ("yellow", "orange", "brown")
    assert "E102" not in alone["missing_kind"]["text"]


def test_of_two_bottles_of_a_colour_one_is_advised_and_why(bench):
    made = bench()
    made.book.stocks.dilute("red", 10, "red 1 in 10")
    made.book.lots.amend(made.lot, "both stand ready", stocks=["red", "red 1 in 10"])
    advice = made.shoot()["advice"]
    assert [dose["stock"] for dose in advice["doses"]] == ["red"]
    (choice,) = advice["bottles"]
    assert choice["instead_of"] == ["red 1 in 10"] and choice["text"] in advice["text"]


def test_a_base_with_colour_hides_no_caution_of_the_stocks_that_stand_ready(bench):
    made = bench(already_mg_per_l=3, already_colourant="E163")
    told = describe_lot(made.book, made.lot)
    assert "Allura red AC (E129)" in told["label"] and "Anthocyanins (E163)" in told["label"]
    assert "label-warning" in {caution["code"] for caution in told["cautions"]}


def test_intake_of_a_glass_by_hand(book):
    book.stocks.add("red", "E129", 1.0, strength_rel_sd=0.1, drop_rel_sd=0.1)
    serving = {"conditions": [LONG, NEAT, {"name": "as shot"}]}
    head = {"serving": serving, "already_mg_per_l": 8, "already_colourant": "E129", "dilution": 5}
    lot = book.lots.begin("x", 1000, ["red"], **head).id
    assert len(read_intake(book.lots.story(lot))[0].colourants) == 1
    book.additions.add(lot, "red", drops=64)
    neat, long = describe_lot(book, lot)["intake"]
    # 32 mg and the base's 8 mg in 1003.2 ml; 200 ml neat, 50 ml in the long drink.
    assert [(one["serving"], one["batch_ml"]) for one in (neat, long)] == [("neat", 200), ("long drink", 50)]
    (red,) = long["colourants"]
    assert red["mg"]["value"] == pytest.approx(50 * 40 / 1003.2, abs=1e-3)
    # Strength and drop 10 % each are 14.1 % of what was dosed.
    half = 1.96 * 0.1 * 2**0.5 * 50 * 32 / 1003.2
    assert red["mg"]["high"] - red["mg"]["value"] == pytest.approx(half, abs=2e-3)
    plain = book.lots.begin("y", 1000, ["red"]).id
    assert read_intake(book.lots.story(plain)) == []


def codes(book: LotBook, on: date) -> list[str]:
    red = book.stocks.get("red")
    return [one.code for one in describe_bottles(book, [red], on)[red.id].warnings]


def test_old_and_nearly_empty_bottles_are_warned_of(book):
    book.stocks.add("red", "E129", 1.0, bottle={"use_by": "2027-05-01", "amount_ml": 10})
    assert codes(book, date(2027, 4, 10)) == []
    assert codes(book, date(2027, 5, 1)) == ["bottle-old-soon"]
    assert codes(book, date(2027, 5, 2)) == ["bottle-old"]
    lot = book.lots.begin("A", 1000, ["red"]).id
    book.additions.add(lot, "red", ml=7.1)  # less than 60 drops are left
    assert codes(book, date(2027, 4, 10)) == ["bottle-empty"]


def test_a_lot_names_the_batches_that_are_in_it(book):
    book.stocks.add("red", "E129", 1.0, bottle={"supplier": "A supplier", "supplier_batch": "K-1207"})
    book.stocks.dilute("red", 10, "thin")
    lot = book.lots.begin("A", 1000, ["red"]).id
    book.additions.add(lot, "thin", ml=2)
    (bottle,) = describe_lot(book, lot)["bottles"]
    assert (bottle["stock"], bottle["supplier_batch"], bottle["ml"]) == ("thin", "K-1207", 2)
    told = trace_batch(book, "k-1207")
    assert [one.lot for one in told.lots] == [lot] and told.batch == "K-1207"


def test_a_stock_is_seen_in_water_as_photos_showed_it(book):
    red = book.stocks.add("red", "E129", 0.5)
    # 40 drops of 0.05 ml with 5 mg/ml are 10 mg/l: the published line of liquid/model.py
    assert see_in_water(red) == pytest.approx([75.7, 55.3, 19.6], abs=0.05)
    stronger = see_in_water(replace(red, strength_factor=1.5, learnt_from_lot_id=1))
    assert stronger is not None and stronger[0] < 75
    code = custom_colourant("supermarket red", "E129", 540).e_number
    bottle = book.stocks.add("supermarket red", code, 0.5)
    assert see_in_water(bottle) is None
    assert see_in_water(replace(bottle, learnt_from_lot_id=1)) == pytest.approx([75.7, 55.3, 19.6], abs=0.05)


@pytest.fixture
def lot_of(book):
    book.stocks.add("red", "E129", 1.0)

    def make(ml, **head):
        number = book.lots.begin(f"Aperitif {len(book.lots.search())}", 900, ["red"], **head).id
        book.additions.add(number, "red", ml=ml)
        return number

    return make


@pytest.mark.parametrize(
    "ml, head, passed",
    [
        (
            12,
            {},
            1,
        ),  # 132 mg/l; the EU allows 100 mg/l (Regulation (EC) No 1333/2008, calibration/limits.csv)
        (12, {"jurisdiction": "EU"}, 1),
        (12, {"jurisdiction": "US"}, 0),
        (6, {}, 0),
        (6, {"ceiling_mg_per_l": 50}, 1),
        (12, {"ceiling_mg_per_l": 50}, 2),
    ],
)
def test_a_passed_ceiling_is_told_with_and_without_a_place(book, lot_of, ml, head, passed):
    story = book.lots.story(lot_of(ml, **head))
    told = passed_ceilings(story)
    assert len(told) == passed and {one["code"] for one in told} <= {"ceiling"}
    unsaid = "jurisdiction" not in head and ml == 12
    assert any("EU" in one["text"] for one in told) or not unsaid


def test_it_stays_told_until_the_lot_is_closed(book, lot_of):
    number = lot_of(12)
    book.entries.add_note(number, "a day later")
    assert len(describe_lot(book, number)["warnings"]) == 1
    assert len(close_lot(book, number).warnings) == 1
