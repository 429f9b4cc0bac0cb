"""Doses in the unit that the maker's hand measures: drops, millilitres or grams on a scale; it plans none.

The plan counts in whole drops. By millilitres or by scale the same dose is said in that unit, rounded down to what a
syringe or a scale can tell, so that no step grows by it.
"""

from __future__ import annotations

import math

from colourmatch.advice import Measured
from colourmatch.liquid.stock import Stock
from colourmatch.words.figures import tell_drops, tell_typed

#: What a scale shows, and what a small syringe is marked in (common practice, no source).
SCALE_STEP_G, SYRINGE_STEP_ML = 0.01, 0.01
#: A weight under this is told with a caution: a scale step is more than 2 % of it.
LITTLE_G = 0.5


def measure_dose(stock: Stock, drops: float, ml: float) -> Measured:
    """A dose as the hand measures it."""
    if stock.hand == "drops":
        return Measured(unit="drops", quantity=drops, text=f"{tell_drops(drops)} of {stock.name}")
    step = SCALE_STEP_G if stock.hand == "grams" else SYRINGE_STEP_ML
    amount = ml * stock.density_g_per_ml if stock.hand == "grams" else ml
    amount = round(math.floor(amount / step + 1e-6) * step, 6)
    text = f"{amount:.2f} {_sign(stock)} of {stock.name}"
    return Measured(unit=stock.hand, quantity=amount, text=text)


def measure_range(stock: Stock, drops: float, low: float, high: float) -> Measured | None:
    """A whole dose to the nearest point with its 95 % range, "12.3 (9 to 15) g"; None where the hand counts drops."""
    if stock.hand == "drops":
        return None
    each = stock.drop_ml * (stock.density_g_per_ml if stock.hand == "grams" else 1.0)
    told, least, most = (tell_typed(float(f"{count * each:.3g}")) for count in (drops, low, high))
    text = f"{told} ({least} to {most}) {_sign(stock)} of {stock.name}"
    return Measured(unit=stock.hand, quantity=drops * each, text=text)


def _sign(stock: Stock) -> str:
    return "g" if stock.hand == "grams" else "ml"


def warn_of_weight(measured: Measured) -> str | None:
    """What is to be said of a weight that a scale hardly tells, None where there is nothing."""
    amount = measured.quantity
    if measured.unit != "grams" or not 0 < amount < LITTLE_G:
        return None
    share = 100 * SCALE_STEP_G / amount
    return f"A scale that shows {SCALE_STEP_G:g} g tells {amount:.2f} g to {share:.0f} %: thin the stock, or count drops."
