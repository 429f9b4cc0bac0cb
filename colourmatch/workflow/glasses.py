"""What else a careful colourist says of a lot: how it looks where it is drunk, and another bottle.
It joins the rooms as lot.py does and stands beside the advice; another bottle may hold a step back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from colourmatch.advice import Advice, Bottle, Dose, MissingKind, OtherStock, Served
from colourmatch.book.checks import check_serving
from colourmatch.book.entries import LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import leave_out_example
from colourmatch.dosing import shelf_gain
from colourmatch.dosing.problem import Problem
from colourmatch.dosing.serving import look_at
from colourmatch.errors import InputError
from colourmatch.liquid.model import View
from colourmatch.words.advice import tell_before_blending, tell_past
from colourmatch.workflow.fitting import fit_story, make_prior, usable_photos, why_not_yet
from colourmatch.workflow.photo_colours import views_of

#: What an advice holds here when there is nothing to say.
NOTHING: dict[str, Any] = {"serving": (), "bottles": (), "other_stocks": (), "missing_kind": None}

#: Glasses to look at when nobody named any.
EXAMPLE_GLASSES = (
    {"name": "with soda, daylight", "depth_mm": 60.0, "dilution": 4.0, "illuminant": "D65"},
    {"name": "with soda, warm bar light", "depth_mm": 60.0, "dilution": 4.0, "illuminant": "A"},
)


def look_further(
    book: LotBook, story: LotStory, problem: Problem, advice: Advice, bottles: Sequence[Bottle] = ()
) -> Advice:
    """An advice with what goes with it: serving, bottles, other_stocks, missing_kind, and its text with theirs.

    Where another bottle would bring more, the step is held back to what is right beside it.
    """
    others, kind = _look_on_the_shelf(book, story, problem, advice)
    missing = others[0] if others else kind
    advice = shelf_gain.hold_back(problem, advice, missing) if missing else advice
    step = [sum(d.ml for d in advice.doses if d.stock == stock.name) for stock in problem.stocks]
    looks = look_at(problem, problem.views, step) if story.lot.glasses else ()
    said = [advice.text]
    if advice.doses:
        dosed = {dose.stock for dose in advice.doses}
        said += [choice.text for choice in bottles if choice.advised in dosed]
    said += [other.text for other in others[:1]]
    if kind is not None:
        said.append(kind.text)
    if (rescue := advice.rescue) is not None and len(said) > 1:
        # Untinted batch is poured in for good: what may do without it is said first.
        left, fills_up = rescue.predicted, rescue.set_aside_ml > 0
        found = advice.finding or advice.text
        if advice.reason == "past" and advice.now and not fills_up:
            found = tell_past(advice.now, short=True)
        said = [tell_before_blending(found, said[1:], rescue.untinted_ml, left, fills_up=fills_up)]
    further = {"bottles": tuple(bottles), "other_stocks": others, "missing_kind": kind}
    return advice.having(text=" ".join(said), serving=looks, **further)


def _look_on_the_shelf(
    book: LotBook, story: LotStory, problem: Problem, advice: Advice
) -> tuple[tuple[OtherStock, ...], MissingKind | None]:
    if not shelf_gain.is_out_of_reach(advice, problem.tolerance):
        return (), None
    own = {stock.name for stock in problem.stocks}
    shelf = [entry for entry in leave_out_example(book.stocks.all(), own) if entry.name not in own]
    others = shelf_gain.find_other_stocks(problem, [(e.as_stock(learnt=False), make_prior(e)) for e in shelf])
    # a step may be the first to show what a dose does: what is missing is told from the next photo on
    early = advice.action == "add" and advice.rescue is None and problem.fit.photos < 2
    told = advice.action in ("add", "stop") and not early
    return others, shelf_gain.find_missing_kind(problem) if told and not others else None


def serve_lot(
    book: LotBook, lot: int | str, conditions: Sequence[Mapping[str, Any]], doses: Sequence[Dose] = ()
) -> tuple[Served, ...]:
    """How a lot looks now in any glasses, as `serving` of the advice; empty while no photo says anything of it.

    conditions: depth_mm (as photographed when left out), dilution (1), illuminant (D65), name; doses: what the
    next step adds, as in the advice. InputError for a glass that cannot be.
    """
    story = book.lots.story(lot)
    if why_not_yet(story) is not None:
        return ()
    stocks, fit = fit_story(book, story, usable_photos(story))
    if not fit.success:
        return ()
    problem = Problem(fit, stocks, story.state(), views_of(story.lot))
    step = [sum(dose.ml for dose in doses if dose.stock == stock.name) for stock in stocks]
    return look_at(problem, [_view(story, condition) for condition in conditions], step)


def _view(story: LotStory, condition: Mapping[str, Any]) -> View:
    checked = check_serving({"conditions": [dict(condition)]})
    if checked is None:
        raise InputError("A glass needs a depth, a dilution or a light. Give one of them.")
    usual = {"depth_mm": story.lot.depth_mm, "dilution": 1.0}
    return View(**usual | checked["conditions"][0] | {"weight": 1.0})
