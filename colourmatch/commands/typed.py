"""Colours and serving conditions as people type them; what is possible is checked where they are kept."""

from __future__ import annotations

import re
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

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Three numbers, () for "none"; InputError when they are neither."""
        what, text = (param.opts[0] if param else "The colour"), str(value).strip()
        if text.casefold() == "none":
            return ()
        apart = re.search(r"[;\s]\s*[-+\d]", text) is not None and not re.search(r",\s", text)
        parts = [part.strip() for part in (re.split(r"[;\s]+", text) if apart else text.split(","))]
        try:
            first, second, third = (_signed(part) for part in parts)
        except ValueError:
            raise InputError(
                f"{what} is {str(value)!r}, which is not three numbers. Give L*,a*,b*, such as 60.5,45,30."
            ) from None
        return first, second, third


def _signed(text: str) -> float:
    number = text.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", number):
        raise ValueError(text)
    return float(number)


class Serving(click.ParamType):
    """One condition in which the drink is looked at, as key=value pairs; "none" for as it is photographed."""

    name = "serving"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dict[str, Any]:
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


def join_servings(conditions: tuple[dict[str, Any], ...]) -> dict[str, Any] | None:
    """What a lot keeps of the conditions typed, None when they were set aside with "none"."""
    told = [condition for condition in conditions if condition]
    return {"conditions": told} if told else None
