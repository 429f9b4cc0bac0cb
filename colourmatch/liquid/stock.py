"""Stocks, drops and what a batch holds, in grams, millilitres and milligrams; it knows no light and no photo.

Strength counts as pure dye: a powder with 85 % dye is counted high by that much, which is the safe side of
every ceiling; what it really colours is learnt from the photos.
Defaults (0.05 ml a drop, at least 15 % uncertain; 20 to 60 drops a dose): common practice, no source,
except the drop, which is that of a standard dropper, 45 to 55 mg of water, within 15 % in use (USP <1101>).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from colourmatch.errors import InputError
from colourmatch.liquid.colourants import find_colourant
from colourmatch.words.figures import tell_drops

#: Fewest and most drops of a whole dose: fewer cannot be stepped, more thin the batch and tire the hand.
DOSE_DROPS = (20, 60)

# Common practice, no source: a scale that shows 0.01 g, one drop miscounted now and then, single drops that
# differ by 5 %, and a dropper that repeats its mean only to 3 % another day (angle, speed, temperature).
_SCALE_STEP_G = 0.01
_MISCOUNT_DROPS = 0.5
_SINGLE_DROP_REL_SD = 0.05
_ANOTHER_DAY_REL_SD = 0.03
_HANDY_FOLDS = tuple(step * 10**power for power in range(5) for step in (1, 2, 5))


def _check_number(value: object, what: str, low: float, high: float, advice: str) -> float:
    """The value as a float when it is above `low` and at most `high`; else an InputError sentence."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise InputError(f"{what} must be a number, not {value!r}. {advice}") from None
    if not math.isfinite(number) or number <= low or number > high:
        raise InputError(f"{what} must be more than {low:g} and at most {high:g}, not {value}. {advice}")
    return number


@dataclass(frozen=True)
class Stock:
    """A colourant made up to a stated strength, and the dropper it is dosed with; see `check_stock`.

    `colourant` is an E number or a code of an unknown bottle. `made_in` is "water" or "batch" (made up in a
    little of the batch itself, so that it does not thin it). The two `rel_sd` are relative standard
    deviations. `hand`: in what its doses are measured, "drops", "ml" or "grams".
    """

    name: str
    colourant: str
    strength_g_per_100ml: float
    drop_ml: float = 0.05
    made_in: str = "water"
    strength_rel_sd: float = 0.20
    drop_rel_sd: float = 0.15
    density_g_per_ml: float = 1.0
    hand: str = "drops"

    @property
    def mg_per_ml(self) -> float:
        """Colourant in 1 ml of the stock; 1 g in 100 ml is 10 mg/ml."""
        return 10.0 * self.strength_g_per_100ml

    @property
    def mg_per_drop(self) -> float:
        """Colourant in one drop."""
        return self.mg_per_ml * self.drop_ml


def check_stock(stock: Stock) -> Stock:
    """The stock itself when every figure of it is possible; InputError or NotFoundError says what to mend."""
    name = stock.name.strip() if isinstance(stock.name, str) else ""
    if not 1 <= len(name) <= 120 or not stock.name.isprintable():
        raise InputError("A stock needs a name of 1 to 120 printable characters. Give it a short one, such as red.")
    find_colourant(stock.colourant)
    _check_number(
        stock.strength_g_per_100ml,
        "Strength",
        0,
        100,
        "Give grams of colourant in 100 ml of stock, such as 1.0.",
    )
    if stock.strength_g_per_100ml < 1e-6:
        raise InputError(
            f"Strength must be at least 0.000001 g in 100 ml, not {stock.strength_g_per_100ml}. "
            "Give grams of colourant in 100 ml of stock, such as 1.0."
        )
    _check_number(stock.drop_ml, "Drop", 0, 0.5, "A drop is near 0.05 ml; weigh 20 to 50 drops to know yours.")
    if stock.drop_ml < 0.005:
        raise InputError(f"Drop must be at least 0.005 ml, not {stock.drop_ml}. A usual drop is near 0.05 ml.")
    if stock.made_in not in ("water", "batch"):
        raise InputError(f'A stock is made in "water" or "batch", not {stock.made_in!r}. Choose one of the two.')
    for what, value in (("Strength spread", stock.strength_rel_sd), ("Drop spread", stock.drop_rel_sd)):
        _check_number(value, what, 0, 1, "It is a share of the value, such as 0.15 for 15 %.")
    _check_number(stock.density_g_per_ml, "Density", 0.5, 2, "Water is 1.0 g/ml, syrup up to 1.35.")
    return stock


