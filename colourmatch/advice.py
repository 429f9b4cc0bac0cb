"""What is advised for a lot, as it is kept and shown: codes, figures, sentences; of older books less.
It decides nothing: dosing/ and workflow/ fill it, words/ says it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from colourmatch.colour.difference import Difference, Figure
from colourmatch.measurement import Colour
from colourmatch.records import Record, decimals, kept, several
from colourmatch.words.advice import NO_ROOM, tell_room, tell_uncounted

#: Why a lot ended, as the advice gives it.
STOPS = ("matched", "nearest", "ceiling", "past")

#: Above this many drops a dose is measured in millilitres.
MOST_DROPS = 120


def _difference(told: Mapping[str, Any]) -> Figure | None:
    return Figure.from_json(told["delta_e_2000"]) if told.get("delta_e_2000") else None


def _as_difference(figure: Figure) -> dict[str, Any]:
    return {"delta_e_2000": figure.to_json()}


class Measured(Record):
    """An amount of a stock as the hand measures it: "drops", "ml" or "grams", how many, and a part of a sentence."""

    unit: str = kept()
    quantity: float = kept()
    text: str = kept()


class Dose(Record):
    """An addition of one stock: whole drops, what they are in ml and mg per litre of batch, and as it is measured."""

    stock: str = kept()
    drops: int = kept()
    ml: float = kept(write=decimals(3))
    mg_per_l: float = kept(write=decimals(3))
    measured: Measured | None = kept(Measured.from_json)

    @property
    def amount(self) -> tuple[float, str]:
        """How much in which unit: as its hand measures it, and in ml where the drops are too many to count."""
        if self.measured and self.measured.unit != "drops":
            return self.measured.quantity, self.measured.unit
        return (self.drops, "drops") if self.drops <= MOST_DROPS else (self.ml, "ml")

    @property
    def text(self) -> str:
        """The same with its stock, as a part of a sentence."""
        if self.measured and self.amount[1] == self.measured.unit:
            return self.measured.text
        return tell_uncounted(self.stock, self.drops, self.ml)


class DropsToMatch(Record):
    """Further drops of a stock to the nearest point, with their 95 % range."""

    stock: str = kept()
    drops: int | None = kept()
    low: int | None = kept()
    high: int | None = kept()


class DoseInAll(DropsToMatch):
    """Whole dose of a stock to the nearest point, also as it is measured."""

    measured: Measured | None = kept(Measured.from_json)


class StockLearnt(Record):
    """What the photos taught of a stock: real over label strength with its 95 % range, where its band lies."""

    stock: str = kept()
    strength_factor: float = kept()
    low: float = kept()
    high: float = kept()
    shift_nm: Figure | None = kept(Figure.from_json)
    text: str | None = kept(later=True)


class Amounts(Record):
    """Colour in the batch, mg/l: by the labels, and as the photos tell; text where they lie apart."""

    by_labels_mg_per_l: float = kept()
    by_photos_mg_per_l: Figure = kept(Figure.from_json)
    text: str | None = kept()


class Curve(Record):
    """Difference against further drops of a stock, with its 95 % range."""

    stock: str = kept()
    drops: Sequence[float] = kept()
    delta_e_2000: Sequence[float] = kept()
    low: Sequence[float] = kept()
    high: Sequence[float] = kept()
    best_drops: float = kept()
    ceiling_drops: int | None = kept()


class Rescue(Record):
    """Untinted batch to pour in: millilitres, what difference is then expected, chance that the batch is past.

    set_aside_ml: how much of the batch is taken out before; predicted is then what further doses reach from there.
    chance_nearer: chance that some amount of it brings the batch clearly nearer.
    """

    untinted_ml: float = kept(write=decimals(1))
    predicted: Figure = kept(Figure.from_json)
    chance_past: float = kept(write=decimals(3))
    set_aside_ml: float = kept(write=decimals(1), default=0.0)
    text: str = kept()
    chance_nearer: float = 0.0


class OtherStock(Record):
    """A stock that is not the lot's: what could be reached with it as well, the gain, and how much it would take."""

    stock: str = kept()
    reachable: Figure = kept(Figure.from_json, key="reachable_delta_e_2000")
    gain: Figure = kept(Figure.from_json)
    doses: tuple[Dose, ...] = kept(several(Dose), default=())
    text: str = kept()

    @property
    def name(self) -> str:
        """What it is called in a sentence."""
        return self.stock


def name_kinds(kind: str, also: str | None) -> str:
    """One kind of colour or two, in the same order whichever comes first."""
    return " or ".join(sorted(filter(None, (kind, also))))


class MissingKind(Record):
    """The kind of colour that would close the gap, where no stock on the shelf does; doses of what stands for it.

    also: a second kind that may bring as much.
    """

    kind: str = kept()
    reachable: Figure = kept(Figure.from_json, key="reachable_delta_e_2000")
    gain: Figure = kept(Figure.from_json)
    text: str = kept()
    doses: tuple[Dose, ...] = ()
    also: str | None = kept(later=True)

    @property
    def name(self) -> str:
        """What it is called in a sentence."""
        return f"something {name_kinds(self.kind, self.also)}"


class Bottle(Record):
    """The bottle that is advised of one colourant, and the whole dose as drops of each."""

    colourant: str = kept()
    advised: str = kept()
    instead_of: Sequence[str] = kept(default=())
    whole_drops: Mapping[str, float] = kept()
    text: str = kept()


class Cause(Record):
    """What may have gone wrong by hand: its chance, the entry that it is about, and the question."""

    code: str = kept()
    chance: float = kept()
    part: float | None = kept()
    stock: str | None = kept()
    about: int = kept()
    at: str | None = kept()
    text: str = kept()


