"""Control limits against a published example, then lots of a book with known colours and doses."""

import json

import numpy as np
import pytest
from known_photos import close_measured

from colourmatch.book.naming import EXAMPLE_STOCK
from colourmatch.errors import NotFoundError
from colourmatch.workflow.trend import control_limits, read_trend

#: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flow rates of ten batches (from memory).
NIST_FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_limits_of_the_handbooks_worked_example():
    limits = control_limits(NIST_FLOW)
    assert limits.mean == pytest.approx(50.81, abs=0.005)
    assert limits.mean_range == pytest.approx(1.8778, abs=0.00005)
    assert limits.high == pytest.approx(55.8041, abs=0.00005)
    assert limits.low == pytest.approx(45.8159, abs=0.00005)
    assert limits.high_range == pytest.approx(3.267 * 16.9 / 9)  # D4 times the mean range, by hand
    assert limits.provisional and limits.count == 10
    assert control_limits([1.0, 2.0]) is None and control_limits([5.0] * 20).provisional is False
    assert control_limits([0.1, 2.0, 0.1], lowest=0.0).low == 0.0
    with pytest.raises(ValueError, match="finite"):
        control_limits([1.0, float("nan"), 2.0])


def test_the_lot_that_strays_is_named_and_the_light_does_not_matter(book, lot):
    rng = np.random.default_rng(1)
    for k in range(12):
        gap = np.array([0.0, 0.1 * (-1) ** k, 0.0]) + (np.array([0, -4.0, 0]) if k == 11 else 0)
        close_measured(book, f"B{k}", gap, photo={"light": rng.normal(0, 4)})
    trend = read_trend(book, stock="red", name="aperitif")
    assert [one.label for one in trend.lots] == [f"B{k}" for k in range(12)]
    strays = {(point.label, point.chart, point.side) for point in trend.outside}
    assert {("B11", "a*", "below"), ("B11", "a*", "jump"), ("B11", "CIEDE2000", "above")} <= strays
    assert {label for label, _, _ in strays} == {"B11"}
    spread = np.ptp([one.lab[0] for one in trend.lots])
    assert spread == pytest.approx(0, abs=1e-9)  # L* of all lots is the same, whatever the lamp was
    assert "one is outside its limits: lot B11." in trend.text
    assert "Lot B11: a*" in trend.text and "provisional" in trend.text
    assert all(one.lab_sd[1] >= 0.14 for one in trend.lots)


def test_the_invented_lot_is_none_of_the_makers_unless_it_is_asked_for(book, lot):
    for number in ("B1", "B2", "B3"):
        close_measured(book, number, np.zeros(3))
    book.stocks.add(EXAMPLE_STOCK, "E129", 1.0)
    close_measured(book, "PLAYED", np.zeros(3), stock=EXAMPLE_STOCK)
    assert [one.label for one in read_trend(book, limit=3).lots] == ["B1", "B2", "B3"]
    assert [one.label for one in read_trend(book, stock=EXAMPLE_STOCK).lots] == ["PLAYED"]


def test_dose_per_litre_with_its_spread(book, lot):
    close_measured(book, "B1", np.zeros(3))
    one = read_trend(book).lots[0]
    volume_ml, mg = 900 + 80 * 0.05, 80 * 0.05 * 10
    assert one.mg_per_l == pytest.approx(1000 * mg / volume_ml)
    assert one.mg_per_l_sd == pytest.approx(one.mg_per_l * np.hypot(0.20, 0.15))  # the label's and the drop's
    assert one.drops_per_l == pytest.approx(80_000 / volume_ml)
    assert one.doses[0].stock == "red" and one.doses[0].drops == 80


def test_what_cannot_be_compared_is_left_out_and_named(book, lot):
    assert "Close lots after a last photo" in read_trend(book).text
    close_measured(book, "DEEP", np.zeros(3), depth_mm=20)
    close_measured(book, "THIN", np.zeros(3), photo={"view": {"dilution": 15}})
    close_measured(book, "B1", np.zeros(3))
    book.additions.add(lot, "red", drops=1)
    book.lots.close(lot, "given up")  # dosed after its last photo
    close_measured(book, "B2", np.zeros(3))
    trend = read_trend(book)
    reasons = {item.label: item.reason for item in trend.left_out}
    assert [one.label for one in trend.lots] == ["B1", "B2"]
    assert reasons["THIN"] == "its last photos are of another depth or dilution than its own (5)"
    assert "20 mm deep" in reasons["DEEP"] and "after the last dose" in reasons[f"L{lot}"]
    assert trend.limits["L*"] is None and "at least 3" in trend.text


def test_lots_are_chosen_by_reference_stock_and_number(book, lot):
    bottle = book.references.add("Bottle").id
    close_measured(book, "B1", np.zeros(3), reference="Bottle")
    chosen_later = close_measured(book, "B2", np.zeros(3))
    close_measured(book, "B3", np.zeros(3))
    book.lots.amend(chosen_later, "tinted to the bottle", reference_id=bottle)
    assert [one.label for one in read_trend(book, reference="Bottle").lots] == ["B1", "B2"]
    book.lots.amend(chosen_later, "it was not", reference_id=None)
    assert [one.label for one in read_trend(book, reference=bottle).lots] == ["B1"]
    assert [one.label for one in read_trend(book, stock="red", limit=2).lots] == ["B2", "B3"]
    assert read_trend(book, stock="yellow").lots == ()
    assert "2 references" in read_trend(book).notes[0]
    with pytest.raises(NotFoundError, match=r"no stock 'rad'.*red"):
        read_trend(book, stock="rad")
    with pytest.raises(NotFoundError, match="no reference"):
        read_trend(book, reference="Flask")
    book.stocks.put_away("red")
    assert len(read_trend(book, stock="red").lots) == 3, "a stock that was made again keeps its lots"
    book.stocks.add("red", "E129", 2.0)
    close_measured(book, "B4", np.zeros(3))
    trend = read_trend(book, stock="Red")
    assert [one.label for one in trend.lots] == ["B1", "B2", "B3", "B4"]
    told = json.loads(json.dumps(trend.to_json(), allow_nan=False))
    assert told["limits"]["a*"]["mean"] == pytest.approx(45) and len(told["lots"][0]["lab_sd"]) == 3