class DropWeight(NamedTuple):
    """Volume of one drop and the relative standard deviation of a later dose counted with it."""

    drop_ml: float
    rel_sd: float


def weigh_drops(stock: Stock, drops: int, grams: float, density_g_per_ml: float | None = None) -> DropWeight:
    """Drop volume from the weight of a counted number of drops; the density is the stock's unless given.

    drop_ml = grams / drops / density. Uncertainty: two readings of a scale that shows 0.01 g, half a drop of
    miscount, 5 % between single drops and 3 % from one day to another, added as squares (GUM, JCGM 100:2008).
    InputError for impossible values, also for a drop outside 0.005 to 0.5 ml.

    >>> drop = weigh_drops(Stock("red", "E129", 1.0), drops=40, grams=1.93)
    >>> round(drop.drop_ml, 5), round(drop.rel_sd, 3)
    (0.04825, 0.034)
    """
    count = _check_number(drops, "Number of drops", 0, 1000, "Count 20 to 50 drops.")
    if count < 5:
        raise InputError(f"{tell_drops(count)} are too few to weigh. Count 20 to 50 drops.")
    weight = _check_number(grams, "Weight", 0, 500, "Give the grams that the drops weigh together.")
    density = _check_number(
        stock.density_g_per_ml if density_g_per_ml is None else density_g_per_ml,
        "Density", 0.5, 2, "Water is 1.0 g/ml.",
    )  # fmt: skip
    drop_ml = weight / count / density
    if not 0.005 <= drop_ml <= 0.5:
        raise InputError(
            f"{tell_drops(count)} of {weight:g} g would be {drop_ml:.3g} ml each, which no dropper gives. "
            "Check the count and the weight."
        )
    parts = (
        _SCALE_STEP_G / math.sqrt(6) / weight,  # two readings, each rounded: sqrt(2) * 0.01 / sqrt(12)
        _MISCOUNT_DROPS / count,
        _SINGLE_DROP_REL_SD / math.sqrt(count),
        _ANOTHER_DAY_REL_SD,
    )
    return DropWeight(drop_ml, math.hypot(*parts))


@dataclass(frozen=True)
class Addition:
    """A volume of a stock that went, or is to go, into the batch."""

    stock: Stock
    ml: float

    @classmethod
    def from_drops(cls, stock: Stock, drops: float) -> Addition:
        """So many drops of the stock's own dropper, up to 100000."""
        return cls(stock, _check_number(drops, "Drops", 0, 100_000, "Count the drops again.") * stock.drop_ml)

    @classmethod
    def from_ml(cls, stock: Stock, ml: float) -> Addition:
        """A volume in millilitres, by pipette or syringe."""
        return cls(stock, _check_number(ml, "Millilitres", 0, 100_000, "Give the volume that went in."))

    @classmethod
    def from_grams(cls, stock: Stock, grams: float) -> Addition:
        """A weight in grams; volume = grams / density."""
        weight = _check_number(grams, "Grams", 0, 100_000, "Give the weight of stock that went in.")
        return cls(stock, weight / stock.density_g_per_ml)

    @property
    def mg(self) -> float:
        """Colourant in this volume."""
        return self.ml * self.stock.mg_per_ml

    @property
    def drops(self) -> float:
        """The volume as drops of the stock's own dropper."""
        return self.ml / self.stock.drop_ml


