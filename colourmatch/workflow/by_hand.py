"""Doses in the unit that the maker's hand measures: drops, millilitres or grams on a scale; it plans none.

The plan counts in whole drops. By millilitres or by scale the same dose is told in that unit, rounded down to what a
syringe or a scale can tell, so that no step grows by it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from colourmatch.book.entries import LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import StockEntry
from colourmatch.dosing.plan import MOST_DROPS
from colourmatch.words.advice import tell_doses
from colourmatch.words.figures import tell_drops, tell_typed

#: What a scale shows, and what a small syringe is marked in (common practice, no source).
SCALE_STEP_G, SYRINGE_STEP_ML = 0.01, 0.01
#: A weight under this is told with a caution: a scale step is more than 2 % of it.
LITTLE_G = 0.5


def hand_of(story: LotStory, entry: StockEntry) -> str:
    """In what a stock is measured in a lot: as the stock says, else as the lot does."""
    return entry.hand if entry.hand != "drops" else story.lot.hand


def measure_dose(entry: StockEntry, hand: str, drops: float, ml: float) -> dict[str, Any]:
    """A dose as the hand measures it: unit, quantity and a part of a sentence."""
    if hand == "drops":
        return {"unit": "drops", "quantity": drops, "text": f"{tell_drops(drops)} of {entry.name}"}
    step = SCALE_STEP_G if hand == "grams" else SYRINGE_STEP_ML
    amount = ml * entry.density_g_per_ml if hand == "grams" else ml
    amount = round(math.floor(amount / step + 1e-6) * step, 6)
    unit = "g" if hand == "grams" else "ml"
    return {"unit": hand, "quantity": amount, "text": f"{amount:.2f} {unit} of {entry.name}"}


def warn_of_weight(measured: Mapping[str, Any]) -> str | None:
    """What is to be said of a weight that a scale hardly tells, None where there is nothing."""
    amount = measured["quantity"]
    if measured["unit"] != "grams" or not 0 < amount < LITTLE_G:
        return None
    share = 100 * SCALE_STEP_G / amount
    return f"A scale that shows {SCALE_STEP_G:g} g tells {amount:.2f} g to {share:.0f} %: thin the stock, or count drops."


def tell_by_hand(book: LotBook, story: LotStory, advice: dict[str, Any]) -> dict[str, Any]:
    """An advice with each dose as it is measured, in its sentence too."""
    doses, wanted = advice.get("doses") or (), advice.get("to_match") or ()
    entries = {entry.name: entry for entry in story.stock_entries}
    for name in {one["stock"] for one in (*doses, *wanted)} - set(entries):  # it was put to the lot later
        entries[name] = book.stocks.get(name)
    doses = [_with_measure(story, entries[dose["stock"]], dose) for dose in doses]
    wanted = [_with_range(story, entries[one["stock"]], one) for one in wanted]
    said = advice["text"]
    if any(dose["measured"]["unit"] != "drops" for dose in doses):
        old = tell_doses([(dose["stock"], dose["drops"], dose["ml"]) for dose in doses], MOST_DROPS)
        new = " and ".join(dose["measured"]["text"] for dose in doses)
        said = said.replace(old, new)
        said = " ".join([said, *filter(None, (warn_of_weight(dose["measured"]) for dose in doses))])
    return advice | {"doses": doses, "to_match": wanted, "text": said}


def _with_measure(story: LotStory, entry: StockEntry, dose: dict[str, Any]) -> dict[str, Any]:
    return dose | {"measured": measure_dose(entry, hand_of(story, entry), dose["drops"], dose["ml"])}


def _with_range(story: LotStory, entry: StockEntry, one: dict[str, Any]) -> dict[str, Any]:
    """The whole dose to the nearest point in the hand's unit: "12.3 (9 to 15) g", drops as they are."""
    hand = hand_of(story, entry)
    if hand == "drops" or one.get("drops") is None:
        return one | {"measured": None}
    each = entry.drop_ml * (entry.density_g_per_ml if hand == "grams" else 1.0)
    low, high = one.get("low"), one.get("high")
    told = f"{_three(one['drops'] * each)}"
    if low is not None and high is not None:
        told += f" ({_three(low * each)} to {_three(high * each)})"
    text = f"{told} {'g' if hand == 'grams' else 'ml'} of {entry.name}"
    return one | {"measured": {"unit": hand, "quantity": one["drops"] * each, "text": text}}


def _three(value: float) -> str:
    return tell_typed(float(f"{value:.3g}"))
