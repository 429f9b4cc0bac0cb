"""The maker's answer to what is asked of a lot: the entry that puts it right, or that it was not so; it asks nothing."""

from __future__ import annotations

from typing import Any, Unpack

from colourmatch.advice import Cause
from colourmatch.book.entries import SWAPPED, AdditionEntry, LotEntry, LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.book.transactions import By, part_of
from colourmatch.errors import InputError
from colourmatch.liquid.mishaps import LABEL
from colourmatch.words.doubts import tell_cause
from colourmatch.workflow.doubts import OLDER, put_right
from colourmatch.workflow.lot import advise_lot


def answer_question(
    book: LotBook, lot: int | str, *, yes: bool, cause: str | None = None, **by: Unpack[By]
) -> LotEntry:
    """Answer what is asked of a lot now; yes: it is put right by the entry that mends it, which is given.

    cause: the code of the one that is meant where two are named, else the likeliest. InputError when nothing is asked or
    the code is not among those named.
    """
    if (known := book.entries.with_token(lot, by.get("token"))) is not None:
        return known
    story = book.lots.story(lot)
    question = advise_lot(book, story.lot.id).question
    asked = question.causes if question else ()
    named = [one for one in asked if cause in (None, one.code)]
    if not asked:
        raise InputError("Nothing is asked of this lot now. See: colourmatch lot show " + str(story.lot.id))
    if not named:
        codes = " or ".join(one.code for one in asked)
        raise InputError(f"{cause!r} is not asked of this lot. Give --cause {codes}.")
    if yes:
        return _accept(book, story, named[0], by)
    answers = [
        book.entries.answer(story.lot.id, one.code, one.about, False, **(part_of(by, str(k)) if k else by))
        for k, one in enumerate(named)
    ]
    return answers[-1]


def _accept(book: LotBook, story: LotStory, cause: Cause, by: By) -> LotEntry:
    """The entry that puts right what went wrong."""
    code, entry = cause.code, story.find(cause.about)
    why = tell_cause(code, photo="", stock="", other=cause.stock or "", part=cause.part or 1.0).reason
    if isinstance(entry, AdditionEntry):
        if code == "dose-missing":
            return book.additions.correct(entry.id, void=True, reason=why, **by)
        if code == "other-bottle":
            return book.additions.correct(entry.id, stock=cause.stock, reason=why, **by)
        amount: dict[str, Any] = {entry.unit: put_right(entry, cause.part or 1.0)}
        return book.additions.correct(entry.id, reason=why, **amount, **by)
    if code in (SWAPPED, LABEL):
        return book.entries.answer(story.lot.id, code, entry.id, True, **by)
    if code == OLDER:
        assert cause.at is not None, "it is asked with the time that the photo is moved to"
        return book.entries.move(entry.id, cause.at, why, **by)
    return book.photos.set_aside(story.lot.id, entry.id, why, **by)
