"""The face for Python: measure a photo, compare two colours, be advised from readings; no book is needed.
Each function imports what it needs when it is called, so that `import colourmatch` costs nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from colourmatch.advice import Advice
    from colourmatch.colour.difference import Difference
    from colourmatch.measurement import Measurement


@dataclass(frozen=True)
class Reading:
    """Both liquids in one photo, after so many drops in all.

    reference_lab, batch_lab: L*, a*, b* (D65, 2 degrees) relative to water, shape (3,); lab_sd: standard deviation of
    each of the two, in each axis.
    """

    drops: float
    reference_lab: Sequence[float]
    batch_lab: Sequence[float]
    lab_sd: float = 0.3


def measure(photo: Path | str | bytes) -> Measurement:
    """Read one photo of the printed card: the liquids' colours, their difference, what is doubtful.

    photo: a path, or the bytes of a JPEG, HEIC, PNG, TIFF or DNG file. PhotoError says why it cannot be measured and
    what to do next; `to_json()` of the result is what `colourmatch measure --json` prints.

    >>> from colourmatch.errors import PhotoError
    >>> try:
    ...     measure(b"no photo")
    ... except PhotoError as error:
    ...     print(error.code)
    unreadable
    """
    from colourmatch.photo.measure import measure_photo

    return measure_photo(photo)


def compare(reference_lab: ArrayLike, batch_lab: ArrayLike, covariance: ArrayLike | None = None) -> Difference:
    """The difference of a batch from its reference: CIEDE2000 with its 95 % interval, parts and words.

    reference_lab, batch_lab: CIELAB (D65, 2 degrees), shape (3,); covariance of (batch minus reference), shape (3, 3), in
    squared CIELAB units, none when None. Source of the formula: ISO/CIE 11664-6.

    >>> found = compare([77.0, 44.5, 29.9], [80.1, 37.8, 24.2])
    >>> round(found.delta_e_2000.value, 2), found.text
    (3.55, 'less red, paler')
    """
    import numpy as np

    from colourmatch.colour.difference import compare_lab

    return compare_lab(reference_lab, batch_lab, np.zeros((3, 3)) if covariance is None else covariance)


def advise(
    readings: Sequence[Reading],
    *,
    colourant: str,
    strength_g_per_100ml: float,
    volume_ml: float,
    drop_ml: float = 0.05,
    depth_mm: float = 10.0,
    dilution: float = 1.0,
    tolerance: float = 1.5,
    ceiling_mg_per_l: float | None = None,
) -> Advice:
    """What to do now, from readings of a batch that is tinted with one stock made in water.

    readings: in order, at least one; the last shows the batch as it is. colourant: E number or name; volume_ml: the batch
    at its beginning; depth_mm, dilution: how the liquids stood in the glasses (5: 1 part made up to 5). InputError or
    NotFoundError for a stock that cannot be, ValueError without a reading. Sources: liquid/learn.py, dosing/plan.py.

    >>> first = Reading(0, (77.7, 46.4, 35.5), (96.8, 1.0, 9.5))
    >>> said = advise([first], colourant="E129", strength_g_per_100ml=1.0, volume_ml=900, dilution=5)
    >>> said.action, said.doses[0].stock
    ('add', 'E129')
    """
    import numpy as np

    from colourmatch.dosing.advice import advise as advise_problem
    from colourmatch.dosing.problem import Problem
    from colourmatch.liquid.learn import fit_lot
    from colourmatch.liquid.lot_model import expect_stock
    from colourmatch.liquid.model import View
    from colourmatch.liquid.observations import Shot
    from colourmatch.liquid.stock import Addition, BatchState, Stock, check_stock

    if not readings:
        raise ValueError("advise needs at least one reading")
    stock = check_stock(Stock(colourant, colourant, strength_g_per_100ml, drop_ml=drop_ml))
    view, shots = View(depth_mm, dilution), []
    for one in readings:
        state = BatchState(volume_ml)
        if one.drops:
            state = state.add(Addition.from_drops(stock, one.drops))
        noise = np.eye(3) * one.lab_sd**2
        labs = (np.asarray(one.batch_lab, float), noise, np.asarray(one.reference_lab, float), noise)
        shots.append(Shot(*labs, (state.concentration_mg_per_l(stock),), state.base_share))
    now = sum(one.drops == readings[-1].drops for one in readings)
    fit = fit_lot(shots, [expect_stock(stock.name, stock.colourant)], view)
    return advise_problem(
        Problem(
            fit, (stock,), state, (view,), ceiling_mg_per_l, tolerance=tolerance, photos_of_state=now,
        )
    )  # fmt: skip
