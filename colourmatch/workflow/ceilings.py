"""The ceilings of a lot, by its labels: what is left under them, and which are passed; asked by whoever tells of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from colourmatch.book.entries import LotStory
from colourmatch.dosing.intake import EXAMPLE_GLASS_ML, Portion, portions_in_glass
from colourmatch.dosing.limits import ceiling_check, place_or_first, room_mg_per_l
from colourmatch.records import Record, kept, several
from colourmatch.words.doubts import tell_more_in
from colourmatch.words.figures import tell_interval, tell_ml
from colourmatch.words.looks import tell_dilution
from colourmatch.workflow.photo_colours import read_doses


def passed_ceilings(story: LotStory) -> list[dict[str, str]]:
    """A code and a sentence for each ceiling that the batch as it is has passed: the lot's own, and those of the law.

    A lot that names no place is held against the first jurisdiction on file, and the sentence says so: a limit may be
    another where it is sold, and is never hidden.
    """
    head = story.lot
    place = place_or_first(head.jurisdiction)
    lines = ceiling_check(story.state(), head.ceiling_mg_per_l, place).lines
    own = 0 if head.ceiling_mg_per_l is None else 1
    passed = []
    for k, line in enumerate(lines):
        unsaid = k >= own and head.jurisdiction is None
        where = f" It is not said where the lot is sold; this is a limit of {place}." if unsaid else ""
        if line.over:
            passed.append({"code": "ceiling", "text": f"The ceiling is passed: {line.text}{where}"})
    return passed or _passed_by_photos(story)


def _passed_by_photos(story: LotStory) -> list[dict[str, str]]:
    """The lot's own ceiling where its newest photo says that more is surely in, though the labels do not."""
    ceiling = story.lot.ceiling_mg_per_l
    photo = next((p for p in reversed(story.counting_photos) if p.advice), None)
    amounts = photo.advice.amounts if photo and photo.advice else None
    if ceiling is None or amounts is None or amounts.by_photos_mg_per_l.low <= ceiling:
        return []
    told = tell_interval(amounts.by_photos_mg_per_l)
    return [{"code": "ceiling-by-photos", "text": tell_more_in(told, ceiling)}]


def ceiling_left(story: LotStory) -> float | None:
    """What is left under the ceilings by the labels, mg/l: the least room of any stock; None without a figure.

    The same ceilings as those of the advice: the lot's own, and the law's where the lot names its place. The
    advice counts what the photos taught of the strengths as well, and never leaves more room than this.
    """
    head, state = story.lot, story.state()
    own = math.inf if head.ceiling_mg_per_l is None else head.ceiling_mg_per_l - state.total_mg_per_l()
    rooms = [max(own, 0.0)]
    if head.jurisdiction:
        wanted = {entry.colourant for entry in story.stock_entries if entry.name in head.stocks}
        rooms += [room_mg_per_l(state, code, head.ceiling_mg_per_l, head.jurisdiction) for code in wanted]
    return round(min(rooms), 3) if math.isfinite(min(rooms)) else None


def describe_state(story: LotStory) -> dict[str, Any]:
    """The `state` object of the command line: volume, colour in it by the labels, room under the ceilings."""
    state = story.state()
    return {
        "volume_ml": round(state.volume_ml, 3),
        "total_mg_per_l": round(state.total_mg_per_l(), 3),
        "mg_per_l": {name: round(state.concentration_mg_per_l(name), 3) for name in state.mg},
        "ceiling_left_mg_per_l": ceiling_left(story),
    }


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
