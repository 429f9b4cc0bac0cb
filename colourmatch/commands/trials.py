"""Beside the steps of a lot, on the command line: trials on a measured part, looks in a glass, another stock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from colourmatch.commands.framework import (
    Answer,
    Command,
    Session,
    Who,
    amount_option,
    text_option,
    who_options,
)
from colourmatch.commands.lines import advice_lines, intake_lines, serving_lines
from colourmatch.commands.typed import Serving
from colourmatch.errors import InputError

if TYPE_CHECKING:
    from colourmatch.book.entries import LotStory
    from colourmatch.book.lot_book import LotBook

#: What may go back, said whenever something does.
CLEAN = (
    "Pour back only what was kept clean and undiluted; a glass that stood on the bench is not poured back."
)


@click.command(cls=Command, example="colourmatch lot trial 1 --ml 100")
@click.argument("lot")
@amount_option("--ml", "part", "Take a trial of so many ml; 50 or 100 are good.")
@click.option("--pour-back", is_flag=True, help="LOT is a trial: close it and pour it back into its batch.")
@who_options
def trial(session: Session, lot: str, ml: float | None, pour_back: bool, who: Who) -> Answer:
    """Tint a measured part of the batch first.

    The trial is a lot of its own with its drops and photos; what was found there is scaled to the batch. Without --ml
    and --pour-back: the trials of a lot.
    """
    from colourmatch.workflow.closing import finish_trial
    from colourmatch.workflow.trials import describe_trials

    if ml is not None and pour_back:
        raise InputError("Give one of --ml, to take a trial, and --pour-back, to end one.")
    with session.open_book() if ml is not None or pour_back else session.read_book() as book:
        if ml is not None:
            return _take(book, lot, ml, who)
        head = book.lots.get(lot)
        if pour_back:
            entry = finish_trial(book, head.id, **who)
            trials = describe_trials(book, book.lots.story(head.id))
            state = book.lots.story(entry.lot_id).state()
            line = f"Trial, lot {head.id}, is closed and poured back into lot {entry.lot_id}: now {state.volume_ml:.1f} ml."
            data = {
                "lot": entry.lot_id,
                "trial": head.id,
                "entry": entry.id,
                "ml": entry.ml,
                "trials": trials,
            }
            return Answer(data, [line, CLEAN, f"Next: colourmatch lot photo {entry.lot_id} PHOTO"])
        trials = describe_trials(book, book.lots.story(head.id))
    none = f"Lot {head.id} has no trial. Take one: colourmatch lot trial {head.id} --ml 100"
    data = {"lot": head.id, "trial_of": head.trial_of, "trials": trials}
    return Answer(data, [one["text"] for one in trials] or [none])


def _take(book: LotBook, lot: str, ml: float, who: Who) -> Answer:
    made = book.trials.take(lot, ml, **who)
    left = book.lots.story(made.trial_of or 0).state().volume_ml
    data = {
        "lot": made.id, "trial_of": made.trial_of, "name": made.name, "ml": ml, "batch_ml": round(left, 3),
        "stocks": list(made.stocks),
    }  # fmt: skip
    lines = [
        f"Lot {made.id} is a trial of {ml:g} ml from lot {made.trial_of}, which keeps {left:.1f} ml.",
        f"Write its drops and photos into it: colourmatch lot photo {made.id} PHOTO",
        f"What it says for the batch: colourmatch lot trial {made.trial_of}",
    ]
    return Answer(data, lines)


@click.command(cls=Command, example="colourmatch lot look 1 --serving 'depth-mm=60,dilution=4,light=A'")
@click.argument("lot")
@text_option(
    "--serving", "KEY=VALUE,...",
    "A glass: name, depth-mm, dilution, light (A, D65, 2700 K ...). Repeat for a second [default: the lot's own, or "
    "6 cm with soda in daylight and warm light].", type=Serving(), multiple=True,
)  # fmt: skip
def look(session: Session, lot: str, serving: tuple[dict[str, Any], ...]) -> Answer:
    """How batch and reference look in a glass.

    Now, and after the advised step. Nothing is written down; what a glass brings against the daily intake stands
    below.
    """
    from colourmatch.workflow.glasses import EXAMPLE_GLASSES, serve_lot
    from colourmatch.workflow.intake import read_intake

    with session.read_book() as book:
        story = book.lots.story(lot)
        own = (story.lot.serving or {}).get("conditions") or list(EXAMPLE_GLASSES)
        asked = [one for one in serving if one]
        doses = _next_doses(book, story)
        seen = serve_lot(book, story.lot.id, asked or own, doses)
        intake = read_intake(story, asked or None)
    data = {"lot": story.lot.id, "serving": seen, "intake": intake}
    if not seen:
        none = f"No photo says anything of lot {story.lot.id} yet: colourmatch lot photo {story.lot.id} PHOTO"
        return Answer(data, [none])
    return Answer(data, [*serving_lines(seen), *intake_lines(intake)])


def _next_doses(book: LotBook, story: LotStory) -> list[dict[str, Any]]:
    """What is advised next, empty while drops wait for a photo: the advice knew nothing of them."""
    from colourmatch.workflow.describing import describe_lot

    last = story.photos[-1].id if story.photos else 0
    if story.lot.closed or any(entry.id > last for entry in story.additions):
        return []
    advice: dict[str, Any] = describe_lot(book, story.lot.id)["advice"] or {}
    return list(advice.get("doses") or ()) if advice.get("action") == "add" else []


@click.command(cls=Command, example="colourmatch lot use 1 gold --reason 'the yellow is missing'")
@click.argument("lot")
@click.argument("stocks", nargs=-1, required=True, metavar="STOCK...")
@text_option("--reason", "TEXT", "", default="to come nearer to the reference", show_default=True)
@who_options
def use(session: Session, lot: str, stocks: tuple[str, ...], reason: str, who: Who) -> Answer:
    """Use another stock in a lot as well.

    The advice then weighs it with the others. What was used before stays in the history.
    """
    from colourmatch.workflow.lot import advise_lot

    with session.open_book() as book:
        head = book.lots.get(lot)
        wanted = list(dict.fromkeys([*head.stocks, *(book.stocks.get(stock).name for stock in stocks)]))
        if wanted == list(head.stocks):
            raise InputError(f"Lot {head.id} uses {', '.join(head.stocks)} already. Name another stock.")
        done = book.lots.amend(head.id, reason, stocks=wanted, **who)
        advice = None if head.closed else advise_lot(book, head.id)
    data = {"lot": head.id, "entry": done.id, "stocks": wanted, "advice": advice}
    return Answer(data, [f"Lot {head.id} uses {', '.join(wanted)} now.", *advice_lines(advice)])
