"""Moments of the book, which keeps UTC as JSON and tables do, as people read them: in the zone of who reads, this
machine's unless another is given."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, tzinfo


def _local(moment: str, zone: tzinfo | None) -> datetime:
    return datetime.fromisoformat(moment).astimezone(zone)


def tell_time(moment: str, zone: tzinfo | None = None) -> str:
    """Date and time with the zone: "2026-11-28 22:21 CET"."""
    return f"{_local(moment, zone):%Y-%m-%d %H:%M %Z}"


def tell_minute(moment: str, zone: tzinfo | None = None) -> str:
    """Date and time where the zone stands elsewhere: "2026-11-28 22:21"."""
    return f"{_local(moment, zone):%Y-%m-%d %H:%M}"


def tell_date(moment: str, zone: tzinfo | None = None) -> str:
    """The date: "2026-11-28"."""
    return f"{_local(moment, zone):%Y-%m-%d}"


def tell_zones(moments: Iterable[str], zone: tzinfo | None = None) -> str:
    """The zones of some moments with their offsets: "CET (UTC+01:00)", two where the clock was changed."""
    return " and ".join(dict.fromkeys(_tell_zone(_local(moment, zone)) for moment in moments))


def _tell_zone(moment: datetime) -> str:
    name, offset = moment.tzname() or "", f"UTC{moment:%z}"
    offset = f"{offset[:6]}:{offset[6:8]}"
    if not moment.utcoffset():
        return "UTC" if name in ("", "UTC") else f"{name} (UTC)"
    return f"{name} ({offset})" if name.isalpha() else offset
