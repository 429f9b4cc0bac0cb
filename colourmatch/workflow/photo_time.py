"""When a photo was taken, by its own file, and whether it belongs before what was noted after that; it measures nothing.

A phone's clock is evidence, not proof: people photograph first and tap later, and two clocks differ. A photo is asked
about when it is older by its own time than a noted addition and its colour, too, fits the batch as it was before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from colourmatch.book.entries import LotEntry, LotStory, PhotoEntry
from colourmatch.workflow.since_photo import changes_colour, tell_change

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook

#: A phone's clock that is further ahead than this is wrong; time zones that a file does not name are within it.
_CLOCK_AHEAD = timedelta(days=1)
#: The same where the file names its time zone.
_CLOCK_AHEAD_WITH_ZONE = timedelta(minutes=10)
#: Clocks of a phone and of this machine are hardly nearer.
_CLOCKS_DIFFER = timedelta(seconds=2)
#: So many of the last additions may have come after the photo; so many of the last photos are looked at.
_MOST_CHANGES, _MOST_PHOTOS = 3, 2


def parse_exif_time(text: object, offset: object = None) -> datetime | None:
    """A time as phones write it ("2026:11:25 07:14:39", offset "+01:00"); local to this machine without an offset.

    DateTimeOriginal and OffsetTimeOriginal of Exif 2.32 (CIPA DC-008-2019). None for anything else.
    """
    try:
        moment = datetime.strptime(str(text)[:19], "%Y:%m:%d %H:%M:%S")
        if offset:
            moment = moment.replace(tzinfo=datetime.strptime(str(offset)[:6], "%z").tzinfo)
        return moment.astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        return None


def moment_of(measurement: Mapping[str, Any]) -> datetime | None:
    """When a measured photo was taken by its own file, None when that cannot be read."""
    return parse_exif_time(measurement.get("taken_at"), measurement.get("taken_offset"))


def is_ahead(measurement: Mapping[str, Any], now: datetime | None = None) -> bool:
    """Whether a photo says that it was taken at a time that is still to come."""
    taken = moment_of(measurement)
    ahead = _CLOCK_AHEAD_WITH_ZONE if measurement.get("taken_offset") else _CLOCK_AHEAD
    return taken is not None and taken > (now or datetime.now(UTC)) + ahead


def plausible_moment(measurement: Mapping[str, Any], now: datetime | None = None) -> datetime | None:
    """When a photo was taken by its own file; None when that cannot be read or lies ahead of `now`."""
    return None if is_ahead(measurement, now) else moment_of(measurement)


@dataclass(frozen=True)
class Question:
    """A photo that seems older than what was noted before it came: where it would stand, and the question in words.

    at: the moment just before the first of `changes`; entry: the photo's, None for one that is not in the book yet.
    """

    photo: PhotoEntry
    at: str
    changes: tuple[LotEntry, ...]
    log_odds: float

    @property
    def text(self) -> str:
        """The question."""
        last = " and ".join(map(tell_change, self.changes))
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
        tries = [later[-n:] for n in range(1, min(len(later), _MOST_CHANGES) + 1)]
        as_noted = _evidence(book, story)
        found = max(
            (
                Question(photo, _just_before(changes[0]), tuple(changes), _evidence(book, moved) - as_noted)
                for changes in tries
                if (moved := stand_photo(story, photo, _just_before(changes[0])))
            ),
            key=lambda question: question.log_odds,
        )
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
    from colourmatch.workflow.fitting import fit_story, usable_photos

    return fit_story(book, story, usable_photos(story))[1].log_evidence
