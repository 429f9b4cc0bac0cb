"""The head of a lot on the command line: its options, what they say together, and its JSON."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from colourmatch.commands.framework import amount_option, hand_choice, number_option, options, text_option
from colourmatch.commands.typed import Lab, Serving
from colourmatch.errors import InputError
from colourmatch.words.figures import tell_typed

if TYPE_CHECKING:
    from colourmatch.book.entries import Lot


#: The maker's own lines of the label, by their options.
_LABEL = {
    "ingredients": 'For the label; "colours" stands where the colours are merged in, else they come last.',
    "contents": "For the label: how much is in the bottle.",
    "best-before": "For the label: until when it is best.",
    "producer": "For the label: who made it, and where.",
    "keeping": 'For the label: how it is to be kept. "none" takes a line away.',
}


def head_options(begins: bool) -> Callable[[Any], Any]:
    """The figures of a lot's head; only a new lot takes defaults, a correction leaves what is not named as it is."""

    def otherwise(default: str) -> str:
        return f" [default: {default}]." if begins else "."

    return options(
        amount_option("--ceiling-mg-per-l", "content", "Most colour that may be in the finished drink."),
        amount_option("--depth-mm", "depth", "Depth of liquid in the glasses" + otherwise("10")),
        number_option("--dilution", "5: 1 part made up to 5 with water, both glasses" + otherwise("1")),
        number_option("--tolerance", "CIEDE2000 that counts as matched" + otherwise("1.5")),
        amount_option("--already-mg-per-l", "content", "Colour that is in the base" + otherwise("0")),
        text_option(
            "--already-colourant", "E163|NAME", "Which colourant that is; it then counts for its own limit too."
        ),
        text_option(
            "--jurisdiction", "EU|US", "Where it is sold: whose limits the advice keeps" + otherwise("none")
        ),
        number_option(
            "--made-up-to",
            "6: its label says to make 1 part up to 6 parts of drink, for which the limits of the law hold"
            + otherwise("1"),
        ),
        text_option("--reference", "NAME", "What it is tinted to, from `colourmatch reference list`."),
        text_option(
            "--target-lab", "L,a,b",
            'CIELAB (D65, 2 degrees) to tint to where the photo shows no reference; "none" takes it away.', type=Lab(),
        ),
        text_option(
            "--serving", "KEY=VALUE,...",
            "Where the match is judged: name, depth-mm, dilution, light (A, D65, 2700 K ...), weight. "
            'Repeat for a second; "none": as photographed.', type=Serving(), multiple=True,
        ),
        click.option("--hand", type=hand_choice, help="In what its doses are measured" + otherwise("drops")),
        *(text_option(f"--{name}", "TEXT", told) for name, told in _LABEL.items()),
    )  # fmt: skip


def need_volume(ctx: click.Context, option: click.Parameter, value: float | None) -> float | None:
    """The volume of a new lot may come from either option, and must from one."""
    if value is None and ctx.params.get("volume") is None:
        need_unless_like(ctx, option, None)
    return value


def need_unless_like(ctx: click.Context, option: click.Parameter, value: Any) -> Any:
    """A name and stocks have to be given, unless a lot that it is like has them."""
    if not value and ctx.params.get("like") is None and not ctx.resilient_parsing:
        raise click.MissingParameter(ctx=ctx, param=option)
    return value


def one_volume(given: dict[str, Any]) -> float | None:
    """What --volume and --volume-ml say together, in ml."""
    free, in_ml = given.pop("volume"), given.pop("volume_ml")
    if None not in (free, in_ml) and free != in_ml:
        raise InputError(
            f"--volume says {tell_typed(free)} ml and --volume-ml {tell_typed(in_ml)} ml. Give one of the two."
        )
    return in_ml if free is None else free  # type: ignore[no-any-return]


def head_figures(given: dict[str, Any]) -> dict[str, Any]:
    """The figures that were typed, as the book takes them; what was set aside with "none" is None."""
    figures = {key: value for key, value in given.items() if value is not None}
    if servings := figures.pop("serving", ()):
        conditions = [condition for condition in servings if condition]
        figures["serving"] = {"conditions": conditions} if conditions else None
    own = {key: figures.pop(key) for key in (name.replace("-", "_") for name in _LABEL) if key in figures}
    if own:
        figures["label_lines"] = {key: "" if line.strip() == "none" else line for key, line in own.items()}
    if "target_lab" in figures:
        figures["target_lab"] = figures["target_lab"] or None
    return figures


def head_json(made: Lot) -> dict[str, Any]:
    head = asdict(made) | {"label": made.label, "stocks": list(made.stocks)}
    return {"lot": head.pop("id")} | head
