"""What a lot is tinted to when no reference stands in the photo: a colour and how well it is known.

The book keeps a lot's target as a colour and the reference it came from. How well that is known is looked up
among the readings of that reference; a target that is none of them was entered by hand.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from colourmatch.book.entries import Lot
from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import ReferenceReading
from colourmatch.records import Array

#: Standard deviation of an entered L*, a*, b* that came without one.
ENTERED_SD = 2.0
#: Targets are kept with three digits (references.choose_reading).
_SAME = 6e-4


def target_covariance(book: LotBook, head: Lot) -> Array:
    """Covariance, shape (3, 3), of a lot's target Lab; ValueError when the lot has no target.

    The spread of the reading of its reference that the target is, or of their mean; that of an entered
    colour (ENTERED_SD along each axis) for any other.
    """
    if head.target_lab is None:
        raise ValueError(f"lot {head.id} has no target_lab")
    if head.reference_id is not None:
        readings = book.references.readings(head.reference_id)
        view = (head.depth_mm, head.dilution)
        for lab, sd in _known_targets([r for r in readings if (r.depth_mm, r.dilution) == view]):
            if np.allclose(lab, head.target_lab, rtol=0, atol=_SAME):
                return np.diag(sd**2)
    return np.eye(3) * ENTERED_SD**2


def _known_targets(readings: list[ReferenceReading]) -> Iterator[tuple[Array, Array]]:
    """Lab and spread of each reading, then of the mean of all that had been entered at some time."""
    labs = np.array([reading.lab for reading in readings])
    sds = np.array([reading.lab_sd or (ENTERED_SD,) * 3 for reading in readings])
    yield from zip(labs, sds, strict=True)
    for count in range(len(readings), 1, -1):
        # Photos by one phone err alike: a mean is known no better than one of them.
        yield labs[:count].mean(axis=0), np.sqrt(np.mean(sds[:count] ** 2, axis=0))
