"""Who did what: the entries of all lots and stocks, a dose of somebody else; and how one entry is taken back by another."""

from __future__ import annotations

from typing import Any, Unpack

from colourmatch.book import entries as e
from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.transactions import By
from colourmatch.records import Record, kept, pick
from colourmatch.words.entries import tell_dose, tell_entry
from colourmatch.words.times import tell_time


class LogLine(Record):
    """Who entered what and when; lot, number, entry: None for a stock."""

    at: str = kept()
    by: str | None = kept()
    lot: int | None = kept()
    number: str | None = kept()
    entry: int | None = kept()
    kind: str = kept()
    text: str = kept()


def list_log(book: LotBook, since: str, lot: int | str | None = None, by: str | None = None) -> list[LogLine]:
    """What was entered from a moment on (UTC text), in order, of one lot or all, by one person or all."""
    found = []
    for story in book.entries.stories_since(since, lot):
        head = story.lot
        if head.created_at >= since:
            found.append(_line(head, "begun", f"{head.name} begun", head))
        late = (event for event in story.events if event.created_at >= since)
        found += [_line(event, event.kind, tell_entry(event), head, event.id) for event in late]
    if lot is None:
        shelf = (stock for stock in book.stocks.all(active_only=False) if stock.created_at >= since)
        found += [_line(stock, "stock", f"Stock {stock.name} put on the shelf") for stock in shelf]
    wanted = None if by is None else by.strip().casefold()
    chosen = [one for one in found if wanted is None or (one.by or "").casefold() == wanted]
    return sorted(chosen, key=lambda one: (one.at, one.entry or 0))


def _line(
    made: e.Lot | e.LotEntry | StockEntry,
    kind: str,
    text: str,
    head: e.Lot | None = None,
    entry: int | None = None,
) -> LogLine:
    lot, number = (head.id, head.label) if head else (None, None)
    return LogLine(made.created_at, made.entered_by, lot, number, entry, kind, text)


def open_dose_of_other(story: e.LotStory, by: str | None) -> str | None:
    """The sentence about the last dose since the last photo, where somebody else poured it; None where none is open."""
    last: e.AdditionEntry | None = None
    for entry in story.effective:
        if isinstance(entry, e.PhotoEntry) and entry.purpose == "match":
            last = None
        elif isinstance(entry, e.AdditionEntry):
            last = entry
    if last is None or not by or not last.entered_by or last.entered_by.casefold() == by.strip().casefold():
        return None
    return (
        f"{last.entered_by} put {tell_dose(last)} in at {tell_time(last.created_at)}, and no photo has been taken since. "
        "If yours is another dose, add --sure; else photograph first."
    )


#: What an entry says that a correction can put right.
_SAID: dict[type[e.LotEntry], tuple[str, ...]] = {
    e.AdditionEntry: ("void", "quantity", "unit", "stock_id"),
    e.VolumeEntry: ("void", "ml", "returned"),
}


def can_take_back(story: e.LotStory, entry: e.LotEntry) -> bool:
    """Whether an entry still says what holds, and stands alone: what a trial took or brought is one act of several."""
    if entry.replaced_by_id is not None:
        return False
    if isinstance(entry, e.AdditionEntry | e.VolumeEntry):
        first = story.line(entry)[0]
        return not first.reason and getattr(first, "trial_lot_id", None) is None
    if isinstance(entry, e.PhotoEntry):
        return entry.aside is None
    if isinstance(entry, e.MovedEntry):
        moved = story.find(entry.moved_entry_id)
        stands = moved.replaced_by_id is None and not getattr(moved, "void", False)
        return stands and moved.moved_by_id == entry.id
    later: list[Any] = [one for one in story.all(type(entry)) if one.id > entry.id]
    if isinstance(entry, e.AsideEntry):
        return all(one.photo_entry_id != entry.photo_entry_id for one in later)
    if isinstance(entry, e.AnswerEntry):
        return entry.yes is not None and all(one.cause != entry.cause for one in later)
    if isinstance(entry, e.AmendmentEntry):
        return all(entry.changes.keys().isdisjoint(one.changes) for one in later)
    return isinstance(entry, e.ClosingEntry) and entry == story.closing


def take_back(book: LotBook, story: e.LotStory, entry: e.LotEntry, reason: str, **by: Unpack[By]) -> e.LotEntry:
    """Write down that an entry never happened, or what stood before it; ValueError for one that cannot be taken back."""
    lot = story.lot.id
    if not can_take_back(story, entry):
        raise ValueError(f"entry {entry.id} of the kind {entry.kind} cannot be taken back")
    if isinstance(entry, e.AdditionEntry | e.VolumeEntry):
        return _restore(book, story, entry, reason, **by)
    if isinstance(entry, e.AnswerEntry):
        return book.entries.answer(lot, *entry.cause, None, stock=entry.stock, reason=reason, **by)
    if isinstance(entry, e.ClosingEntry):
        return book.lots.reopen(lot, reason, **by)
    if isinstance(entry, e.AmendmentEntry):
        return book.lots.amend(lot, reason, **by, **_before(book, story, entry))
    if isinstance(entry, e.MovedEntry):
        moved = entry.moved_entry_id
        moves = [one.moved_to for one in story.all(e.MovedEntry) if one.moved_entry_id == moved]
        at = [story.line(story.find(moved))[0].created_at, *moves][-2]
        return book.entries.move(moved, at, reason, **by)
    back = isinstance(entry, e.AsideEntry) and not entry.back
    photo = entry.photo_entry_id if isinstance(entry, e.AsideEntry) else entry.id
    return book.photos.set_aside(lot, photo, reason, back=back, **by)


def _restore(
    book: LotBook, story: e.LotStory, entry: e.AdditionEntry | e.VolumeEntry, reason: str, **by: Unpack[By]
) -> e.LotEntry:
    """What stood before a correction, else that a dose or a part of the batch never went in or out."""
    said = _SAID[type(entry)]
    # corrections of a label say the same again
    earlier: list[Any] = [one for one in story.line(entry) if pick(one, *said) != pick(entry, *said)]
    old = earlier[-1] if earlier and not earlier[-1].void else None
    if isinstance(entry, e.VolumeEntry):
        part = {"void": True} if old is None else {"ml": old.ml, "returned": old.returned}
        return book.volumes.correct(entry.id, reason=reason, **part, **by)
    if old is None:
        return book.additions.correct(entry.id, reason=reason, void=True, **by)
    other = {} if old.stock_id == entry.stock_id else {"stock": old.stock_id}
    return book.additions.correct(entry.id, reason=reason, **{old.unit: old.quantity}, **other, **by)


def _before(book: LotBook, story: e.LotStory, entry: e.AmendmentEntry) -> dict[str, Any]:
    """The figures that an amendment changed, as they stood before it."""
    first = book.lots.story(story.lot.id, at=story.lot.created_at).lot
    known = pick(first, *entry.changes)
    for one in story.all(e.AmendmentEntry):
        if one.id < entry.id:
            known |= {key: value for key, value in one.changes.items() if key in known}
    return {key: list(value) if isinstance(value, tuple) else value for key, value in known.items()}
