"""Beside and after the steps of a lot, on the command line: trials, looks in a glass, another stock, rechecks, trend."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from colourmatch.commands import options as opt
from colourmatch.commands.framework import Answer, Command, Data, Session, Table, Who
from colourmatch.commands.lines import advice_lines, drift_lines, intake_lines, serving_lines
from colourmatch.commands.photos import answer_entries, reading_options, record_each
from colourmatch.errors import InputError
from colourmatch.words.figures import tell_number

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook

#: What may go back, said whenever something does.
CLEAN = "Pour back only what was kept clean and undiluted; a glass that stood on the bench is not poured back."


@click.command(cls=Command, example="colourmatch lot trial 1 --ml 100")
@click.argument("lot")
@opt.amount("--ml", "part", "Take a trial of so many ml; 50 or 100 are good.")
@opt.flag("--pour-back", "LOT is a trial: close it and pour it back into its batch.")
@opt.who
def trial(session: Session, lot: str, ml: float | None, pour_back: bool, who: Who) -> Answer:
    """Tint a measured part of the batch first.

    The trial is a lot of its own with its drops and photos; what was found there is scaled to the batch. Without --ml
    and --pour-back: the trials of a lot.
    """
    from colourmatch.workflow.closing import finish_trial
    from colourmatch.workflow.trials import describe_trials

    if ml is not None and pour_back:
        raise InputError("Give one of --ml, to take a trial, and --pour-back, to end one.")
    book = session.open_book() if ml is not None or pour_back else session.read_book()
    if ml is not None:
        return _take(book, lot, ml, who)
    head = book.lots.get(lot)
    if pour_back:
        entry = finish_trial(book, head.id, **who)
        trials = describe_trials(book, book.lots.story(head.id))
        state = book.lots.story(entry.lot_id).state()
        line = f"Trial, lot {head.id}, is closed and poured back into lot {entry.lot_id}: now {state.volume_ml:.1f} ml."
        told = [one.to_json() for one in trials]
        data = {"lot": entry.lot_id, "trial": head.id, "entry": entry.id, "ml": entry.ml, "trials": told}
        return Answer(data, [line, CLEAN, f"Next: colourmatch lot photo {entry.lot_id} PHOTO"])
    trials = describe_trials(book, book.lots.story(head.id))
    none = f"Lot {head.id} has no trial. Take one: colourmatch lot trial {head.id} --ml 100"
    data = {"lot": head.id, "trial_of": head.trial_of, "trials": [one.to_json() for one in trials]}
    return Answer(data, [one.text for one in trials] or [none])


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
@opt.text(
    "--serving", "KEY=VALUE,...",
    "A glass: name, depth-mm, dilution, light (A, D65, 2700 K ...). Repeat for a second [default: the lot's own, or "
    "6 cm with soda in daylight and warm light].", type=opt.SERVING, multiple=True,
)  # fmt: skip
def look(session: Session, lot: str, serving: tuple[Data, ...]) -> Answer:
    """How batch and reference look in a glass.

    Now, and after the advised step. Nothing is written down; what a glass brings against the daily intake stands
    below.
    """
    from colourmatch.workflow.glasses import EXAMPLE_GLASSES, serve_lot
    from colourmatch.workflow.lot import advise_lot
    from colourmatch.workflow.photo_colours import read_intake

    book = session.read_book()
    story = book.lots.story(lot)
    own = story.lot.glasses or EXAMPLE_GLASSES
    asked = [one for one in serving if one]
    # what is advised next; none while drops wait for a photo: the advice knew nothing of them
    last = story.photos[-1].id if story.photos else 0
    waits = story.lot.closed or any(entry.id > last for entry in story.additions)
    doses = () if waits else advise_lot(book, story.lot.id).steps
    seen = serve_lot(book, story.lot.id, asked or own, doses)
    intake = [glass.to_json() for glass in read_intake(story, asked or None)]
    data = {"lot": story.lot.id, "serving": [one.to_json() for one in seen], "intake": intake}
    if not seen:
        none = f"No photo says anything of lot {story.lot.id} yet: colourmatch lot photo {story.lot.id} PHOTO"
        return Answer(data, [none])
    return Answer(data, [*serving_lines(seen), *intake_lines(intake)])


@click.command(cls=Command, example="colourmatch lot use 1 gold --reason 'the yellow is missing'")
@click.argument("lot")
@click.argument("stocks", nargs=-1, required=True, metavar="STOCK...")
@opt.text("--reason", "TEXT", "", default="to come nearer to the reference", show_default=True)
@opt.who
def use(session: Session, lot: str, stocks: tuple[str, ...], reason: str, who: Who) -> Answer:
    """Use another stock in a lot as well.

    The advice then weighs it with the others. What was used before stays in the history.
    """
    from colourmatch.workflow.lot import advise_lot, use_stocks

    book = session.open_book()
    done = use_stocks(book, lot, stocks, reason, **who)
    head, wanted = book.lots.get(done.lot_id), done.changes["stocks"]
    advice = None if head.closed else advise_lot(book, head.id).to_json()
    data = {"lot": head.id, "entry": done.id, "stocks": wanted, "advice": advice}
    said = f"Lot {head.id} uses {', '.join(wanted)} now."
    return Answer(data, [said, *advice_lines(advice, head.id, head.tolerance)])


@click.command(cls=Command, example="colourmatch lot trend --stock red")
@opt.text("--stock", "STOCK", "Only lots of this stock, all bottles of its name.")
@opt.text("--reference", "NAME", "Only lots tinted to this reference.")
@opt.text("--name", "TEXT", "Only lots of this name, else with this in their name or number.")
@click.option(
    "--limit",
    type=click.IntRange(1, 10_000),
    default=50,
    show_default=True,
    help="How many, the last closed.",
)
def trend(session: Session, stock: str | None, reference: str | None, name: str | None, limit: int) -> Answer:
    """Closed lots against each other: final colour, difference and dose, with limits of natural variation."""
    from colourmatch.workflow.trend import read_trend

    told = read_trend(session.read_book(needed=False), stock, reference, name, limit)
    rows = [lot.tell() for lot in told.lots]
    lines: list[str | Table] = [Table(list(rows[0]), [list(row.values()) for row in rows])] if rows else []
    known = {chart: (found.mean, found.low, found.high) for chart, found in told.limits.items() if found}
    limits = [(chart, *(tell_number(part, 2) for part in parts)) for chart, parts in known.items()]
    if rows and limits:
        lines.append(Table(("chart", "mean", "lower limit", "upper limit"), limits))
    lines += [told.text, *told.notes]
    lines += [f"Left out: lot {left.label}, {left.reason}." for left in told.left_out]
    return Answer(told.to_json(), lines)


@click.command(cls=Command, example="colourmatch lot recheck 1 after-a-week.jpg")
@click.argument("lot")
@click.argument("photos", nargs=-1, metavar="[PHOTO...]")
@reading_options
@opt.who
def recheck(
    session: Session, lot: str, photos: tuple[str, ...], card_name: str | None, light: str | None, who: Who
) -> Answer:
    """Does the colour of a closed lot hold? Photograph it beside its reference in a week and in a month.

    Without a photo it says what is known so far. Photos are read with the card and the light noted for the lot;
    --card-name and --light note others from now on.
    """
    from colourmatch.workflow.recheck import read_drift, record_recheck

    book = session.open_book() if photos else session.read_book()
    lot_id = book.lots.get(lot).id

    def record(path: str, own: Who) -> Data:
        (sent,) = record_recheck(book, lot_id, [Path(path)], card=card_name, light=light, **own)
        return sent.to_json()

    found = record_each(session, photos, who, record)
    drift = read_drift(book, lot_id)
    data = {"lot": lot_id, "photos": found, "drift": drift.to_json()}
    return answer_entries(found, data, list(drift_lines(drift)))
