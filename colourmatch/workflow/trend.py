"""Lots against each other: final colour and dose by closed lot, with limits of natural variation.
These are no tolerance. It refuses to pool lots that were not looked at in the same way, and to judge a lot
whose finished colour no photo shows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import tzinfo

import numpy as np

from colourmatch.book.checks import name_key
from colourmatch.book.entries import Lot, LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import is_example
from colourmatch.colour.difference import Figure, compare_lab
from colourmatch.facts import K_95
from colourmatch.records import Record, decimals, kept, pick, rounded, written
from colourmatch.words.figures import PLAIN, Signs, tell_interval, tell_number, tell_spread
from colourmatch.words.looks import tell_glass
from colourmatch.words.times import tell_date
from colourmatch.workflow.photo_colours import (
    Dose,
    Seen,
    final_photos,
    photo_view,
    read_doses,
    scale_covariance,
    see_photo,
    total_sd,
)

D2, D4 = 1.128, 3.267
#: Fewer values give no limits; fewer than the second give limits that are only provisional (common practice).
LEAST_VALUES, SETTLED_VALUES = 3, 20
#: So many lots of the invented kitchen may stand among the last ones.
_EXAMPLES = 50
CHARTS = {
    "L*": "lightness",
    "a*": "green to red",
    "b*": "blue to yellow",
    "CIEDE2000": "difference from the reference by the last photo",
    "mg/l": "colour added per litre of drink",
}


#: How figures are written.
_SHORT = decimals(4)


class Limits(Record):
    """Centre and control limits of a series and of its moving range."""

    mean: float = kept(write=_SHORT)
    low: float = kept(write=_SHORT)
    high: float = kept(write=_SHORT)
    mean_range: float = kept(write=_SHORT)
    high_range: float = kept(write=_SHORT)
    count: int = kept()
    provisional: bool = kept()


def control_limits(values: Sequence[float], *, lowest: float | None = None) -> Limits | None:
    """Limits of an individuals chart for values in their order, None for fewer than three.

    lowest: a bound under which the quantity cannot lie, such as 0 for a distance. Individuals and moving
    range chart (Shewhart) for ranges of two: mean +- 3/d2 x mean moving range, and D4 x that for the range.
    Source: ISO 7870-2:2013, NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (both from memory).
    """
    series, count = np.asarray(values, float), len(values)
    if not np.all(np.isfinite(series)):
        raise ValueError("values must be finite")
    if count < LEAST_VALUES:
        return None
    mean, mean_range = float(series.mean()), float(np.abs(np.diff(series)).mean())
    reach = 3 / D2 * mean_range
    low = mean - reach if lowest is None else max(mean - reach, lowest)
    return Limits(mean, low, mean + reach, mean_range, D4 * mean_range, count, count < SETTLED_VALUES)


class TrendLot(Record):
    """One closed lot: final Lab with sd, CIEDE2000 with interval, dose per litre with sd.

    `lab` is the reference's mean Lab over these lots plus the lot's own difference from it within its photo;
    `lab_sd` is that of the difference. `drops_per_l` counts the drops per litre of the batch as it ended.
    """

    lot: int = kept()
    label: str = kept()
    name: str = kept()
    closed_at: str = kept()
    outcome: str = kept()
    lab: tuple[float, float, float] = kept(write=written(rounded, 4))
    lab_sd: tuple[float, float, float] = kept(write=written(rounded, 4))
    delta_e_2000: Figure = kept(write=lambda figure: figure.rounded().to_json())
    mg_per_l: float = kept(write=_SHORT)
    mg_per_l_sd: float = kept(write=_SHORT)
    drops_per_l: float | None = kept(write=_SHORT)
    doses: tuple[Dose, ...] = kept()

    def tell(self, zone: tzinfo | None = None, signs: Signs = PLAIN) -> dict[str, str]:
        """The lot as a row of a table, by what its columns are called; its day is that of `zone`, else of this machine."""
        axes = zip(("L*", "a*", "b*"), self.lab, self.lab_sd, strict=True)
        return {
            "Lot": self.label,
            "Name": self.name,
            "Closed": tell_date(self.closed_at, zone),
            "Ended": self.outcome,
            **{axis: tell_spread(value, sd, signs=signs) for axis, value, sd in axes},
            "CIEDE2000, last photo": tell_interval(self.delta_e_2000, signs=signs),
            "mg/l": tell_spread(self.mg_per_l, self.mg_per_l_sd, signs=signs),
            "Drops/l": tell_number(self.drops_per_l, 0, signs),
        }

    def point(self, chart: str) -> tuple[float, float, float]:
        """Its value in a chart, and how far the 95 % interval of that reaches up and down."""
        if chart == "CIEDE2000":
            part = self.delta_e_2000
            return part.value, part.high - part.value, part.value - part.low
        known = dict(zip(("L*", "a*", "b*"), zip(self.lab, self.lab_sd, strict=True), strict=True))
        value, sd = known.get(chart, (self.mg_per_l, self.mg_per_l_sd))
        return value, K_95 * sd, K_95 * sd


class Outside(Record):
    """A lot outside the limits of a chart: which, where, on which side, and in words."""

    lot: int = kept()
    label: str = kept()
    chart: str = kept()
    side: str = kept()
    value: float = kept(write=_SHORT)
    limit: float = kept(write=_SHORT)
    text: str = kept()


class LeftOut(Record):
    """A lot that is not compared with the others, and why."""

    lot: int = kept()
    label: str = kept()
    reason: str = kept()


class Trend(Record):
    """Closed lots in the order of closing, limits by chart, null where they cannot be told, points outside, lots left out."""

    lots: tuple[TrendLot, ...] = kept()
    limits: Mapping[str, Limits | None] = kept()
    outside: tuple[Outside, ...] = kept()
    left_out: tuple[LeftOut, ...] = kept()
    notes: tuple[str, ...] = kept()
    text: str = kept()
    charts: Mapping[str, str] = kept(default=lambda: CHARTS)


def read_trend(
    book: LotBook,
    stock: str | int | None = None,
    reference: str | int | None = None,
    name: str | None = None,
    limit: int = 50,
) -> Trend:
    """Final colour and dose of the last closed lots: of a stock, a reference, a name (else a part of one), or all.

    `limit` is the number of lots looked at; the invented lot is looked at where a stock or a name asks for it alone.
    NotFoundError for a stock or a reference that does not exist.
    """
    if limit < 1:
        raise ValueError(f"limit must be at least 1, got {limit}")
    heads = book.lots.closed(name, stock=stock, reference=reference, limit=limit + _EXAMPLES)
    # "Bitter" is that drink alone where there is one, though "Bitter orange" holds it too
    heads = [head for head in heads if name and name_key(head.name) == name_key(name)] or heads
    # the invented lot is none of the maker's, where it is not all that a stock or a name asks for
    own = [head for head in heads if not is_example(head)]
    heads = (own or ([] if stock is None and name is None else heads))[-limit:]
    view = (heads[-1].depth_mm, heads[-1].dilution) if heads else None
    shown: list[tuple[LotStory, Seen]] = []
    left_out: list[LeftOut] = []
    of_bottle: dict[int | str, list[np.ndarray]] = defaultdict(list)
    for head, story in zip(heads, book.lots.stories([head.id for head in heads]), strict=True):
        seen, reason = _look(story, view)
        if seen is None:
            left_out.append(LeftOut(head.id, head.label, reason))
        else:
            shown.append((story, seen))
            of_bottle[_bottle(story.lot)].append(seen.reference_lab)
    # the mean Lab of each reference over the photos of its lots: one place to draw all differences from
    anchors = {bottle: np.mean(labs, axis=0) for bottle, labs in of_bottle.items()}
    lots = tuple(_describe(story, seen, anchors[_bottle(story.lot)]) for story, seen in shown)
    limits, outside = {}, []
    several_drinks = min(len(anchors), len({name_key(lot.name) for lot in lots})) > 1
    for chart in CHARTS:
        values = [lot.point(chart)[0] for lot in lots]
        lowest = 0.0 if chart in ("CIEDE2000", "mg/l") else None
        limits[chart] = None if several_drinks else control_limits(values, lowest=lowest)
        outside += _find_outside(lots, values, chart, limits[chart])
    notes = tuple(_notes(lots, anchors))
    return Trend(lots, limits, tuple(outside), tuple(left_out), notes, tell_trend(lots, limits, outside))


def _bottle(head: Lot) -> int | str:
    """What stands for the reference of a lot: its own, else that of all lots of the drink's name without one."""
    return name_key(head.name) if head.reference_id is None else head.reference_id


