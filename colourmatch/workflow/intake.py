"""What a glass of a batch brings of each colourant; it knows no law and no photo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from colourmatch.book.entries import LotStory
from colourmatch.dosing.intake import EXAMPLE_GLASS_ML, Portion, portions_in_glass
from colourmatch.records import Record, kept, several
from colourmatch.words.figures import tell_ml
from colourmatch.words.looks import tell_dilution
from colourmatch.workflow.photo_colours import read_doses


class GlassIntake(Record):
    """What an example glass holds of the batch, made up so, and brings of each colourant."""

    serving: str = kept()
    glass_ml: float = kept()
    dilution: float = kept()
    batch_ml: float = kept()
    colourants: tuple[Portion, ...] = kept(several(Portion))
    text: str = kept()


def read_intake(story: LotStory, glasses: Sequence[Mapping[str, Any]] | None = None) -> list[GlassIntake]:
    """What one example glass of the batch as it is brings of each colourant, for each way it is served.

    Ways are the dilutions of the `glasses` that are looked at (one that names none is undiluted); without them those
    of the lot's serving conditions that name one, else as the label makes it up: the dilution of the photos is for the camera and is
    not drunk. A known colour of the base counts, without uncertainty as nobody gave one.
    """
    amounts = _amounts(story)
    if not amounts:
        return []
    found = []
    for dilution, names in _ways(story, glasses).items():
        batch_ml = EXAMPLE_GLASS_ML / dilution
        portions = tuple(portions_in_glass(amounts, batch_ml))
        called = f" ({', '.join(names)})" if names else ""
        holds = f"{tell_dilution(dilution)}, holds {tell_ml(batch_ml)} of the batch"
        text = f"A glass of {EXAMPLE_GLASS_ML:g} ml{called}, {holds}. Glass and body masses are examples."
        glass = ", ".join(names) or "neat", EXAMPLE_GLASS_ML, dilution, round(batch_ml, 1)
        found.append(GlassIntake(*glass, portions, text))
    return found


def _ways(story: LotStory, glasses: Sequence[Mapping[str, Any]] | None) -> dict[float, list[str]]:
    """Dilution -> names of the glasses, or of the serving conditions, that have it."""
    ways: dict[float, list[str]] = {}
    own = [one for one in (story.lot.serving or {}).get("conditions") or () if one.get("dilution")]
    for glass in own if glasses is None else glasses:
        ways.setdefault(float(glass.get("dilution", 1.0)), []).append(str(glass.get("name", "serving")))
    return dict(sorted(ways.items())) or {story.lot.made_up_to: []}


def _amounts(story: LotStory) -> dict[str, tuple[float, float]]:
    """mg per litre of each colourant in the batch, and its standard deviation."""
    state = story.state()
    amounts: dict[str, tuple[float, float]] = {}
    if state.already_colourant and state.already_mg_per_l > 0:
        amounts[state.already_colourant] = (state.already_mg_per_l, 0.0)
    for dose in read_doses(story):
        mg, sd = amounts.get(dose.e_number, (0.0, 0.0))
        amounts[dose.e_number] = (mg + dose.mg_per_l, (sd**2 + dose.mg_per_l_sd**2) ** 0.5)
    return amounts
