"""What is entered into a lot on the command line: doses, samples, what is put right of them, photos set aside."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from colourmatch.commands.framework import (
    Answer,
    Command,
    Session,
    Who,
    amount_option,
    number_option,
    options,
    text_option,
    who_options,
)
from colourmatch.commands.lines import advice_lines, state_lines
from colourmatch.commands.lot_head import head_figures, head_options, one_volume
from colourmatch.commands.typed import parse_moment
from colourmatch.errors import InputError, QuestionError
from colourmatch.words.entries import tell_changes, tell_entry

if TYPE_CHECKING:
    from colourmatch.book.entries import LotEntry, LotStory
    from colourmatch.book.lot_book import LotBook


_amount_options = options(
    number_option("--drops", "Drops that went in."),
    amount_option("--ml", "dose", "Millilitres that went in."),
    amount_option("--grams", "dose weighed", "Grams that went in."),
)
_ADDITION, _VOLUME = ("stock", "quantity", "unit", "ml", "mg"), ("ml",)


@click.command(cls=Command, asks=True, example="colourmatch lot add 1 --stock red --drops 12")
@click.argument("lot")
@text_option("--stock", "STOCK", "What went in.")
@_amount_options
@amount_option("--untinted-ml", "part", "Instead: untinted batch that was blended back.")
@text_option("--note", "TEXT", "A remark.")
@who_options
def add(
    session: Session, lot: str, stock: str | None, untinted_ml: float | None, note: str | None, who: Who, **given: Any
) -> Answer:  # fmt: skip
    """Write down what went in.

    An addition of a stock, or untinted batch that was blended back. A dose of somebody else that no photo has seen is asked
    about once.
    """
    from colourmatch.workflow.log import open_dose_of_other
    from colourmatch.workflow.shelf_state import warn_of_stocks

    by = who["entered_by"]
    with session.open_book() as book:
        if untinted_ml is not None:
            if stock is not None or any(value is not None for value in given.values()):
                raise InputError("Write down one thing at a time: --stock with its amount, or --untinted-ml.")
            entry: Any = book.volumes.add_untinted(lot, untinted_ml, **who)
        else:
            if stock is None:
                raise InputError("Say what went in: --stock NAME with --drops, --ml or --grams.")
            if by and not session.sure and (open_dose := open_dose_of_other(book.lots.story(lot), by)):
                raise QuestionError(open_dose)
            entry = book.additions.add(lot, stock, **given, **who)
            session.warn(warn_of_stocks(book, [entry.stock]))
        if note:
            book.entries.add_note(entry.lot_id, note, entered_by=by)
        return _answer_entry(session, book, entry, _pick(entry, _VOLUME if stock is None else _ADDITION))


def _pick(entry: Any, fields: tuple[str, ...]) -> dict[str, Any]:
    return {field: getattr(entry, field) for field in fields}


def _answer_entry(
    session: Session, book: LotBook, entry: Any, data: dict[str, Any], line: str = ""
) -> Answer:
    """An entry with the state after it; what passes a ceiling is said, and recorded all the same."""
    from colourmatch.workflow.ceilings import describe_state, passed_ceilings

    story = book.lots.story(entry.lot_id)
    state, warnings = describe_state(story), passed_ceilings(story)
    session.warn(warnings)
    shown = {"lot": entry.lot_id, "entry": entry.id, "kind": entry.kind, **data, "state": state}
    shown |= {"ceiling_left_mg_per_l": state["ceiling_left_mg_per_l"], "warnings": warnings}
    shown["warning"] = warnings[0]["text"] if warnings else None
    line = line or f"Written down as entry {entry.id}: {tell_entry(entry)}."
    return Answer(shown, [line, *state_lines(state)])


@click.command(cls=Command, example="colourmatch lot sample 1 --ml 20")
@click.argument("lot")
@amount_option("--ml", "part", "What was taken from the batch.", required=True)
@click.option("--returned", is_flag=True, help="It went back whole; nothing changes.")
@who_options
def sample(session: Session, lot: str, ml: float, returned: bool, who: Who) -> Answer:
    """Write down a sample taken from the batch."""
    with session.open_book() as book:
        entry = book.volumes.take_sample(lot, ml, returned=returned, **who)
        return _answer_entry(session, book, entry, _pick(entry, ("ml", "returned")))


@click.command(cls=Command, example="colourmatch lot correct 1 4 --drops 11 --reason 'counted again'")
@click.argument("lot")
@click.argument("entry", required=False)
@text_option("--reason", "TEXT", "What was wrong, in a few words.")
@_amount_options
@text_option("--stock", "STOCK", "The stock that really went in.")
@click.option("--void", is_flag=True, help="It never happened.")
@text_option(
    "--at",
    "TIME",
    "When it really happened, local: '2026-11-25 14:30', or 14:30 on the day that the entry has.",
)
@amount_option("--volume", "batch", "Without ENTRY: the volume the lot began with, such as '2 l'.")
@amount_option("--volume-ml", "batch", "The same, in ml.")
@text_option("--name", "NAME", "What the drink is called.")
@text_option("--number", "NUMBER", 'Your own lot number; "none": L and its id.')
@text_option("--notes", "TEXT", "The remark that the lot was begun with.")
@head_options(begins=False)
@who_options
def correct(
    session: Session, lot: str, entry: str | None, reason: str | None, who: Who, **given: Any
) -> Answer:
    """Put an entry or a figure of the lot right.

    The old one stays in the history.
    ENTRY is the number of an addition or a sample, from `colourmatch lot show LOT`; with --at of a photo or a note too.
    """
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
    session: Session, book: LotBook, place: tuple[LotStory, str], amounts: dict[str, Any], who: Who
) -> Answer:
    story, typed = place
    wanted = next((known for known in story.events if str(known.id) == typed.strip()), None)
    if wanted is None:
        raise InputError(f"Lot {story.lot.id} has no entry {typed}. See: colourmatch lot show {story.lot.id}")
    if "at" in amounts:
        return _move_entry(session, book, wanted, amounts, who)
    is_volume = wanted.kind in ("sample", "untinted", "poured-back")
    if is_volume and (amounts.keys() - {"ml", "void"} or not amounts):
        raise InputError(f"Entry {wanted.id} is a volume. Correct it with --ml, or with --void.")
    kind: Any = book.volumes if is_volume else book.additions
    done = kind.correct(wanted.id, **amounts, **who)
    data = _pick(done, (*(_VOLUME if is_volume else _ADDITION), "void"))
    data |= {"replaces": wanted.id, "reason": done.reason}
    line = f"Entry {wanted.id} is replaced by entry {done.id}: {tell_entry(done)}."
    return _answer_entry(session, book, done, data, line)


def _move_entry(
    session: Session, book: LotBook, wanted: LotEntry, amounts: dict[str, Any], who: Who
) -> Answer:
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
@text_option("--cause", "CODE", "Which, where two are named; else the first.")
@who_options
def answer(session: Session, lot: str, yes: bool | None, cause: str | None, who: Who) -> Answer:
    """Answer what the advice asks: whether something went wrong by hand.

    Yes writes the entry that puts it right. Nothing is deleted.
    """
    from colourmatch.workflow.answering import answer_question

    if yes is None:
        raise InputError("Say --yes or --no.")
    with session.open_book() as book:
        entry = answer_question(book, lot, yes=yes, cause=cause, **who)
        return answer_advised(book, entry, {"kind": entry.kind})


def answer_advised(book: LotBook, entry: Any, data: dict[str, Any], line: str = "") -> Answer:
    """An entry after which the lot is advised otherwise, and how; `line`: the entry in words of its own."""
    from colourmatch.workflow.describing import describe_lot

    told = describe_lot(book, entry.lot_id)
    shown = {"lot": entry.lot_id, "entry": entry.id, **data, "advice": told["advice"]}
    return Answer(
        shown, [line or f"{tell_entry(entry)}.", *advice_lines(told["advice"], closed=told["closed"])]
    )


@click.command("set-aside", cls=Command, example="colourmatch lot set-aside 1 7 --why 'a lamp shone in'")
@click.argument("lot")
@click.argument("photo")
@text_option("--why", "TEXT", "What is wrong with it, in a few words.", required=True)
@click.option("--take-back", is_flag=True, help="Let a photo that was set aside count again.")
@who_options
def set_aside(session: Session, lot: str, photo: str, why: str, take_back: bool, who: Who) -> Answer:
    """Leave a photo that lies apart out of all that is said of a lot.

    Nothing is deleted. PHOTO is its entry, from `colourmatch lot show LOT`, or the name of its file.
    """
    with session.open_book() as book:
        entry = book.photos.set_aside(book.lots.get(lot).id, photo, why, back=take_back, **who)
        data = {"photo_entry": entry.photo_entry_id, "set_aside": not entry.back, "why": entry.reason}
        return answer_advised(book, entry, data)


@click.command(cls=Command, example="colourmatch lot reopen 1 --reason 'closed the wrong one'")
@click.argument("lot")
@text_option("--reason", "TEXT", "Why, in a few words.")
@who_options
def reopen(session: Session, lot: str, reason: str | None, who: Who) -> Answer:
    """Open a closed lot again.

    Its closing stays in the story. What it taught of the stocks is taken back until it is closed again.
    """
    with session.open_book() as book:
        entry = book.lots.reopen(book.lots.get(lot).id, reason or "", **who)
        line = f"Lot {entry.lot_id} is open again: {entry.reason}. Its closing, entry {entry.closing_entry_id}, stays in its story."
        data = {"closing_entry": entry.closing_entry_id, "reason": entry.reason}
        data["closed"] = book.lots.get(entry.lot_id).closed
        return answer_advised(book, entry, data, line)
