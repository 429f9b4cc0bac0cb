"""How much powder or liquid colour goes into a stock; it knows no drops."""

from __future__ import annotations

from dataclasses import dataclass

from colourmatch.errors import InputError
from colourmatch.words.figures import tell_ml


@dataclass(frozen=True)
class MakeUp:
    """What to weigh or measure for a stock, and the sentence that says it; `dye_g` is pure dye."""

    dye_g: float
    powder_g: float | None
    liquid_ml: float | None
    text: str


def plan_powder(strength_g_per_100ml: float, volume_ml: float, dye_content: float = 1.0) -> MakeUp:
    """Grams of powder for a stock: m = strength * volume / 100 / dye content.

    strength in g of pure dye in 100 ml, up to 100; volume 1 to 100000 ml; dye_content a share above 0, at most 1.
    InputError says what to mend.
    """
    dye = _pure_dye(strength_g_per_100ml, volume_ml)
    if not 0 < dye_content <= 1:
        raise InputError(
            f"The dye content must be more than 0 and at most 100 %, not {100 * dye_content:g} %. Read it on the bottle."
        )
    grams = dye / dye_content
    advice = ""
    if grams < 0.5:  # 0.01 g of a scale that shows 0.01 g is 2 % of it (common practice, no source)
        advice = (
            " So little weighs badly on a scale that shows 0.01 g: make more, or a stronger one, and thin it."
        )
    text = f"Weigh {grams:.3g} g of powder, dissolve it in a little warm water, make it up to {tell_ml(volume_ml, us=True)}."
    return MakeUp(dye, grams, None, text + advice)


def plan_liquid(strength_g_per_100ml: float, volume_ml: float, bottle_g_per_100ml: float) -> MakeUp:
    """Millilitres of a liquid colour for a stock: c1 V1 = c2 V2, both strengths in g of pure dye in 100 ml.

    InputError when the bottle is not stronger than the stock, or a figure is impossible.
    """
    dye = _pure_dye(strength_g_per_100ml, volume_ml)
    if not strength_g_per_100ml <= bottle_g_per_100ml <= 100:
        raise InputError(
            f"A liquid of {bottle_g_per_100ml:g} g in 100 ml cannot be made up to {strength_g_per_100ml:g}. "
            "Choose a weaker stock, or a liquid of up to 100 g in 100 ml."
        )
    ml = 100 * dye / bottle_g_per_100ml
    text = f"Measure {tell_ml(ml, us=True)} of the liquid and make it up with water to {tell_ml(volume_ml, us=True)}."
    return MakeUp(dye, None, ml, text)


def _pure_dye(strength_g_per_100ml: float, volume_ml: float) -> float:
    if not 0 < strength_g_per_100ml <= 100:
        raise InputError(
            f"The strength must be more than 0 and at most 100 g in 100 ml, not {strength_g_per_100ml:g}. 1 is usual."
        )
    if not 1 <= volume_ml <= 100_000:
        raise InputError(f"The stock must be 1 to 100000 ml, not {volume_ml:g}. 50 ml last for long.")
    return strength_g_per_100ml * volume_ml / 100
