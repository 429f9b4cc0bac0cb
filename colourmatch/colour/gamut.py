"""What a colour outside a camera's gamut can have been: the limits of the colours of things; no pixels.

A reflectance lies between 0 and 1 at every wavelength, so not every XYZ is the colour of a thing (object-colour solid:
Schroedinger 1920, Ann. Phys. 367, 603, doi:10.1002/andp.19203671504; MacAdam 1935, J. Opt. Soc. Am. 25, 361,
doi:10.1364/JOSA.25.000361).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from colourmatch.colour.spectra import integration_weights


def least_value(rgb: ArrayLike, channel: int, to_xyz: ArrayLike) -> float:
    """The least linear value that one channel of a thing's colour may have, whose other channels are known; 0 or less.

    rgb: three linear values, white 1, of which that of `channel` is ignored; to_xyz (3, 3): from linear rgb to XYZ with
    white Y = 1. A channel brighter than white raises the limit of the reflectance with it. Where no reflectance has
    the other two values, any positive spectrum may; where none of those has, nothing is known, and it is the largest
    value taken negative.

    A saturated orange has less than no blue in sRGB, whose file then holds 0:

    >>> from colourmatch.colour.spaces import RGB_TO_XYZ
    >>> round(least_value([0.9, 0.35, 0.0], 2, RGB_TO_XYZ["sRGB"]), 2)
    -0.06
    """
    from scipy.optimize import linprog

    seen = np.maximum(np.asarray(rgb, float), 0.0)
    others = [k for k in range(3) if k != channel]
    weights = integration_weights() @ np.linalg.inv(np.asarray(to_xyz, float)).T
    for most in (max(1.0, float(seen[others].max())), None):
        found = linprog(
            weights[:, channel],
            A_eq=weights[:, others].T,
            b_eq=seen[others],
            bounds=(0.0, most),
            method="highs",
        )
        if found.success:
            return min(float(found.fun), 0.0)
    return -float(seen.max())
