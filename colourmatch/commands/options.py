"""The options that commands share, and what people type in them: numbers, colours, glasses, times; it knows no
command, and checks nothing that is checked where it is kept. `colourmatch --help` pays for what is imported here."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from datetime import date, datetime, time, timedelta
from functools import reduce
from typing import Any

import click

from colourmatch.amounts import SIZES, Size, parse_number, read_amount
from colourmatch.errors import InputError

#: Where questions about amounts wait until the command runs.
QUESTIONS = "colourmatch.questions"
HAND = click.Choice(["drops", "ml", "grams"])


class Typed(click.ParamType):
    """What people type, read by a function of the text and of what the option is called; InputError says what is wrong."""

    def __init__(self, name: str, read: Callable[[str, str], Any]) -> None:
        self.name, self._read = name, read

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """What was typed, as it is meant; a figure that is one already stays."""
        typed = isinstance(value, str)
        return self._read(value, param.opts[0] if param else "The value") if typed else value


class Sized(Typed):
    """An amount of a known size, with or without its unit; an absurd one is asked about, see `Command`."""

    def __init__(self, size: str) -> None:
        self.size = SIZES[size]
        super().__init__("amount", lambda typed, what: take_amount(typed, what, self.size))


def take_amount(typed: str, what: str, size: Size) -> float:
    """An amount that was typed in a command line; what has to be asked about it is kept for `Command.invoke`."""
    value, question = read_amount(typed, what, size)
    ctx = click.get_current_context(silent=True)
    if question is not None and ctx is not None:
        ctx.meta.setdefault(QUESTIONS, []).append(question)
    return value


def read_rectangle(typed: str, what: str) -> tuple[int, int, int, int]:
    """X,Y,W,H in whole pixels of the upright photo."""
    parts = [part.strip() for part in typed.split(",")]
    if len(parts) != 4 or not all(re.fullmatch(r"\d{1,6}", part) for part in parts):
        raise InputError(
            f"{what} is {typed!r}. Give X,Y,W,H in whole pixels of the upright photo, such as 120,80,60,60."
        )
    x, y, width, height = map(int, parts)
    if not width or not height:
        raise InputError(f"{what} is {typed}, which encloses nothing. Width and height must be above 0.")
    return x, y, width, height


def read_lab(typed: str, what: str) -> tuple[float, ...]:
    """L,a,b of CIELAB (D65, 2 degrees), () for "none"; with semicolons or blanks between, decimal commas too."""
    text = typed.strip()
    if text.casefold() == "none":
        return ()
    apart = re.search(r"[;\s]\s*[-+\d]", text) is not None and not re.search(r",\s", text)
    parts = [part.strip() for part in (re.split(r"[;\s]+", text) if apart else text.split(","))]
    numbers = [part.replace(",", ".") for part in parts]
    if len(numbers) != 3 or not all(re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", one) for one in numbers):
        raise InputError(f"{what} is {typed!r}, which is not three numbers. Give L*,a*,b*, such as 60.5,45,30.")
    return tuple(map(float, numbers))


#: What a serving condition says, by the word that is typed, and how it is read.
_SERVING: dict[str, tuple[str, Callable[[str, str], Any]]] = {
    "name": ("name", lambda typed, _: typed.strip()),
    "depth-mm": ("depth_mm", lambda typed, what: take_amount(typed, what, SIZES["glass"])),
    "dilution": ("dilution", parse_number),
    "light": ("illuminant", lambda typed, _: typed.strip()),
    "weight": ("weight", parse_number),
}
_SERVING_EXAMPLE = "name=long drink,depth-mm=60,dilution=4,light=A,weight=2"


def read_serving(typed: str, _what: str) -> dict[str, Any]:
    """One condition in which the drink is looked at, as lots keep it; {} for "none", as it is photographed."""
    if typed.strip().casefold() == "none":
        return {}
    condition: dict[str, Any] = {}
    for part in re.split(r"[,;]\s*(?=[a-z-]+\s*=)", typed.strip(), flags=re.IGNORECASE):
        key, equals, value = part.partition("=")
        known, read = _SERVING.get(key.strip().casefold().replace("_", "-"), ("", parse_number))
        if not known or not equals or not value.strip() or known in condition:
            raise InputError(
                f"--serving cannot be read at {part!r}. Give {', '.join(_SERVING)} or some of them, "
                f"such as: {_SERVING_EXAMPLE}"
            )
        condition[known] = read(value, f"{key.strip()} of --serving")
    return condition


NUMBER = Typed("number", parse_number)
RECTANGLE = Typed("rectangle", read_rectangle)
LAB = Typed("lab", read_lab)
SERVING = Typed("serving", read_serving)


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
    with suppress(ValueError):
        return datetime.combine(date.fromisoformat(text), time()).astimezone()
    try:
        return parse_moment(typed, now.date())
    except InputError:
        raise InputError(
            f"--since is {typed!r}, which is not a time. Give today, yesterday, '3 days', a day such as 2026-11-25, or "
            "'2026-11-25 14:30'."
        ) from None


def take(given: dict[str, Any], *names: str) -> dict[str, Any]:
    """Options that were typed, taken out of the others."""
    return {name: value for name in names if (value := given.pop(name, None)) is not None}


def join(*chosen: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """Several option decorators as one, shown in this order."""
    return lambda function: reduce(lambda made, option: option(made), reversed(chosen), function)


def amount(name: str, size: str, told: str, **settings: Any) -> Callable[[Any], Any]:
    """An option that takes an amount of a known size, with or without its unit."""
    return click.option(name, type=Sized(size), help=told, **settings)


def number(name: str, told: str, **settings: Any) -> Callable[[Any], Any]:
    """An option that takes a number of 0 or more."""
    return click.option(name, type=NUMBER, help=told, **settings)


def flag(*names_and_told: str) -> Callable[[Any], Any]:
    """An option that is given or not."""
    *names, told = names_and_told
    return click.option(*names, is_flag=True, help=told)


def text(name: str, metavar: str, told: str, **settings: Any) -> Callable[[Any], Any]:
    """An option that takes words."""
    return click.option(name, metavar=metavar, help=told, **settings)


def _check_token(_ctx: click.Context, _param: click.Parameter, value: str | None) -> str | None:
    """A token with room for the numbers that several entries of one call need."""
    if value is not None and not (1 <= len(value) <= 150 and "\0" not in value):
        raise InputError(f"--token has {len(value)} characters. Give 1 to 150.")
    return value


#: Who wrote it, and a token by which a repeated call is recognised: on every command that writes an entry.
by = text("--by", "WHO", "Who did it, for the record. Otherwise COLOURMATCH_BY.", envvar="COLOURMATCH_BY")
who = join(
    by,
    text(
        "--token",
        "TEXT",
        "Any text of your own: the same call again with it enters nothing twice.",
        callback=_check_token,
    ),
)
paper = click.option(
    "--paper", type=click.Choice(["a4", "letter"], case_sensitive=False), default="a4", show_default=True
)
