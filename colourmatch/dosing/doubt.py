"""Whether something went wrong by hand, and what: the likeliest causes by the evidence of a lot's fit; no words.

What a cause is stands in liquid/mishaps.py. A doubt is raised when it is likelier that something went wrong than that
all was as noted; it names one cause where that one dominates, else the two likeliest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from colourmatch.liquid.learn import LotFit

#: Below this chance of all being as noted a doubt is raised; no first photo far from its match stops below the other.
RAISED, CLEAR = 0.2, 0.9
#: One cause dominates when it has this part of all that went wrong.
DOMINATES = 0.8
#: As noted, or a label that is off: nobody's slip, and the fit knows it.
_NO_SLIP = ("", "label")


@dataclass(frozen=True)
class Cause:
    """What may have gone wrong: its chance, the shot and the entry that it is about (-1: none).

    part: of the dose that went in or shows, median of the draws, None where it has none; other: the bottle instead;
    deeper: depth over what was noted, or the part of its colour that a paler reference has.
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
    """The causes of a lot that does not add up, likeliest first, one or two; clear: chance that all is as noted."""

    causes: tuple[Cause, ...]
    clear: float

    @property
    def dominates(self) -> bool:
        """Whether one cause is the answer."""
        return len(self.causes) == 1


def chance_as_noted(fit: LotFit) -> float:
    """The chance that nothing went wrong by hand."""
    codes = [one.code for one in fit.hands.mishaps]
    return float(sum(c for c, code in zip(fit.chances, codes, strict=True) if code in _NO_SLIP))


def weigh_causes(fit: LotFit) -> list[Cause]:
    """What may have gone wrong, likeliest first; possibilities of one code about one shot or entry are one cause."""
    groups: dict[tuple[str, int, int], list[int]] = {}
    for k, one in enumerate(fit.hands.mishaps):
        if one.code not in _NO_SLIP:
            key = (one.code, one.shot, one.entry) + ((k,) if one.bottle else ())
            groups.setdefault(key, []).append(k)
    causes = [_cause(fit, places) for places in groups.values()]
    return sorted(causes, key=lambda cause: -cause.chance)


def _cause(fit: LotFit, places: list[int]) -> Cause:
    k = max(places, key=lambda place: fit.chances[place])
    one, here = fit.hands.mishaps[k], np.flatnonzero(fit.kind == k)
    part = None
    if one.part is not None:
        logs = fit.draws[here, fit.layout.part.start] if here.size else np.log([one.part[0]])
        part = float(np.exp(np.median(logs)))
    changed = [v for v in (*one.deeper, *one.reference_deeper) if v != 1]
    return Cause(
        one.code, float(fit.chances[places].sum()), one.shot, one.entry, part,
        one.bottle.name if one.bottle else None, float(changed[0]) if changed else None,
    )  # fmt: skip


def find_doubt(fit: LotFit) -> Doubt | None:
    """The doubt that the photos of a lot raise, None when all is likely as noted."""
    clear = chance_as_noted(fit)
    if clear >= RAISED:
        return None
    causes = weigh_causes(fit)
    count = 1 if causes[0].chance >= DOMINATES * (1 - clear) else 2
    return Doubt(tuple(causes[:count]), clear)
