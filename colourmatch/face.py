"""The face for Python: measure a photo, compare two colours, be advised from readings; no book is needed.

Each function imports what it needs when it is called, so that `import colourmatch` costs nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

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


def compare(
    reference_lab: ArrayLike, batch_lab: ArrayLike, covariance: ArrayLike | None = None
) -> Difference:
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
    from colourmatch.dosing.advice import advise as advise_problem
    from colourmatch.dosing.problem import Problem
    from colourmatch.liquid.learn import fit_lot
    from colourmatch.liquid.model import View
    from colourmatch.liquid.stock import Stock, check_stock

    if not readings:
        raise ValueError("advise needs at least one reading")
    stock = check_stock(Stock(colourant, colourant, strength_g_per_100ml, drop_ml=drop_ml))
    view = View(depth_mm, dilution)
    states = [_state(stock, volume_ml, reading.drops) for reading in readings]
    shots = [_shot(stock, state, reading) for (state, reading) in zip(states, readings, strict=True)]
    state, share = states[-1]
    now = sum(reading.drops == readings[-1].drops for reading in readings)
    return advise_problem(
        Problem(
            fit_lot(shots, [_prior(stock)], view), (stock,), state, share, (view,), ceiling_mg_per_l,
            tolerance=tolerance, photos_of_state=now,
        )
    )  # fmt: skip


def _state(stock: Any, volume_ml: float, drops: float) -> tuple[Any, float]:
    """The batch after so many drops, and the share of it that is base."""
    from colourmatch.liquid.stock import Addition, BatchState

    begun = BatchState(volume_ml)
    if not drops:
        return begun, 1.0
    state = begun.add(Addition.from_drops(stock, drops))
    return state, volume_ml / state.volume_ml


def _shot(stock: Any, held: tuple[Any, float], reading: Reading) -> Any:
    import numpy as np

    from colourmatch.liquid.observations import Shot

    state, share = held
    noise = np.eye(3) * reading.lab_sd**2
    labs = (np.asarray(reading.batch_lab, float), noise, np.asarray(reading.reference_lab, float), noise)
    return Shot(*labs, (state.concentration_mg_per_l(stock),), share)


def _prior(stock: Any) -> Any:
    from colourmatch.liquid.lot_model import expect_stock

    return expect_stock(stock.name, stock.colourant)
