"""How deep and how thinned liquids are shown: in a photo, and where the match is judged; it knows no fit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from colourmatch.book.entries import Lot
from colourmatch.liquid.model import View
from colourmatch.measurement import Measurement

if TYPE_CHECKING:
    from colourmatch.measurement import Measurement, OwnView


def photo_view(head: Lot, measurement: Measurement | None) -> View:
    """How deep and how thinned a photo shows the liquids: as its own record says, else as the lot's head does."""
    return own_view(head, measurement.view if measurement else None)


def own_view(head: Lot, seen: OwnView | None) -> View:
    """How deep and how thinned liquids are shown where this much was said of it."""
    depth_mm = seen.depth_mm if seen and seen.depth_mm is not None else head.depth_mm
    dilution = seen.dilution if seen and seen.dilution is not None else head.dilution
    return View(float(depth_mm), float(dilution))


def views_of(head: Lot) -> tuple[View, ...]:
    """Where the match is judged: the serving conditions of the lot, else as measured."""
    conditions = (head.serving or {}).get("conditions") or []
    views = tuple(
        View(
            float(c.get("depth_mm", head.depth_mm)),
            float(c.get("dilution", head.dilution)),
            str(c.get("illuminant", "D65")),
            float(c.get("weight", 1.0)),
            str(c.get("name", "serving")),
        )
        for c in conditions
    )
    return views or (photo_view(head, None),)


#: A phone's clock that is further ahead than this is wrong; time zones that a file does not name are within it.
_CLOCK_AHEAD = timedelta(days=1)
#: The same where the file names its time zone.
_CLOCK_AHEAD_WITH_ZONE = timedelta(minutes=10)


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


def moment_of(measurement: Measurement) -> datetime | None:
    """When a measured photo was taken by its own file, None when that cannot be read."""
    return parse_exif_time(measurement.taken_at, measurement.taken_offset)


def is_ahead(measurement: Measurement, now: datetime | None = None) -> bool:
    """Whether a photo says that it was taken at a time that is still to come."""
    taken = moment_of(measurement)
    ahead = _CLOCK_AHEAD_WITH_ZONE if measurement.taken_offset else _CLOCK_AHEAD
    return taken is not None and taken > (now or datetime.now(UTC)) + ahead


def find_moment(measurement: Measurement, taken_at: str | None, entered: datetime) -> datetime:
    """When a photo was taken: by its entry, by its own file when that can be, else when it was entered."""
    if taken_at is not None:
        return datetime.fromisoformat(taken_at)
    return plausible_moment(measurement, entered) or entered


def plausible_moment(measurement: Measurement, now: datetime | None = None) -> datetime | None:
    """When a photo was taken by its own file; None when that cannot be read or lies ahead of `now`."""
    return None if is_ahead(measurement, now) else moment_of(measurement)
