"""The next lot like an old one: its figures taken over, and the first dose that the last lots teach.
It shortens no step: what is poured first is photographed like any other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from colourmatch.advice import Advice, Caution, Dose, Measured
from colourmatch.book.entries import Lot, LotFigures, LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import StockEntry
from colourmatch.dosing.care import warn_of_base
from colourmatch.dosing.doses import measure_dose
from colourmatch.dosing.limits import room_mg_per_l
from colourmatch.dosing.problem import count_known
from colourmatch.errors import InputError
from colourmatch.facts import K_95
from colourmatch.liquid.stock import Addition, BatchState
from colourmatch.records import Record, alike, decimals, kept
from colourmatch.words.advice import FIRST_STEP, TAUGHT
from colourmatch.words.figures import tell_drops
from colourmatch.workflow.fitting import LEAST_LEARNT_SD, make_prior
from colourmatch.workflow.shelf_state import warn_of_stocks

#: Lots of one recipe need doses that differ by this much (one sd, relative), before two of them say how much: botanicals
#: differ from lot to lot (common practice, no source).
_LOTS_REL_SD = 0.15
#: So many of the last lots are asked.
_MOST_LOTS = 5
#: How a lot ended whose dose is worth repeating.
_GOOD = ("matched", "nearest")


class FirstDose(Record):
    """What the last lots say the whole dose of a stock will be, drops with their 95 % interval, and the first step of it.

    `step_ml` is what goes in before the first photo, `measured` the same as its hand measures it; `lots` are the labels of
    those asked.
    """

    stock: str = kept()
    drops: float = kept(write=decimals(3))
    low: float = kept(write=decimals(3))
    high: float = kept(write=decimals(3))
    step_drops: int = kept()
    step_ml: float = kept(write=decimals(3))
    step_grams: float = kept(write=decimals(3))
    measured: Measured = kept(Measured.from_json)
    lots: tuple[str, ...] = kept()
    text: str = kept(default="")

    @property
    def step(self) -> Dose:
        """Its first step, as an advice has it."""
        return Dose(self.stock, self.step_drops, round(self.step_ml, 3), measured=self.measured)


class Begun(NamedTuple):
    """A lot that was just begun, its first dose where lots like it taught one, and what is to be said of its base and bottles."""

    lot: Lot
    first_dose: list[FirstDose]
    warnings: list[Caution]


def begin_lot(book: LotBook, **head: Any) -> Begun:
    """Begin a lot, as `book.lots.begin` does."""
    lot = book.lots.begin(**head)
    of_base = warn_of_base(LotStory(lot, ()).state(), lot.ceiling_mg_per_l, lot.jurisdiction)
    first = find_first_dose(book, book.lots.story(lot.id))
    return Begun(lot, first, [*of_base, *warn_of_stocks(book, lot.stocks)])


def begin_with(advice: Advice, doses: Sequence[FirstDose]) -> Advice:
    """What a lot begins with: its first doses, where lots like it taught any, else what is advised anyway."""
    steps = tuple(one.step for one in doses if one.measured.quantity)
    return advice.having(action="add", doses=steps, text=tell_first(doses)) if steps else advice


def tell_first(doses: Sequence[FirstDose]) -> str:
    """What to pour first, and what says so."""
    poured = [one.step.text for one in doses if one.measured.quantity]
    told = [FIRST_STEP.format(" and ".join(poured))] if poured else []
    for one in doses:
        whole = tell_drops(round(one.drops), (math.floor(one.low), math.ceil(one.high)))
        told.append(TAUGHT.format(", ".join(one.lots), one.stock, whole))
    return " ".join(told)


def fill_like(book: LotBook, like: int | str) -> LotFigures:
    """The figures of a lot like an old one, which a maker may change; its number, notes and photos stay its own.

    A stock that was put away is the bottle of its name that is in use. NotFoundError for a lot that is not there,
    ClosedError for a stock of which no bottle is left.
    """
    old = book.lots.get(like)
    stocks, lines = [book.stocks.get(name).name for name in old.stocks], take_lines(old)
    return alike(LotFigures, old, stocks=stocks, label_lines=lines, like=old.id, notes="")


def take_lines(old: Lot, *, same_drink: bool = True) -> dict[str, str]:
    """The lines of a label that the next lot takes over: not its day, and of another drink the producer alone."""
    return {
        key: line
        for key, line in old.label_lines.items()
        if (key != "best_before" if same_drink else key == "producer")
    }


def find_first_dose(book: LotBook, story: LotStory) -> list[FirstDose]:
    """The first dose of a lot that was begun like another, of each stock that is not in yet; empty once it was photographed
    or when no lot teaches it.

    Of each colourant the last good lots of its line held so many mg of true dye a litre (label times what the photos
    taught). Middle: their mean; spread: that of lots of one recipe (0.15 until two and more say it, GUM, JCGM
    100:2008), of the stock's strength and of its drop. The first step is 1 / (1 + 1.645 s) of it, so that it passes the
    dose in 5 % of lots, and stays under every ceiling, all stocks together.
    """
    head, state = story.lot, story.state()
    if head.like is None or story.photos:
        return []
    line, poured, found = _lots_of_line(book, head), {one.stock_id for one in story.additions}, []
    shelf = [book.stocks.get(name) for name in head.stocks]
    for stock in shelf:
        held = [amount for lot in line if (amount := _true_mg_per_l(book, lot, stock.colourant)) > 0]
        is_alone = sum(one.colourant == stock.colourant for one in shelf) == 1
        if held and is_alone and stock.id not in poured:
            room = _room_drops(head, state, stock, shelf)
            dose = _plan(story, state, stock, held, room)
            if dose is not None:
                state = state.add(Addition(stock.as_stock(learnt=False), dose.step_ml))
                dose = dose.having(lots=tuple(lot.lot.label for lot in line))
                found.append(dose.having(text=tell_first((dose,))))
    return found


def _lots_of_line(book: LotBook, head: Lot) -> list[LotStory]:
    """The last good lots that were begun like one another, up to the one that this lot names."""

    def trace(lot: Lot) -> list[int]:
        """A lot and those that it was begun like, up to the first."""
        found = [lot.id]
        while lot.like is not None:
            lot = book.lots.get(lot.like)
            found.append(lot.id)
        return found

    before = trace(head)[1:]
    of_line = [lot.id for lot in book.lots.closed(limit=50) if trace(lot)[-1] == before[-1]]
    stories = [book.lots.story(lot) for lot in sorted({*before, *of_line} - {head.id}, reverse=True)]
    return [one for one in stories if one.closing and one.closing.outcome in _GOOD][:_MOST_LOTS]


def _true_mg_per_l(book: LotBook, story: LotStory, colourant: str) -> float:
    """What a lot held of a colourant in the end, by the strengths that photos taught."""
    state, of_it = story.state(), [one for one in story.stock_entries if one.colourant == colourant]
    true_mg = sum(state.mg.get(entry.name, 0.0) * entry.strength_factor for entry in of_it)
    return true_mg / state.volume_ml * 1000


def _plan(
    story: LotStory, state: BatchState, entry: StockEntry, held: list[float], room_drops: float
) -> FirstDose | None:
    stock = entry.as_stock(lot_hand=story.lot.hand)
    middle = float(np.mean(held))
    # what was seen counts as n - 1 degrees of freedom beside 3 of what lots usually differ by
    seen = float(np.var(held, ddof=1)) / middle**2 if len(held) > 1 else 0.0
    between = (3 * _LOTS_REL_SD**2 + (len(held) - 1) * seen) / (len(held) + 2)
    spread = math.sqrt(
        between * (1 + 1 / len(held)) + max(entry.strength_rel_sd, LEAST_LEARNT_SD) ** 2 + entry.drop_rel_sd**2
    )
    try:
        drops = state.drops_for(stock, middle)
    except InputError:  # it is weaker than the drink is to be
        return None
    low, high = drops * math.exp(-K_95 * spread), drops * math.exp(K_95 * spread)
    step = min(drops / (1 + 1.645 * spread), room_drops)
    if stock.hand == "drops":
        step = float(int(step + 1e-6))
    ml = step * stock.drop_ml
    measured = measure_dose(stock, int(step), ml)
    return FirstDose(entry.name, drops, low, high, int(step), ml, ml * stock.density_g_per_ml, measured, ())


def _room_drops(head: Lot, state: BatchState, entry: StockEntry, shelf: Sequence[StockEntry]) -> float:
    """How many drops the lot's ceiling and the law of its place leave room for; every milligram counts as in any dose."""
    known = {one.name: make_prior(one) for one in shelf}
    counts = {name: count_known(prior.log_factor, prior.log_factor_sd) for name, prior in known.items()}
    more = sum((count - 1) * state.concentration_mg_per_l(name) for name, count in counts.items())
    room = room_mg_per_l(state, entry.colourant, head.ceiling_mg_per_l, head.jurisdiction) - more
    label = entry.as_stock(learnt=False)
    if room >= 1000 * label.mg_per_ml:
        return math.inf
    return state.drops_for(label, max(room, 0.0)) / counts[entry.name]
