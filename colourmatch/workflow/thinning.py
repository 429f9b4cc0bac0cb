"""Whether the liquids of a lot stand too strong before the camera, and with how much water they are read better."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from colourmatch.book.entries import LotStory
from colourmatch.measurement import LIQUIDS, Measurement
from colourmatch.photo.measure import parts_of_water
from colourmatch.words.advice import tell_thinning
from colourmatch.workflow.fitting import usable_photos
from colourmatch.workflow.views import photo_view

#: From so many parts of water on a first photo is taken again. On drawn photos of a batch at nine tenths of its dose a
#: difference was read 10 to 46 % off where so much was missing, and 2 to 6 % off once it was in.
_LEAST_PARTS = 2


@dataclass(frozen=True)
class Thinning:
    """Parts of water to one of what stands in both glasses, and what 1 part of the liquid is then made up to in all."""

    parts: int
    dilution: float
    text: str


def find_thinning(story: LotStory) -> Thinning | None:
    """How to thin both glasses before the first drop; None once it was asked, and where the only photo can be read.

    A lot that is tinted to a noted colour keeps the dilution that this was read at.
    """
    photos = usable_photos(story)
    if len(photos) != 1 or story.additions or story.lot.target_lab is not None:
        return None
    measured = photos[0].measurement
    thinning = count_water(measured, photo_view(story.lot, measured).dilution)
    is_empty = any(one.code == "channel-empty" for one in measured.quality)
    return thinning if is_empty or thinning.parts >= _LEAST_PARTS else None


def count_water(measured: Measurement, dilution: float) -> Thinning:
    """The water that brings both liquids of a photo, thinned so far already, to where they are read best."""
    read = [spot for name in LIQUIDS if (spot := measured.spots.get(name))]
    shown = [spot.rgb for spot in read if spot.rgb is not None]  # an imported reading may hold its Lab alone
    parts = parts_of_water(np.stack(shown)) if shown else 1
    total = dilution * (1 + parts)
    return Thinning(parts, total, tell_thinning(parts, total))
