"""The next lot like an old one: what is taken over, a first dose from what the last lots held, where they saw a band."""

import math

import known_lot
import numpy as np
import pytest
from known_liquids import BASE, VIEW

from colourmatch.advice import Advice
from colourmatch.book.lot_book import LotBook
from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.errors import ClosedError, NotFoundError
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.workflow.again import begin_with, fill_like, find_first_dose
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.fitting import make_prior

#: Stronger than that in drops of 5 % more, a bottle is in 5 % of cases, its label and drop being known to 20 and 15 %.
UNTRIED = math.exp(1.645 * math.hypot(0.2, 0.15)) / 1.05


def close_with(book: LotBook, drops: float, **head) -> int:
    """A closed lot of 1 l that took so many drops of red."""
    lot = book.lots.begin(**({"name": "Bitter", "volume_ml": 1000, "stocks": ["red"]} | head)).id
    book.additions.add(lot, "red", drops=drops)
    book.lots.close(lot, "matched")
    return lot


def test_all_but_what_is_its_own_is_taken_over(book):
    book.stocks.add("red", "E129", 1.0)
    head = {
        "ceiling_mg_per_l": 60.0, "depth_mm": 12.0, "dilution": 5.0, "tolerance": 2.0, "jurisdiction": "EU",
        "already_mg_per_l": 3.0, "already_colourant": "E163", "target_lab": (60.0, 40.0, 30.0), "made_up_to": 4.0,
        "hand": "grams", "serving": {"conditions": [{"name": "long", "dilution": 3.0}]},
    }  # fmt: skip
    old = book.lots.begin(
        "Bitter", 900, ["red"], number="26-041", notes="its own",
        label_lines={"producer": "Invented Drinks", "best_before": "2027-05"}, **head,
    )  # fmt: skip
    figures = fill_like(book, "26-041")
    new = book.lots.begin(**vars(figures) | {"volume_ml": 5000})
    assert {key: getattr(new, key) for key in head} == head
    assert (new.stocks, new.volume_ml, new.like, new.number, new.notes) == (("red",), 5000, old.id, None, "")
    assert new.label_lines == {"producer": "Invented Drinks"}
    with pytest.raises(NotFoundError):
        fill_like(book, "26-999")
    book.stocks.put_away("red")
    with pytest.raises(ClosedError):
        fill_like(book, old.id)
    fresh = book.stocks.add("red", "E129", 2.0)
    assert fill_like(book, old.id).stocks == [fresh.name]


def test_the_first_dose_is_what_the_last_lots_held_short_of_its_spread(book):
    book.stocks.add("red", "E129", 1.0, strength_rel_sd=0.1)
    first = close_with(book, 80)
    figures = fill_like(book, first)
    second = close_with(book, 90, **vars(figures))
    lot = book.lots.begin(**vars(fill_like(book, second)) | {"volume_ml": 5000}).id
    close_with(book, 200, name="Other")  # of another line
    bad = book.lots.begin("Bitter", 1000, ["red"]).id
    book.additions.add(bad, "red", drops=50)
    book.lots.close(bad, "given up")
    (dose,) = find_first_dose(book, book.lots.story(lot))
    # 80 and 90 drops of 0.5 mg in a litre that grew by 4 and 4.5 ml
    held = [0.5 * n / (1 + 5e-5 * n) for n in (80, 90)]
    wanted = sum(held) / 2
    assert dose.drops == pytest.approx(wanted * 5 / (0.5 - wanted * 5e-5), rel=1e-3)
    seen = 2 * ((held[0] - held[1]) / 2) ** 2 / wanted**2
    spread = math.sqrt((3 * 0.15**2 + seen) / 4 * 1.5 + 0.1**2 + 0.15**2)
    assert dose.step_drops == int(dose.drops / (1 + 1.645 * spread))
    assert dose.high / dose.drops == pytest.approx(math.exp(1.96 * spread), rel=1e-3)
    assert set(dose.lots) == {f"L{first}", f"L{second}"}
    book.additions.add(lot, "red", drops=dose.step_drops)
    assert find_first_dose(book, book.lots.story(lot)) == []