class Question(Record):
    """A doubt as it is put; sure: whether one cause is the answer; comes_first: whether it is put before any advice."""

    code: str = kept()
    entry: int = kept()
    at: str | None = kept()
    stays_at: str | None = kept()
    log_odds: float = kept()
    text: str = kept()
    sure: bool = kept()
    causes: tuple[Cause, ...] = kept(several(Cause), default=())
    comes_first: bool = False


class Together(Record):
    """What several photos of one state give together; retake: the one that lies apart."""

    photos: Sequence[str] = kept()
    reference_lab: Sequence[float] = kept()
    batch_lab: Sequence[float] = kept()
    delta_e_2000: Figure = kept(Figure.from_json)
    difference: Difference = kept(Difference.from_json)
    between_sd: float = kept()
    agree: bool = kept()
    retake: str | None = kept()
    apart: float | None = kept(key="apart_delta_e_2000")
    text: str = kept()


class Caution(Record):
    """A usual caution of a colourant."""

    code: str = kept()
    text: str = kept()


class SpotsServed(Record):
    """The liquids in one look: Lab of that light's white (2 degrees)."""

    reference: Colour = kept(Colour.from_json)
    batch: Colour = kept(Colour.from_json)
    batch_after: Colour | None = kept(Colour.from_json)


class Served(Record):
    """One look: how far batch and reference are apart now and after the step, and what would match here alone."""

    name: str = kept()
    depth_mm: float = kept()
    dilution: float = kept()
    illuminant: str = kept()
    weight: float = kept()
    delta_e_2000: Figure = kept(Figure.from_json)
    text: str = kept()
    after_step: Figure | None = kept(Figure.from_json)
    after_text: str | None = kept()
    to_match: tuple[DropsToMatch, ...] = kept(several(DropsToMatch), default=())
    spots: SpotsServed = kept(SpotsServed.from_json)


class Advice(Record):
    """What to do now; guide/method.md, When to stop, says what `action` and `reason` rest on.

    now: the difference of the batch as its photos show it, None while none shows it as it is; expected: what it should
    be then; amounts: the colour in the batch by labels and by photos; surprises: stocks whose strength is not that of the
    label. What a lot of the book has besides is there once it was looked for: serving to cautions. Not kept: surely_short,
    even at the best dose the lot's stocks stay over the tolerance with 95 % probability; finding: of the text what is so,
    without what to do about it.
    """

    action: str = kept(default="")
    reason: str = kept(default="")
    text: str = kept(default="")
    doses: tuple[Dose, ...] = kept(several(Dose), default=())
    now: Figure | None = kept(Figure.from_json)
    predicted: Figure | None = kept(_difference, write=_as_difference)
    to_match: tuple[DoseInAll, ...] = kept(several(DoseInAll), default=())
    reachable: Figure | None = kept(Figure.from_json)
    ceiling_left_mg_per_l: float | None = kept(write=decimals(2))
    used_mg_per_l: float | None = kept(write=decimals(2))
    ceiling_mg_per_l: float | None = kept()
    ceiling_cost: float | None = kept(key="ceiling_cost_delta_e_2000", write=decimals(2))
    missing: str | None = kept()
    predicted_lab: Mapping[str, Sequence[float]] | None = kept()
    predicted_covariance: Sequence[Sequence[float]] | None = kept()
    curve: Curve | None = kept(Curve.from_json)
    rescue: Rescue | None = kept(Rescue.from_json)
    problem: str | None = kept()
    chance_within_tolerance: float | None = kept(write=decimals(3))
    stocks_learnt: tuple[StockLearnt, ...] = kept(several(StockLearnt), default=())
    state_photographed: bool = kept(default=True)
    expected: Figure | None = kept(_difference, write=_as_difference)
    amounts: Amounts | None = kept(Amounts.from_json)
    surprises: tuple[StockLearnt, ...] = kept(several(StockLearnt), default=())
    serving: tuple[Served, ...] = kept(several(Served), default=(), later=True)
    bottles: tuple[Bottle, ...] = kept(several(Bottle), default=(), later=True)
    other_stocks: tuple[OtherStock, ...] = kept(several(OtherStock), default=(), later=True)
    missing_kind: MissingKind | None = kept(MissingKind.from_json, later=True)
    combined: Together | None = kept(Together.from_json, later=True)
    question: Question | None = kept(Question.from_json, later=True)
    label: str | None = kept(later=True)
    cautions: tuple[Caution, ...] = kept(several(Caution), default=(), later=True)
    surely_short: bool = False
    finding: str = ""

    @property
    def besides(self) -> list[str]:
        """What stands beside the sentence and is not said in it: what is in the way, and blending back.

        Blending back is not offered where another colour is what helps: untinted batch is poured in for good.
        """
        rescue = None if self.other_stocks or self.missing_kind else self.rescue
        return [text for text in (self.problem, rescue and rescue.text) if text and text not in self.text]

    @property
    def steps(self) -> tuple[Dose, ...]:
        """The doses that are advised now; with several stocks, or a part of them in, what is left."""
        return self.doses if self.action == "add" else ()

    def contradict(self, outcome: str) -> str:
        """What it says where a lot is closed for another of its reasons, or with room; else nothing."""
        if outcome not in STOPS or outcome == self.reason:
            return ""
        left = self.ceiling_left_mg_per_l if outcome == "ceiling" else None
        room = tell_room(left) if left and self.text != NO_ROOM else ""
        return " ".join(filter(None, (room, self.text)))

    def to_json(self) -> dict[str, Any]:
        """The advice object of the command line; the reachable difference by itself too, as the first books have it."""
        told = super().to_json()
        if "reachable" in told:
            told.setdefault("reachable_delta_e_2000", self.reachable and round(self.reachable.value, 2))
        return told
