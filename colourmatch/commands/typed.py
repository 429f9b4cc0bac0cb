"""Colours, serving conditions and times as people type them; what is possible is checked where they are kept."""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from typing import Any

import click

from colourmatch.amounts import SIZES, parse_number
from colourmatch.commands.framework import take_amount
from colourmatch.errors import InputError

#: What a serving condition says, by the word that is typed.
_SERVING = {
    "name": "name",
    "depth-mm": "depth_mm",
    "dilution": "dilution",
    "light": "illuminant",
    "weight": "weight",
}
_SERVING_EXAMPLE = "name=long drink,depth-mm=60,dilution=4,light=A,weight=2"


class Lab(click.ParamType):
    """L,a,b of CIELAB (D65, 2 degrees), or "none"; with semicolons or blanks between, decimal commas too."""

    name = "lab"

    def convert(self, value: Any, param: Any, ctx: click.Context | None) -> tuple[float, ...]:
        """Three numbers, () for "none"; InputError when they are neither."""
        what, text = (param.opts[0] if param else "The colour"), str(value).strip()
        if text.casefold() == "none":
            return ()
        apart = re.search(r"[;\s]\s*[-+\d]", text) is not None and not re.search(r",\s", text)
        parts = [part.strip() for part in (re.split(r"[;\s]+", text) if apart else text.split(","))]
        numbers = [part.replace(",", ".") for part in parts]
        if len(numbers) != 3 or not all(re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", one) for one in numbers):
            raise InputError(
                f"{what} is {str(value)!r}, which is not three numbers. Give L*,a*,b*, such as 60.5,45,30."
            )
        return tuple(map(float, numbers))


class Serving(click.ParamType):
    """One condition in which the drink is looked at, as key=value pairs; "none" for as it is photographed."""

    name = "serving"

    def convert(self, value: Any, param: Any, ctx: click.Context | None) -> dict[str, Any]:
        """The condition as lots keep it, {} for "none"; InputError names the keys."""
        if str(value).strip().casefold() == "none":
            return {}
        condition: dict[str, Any] = {}
        for part in re.split(r"[,;]\s*(?=[a-z-]+\s*=)", str(value).strip(), flags=re.IGNORECASE):
            key, equals, typed = part.partition("=")
            known = _SERVING.get(key.strip().casefold().replace("_", "-"))
            if known is None or not equals or not typed.strip() or known in condition:
                raise InputError(
                    f"--serving cannot be read at {part!r}. Give {', '.join(_SERVING)} or some of them, "
                    f"such as: {_SERVING_EXAMPLE}"
                )
            what = f"{key.strip()} of --serving"
            if known in ("name", "illuminant"):
                condition[known] = typed.strip()
            elif known == "depth_mm":
                condition[known] = take_amount(typed, what, SIZES["glass"], ctx)
            else:
                condition[known] = parse_number(typed, what)
        return condition


def parse_moment(typed: str, day: date) -> datetime:
    """A moment from "2026-11-25 14:30", or from "14:30" on `day`; local unless it has an offset (+01:00, Z).

    InputError for another text.
    """
    text = typed.strip()
    try:
        try:
            moment = datetime.combine(day, time.fromisoformat(text))
        except ValueError:
            if ":" not in text:  # a day alone would be its midnight
                raise
            moment = datetime.fromisoformat(text)
        return moment if moment.tzinfo is not None else moment.astimezone()
    except (OverflowError, OSError, ValueError):  # no time, or a year that no clock of this machine knows
        raise InputError(
            f"--at is {typed!r}, which is not a time. Give it as 14:30, or with its day as '2026-11-25 14:30'."
        ) from None


def parse_since(typed: str, now: datetime) -> datetime:
    """The beginning of a time: "today", "yesterday", "3 days", a day, or a moment as of `parse_moment`; local.

    InputError for another text.
    """
    text = typed.strip().casefold()
    days = {"today": 0, "yesterday": 1, "last week": 7}.get(text)
    if days is None and (found := re.fullmatch(r"(\d{1,4}) days?( ago)?", text)):
        days = int(found[1])
    if days is not None:
        return datetime.combine(now.date() - timedelta(days=days), time()).astimezone()
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