def _look(story: LotStory, view: tuple[float, float] | None) -> tuple[Seen | None, str]:
    """What the last photo of the finished lot shows, or None and why the lot is left out."""
    head = story.lot
    if (head.depth_mm, head.dilution) != view:
        assert view is not None
        return None, f"looked at {tell_glass(head.depth_mm, head.dilution)}; the last lot {tell_glass(*view)}"
    final = [(photo, seen) for photo in final_photos(story) if (seen := see_photo(photo)) is not None]
    own = [seen for photo, seen in final if photo_view(head, photo.measurement) == photo_view(head, None)]
    if final and not own:
        return None, f"its last photos are of another depth or dilution than its own ({head.dilution:g})"
    if not own:
        return None, "no photo shows it beside its reference after the last dose"
    return own[-1], ""


def _describe(story: LotStory, seen: Seen, anchor: np.ndarray) -> TrendLot:
    covariance = seen.covariance + scale_covariance(seen.gap)
    doses, state, closing = read_doses(story), story.state(), story.closing
    assert closing is not None
    drops = [dose.drops for dose in doses]
    counted = sum(d for d in drops if d is not None) if None not in drops else None
    return TrendLot(
        **pick(story.lot, "label", "name"),
        lot=story.lot.id,
        closed_at=closing.created_at,
        outcome=closing.outcome,
        lab=tuple((anchor + seen.gap).tolist()),
        lab_sd=tuple(np.sqrt(np.diag(covariance)).tolist()),
        delta_e_2000=seen.told or compare_lab(seen.reference_lab, seen.batch_lab, covariance).delta_e_2000,
        mg_per_l=sum(dose.mg_per_l for dose in doses),
        mg_per_l_sd=total_sd(doses),
        drops_per_l=None if counted is None else counted / state.volume_ml * 1000,
        doses=doses,
    )


