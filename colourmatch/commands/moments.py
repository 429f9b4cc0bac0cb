"""Times as people type them; what is possible in a lot is checked where it is kept."""

from __future__ import annotations

from datetime import date, datetime, time

from colourmatch.errors import InputError


def parse_moment(typed: str, day: date) -> datetime:
    """A moment from "2026-11-25 14:30", or from "14:30" on `day`; local unless it has an offset (+01:00, Z).

    InputError for another text.
    """
    text = typed.strip()
    try:
        moment = datetime.combine(day, time.fromisoformat(text))
    except ValueError:
        moment = _parse_whole(text)
    try:
        return moment if moment.tzinfo is not None else moment.astimezone()
    except (OverflowError, OSError, ValueError):  # a year that no clock of this machine knows
        raise _refuse(typed) from None


def _parse_whole(text: str) -> datetime:
    try:
        if ":" not in text:  # a day alone would be its midnight
            raise ValueError(text)
        return datetime.fromisoformat(text)
    except ValueError:
        raise _refuse(text) from None


def _refuse(typed: str) -> InputError:
    return InputError(
        f"--at is {typed!r}, which is not a time. Give it as 14:30, or with its day as '2026-11-25 14:30'."
    )
