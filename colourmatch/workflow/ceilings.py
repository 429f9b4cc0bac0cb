"""The ceilings of a lot, by its labels: what is left under them, and which are passed; asked by whoever tells of them."""

from __future__ import annotations

import math
from typing import Any

from colourmatch.book.entries import LotStory
from colourmatch.dosing.limits import ceiling_check, place_or_first, room_mg_per_l
from colourmatch.liquid.stock import Addition, BatchState
from colourmatch.words.figures import tell_interval


def passed_ceilings(story: LotStory) -> list[dict[str, str]]:
    """A code and a sentence for each ceiling that the batch as it is has passed: the lot's own, and those of the law.

    A lot that names no place is held against the first jurisdiction on file, and the sentence says so: a limit may be
    another where it is sold, and is never hidden.
    """
    passed = _passed_in(story, story.state())
    return [
        {"code": "ceiling", "text": f"The ceiling is passed: {text}"} for text in passed.values()
    ] or _passed_by_photos(story)


def would_pass(story: LotStory, dose: Addition) -> str | None:
    """The first ceiling that holds by the labels and would not with a dose in the batch, in a sentence; None without."""
    state = story.state()
    known, then = _passed_in(story, state), _passed_in(story, state.add(dose))
    return next((text for what, text in then.items() if what not in known), None)


def _passed_in(story: LotStory, state: BatchState) -> dict[str, str]:
    """What is passed in a batch of the lot, by what it is a ceiling of: each in a sentence."""
    head = story.lot
    place = place_or_first(head.jurisdiction)
    passed = {}
    for line in ceiling_check(state, head.ceiling_mg_per_l, place):
        unsaid = line.law and head.jurisdiction is None
        where = f" It is not said where the lot is sold; this is a limit of {place}." if unsaid else ""
        if line.over:
            passed[line.what] = f"{line.text}{where}"
    return passed


def _passed_by_photos(story: LotStory) -> list[dict[str, str]]:
    """The lot's own ceiling where its newest photo says that more is surely in, though the labels do not."""
    ceiling = story.lot.ceiling_mg_per_l
    photo = next((p for p in reversed(story.counting_photos) if p.advice), None)
    amounts = photo.advice.amounts if photo and photo.advice else None
    if ceiling is None or amounts is None or amounts.by_photos_mg_per_l.low <= ceiling:
        return []
    told = f"By the photos {tell_interval(amounts.by_photos_mg_per_l)} mg/l of colour are in"
    return [{"code": "ceiling-by-photos", "text": f"{told}: more than the ceiling of {ceiling:g} mg/l."}]


def ceiling_left(story: LotStory) -> float | None:
    """What is left under the ceilings by the labels, mg/l: the least room of any stock; None without a figure.

    The same ceilings as those of the advice: the lot's own, and the law's where the lot names its place. The
    advice counts what the photos taught of the strengths as well, and never leaves more room than this.
    """
    head, state = story.lot, story.state()
    wanted = {entry.colourant for entry in story.stock_entries if entry.name in head.stocks}
    rooms = (room_mg_per_l(state, code, head.ceiling_mg_per_l, head.jurisdiction) for code in wanted)
    least = min(rooms, default=math.inf)
    return round(least, 3) if math.isfinite(least) else None


def describe_state(story: LotStory) -> dict[str, Any]:
    """The `state` object of the command line: volume, colour in it by the labels, room under the ceilings."""
    state = story.state()
    return {
        "volume_ml": round(state.volume_ml, 3),
        "total_mg_per_l": round(state.total_mg_per_l(), 3),
        "mg_per_l": {name: round(state.concentration_mg_per_l(name), 3) for name in state.mg},
        "ceiling_left_mg_per_l": ceiling_left(story),
    }