def _find_outside(
    lots: Sequence[TrendLot], values: Sequence[float], chart: str, limits: Limits | None
) -> list[Outside]:
    if limits is None:
        return []
    found = []
    for k, (lot, value) in enumerate(zip(lots, values, strict=True)):
        if value > limits.high or value < limits.low:
            side, bound = ("above", limits.high) if value > limits.high else ("below", limits.low)
            text = f"Lot {lot.label}: {chart} {value:.2f} is {side} {bound:.2f}."
            found.append(Outside(lot.lot, lot.label, chart, side, value, bound, text))
        step = abs(value - values[k - 1]) if k else 0.0
        if step > limits.high_range:
            text = (
                f"From lot {lots[k - 1].label} to {lot.label}: {chart} jumps by {step:.2f}, more than "
                f"{limits.high_range:.2f}."
            )
            found.append(Outside(lot.lot, lot.label, chart, "jump", step, limits.high_range, text))
    return found


def _notes(lots: Sequence[TrendLot], bottles: Collection[int | str]) -> list[str]:
    notes = []
    names = {name_key(lot.name) for lot in lots}
    if len(bottles) > 1 and len(names) == 1:
        notes.append(f"These lots have {len(bottles)} references; choose one of them to compare like with like.")
    elif any(isinstance(bottle, str) for bottle in bottles):
        each = " for each name" if len(names) > 1 else ""
        notes.append(f"Where the book names no reference, it is taken to be the same bottle{each}.")
    if len(names) > 1 and len(bottles) == 1:
        notes.append("These lots have several names; choose one to compare like with like.")
    return notes


def tell_trend(lots: Sequence[TrendLot], limits: Mapping[str, Limits | None], outside: Sequence[Outside]) -> str:
    """What closed lots say together: how many are outside, which, and where."""
    if not lots:
        return "No closed lot of your own can be compared yet. Close lots after a last photo beside the reference."
    if limits["L*"] is None and len(lots) >= LEAST_VALUES:
        return (
            f"{len(lots)} closed lots of several drinks have no limits together: choose one drink by its name, "
            "or note the reference that they share."
        )
    if limits["L*"] is None:
        return f"{len(lots)} closed lot{'s' if len(lots) > 1 else ''}: limits need at least {LEAST_VALUES}."
    rest = f" The limits rest on fewer than {SETTLED_VALUES} lots and are provisional."
    early = rest if limits["L*"].provisional else ""
    if not outside:
        return f"{len(lots)} closed lots, none outside its limits.{early}"
    strays = list(dict.fromkeys(point.label for point in outside))
    what = "one is outside its limits: lot" if len(strays) == 1 else f"{len(strays)} are outside their limits:"
    first = f"Of {len(lots)} closed lots {what} {', '.join(strays)}."
    return " ".join([first, *(point.text for point in outside)]) + early