def test_a_stronger_bottle_and_a_ceiling_shorten_the_first_dose(book):
    book.stocks.add("red", "E129", 1.0)
    old = close_with(book, 80)
    book.stocks.put_away("red")
    book.stocks.add("red", "E129", 2.0)
    lot = book.lots.begin(**vars(fill_like(book, old))).id
    (dose,) = find_first_dose(book, book.lots.story(lot))
    assert dose.drops == pytest.approx(40, rel=0.01)
    low = book.lots.begin(**vars(fill_like(book, old)) | {"ceiling_mg_per_l": 10.0, "name": "Low"}).id
    (dose,) = find_first_dose(book, book.lots.story(low))
    # 10 mg/l in a litre that grows by half a millilitre; each counts as of a bottle that is 1.44 times as strong
    assert dose.step_drops == int(10 / UNTRIED)
    scale = book.lots.begin(**vars(fill_like(book, old)) | {"hand": "grams", "name": "Scale"}).id
    (dose,) = find_first_dose(book, book.lots.story(scale))
    poured = dose.measured.quantity
    assert dose.measured.unit == "grams" and 0 <= dose.step_grams - poured < 0.01 + 1e-6
    assert f"Pour {poured:.2f} g" in dose.text


def test_two_stocks_share_the_ceiling_and_each_keeps_its_first_dose_until_it_is_in(book):
    book.stocks.add("red", "E129", 1.0)
    book.stocks.add("yellow", "E102", 1.0)
    old = book.lots.begin("Bitter", 1000, ["red", "yellow"]).id
    for name in ("red", "yellow"):
        book.additions.add(old, name, drops=40)
    book.lots.close(old, "matched")
    lot = book.lots.begin(**vars(fill_like(book, old)) | {"ceiling_mg_per_l": 20.0}).id
    red, yellow = find_first_dose(book, book.lots.story(lot))
    # 20 mg/l in a litre: 40 drops of 0.5 mg of both together
    assert red.step_drops + yellow.step_drops == int(40 / UNTRIED) and red.step_drops > yellow.step_drops
    begun = begin_with(Advice(action="rephotograph"), [red, yellow])
    assert [dose.drops for dose in begun.steps] == [red.step_drops, yellow.step_drops]
    poured = f"{red.step_drops} drops of red and {yellow.step_drops} drops of yellow"
    assert begun.text.startswith(f"Pour {poured} first, stir, and photograph.")
    book.additions.add(lot, "red", drops=red.step_drops)
    assert find_first_dose(book, book.lots.story(lot)) == [yellow]


def test_more_drops_than_anybody_counts_are_poured_in_ml_and_none_where_the_ceiling_is_full(book):
    book.stocks.add("red", "E129", 1.0)
    old = close_with(book, 190)
    (dose,) = find_first_dose(book, book.lots.story(book.lots.begin(**vars(fill_like(book, old))).id))
    ml, unit = dose.step.amount
    assert unit == "ml" and f"Pour {ml:.2f} ml of red ({dose.step_drops} drops)" in dose.text
    full = book.lots.begin(**vars(fill_like(book, old)) | {"ceiling_mg_per_l": 0.01, "name": "Full"}).id
    (none,) = find_first_dose(book, book.lots.story(full))
    asked = Advice(action="rephotograph", text="photograph")
    assert none.step_drops == 0 and "Pour" not in none.text and begin_with(asked, [none]) == asked


LISTED = find_colourant("E163")
TRUE_NM = 8.0  # an anthocyanin in a drink of another pH: its band lies so far up


def look(mg_per_l: dict[str, float], share: float = 1.0) -> np.ndarray:
    """Lab of the natural base with so much of a colour whose band lies elsewhere than listed."""
    moved = np.interp(WAVELENGTHS_NM - TRUE_NM, WAVELENGTHS_NM, LISTED.absorptivity())
    return absorbance_to_lab((share * BASE + mg_per_l.get("E163", 0.0) * moved) * VIEW.path_cm)


def test_a_closed_lot_teaches_where_the_band_lies(bench, as_noted, book, monkeypatch):
    dose = 0.6 / float(LISTED.absorptivity().max() * VIEW.path_cm)
    monkeypatch.setattr(known_lot, "look", look)
    monkeypatch.setattr(known_lot, "REFERENCE", look({"E163": dose}))
    book.stocks.add("red", "E163", 10.0)
    made = bench()
    made.follow()
    before = make_prior(book.stocks.get("red"))
    close_lot(book, made.lot, "matched", "", sure=True)
    taught = book.stocks.get("red")
    assert taught.shift is not None
    shift, sd = taught.shift
    assert abs(shift - TRUE_NM) < 2 * sd and abs(shift - TRUE_NM) < TRUE_NM / 2
    prior = make_prior(taught)
    assert prior.shift_nm == shift and sd < prior.shift_sd_nm < before.shift_sd_nm == LISTED.shift_sd_nm
    fresh = book.stocks.refill("red")
    assert fresh.shift == taught.shift
    thin = book.stocks.dilute("red", 10, "thin")
    assert thin.shift == taught.shift
    assert book.stocks.reset(fresh.id).shift is None
