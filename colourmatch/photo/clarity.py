"""How clear a liquid is, from the printed bars seen through it; it knows contrasts and makes no claim in NTU.

A clear liquid scales black and white bars alike, so their ratio is that seen through water; haze adds the same light to
both. What lies over every glass (the photo's veil, reflection off the surface) is taken off first; how well that is
known is most of the uncertainty of a dark liquid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Reflection off a liquid's surface that reaches the lens, part of paper white (mean, sd): Fresnel reflectance of water
#: at normal incidence is 2.0 %, of which a dim ceiling sends back a part (common practice, no source); the spread covers
#: what is not known of the photo's own veil too.
SURFACE, SURFACE_SD = 0.008, 0.012
#: Scatter of the contrast itself between photos of clear liquids (sd) where the bars are well resolved; it grows with
#: the square of the coarseness, as the bars blur into each other.
_SCATTER = 0.012


@dataclass(frozen=True)
class Bars:
    """Bright and dark level of the bars through a liquid, relative to bare paper, in luma's linear light."""

    bright: float
    dark: float
    coarseness: float

    def contrast(self, veil: float) -> float:
        """(B - D) / (B + D) without a veil of light over both."""
        bright, dark = max(self.bright - veil, 1e-4), max(self.dark - veil, 0.0)
        return (bright - dark) / (bright + dark)


@dataclass(frozen=True)
class Clarity:
    """Contrast through the liquid over that through water (1 is clear) and its standard deviation."""

    value: float
    sd: float


def judge_clarity(liquid: Bars, plain: Bars, veil: float) -> Clarity:
    """Clarity of a liquid against plain water (or the bare bars); veil: white over the whole photo, part of paper."""

    def ratio(surface: float) -> float:
        return liquid.contrast(veil + surface) / max(plain.contrast(veil + surface), 1e-3)

    value = ratio(SURFACE)
    slope = (ratio(SURFACE + SURFACE_SD) - ratio(max(SURFACE - SURFACE_SD, 0.0))) / 2
    scatter = _SCATTER * liquid.coarseness**2
    return Clarity(float(np.clip(value, 0.0, 1.2)), float(np.hypot(slope, scatter)))
