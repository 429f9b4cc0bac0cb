"""Whether a photo belongs before what was noted before it came; it asks, and moves nothing.

A photo is asked about when it is older by its own time than a noted addition and its colour, too, fits the batch as it
was before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from colourmatch.book.entries import LotEntry, LotStory, PhotoEntry
from colourmatch.words.entries import tell_dose
from colourmatch.workflow.fitting import fit_story, usable_photos
from colourmatch.workflow.photo_time import is_ahead, moment_of
from colourmatch.workflow.since_photo import changes_colour

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook

#: Clocks of a phone and of this machine are hardly nearer.
_CLOCKS_DIFFER = timedelta(seconds=2)
#: So many of the last additions may have come after the photo; so many of the last photos are looked at.
_MOST_CHANGES, _MOST_PHOTOS = 3, 2


@dataclass(frozen=True)
class Question:
    """A photo that seems older than what was noted before it came: where it would stand, and the question in words.

    at: the moment just before the first of `changes`; log_odds: how much better its colour fits there.
    """

    photo: PhotoEntry
    at: str
    changes: tuple[LotEntry, ...]
    log_odds: float

    @property
    def text(self) -> str:
        """The question."""
        last = " and ".join(map(tell_dose, self.changes))
        return f"Was this photo taken before the last {last}? Its own time and its colour say so."

    def to_json(self) -> dict[str, Any]:
        """The `question` of an advice."""
        return {
            "code": "photo-before-addition",
            "entry": self.photo.id,
            "at": self.at,
            "stays_at": self.photo.created_at,
            "log_odds": round(self.log_odds, 2),
            "text": self.text,
        }


def find_question(book: LotBook, story: LotStory) -> Question | None:
    """The newest photo of a lot that seems to be older than what was noted before it; None when there is none.

    A photo whose time was put right, or left as it is by an answer, is asked about no more. The colour decides by the
    evidence of the lot's fit with the photo in either place (Kass, Raftery 1995; liquid/sampling.py).
    """
    shown = [photo for photo in story.counting_photos if photo.purpose == "match"][-_MOST_PHOTOS:]
    for photo in reversed(shown):
        later = [] if photo.moved_by_id is not None else _changes_after(story, photo)
        if not later:
            continue
        as_noted = _evidence(book, story)
        tries = []
        for changes in (later[-n:] for n in range(1, min(len(later), _MOST_CHANGES) + 1)):
            at = _just_before(changes[0])
            gain = _evidence(book, stand_photo(story, photo, at)) - as_noted
            tries.append(Question(photo, at, tuple(changes), gain))
        found = max(tries, key=lambda question: question.log_odds)
        if found.log_odds > 0:
            return found
    return None


def stand_photo(story: LotStory, photo: PhotoEntry, at: str) -> LotStory:
    """The story as it were if a photo had been taken at another moment (UTC text)."""
    moved = replace(photo, stands_at=at, moved_by_id=photo.id)
    return replace(story, events=tuple(moved if event.id == photo.id else event for event in story.events))


def _changes_after(story: LotStory, photo: PhotoEntry) -> list[LotEntry]:
    """What was noted before a photo came and changed the batch after it was taken, by its own time."""
    taken = moment_of(photo.measurement)
    if taken is None or is_ahead(photo.measurement):
        return []
    limit = (taken + _CLOCKS_DIFFER).isoformat(timespec="microseconds")
    before = list(story.entries_before(photo))
    shown = max((k for k, entry in enumerate(before) if isinstance(entry, PhotoEntry)), default=-1)
    return [entry for entry in before[shown + 1 :] if changes_colour(entry) and entry.happened_at > limit]


def _just_before(entry: LotEntry) -> str:
    moment = datetime.fromisoformat(entry.happened_at) - timedelta(microseconds=1)
    return moment.isoformat(timespec="microseconds")


def _evidence(book: LotBook, story: LotStory) -> float:
    return fit_story(book, story, usable_photos(story))[1].log_evidence
