"""What the label of a lot says, one statement a line; it knows no paper.

It refuses to know the rest of what a label must say by law (ingredients, volume, best before, who made it).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo
from typing import TYPE_CHECKING

from colourmatch.book.entries import LotStory
from colourmatch.dosing.care import label_line
from colourmatch.dosing.limits import colourants_in, place_or_first
from colourmatch.words.times import tell_date

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook


@dataclass(frozen=True)
class LabelLines:
    """The lines of a label; what is not due is not there."""

    name: str
    lot_and_date: str
    texts: tuple[str, ...]

    def all(self) -> tuple[str, ...]:
        """Every line in order."""
        return (self.name, self.lot_and_date, *self.texts)


def label_text(book: LotBook, lot: int | str, zone: tzinfo | None = None) -> str:
    """The text of a lot's label, one statement a line; NotFoundError for a lot that does not exist."""
    return "\n".join(read_label_lines(book.lots.story(lot), zone).all())


def read_label_lines(story: LotStory, zone: tzinfo | None = None) -> LabelLines:
    """What the label of a lot says: the colours are those that went in, the date that of `zone`, else of this machine."""
    head, state = story.lot, story.state()
    label = label_line(colourants_in(state), place_or_first(head.jurisdiction))
    closing = story.closing
    begun = f"begun {tell_date(head.created_at, zone)}, not closed yet"
    date = f"closed {tell_date(closing.created_at, zone)}" if closing else begun
    texts = [part for part in (label.line, label.warning, label.allergen) if part]
    if state.already_mg_per_l > 0 and state.already_colourant is None:
        texts.append("The base held colour of its own, name it here: ....................")
    return LabelLines(head.name, f"Lot {head.label} · {date}", tuple(texts))
