"""What is entered into a lot on the command line: doses, samples, what is put right of them, photos set aside."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from colourmatch.commands.framework import (
    Answer,
    Command,
    Number,
    Session,
    Sized,
    by_option,
    options,
    token_option,
)
from colourmatch.commands.lines import (
    advice_lines,
    state_lines,
)
from colourmatch.commands.lot_head import head_figures, head_options, one_volume
from colourmatch.errors import InputError, QuestionError
from colourmatch.words.entries import tell_changes, tell_entry

if TYPE_CHECKING:
    from colourmatch.book.entries import LotEntry, LotStory
    from colourmatch.book.lot_book import LotBook


_amount_options = options(
    click.option("--drops", type=Number(), help="Drops that went in."),
    click.option("--ml", type=Sized("dose"), help="Millilitres that went in."),
    click.option("--grams", type=Sized("dose weighed"), help="Grams that went in."),
)


@click.command(cls=Command, asks=True, example="colourmatch lot add 1 --stock red --drops 12")
@click.argument("lot")
@click.option("--stock", metavar="STOCK", help="What went in.")
@_amount_options
@click.option("--untinted-ml", type=Sized("part"), help="Instead: untinted batch that was blended back.")
@click.option("--note", metavar="TEXT", help="A remark.")
@by_option
@token_option
def add(
    session: Session, lot: str, stock: str | None, untinted_ml: float | None, note: str | None, **given: Any
) -> Answer:
    """Write down what went in.

    An addition of a stock, or untinted batch that was blended back. A dose of somebody else that no photo has seen is asked
    about once.
    """
    from colourmatch.workflow.log import open_dose_of_other
    from colourmatch.workflow.shelf_state import warn_of_stocks

    by, token = given.pop("by"), given.pop("token")
    with session.open_book() as book:
        if untinted_ml is not None:
            if stock is not None or any(value is not None for value in given.values()):
                raise InputError("Write down one thing at a time: --stock with its amount, or --untinted-ml.")
            entry: Any = book.volumes.add_untinted(lot, untinted_ml, entered_by=by, token=token)
            data: dict[str, Any] = {"ml": entry.ml}
        else:
            if stock is None:
                raise InputError("Say what went in: --stock NAME with --drops, --ml or --grams.")
            if by and not session.sure and (open_dose := open_dose_of_other(book.lots.story(lot), by)):
                raise QuestionError(open_dose)
            entry = book.additions.add(lot, stock, entered_by=by, token=token, **given)
            data = {key: getattr(entry, key) for key in ("stock", "quantity", "unit", "ml", "mg")}
            for warning in warn_of_stocks(book, [entry.stock]):
                session.note(f"Warning: {warning['text']}")
        if note:
            book.entries.add_note(entry.lot_id, note, entered_by=by)
        return _answer_entry(
            session, book, entry, data, f"Written down as entry {entry.id}: {tell_entry(entry)}."
        )


def _answer_entry(session: Session, book: LotBook, entry: Any, data: dict[str, Any], line: str) -> Answer:
    """An entry with the state after it; what passes a ceiling is said, and recorded all the same."""
    from colourmatch.workflow.ceilings import describe_state, passed_ceilings

    story = book.lots.story(entry.lot_id)
    state, warnings = describe_state(story), passed_ceilings(story)
    for warning in warnings:
        session.note(f"Warning: {warning['text']}")
    shown = {"lot": entry.lot_id, "entry": entry.id, "kind": entry.kind, **data, "state": state}
    shown |= {"ceiling_left_mg_per_l": state["ceiling_left_mg_per_l"], "warnings": warnings}
    shown["warning"] = warnings[0]["text"] if warnings else None
    return Answer(shown, [line, *state_lines(state)])


@click.command(cls=Command, example="colourmatch lot sample 1 --ml 20")
@click.argument("lot")
@click.option("--ml", type=Sized("part"), required=True, help="What was taken from the batch.")
@click.option("--returned", is_flag=True, help="It went back whole; nothing changes.")
@by_option
@token_option
def sample(
    session: Session, lot: str, ml: float, returned: bool, by: str | None, token: str | None
) -> Answer:
    """Write down a sample taken from the batch."""
    with session.open_book() as book:
        entry = book.volumes.take_sample(lot, ml, returned=returned, entered_by=by, token=token)
        line = f"Written down as entry {entry.id}: {tell_entry(entry)}."
        return _answer_entry(session, book, entry, {"ml": entry.ml, "returned": entry.returned}, line)


@click.command(cls=Command, example="colourmatch lot correct 1 4 --drops 11 --reason 'counted again'")
@click.argument("lot")
@click.argument("entry", required=False)
@click.option("--reason", metavar="TEXT", help="What was wrong, in a few words.")
@_amount_options
@click.option("--stock", metavar="STOCK", help="The stock that really went in.")
@click.option("--void", is_flag=True, help="It never happened.")
@click.option(
    "--at",
    metavar="TIME",
    help="When it really happened, local: '2026-11-25 14:30', or 14:30 on the day that the entry has.",
)
@click.option(
    "--volume", type=Sized("batch"), help="Without ENTRY: the volume the lot began with, such as '2 l'."
)
@click.option("--volume-ml", type=Sized("batch"), help="The same, in ml.")
@click.option("--name", metavar="NAME", help="What the drink is called.")
@click.option("--number", metavar="NUMBER", help='Your own lot number; "none": L and its id.')
@click.option("--notes", metavar="TEXT", help="The remark that the lot was begun with.")
@head_options(begins=False)
@by_option
@token_option
def correct(session: Session, lot: str, entry: str | None, reason: str | None, **given: Any) -> Answer:
    """Put an entry or a figure of the lot right.

    The old one stays in the history.
    ENTRY is the number of an addition or a sample, from `colourmatch lot show LOT`; with --at of a photo or a note too.
    """
    who = {"entered_by": given.pop("by"), "token": given.pop("token")}
    given["volume_ml"] = one_volume(given)
    entry_keys = ("drops", "ml", "grams", "stock", "void", "at")
    changes = head_figures({key: value for key, value in given.items() if key not in entry_keys})
    if str(changes.get("number")).strip().casefold() == "none" and "number" in changes:
        changes["number"] = None
    if "reference" in changes:
        changes["reference_id"] = changes.pop("reference")
    amounts = {key: given[key] for key in entry_keys if given[key] not in (None, False)}
    if entry is None and not changes:
        raise InputError(
            "Say what to correct: the number of an entry (see lot show), or a figure such as --volume-ml."
        )
    if (entry is None and amounts) or (entry is not None and changes):
        raise InputError(
            "An entry is corrected with --drops, --ml, --grams, --stock, --void or --at; the lot without ENTRY."
        )
    with session.open_book() as book:
        story = book.lots.story(lot)
        if entry is None:
            if "label_lines" in changes:  # what was not typed stays
                changes["label_lines"] = story.lot.label_lines | changes["label_lines"]
            done: Any = book.lots.amend(story.lot.id, reason or "", **changes, **who)
            line = f"Corrected: {tell_changes(done.changes)}."
            return _answer_entry(session, book, done, {"changes": done.changes}, line)
        return _correct_entry(session, book, (story, entry), amounts, {"reason": reason or "", **who})


def _correct_entry(
    session: Session, book: LotBook, place: tuple[LotStory, str], amounts: dict[str, Any], who: dict[str, Any]
) -> Answer:
    story, typed = place
    wanted = next((known for known in story.events if str(known.id) == typed.strip()), None)
    if wanted is None:
        raise InputError(f"Lot {story.lot.id} has no entry {typed}. See: colourmatch lot show {story.lot.id}")
    if "at" in amounts:
        return _move_entry(session, book, wanted, amounts, who)
    if wanted.kind in ("sample", "untinted", "poured-back"):
        if amounts.keys() - {"ml", "void"} or not amounts:
            raise InputError(f"Entry {wanted.id} is a volume. Correct it with --ml, or with --void.")
        done: Any = book.volumes.correct(wanted.id, **amounts, **who)
        data = {key: getattr(done, key) for key in ("ml", "void")}
    else:
        done = book.additions.correct(wanted.id, **amounts, **who)
        data = {key: getattr(done, key) for key in ("stock", "quantity", "unit", "ml", "mg", "void")}
    data |= {"replaces": wanted.id, "reason": done.reason}
    return _answer_entry(
        session, book, done, data, f"Entry {wanted.id} is replaced by entry {done.id}: {tell_entry(done)}."
    )


def _move_entry(
    session: Session, book: LotBook, wanted: LotEntry, amounts: dict[str, Any], who: dict[str, Any]
) -> Answer:
    from colourmatch.commands.moments import parse_moment

    if len(amounts) > 1:
        raise InputError("Put the time right by itself: give --at without an amount, a stock or --void.")
    day = datetime.fromisoformat(wanted.happened_at).astimezone().date()
    done = book.entries.move(wanted.id, parse_moment(amounts["at"], day), **who)
    data = {"moved_entry": wanted.id, "happened_at": done.moved_to, "reason": done.reason}
    line = f"{tell_entry(done)}. It counts there now, by entry {done.id}."
    return _answer_entry(session, book, done, data, line)


@click.command(cls=Command, example="colourmatch lot answer 1 --yes")
@click.argument("lot")
@click.option("--yes/--no", default=None, help="It was so: put it right. Or it was not: do not ask again.")
@click.option("--cause", metavar="CODE", help="Which, where two are named; else the first.")
@by_option
@token_option
def answer(
    session: Session, lot: str, yes: bool | None, cause: str | None, by: str | None, token: str | None
) -> Answer:
    """Answer what the advice asks: whether something went wrong by hand.

    Yes writes the entry that puts it right. Nothing is deleted.
    """
    from colourmatch.workflow.answering import answer_question
    from colourmatch.workflow.describing import describe_lot

    if yes is None:
        raise InputError("Say --yes or --no.")
    with session.open_book() as book:
        entry = answer_question(book, lot, yes=yes, cause=cause, entered_by=by, token=token)
        told = describe_lot(book, entry.lot_id)
    data = {"lot": entry.lot_id, "entry": entry.id, "kind": entry.kind, "advice": told["advice"]}
    return Answer(data, [f"{tell_entry(entry)}.", *advice_lines(told["advice"], closed=told["closed"])])


@click.command("set-aside", cls=Command, example="colourmatch lot set-aside 1 7 --why 'a lamp shone in'")
@click.argument("lot")
@click.argument("photo")
@click.option("--why", metavar="TEXT", required=True, help="What is wrong with it, in a few words.")
@click.option("--take-back", is_flag=True, help="Let a photo that was set aside count again.")
@by_option
@token_option
def set_aside(
    session: Session, lot: str, photo: str, why: str, take_back: bool, by: str | None, token: str | None
) -> Answer:
    """Leave a photo that lies apart out of all that is said of a lot.

    Nothing is deleted. PHOTO is its entry, from `colourmatch lot show LOT`, or the name of its file.
    """
    from colourmatch.workflow.describing import describe_lot

    with session.open_book() as book:
        entry = book.photos.set_aside(
            book.lots.get(lot).id, photo, why, back=take_back, entered_by=by, token=token
        )
        told = describe_lot(book, entry.lot_id)
    data = {
        "lot": entry.lot_id, "entry": entry.id, "photo_entry": entry.photo_entry_id, "set_aside": not entry.back,
        "why": entry.reason, "advice": told["advice"],
    }  # fmt: skip
    return Answer(data, [f"{tell_entry(entry)}.", *advice_lines(told["advice"], closed=told["closed"])])