@dataclass(frozen=True)
class BatchState:
    """Volume and colour of the batch now: mg by stock, mg by colourant, and the mg/l it held from the start.

    `already_mg_per_l` is what the base brought with it, at the present volume: water thins it like the rest;
    `already_colourant` says which colourant that is, None when nobody knows. `made_up_to`: the parts of drink that
    1 part of it is made up to by the instructions on its label, 1 for a drink that is drunk as it is; `water_ml`: what of
    the volume is water that stocks brought.
    """

    volume_ml: float
    mg: dict[str, float] = field(default_factory=dict)
    already_mg_per_l: float = 0.0
    mg_by_colourant: dict[str, float] = field(default_factory=dict)
    already_colourant: str | None = None
    made_up_to: float = 1.0
    water_ml: float = 0.0

    @property
    def base_share(self) -> float:
        """Part of the volume that is base: water from stocks lowers it, untinted batch raises it."""
        return 1 - self.water_ml / self.volume_ml

    def add(self, addition: Addition) -> BatchState:
        """The state after an addition: milligrams add up, and the volume grows by a stock made in water.

        A stock made in the batch keeps the volume: the batch it was made of counts as batch from the start,
        so weighing it out and pouring it back changes only where the colour is.

        65 drops of 0.5 mg in 900 ml, which they make 903.25:

        >>> dose = Addition.from_drops(Stock("red", "E129", 1.0), 65)
        >>> round(BatchState(900.0).add(dose).total_mg_per_l(), 2)
        35.98
        """
        stock = addition.stock
        water = 0.0 if stock.made_in == "batch" else addition.ml
        volume = self.volume_ml + water
        return replace(
            self,
            volume_ml=volume,
            water_ml=self.water_ml + water,
            mg=_plus(self.mg, stock.name, addition.mg),
            already_mg_per_l=self.already_mg_per_l * self.volume_ml / volume,
            mg_by_colourant=_plus(self.mg_by_colourant, stock.colourant, addition.mg),
        )

    def add_untinted(self, ml: float) -> BatchState:
        """The state after blending back untinted batch: volume grows, milligrams stay.

        What the base brought stays the same per litre: the untinted batch holds it too.
        """
        added = _check_number(ml, "Untinted batch", 0, 2_000_000, "Give the millilitres that were poured in.")
        return replace(self, volume_ml=self.volume_ml + added)

    def take_sample(self, ml: float) -> BatchState:
        """The state after a sample that does not come back: milligrams and volume fall together."""
        taken = _check_number(ml, "Sample", 0, 2_000_000, "Give the millilitres that were taken.")
        if taken >= self.volume_ml:
            raise InputError(f"A sample of {taken:g} ml cannot be taken from {self.volume_ml:g} ml. Check the volume.")
        return replace(self.filled_up(1 - taken / self.volume_ml), volume_ml=self.volume_ml - taken)

    def filled_up(self, part: float) -> BatchState:
        """The state once all but a part of it was set aside and filled up with untinted batch."""
        return replace(
            self,
            water_ml=self.water_ml * part,
            mg={name: mg * part for name, mg in self.mg.items()},
            mg_by_colourant={name: mg * part for name, mg in self.mg_by_colourant.items()},
        )

    def concentration_mg_per_l(self, stock: Stock | str) -> float:
        """Colourant that one stock (or the stock of that name) brought, per litre of batch as it is now."""
        return self.mg.get(stock if isinstance(stock, str) else stock.name, 0.0) / self.volume_ml * 1000

    def colourant_mg_per_l(self, e_number: str) -> float:
        """One colourant from all stocks per litre of batch, without what the base brought with it."""
        return self.mg_by_colourant.get(e_number, 0.0) / self.volume_ml * 1000

    def total_mg_per_l(self) -> float:
        """All colourants per litre of batch, with what the base brought with it."""
        return sum(self.mg.values()) / self.volume_ml * 1000 + self.already_mg_per_l

    def drops_for(self, stock: Stock, target_mg_per_l: float) -> float:
        """Drops still to add for a concentration from this stock, 0.0 when it is there already.

        The batch grows with each drop of a stock made in water: (m + n q) / (V + n d) = target, so
        n = (target V - m) / (q - target d), with q mg in a drop of d ml (d = 0 for a stock made in the
        batch). InputError when the stock is not stronger than the target.
        """
        target = target_mg_per_l / 1000  # mg/ml
        missing_mg = target * self.volume_ml - self.mg.get(stock.name, 0.0)
        if missing_mg <= 0:
            return 0.0
        growth_ml = 0.0 if stock.made_in == "batch" else stock.drop_ml
        gain_mg = stock.mg_per_drop - target * growth_ml
        if gain_mg <= 0:
            raise InputError(
                f"{stock.name} holds {stock.mg_per_ml * 1000:g} mg/l and cannot bring a batch to "
                f"{target_mg_per_l:g} mg/l. Make a stronger stock."
            )
        return missing_mg / gain_mg


def _plus(amounts: dict[str, float], key: str, mg: float) -> dict[str, float]:
    return amounts | {key: amounts.get(key, 0.0) + mg}


