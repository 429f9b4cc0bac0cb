"""Who did what: the entries of all lots and stocks from a time on, and a dose of somebody else that no photo has seen."""

from __future__ import annotations

from datetime import tzinfo
from typing import TYPE_CHECKING, Any

from colourmatch.book.entries import AdditionEntry, LotStory, PhotoEntry
from colourmatch.words.entries import tell_dose, tell_entry
from colourmatch.words.times import tell_time

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook


def list_log(
    book: LotBook, since: str, lot: int | str | None = None, by: str | None = None
) -> list[dict[str, Any]]:
    """What was entered from a moment on (UTC text), in order, of one lot or all, by one person or all."""
    found = [line for story in book.entries.stories_since(since, lot) for line in _lines_of(story, since)]
    if lot is None:
        found += [
            {
                "at": stock.created_at, "by": stock.entered_by, "lot": None, "number": None, "entry": None,
                "kind": "stock", "text": f"Stock {stock.name} put on the shelf",
            }
            for stock in book.stocks.all(active_only=False)
            if stock.created_at >= since
        ]  # fmt: skip
    wanted = None if by is None else by.strip().casefold()
    chosen = [one for one in found if wanted is None or (one["by"] or "").casefold() == wanted]
    return sorted(chosen, key=lambda one: (one["at"], one["entry"] or 0))


def _lines_of(story: LotStory, since: str) -> list[dict[str, Any]]:
    head = story.lot
    of = {"lot": head.id, "number": head.label}
    begun = [
        {
            "at": head.created_at,
            "by": head.entered_by,
            **of,
            "entry": None,
            "kind": "begun",
            "text": f"{head.name} begun",
        }
    ]
    lines = begun if head.created_at >= since else []
    return lines + [
        {
            "at": event.created_at, "by": event.entered_by, **of, "entry": event.id, "kind": event.kind,
            "text": tell_entry(event),
        }
        for event in story.events
        if event.created_at >= since
    ]  # fmt: skip


def open_dose_of_other(story: LotStory, by: str | None) -> str | None:
    """The sentence about the last dose since the last photo, where somebody else poured it; None where none is open."""
    since: list[AdditionEntry] = []
    for entry in story.effective:
        if isinstance(entry, PhotoEntry) and entry.purpose == "match":
            since = []
        elif isinstance(entry, AdditionEntry):
            since.append(entry)
    last = since[-1] if since else None
    if last is None or not by or not last.entered_by or last.entered_by.casefold() == by.strip().casefold():
        return None
    return (
        f"{last.entered_by} put {tell_dose(last)} in at {tell_time(last.created_at)}, and no photo has been taken since. "
        "If yours is another dose, add --sure; else photograph first."
    )


def tell_log(lines: list[dict[str, Any]], zone: tzinfo | None = None) -> list[tuple[str, str, str, str]]:
    """The log as rows of a table: when, who, lot, what."""
    return [(tell_time(one["at"], zone), one["by"] or "", one["number"] or "", one["text"]) for one in lines]
