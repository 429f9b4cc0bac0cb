"""Closed lots: their drift with known truth, rates and forecasts; control limits against a published example."""

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from known_photos import REFERENCE, close_measured, measured

from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import EXAMPLE_STOCK
from colourmatch.colour.difference import ciede2000
from colourmatch.errors import InputError, NotFoundError
from colourmatch.workflow.recheck import Drift, fit_line, read_drift, record_recheck, tell_photos
from colourmatch.workflow.trend import control_limits, read_trend

BEGIN = datetime(2026, 9, 1, 10, tzinfo=UTC)
#: Lab change a week: the colour fades.
FADING = np.array([0.1, -0.5, -0.3])


def add(book: LotBook, lot: int, week: float, measurement: dict[str, Any], purpose: str = "recheck") -> int:
    taken = BEGIN + timedelta(weeks=week)
    return book.photos.add(lot, measurement, purpose=purpose, taken_at=taken).id


def finish(book: LotBook, lot: int, gap: np.ndarray, outcome: str = "nearest") -> int:
    """Close a lot after a photo that shows it so far from its reference."""
    add(book, lot, 0, measured(gap), "match")
    book.lots.close(lot, outcome)
    return lot


@pytest.fixture
def closed(book: LotBook, lot: int) -> int:
    """A lot that was finished on the reference and closed."""
    book.additions.add(lot, "red", drops=40)
    return finish(book, lot, np.zeros(3), "matched")


def test_the_line_is_that_of_plain_least_squares_when_all_photos_weigh_the_same():
    rng = np.random.default_rng(3)
    weeks = np.array([0.0, 1.0, 4.0, 8.0])
    gaps = rng.normal(size=(4, 3))
    fit = fit_line(weeks, gaps, np.broadcast_to(np.eye(3) * 100.0, (4, 3, 3)))
    expected = np.polynomial.polynomial.polyfit(weeks, gaps, 1)
    assert fit.values.reshape(2, 3) == pytest.approx(expected)
    assert fit.birge == 1.0  # the scatter is far under what these photos could do
    sd = 10 / np.sqrt(((weeks - weeks.mean()) ** 2).sum())
    assert np.sqrt(np.diag(fit.covariance)[3:]) == pytest.approx([sd] * 3)
    # photos that scatter more than they should: by hand, rest -1, 2, -1 in one coordinate
    small = np.broadcast_to(np.eye(3) * 0.01, (3, 3, 3))
    torn = fit_line(np.arange(3.0), np.array([[0, 0, 0], [3, 0, 0], [0, 0, 0]], float), small)
    assert torn.birge == pytest.approx(np.sqrt(6 / 0.01 / 3))


def test_the_rate_of_a_fading_colour_lies_in_its_interval(book, closed):
    rng = np.random.default_rng(5)
    for week in (1, 2, 4, 6):
        gap = FADING * week + rng.normal(0, 0.14, 3)
        add(book, closed, week, measured(gap, light=rng.normal(0, 3)))
    drift = read_drift(book, closed)
    truth = float(ciede2000(REFERENCE, REFERENCE + 6 * FADING)) / 6
    rate = drift.rate_per_week
    assert rate.low < truth < rate.high and rate.value == pytest.approx(truth, rel=0.25)
    assert "paler" in drift.text or "less red" in drift.text
    assert drift.change_per_week.lab == pytest.approx(FADING.tolist(), abs=0.1)
    assert [photo.weeks for photo in drift.photos] == [1, 2, 4, 6]
    assert "by the photo then" in dict(tell_photos(drift, UTC))["2026-09-01, finished"]
    last = drift.photos[-1].delta_e_2000
    assert last.low < 6 * truth < last.high
    assert Drift.from_json(json.loads(json.dumps(drift.to_json()))) == drift