def part_learnt(
    learnt: tuple[float, float], before: tuple[float, float], drop: tuple[float, float] | None
) -> tuple[float, float]:
    """Strength over label, and its relative sd, out of what drops of unknown size taught of strength times drop.

    learnt: factor and relative sd; before: relative sd of strength and of drop before any lot; drop: weighed over assumed
    size of that drop, and its relative sd, None where another dropper was weighed. Of the logarithm of a sum of two
    normal parts each has its share by variance (normal conditional mean).

    >>> part_learnt((1.2, 0.05), (0.2, 0.15), (1.2, 0.02))[0]
    1.0
    >>> round(part_learnt((1.2, 0.05), (0.2, 0.15), None)[0], 3)
    1.124
    """
    factor, sd = learnt
    strength, size = (value**2 for value in before)
    if drop is not None:
        return factor / drop[0], math.hypot(sd, drop[1])
    share = strength / (strength + size)
    return factor**share, math.hypot(share * sd, math.sqrt(strength * size / (strength + size)))


def dilute(stock: Stock, fold: float, name: str | None = None) -> Stock:
    """The stock with 1 part made up to `fold` parts (10: 1 + 9), in water or, as before, in the batch.

    The relative uncertainties stay: they are those of the label and of the dropper.
    InputError for a fold below 1, which would make it stronger.
    """
    times = _check_number(fold, "Dilution", 0, 100_000, "1 part made up to 10 parts is 10.")
    if times < 1:
        raise InputError(f"Dilution must be at least 1, not {fold}. 1 part made up to 10 parts is 10.")
    return replace(
        stock,
        name=name or f"{stock.name} 1 in {times:g}",
        strength_g_per_100ml=stock.strength_g_per_100ml / times,
        density_g_per_ml=1 + (stock.density_g_per_ml - 1) / times,
    )


@dataclass(frozen=True)
class StrengthAdvice:
    """A strength that makes the whole dose countable; `fold` thins the given stock, None: it is too weak."""

    strength_g_per_100ml: float
    drops: float
    fold: int | None
    text: str


def suggest_strength(stock: Stock, target_mg_per_l: float, volume_ml: float) -> StrengthAdvice:
    """How strong a stock should be so that the whole dose is 20 to 60 drops (common practice).

    The ideal strength is that of 35 drops, the geometric middle. `fold` is the handiest dilution (1, 2, 5,
    10 ...) of the given stock that falls in the range, and `drops` the dose with it; None when the stock is
    too weak even undiluted, and `drops` are then those of the undiluted one (inf when it can never get
    there).

    >>> suggest_strength(Stock("red", "E129", 10.0), target_mg_per_l=45, volume_ml=900).text
    'Dilute red 5-fold (1 part made up to 5): about 41 drops.'
    """
    target = _check_number(target_mg_per_l, "Target", 0, 100_000, "Give mg of colourant per litre of batch.")
    volume = _check_number(volume_ml, "Batch volume", 0, 2_000_000, "Give it in ml, up to 2000 litres.")
    middle_ml = math.sqrt(DOSE_DROPS[0] * DOSE_DROPS[1]) * stock.drop_ml
    grown = volume + (0.0 if stock.made_in == "batch" else middle_ml)
    ideal = target * grown / 1000 / middle_ml / 10
    fitting = [(fold, _dose(stock, fold, target, volume)) for fold in _HANDY_FOLDS]
    if fitting[0][1] > DOSE_DROPS[1]:
        text = f"{stock.name} is weak for this batch: make a stock of about {ideal:.2g} g in 100 ml."
        return StrengthAdvice(ideal, fitting[0][1], None, text)
    fold, drops = min(fitting, key=lambda pair: abs(math.log(pair[1] * stock.drop_ml / middle_ml)))
    steps = ", in two steps" if fold > 100 else ""
    text = (
        f"{stock.name} as it is: about {tell_drops(round(drops))}."
        if fold == 1
        else f"Dilute {stock.name} {fold}-fold (1 part made up to {fold}{steps}): about {tell_drops(round(drops))}."
    )
    return StrengthAdvice(ideal, drops, fold, text)


def _dose(stock: Stock, fold: int, target_mg_per_l: float, volume_ml: float) -> float:
    try:
        return BatchState(volume_ml).drops_for(dilute(stock, fold), target_mg_per_l)
    except InputError:
        return math.inf
