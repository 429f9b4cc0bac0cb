"""Times as people type them; what is possible in a lot is checked where it is kept."""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta

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


def parse_since(typed: str, now: datetime) -> datetime:
    """The beginning of a time: "today", "yesterday", "3 days", a day, or a moment as of `parse_moment`; local.

    InputError for another text.
    """
    text = typed.strip().casefold()
    days = {"today": 0, "yesterday": 1, "last week": 7}.get(text)
    if days is None and (found := re.fullmatch(r"(\d{1,4}) days?( ago)?", text)):
        days = int(found[1])
    if days is None:
        try:
            return datetime.combine(date.fromisoformat(text), time()).astimezone()
        except ValueError:
            pass
        try:
            return parse_moment(typed, now.date())
        except InputError:
            raise InputError(
                f"--since is {typed!r}, which is not a time. Give today, yesterday, '3 days', a day such as 2026-11-25, or "
                "'2026-11-25 14:30'."
            ) from None
    return datetime.combine(now.date() - timedelta(days=days), time()).astimezone()


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
