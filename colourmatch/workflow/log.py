"""Who did what: the entries of all lots and stocks from a time on, and a dose of somebody else that no photo has seen."""

from __future__ import annotations

from collections.abc import Sequence

from colourmatch.book.entries import AdditionEntry, Lot, LotEntry, LotStory, PhotoEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import StockEntry
from colourmatch.records import Record, kept
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
    made: Lot | LotEntry | StockEntry, kind: str, text: str, head: Lot | None = None, entry: int | None = None
) -> LogLine:
    lot, number = (head.id, head.label) if head else (None, None)
    return LogLine(made.created_at, made.entered_by, lot, number, entry, kind, text)


def open_dose_of_other(story: LotStory, by: str | None) -> str | None:
    """The sentence about the last dose since the last photo, where somebody else poured it; None where none is open."""
    last: AdditionEntry | None = None
    for entry in story.effective:
        if isinstance(entry, PhotoEntry) and entry.purpose == "match":
            last = None
        elif isinstance(entry, AdditionEntry):
            last = entry
    if last is None or not by or not last.entered_by or last.entered_by.casefold() == by.strip().casefold():
        return None
    return (
        f"{last.entered_by} put {tell_dose(last)} in at {tell_time(last.created_at)}, and no photo has been taken since. "
        "If yours is another dose, add --sure; else photograph first."
    )


def tell_log(lines: Sequence[LogLine]) -> list[tuple[str, str, str, str]]:
    """The log as rows of a table: when, who, lot, what."""
    return [(tell_time(one.at), one.by or "", one.number or "", one.text) for one in lines]