def test_the_forecast_holds_the_true_day(book, closed):
    for week in (1, 2, 3):
        add(book, closed, week, measured(FADING * week))
    weeks = np.linspace(0, 20, 2001)
    truth = weeks[np.argmax(ciede2000(REFERENCE, REFERENCE + weeks[:, None] * FADING) > 1.5)]
    forecast = read_drift(book, closed).forecast
    assert forecast is not None
    assert forecast.against == "reference" and not forecast.outside_now
    assert forecast.weeks["low"] < truth < forecast.weeks["high"]
    assert forecast.weeks["value"] == pytest.approx(truth, rel=0.15)
    day = (BEGIN + timedelta(weeks=forecast.weeks["value"])).date()
    assert (day - date.fromisoformat(forecast.dates["value"])).days in (0, 1)
    add(book, closed, 8, measured(FADING * 8))
    left = read_drift(book, closed).forecast
    assert left is not None and left.outside_now and "outside the tolerance of 1.5" in left.text


def test_a_lot_off_its_reference_is_watched_from_its_own_colour_and_less_surely_by_another_phone(book, lot):
    off = np.array([4.0, -9.0, 0.0])
    finish(book, lot, off)
    add(book, lot, 4, measured(off + FADING))
    add(book, lot, 4, measured(off + FADING, phone="B"))
    drift = read_drift(book, lot)
    same, other = drift.photos
    assert other.drift_lab_sd[1] > 3 * same.drift_lab_sd[1]
    redder = finish(book, book.lots.begin("Redder", 900, "red").id, np.array([0.0, -9.0, 0.0]))
    for week in (2, 3):
        add(book, redder, week, measured([0.0, -9.0, 0.0] + week * FADING))
    watched = read_drift(book, redder).forecast
    assert watched is not None and watched.against == "own first colour"


@pytest.mark.parametrize(("gap", "asked"), [(FADING, False), (np.array([8.0, -20.0, -9.0]), True)])
def test_a_colour_that_changes_in_a_day_more_than_colours_do_is_asked_about(book, closed, gap, asked):
    add(book, closed, 0.01, measured(gap))
    drift = read_drift(book, closed)
    assert drift.rate_per_week is None and ("?" in drift.text) == asked


def test_a_colour_that_holds_gets_a_bound_and_no_forecast(book, closed):
    add(book, closed, 4, measured(np.array([0.05, 0.0, -0.05]), light=-5))
    drift = read_drift(book, closed)
    assert drift.rate_per_week.low == 0 and drift.forecast is None
    assert "no drift is seen" in drift.text and "at most" in drift.text
    assert "No forecast yet" in drift.text


def test_a_newest_photo_that_drifted_off_the_line_is_no_colour_that_holds(book, closed):
    for week, gap in ((1, 0.0), (2, 4.0), (3, -3.0), (4.5, 2.7)):
        add(book, closed, week, measured(np.array([0.0, -gap, 0.0])))
    drift = read_drift(book, closed)
    assert drift.forecast is None and drift.photos[-1].delta_e_2000.low > 0
    assert "do not lie on a line" in drift.text and "less red, by " in drift.text
    assert drift.text.endswith("Photograph again now.") and "no drift" not in drift.text


def estimated(gap: np.ndarray, read: np.ndarray) -> dict[str, Any]:
    """A measurement with the difference as estimated, and as read beside it."""
    photo = measured(gap)
    for name, lab in (("reference", REFERENCE), ("batch", REFERENCE + read)):
        plain = {"lab": lab.tolist(), "lab_covariance": photo["spots"][name]["lab_covariance"]}
        photo["spots"][name] |= {"plain": plain}
    return photo


def test_an_estimate_that_older_photos_do_not_have_is_no_drift(book, lot):
    off = np.array([4.0, -9.0, 0.0])
    finish(book, lot, off)
    add(book, lot, 4, estimated(1.2 * off, off))
    assert read_drift(book, lot).photos[0].drift_lab == pytest.approx([0, 0, 0], abs=1e-3)


