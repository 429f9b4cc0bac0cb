"""Whether something went wrong by hand, and what: the likeliest causes by the evidence of a lot's fit; no words.

What a cause is stands in liquid/mishaps.py. A doubt is raised when it is likelier that something went wrong than that
all was as noted; it names one cause where that one dominates, else as many of the likeliest as do together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from colourmatch.liquid.learn import LotFit
from colourmatch.liquid.mishaps import LABEL

#: Below this chance of all being as noted a doubt is raised.
RAISED = 0.5
#: One cause dominates when it has this part of all that went wrong, else several that have it together, but no more than
#: a maker reads; a label that is off is nobody's slip, and is no doubt when it has this part.
DOMINATES, MOST_NAMED, LEARNT = 0.8, 3, 0.97
#: What makes one photo of a state differ from the next.
_OF_ONE_PHOTO = ("glasses-swapped", "photo-before-addition", "not-stirred", "other-photo")
#: What a first photo shows ends no lot that is further off than so many tolerances: glasses may stand wrong.
FAR = 3.0


@dataclass(frozen=True)
class Cause:
    """What may have gone wrong: its chance, the shot and the entry that it is about (-1: none).

    part: of the dose that went in or shows, median of the draws, or of its label's strength that a stock has, None where
    it has none; other: the bottle instead; deeper: how deep the batch shows against its reference, over what was noted.
    """

    code: str
    chance: float
    shot: int
    entry: int
    part: float | None = None
    other: str | None = None
    deeper: float | None = None


@dataclass(frozen=True)
class Doubt:
    """The causes of a lot that does not add up, likeliest first, one to MOST_NAMED; clear: chance that all is as noted."""

    causes: tuple[Cause, ...]
    clear: float

    @property
    def dominates(self) -> bool:
        """Whether one cause is the answer."""
        return len(self.causes) == 1

    @property
    def tells_photos_apart(self) -> bool:
        """Whether it says why photos of one state of the batch disagree."""
        return self.causes[0].code in _OF_ONE_PHOTO


def chance_as_noted(fit: LotFit) -> float:
    """The chance that nothing went wrong by hand and no label is far off."""
    return float(fit.chances[0])


def weigh_causes(fit: LotFit) -> list[Cause]:
    """What may have gone wrong, likeliest first; possibilities of one code about one shot or entry are one cause.

    Two photos of different liquids do not tell which of them is another lot's: that is one cause, about the newer.
    """
    groups: dict[tuple[str, int, int, str], list[int]] = {}
    for k, one in enumerate(fit.hands.mishaps):
        if one.code:
            name = one.bottle.name if one.bottle else ""
            shot = -1 if one.code == "other-photo" and one.shots == 2 else one.shot
            key = (one.code, shot, one.entry, name)
            groups.setdefault(key, []).append(k)
    causes = [_cause(fit, places) for places in groups.values()]
    return sorted(causes, key=lambda cause: -cause.chance)


def _cause(fit: LotFit, places: list[int]) -> Cause:
    k = max(places, key=lambda place: fit.chances[place])
    one, here = fit.hands.mishaps[k], np.flatnonzero(fit.kind == k)
    logs = None
    if one.code == LABEL:
        logs = fit.draws[here, fit.layout.factor.start + one.entry] if here.size else one.label[[one.entry]]
    elif one.part is not None:
        logs = fit.draws[here, fit.layout.part.start] if here.size else np.log([one.part[0]])
    changed = [v for v in (*one.deeper, *(1 / one.reference_deeper)) if v != 1]
    newest = max(fit.hands.mishaps[place].shot for place in places)
    return Cause(
        one.code, float(fit.chances[places].sum()), newest, one.entry,
        None if logs is None else float(np.exp(np.median(logs))),
        one.bottle.name if one.bottle else None, float(changed[0]) if changed else None,
    )  # fmt: skip


def find_doubt(fit: LotFit) -> Doubt | None:
    """The doubt that the photos of a lot raise, None when all is likely as noted or a label was off.

    Photos that fit no lot at all raise one whatever is likely: something is wrong, and the likeliest is named.
    """
    clear = chance_as_noted(fit)
    causes = weigh_causes(fit)
    if not causes or (fit.success and clear >= RAISED):
        return None
    is_label, wrong = causes[0].code == LABEL, 1 - clear
    if fit.success and is_label and causes[0].chance >= LEARNT * wrong:
        return None
    held = np.cumsum([cause.chance for cause in causes[: MOST_NAMED - 1]])
    named = 1 + int((held < DOMINATES * wrong).sum())
    if not fit.success or is_label:
        named = max(named, 2)
    return Doubt(tuple(causes[:named]), clear)
