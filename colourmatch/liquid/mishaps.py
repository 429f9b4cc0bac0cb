"""What may have gone wrong by hand in a lot: each possibility as what the glasses then really held; it judges none.

A lot's fit is made for each beside "as noted", and their evidence decides (liquid/learn.py). How much of a dose went in
is a continuous unknown of the fit, so that a spilled third and a dose that went in twice are one possibility.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spectra import EVERY_10_NM, WAVELENGTHS_NM
from colourmatch.liquid.lot_model import StockPrior
from colourmatch.records import Array

#: The cause that is nobody's slip.
LABEL = "label"
#: Chances before any photo, of one photo or one dose each (facts of the trade, no source: a slip in some tens of acts).
_SWAPPED, _THINNED, _PALER, _AMOUNT, _NOTHING, _UNSTIRRED, _BOTTLE, _LATE, _OTHER = (
    0.01, 0.015, 0.003, 0.015, 0.005, 0.015, 0.01, 0.008, 0.003,
)  # fmt: skip
#: Chance that a stock that no lot has tried is about half or twice as strong as its label, that a digit of it slipped, and
#: how near (sd of the log).
_LABELS, LABEL_LOG_SD = {0.5: 0.02, 2.0: 0.02, 0.1: 0.005, 10.0: 0.005}, 0.25
#: Part of a dose that went in or shows (median, sd of the natural log): a miscount or a second pour; what lies unstirred.
_MISCOUNTED, _SHOWN = (1.0, 0.6), (0.5, 0.45)
#: So many of the last steps and photos are looked at: what was wrong before them was asked about then.
_LOOKED_AT = 3
#: A reference that grew paler keeps this part of its colour.
_PALER_PARTS = (0.85, 0.7)


@dataclass(frozen=True)
class Dosed:
    """One addition as noted: of which stock, in mg per litre of batch at each shot (N,), 0 before it, and now.

    entry: its number in the book; ml_per_l: ml of stock per litre of batch, likewise.
    """

    entry: int
    stock: int
    mg_per_l: Array
    mg_per_l_now: float
    ml_per_l: Array
    ml_per_l_now: float

    @property
    def first_shot(self) -> int:
        """The first shot that shows it, the number of shots where none does."""
        shown = np.flatnonzero(self.mg_per_l)
        return int(shown[0]) if shown.size else len(self.mg_per_l)


@dataclass(frozen=True)
class Bottle:
    """Another bottle from the shelf: what is known of it, and the mg in a millilitre by its label."""

    prior: StockPrior
    mg_per_ml: float


@dataclass(frozen=True)
class Mishap:
    """One possibility: what really was, where it differs from what was noted.

    code: "" for as noted; log_chance: before any photo. shot, entry: which shot (its place) and addition it is about, -1
    for none. swapped (N,): the glasses stood the other way round. less, more (N, S): mg per litre of each stock that was
    noted and is not there, and that is there times an unknown part; other (N,): the same of another bottle, ...; the
    last of N is now. part: median and log sd of the unknown part. deeper, reference_deeper (N,): depth over what was
    noted. label: (S,) shift of the log of each stock's strength. blind (N,): the photo shows other liquids than the lot's.
    """

    code: str
    log_chance: float
    shots: int
    stocks: int
    shot: int = -1
    entry: int = -1
    swapped: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    less: Array = field(default_factory=lambda: np.zeros(0))
    more: Array = field(default_factory=lambda: np.zeros(0))
    other: Array = field(default_factory=lambda: np.zeros(0))
    bottle: StockPrior | None = None
    part: tuple[float, float] | None = None
    deeper: Array = field(default_factory=lambda: np.zeros(0))
    reference_deeper: Array = field(default_factory=lambda: np.zeros(0))
    label: Array = field(default_factory=lambda: np.zeros(0))
    blind: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))

    def __post_init__(self) -> None:
        shapes = {
            "swapped": ((self.shots,), False), "blind": ((self.shots,), False), "less": ((self.shots + 1, self.stocks), 0.0),
            "more": ((self.shots + 1, self.stocks), 0.0), "other": ((self.shots + 1,), 0.0),
            "deeper": ((self.shots,), 1.0), "reference_deeper": ((self.shots,), 1.0), "label": ((self.stocks,), 0.0),
        }  # fmt: skip
        for name, (shape, value) in shapes.items():
            if not getattr(self, name).size:
                object.__setattr__(self, name, np.full(shape, value))


def think_of(
    shots: int,
    stocks: Sequence[StockPrior],
    doses: Sequence[Dosed] = (),
    *,
    dilution: float = 1.0,
    shelf: Sequence[Bottle] = (),
    late: Mapping[tuple[int, int], float] | None = None,
    learnt: Sequence[bool] = (),
    references: Sequence[bool] = (),
) -> list[Mishap]:
    """Every possibility of a lot, as noted first; the chances of all add up to 1.

    shots, stocks: how many photos, in order of their taking, and the lot's stocks; doses: in order; dilution: parts that
    one part of batch is made up to for a photo; shelf: bottles that a dose may have come from instead; late: the chance
    that a shot was taken before an entry, where a clock says something of it; learnt: which stocks a lot has tried;
    references: which shots show the reference.
    """
    plain = Mishap("", 0.0, shots, len(stocks))
    found = [
        *_of_glasses(plain, dilution, references or [True] * shots),
        *_of_doses(plain, doses, shelf),
        *_of_photos(plain, doses, late or {}),
        *_of_labels(plain, learnt or [False] * len(stocks)),
    ]
    rest = 1 - sum(np.exp(one.log_chance) for one in found)
    return [replace(plain, log_chance=float(np.log(max(rest, 0.3)))), *found]


def _at(shots: int, place: int, value: float, otherwise: float = 1.0) -> Array:
    out = np.full(shots, otherwise)
    out[place] = value
    return out


def _of_glasses(plain: Mishap, dilution: float, references: Sequence[bool]) -> Iterator[Mishap]:
    """Glasses of something else or the other way round, a batch thinned otherwise than its reference, a reference that
    grew pale."""
    count = plain.shots
    for shot in range(max(count - _LOOKED_AT, 0), count):
        where = np.arange(count) == shot
        if count > 1:
            yield replace(plain, code="other-photo", log_chance=float(np.log(_OTHER)), shot=shot, blind=where)
        if not references[shot]:
            continue
        yield replace(plain, code="glasses-swapped", log_chance=np.log(_SWAPPED), shot=shot, swapped=where)
        parts = {dilution + 1, max(dilution - 1, 1.0), 1.0} - {dilution}
        chance = float(np.log(_THINNED / len(parts) / 2))
        about = replace(plain, code="thinned-unequally", log_chance=chance, shot=shot)
        for other in sorted(parts):
            yield replace(about, deeper=_at(count, shot, dilution / other))
            yield replace(about, reference_deeper=_at(count, shot, dilution / other))
        if shot:
            for part in _PALER_PARTS:
                yield replace(
                    plain, code="reference-paler", log_chance=float(np.log(_PALER / len(_PALER_PARTS))), shot=shot,
                    reference_deeper=np.where(np.arange(count) >= shot, part, 1.0),
                )  # fmt: skip


def _held(dose: Dosed) -> tuple[Array, Array]:
    """A dose in mg and in ml per litre at each shot and now, (N + 1,)."""
    return np.r_[dose.mg_per_l, dose.mg_per_l_now], np.r_[dose.ml_per_l, dose.ml_per_l_now]


def _only(plain: Mishap, stock: int, held: Array) -> Array:
    out = np.zeros((plain.shots + 1, plain.stocks))
    out[:, stock] = held
    return out


def _of_doses(plain: Mishap, doses: Sequence[Dosed], shelf: Sequence[Bottle]) -> Iterator[Mishap]:
    """More or less of a dose than was noted, none of it, or another bottle."""
    for dose in doses:
        if dose.first_shot >= plain.shots:
            continue
        mg, ml = _held(dose)
        own = _only(plain, dose.stock, mg)
        about = replace(plain, entry=dose.entry, shot=dose.first_shot, less=own)
        yield replace(about, code="dose-amount", log_chance=float(np.log(_AMOUNT)), more=own, part=_MISCOUNTED)
        yield replace(about, code="dose-missing", log_chance=float(np.log(_NOTHING)))
        for bottle in shelf if dose.first_shot >= plain.shots - _LOOKED_AT else ():
            yield replace(
                about, code="other-bottle", log_chance=float(np.log(_BOTTLE / len(shelf))), bottle=bottle.prior,
                other=ml * bottle.mg_per_ml, part=(float(np.exp(bottle.prior.log_factor)), bottle.prior.log_factor_sd),
            )  # fmt: skip


def _of_photos(plain: Mishap, doses: Sequence[Dosed], late: Mapping[tuple[int, int], float]) -> Iterator[Mishap]:
    """A photo that shows a part of the step before it, or that was taken before it."""
    for shot in range(max(plain.shots - _LOOKED_AT, 0), plain.shots):
        step = [dose for dose in doses if dose.first_shot == shot]
        if not step:
            continue
        for count in range(1, min(len(step), _LOOKED_AT) + 1):
            last = step[-count:]
            held = sum((_only(plain, dose.stock, _held(dose)[0]) for dose in last), np.zeros_like(plain.less))
            held = np.where((np.arange(plain.shots + 1) == shot)[:, None], held, 0.0)
            about = replace(plain, shot=shot, entry=last[0].entry, less=held)
            if count == len(step):
                chance = float(np.log(_UNSTIRRED))
                yield replace(about, code="not-stirred", log_chance=chance, more=held, part=_SHOWN)
            if chance := late.get((shot, last[0].entry), _LATE if count == 1 else 0.0):
                yield replace(about, code="photo-before-addition", log_chance=float(np.log(chance)))


def _of_labels(plain: Mishap, learnt: Sequence[bool]) -> Iterator[Mishap]:
    """A stock that is half or twice as strong as its label, or ten times less or more."""
    for k in range(plain.stocks):
        for times, chance in ({} if learnt[k] else _LABELS).items():
            shift = np.zeros(plain.stocks)
            shift[k] = np.log(times)
            yield replace(plain, code=LABEL, entry=k, log_chance=float(np.log(chance)), label=shift)


@dataclass(frozen=True)
class Hands:
    """All possibilities of a lot, stacked: arrays of the fields of K mishaps, those of a bottle as spectra (K, 41)."""

    mishaps: tuple[Mishap, ...]
    swapped: NDArray[np.bool_]
    less: Array
    more: Array
    other: Array
    spectra: Array
    deeper: Array
    reference_deeper: Array
    label: Array
    blind: NDArray[np.bool_]
    part: Array

    @property
    def log_chance(self) -> Array:
        """Before any photo, (K,)."""
        return np.array([one.log_chance for one in self.mishaps])

    @property
    def has_part(self) -> bool:
        """Whether any of them has an unknown part."""
        return any(one.part is not None for one in self.mishaps)

    def part_of(self, kind: NDArray[np.intp], log_part: Array) -> Array:
        """The part (D,) of the draws' dose, nothing where their possibility has none."""
        known = np.array([one.part is not None for one in self.mishaps])[kind]
        return np.where(known, np.exp(log_part), 0.0)


def stack(mishaps: Sequence[Mishap], path_cm: float) -> Hands:
    """The possibilities of one lot as arrays; path_cm: depth over dilution of its view."""
    blank = np.zeros(len(WAVELENGTHS_NM[EVERY_10_NM]))
    return Hands(
        tuple(mishaps),
        swapped=np.array([one.swapped for one in mishaps]),
        less=np.array([one.less for one in mishaps]),
        more=np.array([one.more for one in mishaps]),
        other=np.array([one.other for one in mishaps]),
        spectra=np.array(
            [blank if m.bottle is None else m.bottle.absorptivity[EVERY_10_NM] * path_cm for m in mishaps]
        ),
        deeper=np.array([one.deeper for one in mishaps]),
        reference_deeper=np.array([one.reference_deeper for one in mishaps]),
        label=np.array([one.label for one in mishaps]),
        blind=np.array([one.blind for one in mishaps]),
        part=np.array([(0.0, 1.0) if m.part is None else (np.log(m.part[0]), m.part[1]) for m in mishaps]),
    )