def test_only_photos_after_the_last_dose_show_the_finished_lot(book, lot):
    add(book, lot, 0, measured(np.array([5.0, -20.0, 0.0])), "match")
    book.additions.add(lot, "red", drops=40)
    add(book, lot, 0, measured(np.zeros(3)), "match")
    add(book, lot, 0, measured(np.full(3, 0.2)), "match")
    book.lots.close(lot, "matched")
    start = read_drift(book, lot).start
    assert start.photos == 2 and start.gap_lab == pytest.approx([0.1] * 3)
    other = book.lots.begin("Other", 900, "red").id
    book.photos.add(other, measured(np.array([9.0, 0, 0])))
    for _ in range(2):  # of another dilution: the finished lot is as the last photos show it
        book.photos.add(other, measured(np.zeros(3)) | {"view": {"dilution": 15}})
    book.lots.close(other, "matched")
    start = read_drift(book, other).start
    assert start.photos == 2 and start.delta_e_2000.value < 0.5
    alone = close_measured(book, "B1", np.array([5.0, -20.0, 0.0]))
    (photo,) = book.lots.story(alone).photos
    assert read_drift(book, alone).start.delta_e_2000 == photo.measurement.delta_e_2000.rounded()


def test_what_is_missing_is_said(book, closed):
    other = book.lots.begin("Other", 900, "red").id
    with pytest.raises(InputError, match="still open"):
        record_recheck(book, other, [b"x"])
    book.lots.close(other, "given up")
    blind = read_drift(book, other)
    assert blind.start is None and "no drift can be told" in blind.text
    assert "No later photo yet" in read_drift(book, closed).text
    alone = measured(np.zeros(3))
    alone["spots"]["reference"] = None
    entry = add(book, closed, 1, alone)
    drift = read_drift(book, closed)
    assert drift.left_out[0].entry == entry and "No reference" in drift.left_out[0].reason
    add(book, closed, 0, measured(np.zeros(3)))
    assert "has not drifted. All photos are of one day" in read_drift(book, closed).text
    add(book, closed, 0, measured(np.array([4.0, -8.0, 3.0])))
    assert "has drifted by " in (text := read_drift(book, closed).text) and "paler" in text


def test_a_photo_is_measured_kept_and_recognised(book, closed, drawn_photos):
    sent = [drawn_photos[1], (b"rubbish", "x.jpg"), drawn_photos[1]]
    good, bad, again = record_recheck(book, closed, sent)
    assert good.entry is not None and good.note is None
    assert bad.entry is None and bad.note == bad.measurement.refused
    assert again.entry == good.entry and again.repeated
    kept = book.lots.story(closed).photos[-1]
    assert (kept.purpose, kept.id, kept.original_name) == ("recheck", good.entry, drawn_photos[1].name)
    assert [photo.entry for photo in read_drift(book, closed).photos] == [good.entry]


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
    (photo,) = book.lots.story("B11").photos
    assert trend.lots[-1].delta_e_2000 == photo.measurement.delta_e_2000  # as it was told then


def test_the_invented_lot_is_none_of_the_makers_unless_it_is_asked_for(book, lot):
    for number in ("B1", "B2", "B3"):
        close_measured(book, number, np.zeros(3))
    book.stocks.add(EXAMPLE_STOCK, "E129", 1.0)
    close_measured(book, "PLAYED", np.zeros(3), stock=EXAMPLE_STOCK)
    assert [one.label for one in read_trend(book, limit=3).lots] == ["B1", "B2", "B3"]
    assert [one.label for one in read_trend(book, stock=EXAMPLE_STOCK).lots] == ["PLAYED"]
    assert [one.label for one in read_trend(book, name="aperitif").lots] == ["B1", "B2", "B3"]
    assert [one.label for one in read_trend(book, name="played").lots] == ["PLAYED"]


def test_another_drink_moves_no_colour_and_gets_no_limits_with_the_first(book, lot):
    for number in ("A1", "A2", "A3"):
        close_measured(book, number, np.zeros(3), name="Bitter")
    alone = read_trend(book)
    close_measured(book, "B1", np.zeros(3), name="Bitter orange", photo={"light": 9.0})
    both = read_trend(book)
    assert [one.lab for one in both.lots[:3]] == [one.lab for one in alone.lots]
    assert both.limits["a*"] is None and not both.outside and "several drinks" in both.text
    assert "the same bottle for each name" in both.notes[0]
    assert read_trend(book, name="bitter").limits == alone.limits  # not of the longer name
    assert len(read_trend(book, name="bitt").lots) == 4
    bottle = book.references.add("Bottle").id
    for one in both.lots:
        book.lots.amend(one.lot, "the same bottle", reference_id=bottle)
    assert read_trend(book).limits["a*"] is not None and "several names" in read_trend(book).notes[0]


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
