"""Colours as the pixels give them, before any estimate: Lab with its covariance, what channels at an end no longer hold.

It knows linear values and CIELAB, and no pixels.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.gamut import least_value
from colourmatch.colour.spaces import slope_at, xyz_to_lab
from colourmatch.measurement import Colour, FieldSeen, SpotColour
from colourmatch.photo.clarity import Clarity
from colourmatch.photo.colour_fields import FieldsReading
from colourmatch.records import Array, rounded, significant

#: Whether each channel lies at an end of its range.
Ends = Sequence[bool] | NDArray[np.bool_]

#: One reading differs from another of the same liquid by this much beyond what its own pixels show: surface
#: reflection and glass of each vessel (part of white), and the light between the paper cells (natural log).
VESSEL_WHITE, VESSEL_LOG = 0.0011, 0.0020
#: A phone's colour matrix and tone curve map a true difference g to (1 + A) g, each term of A about this large (sd)
#: along L*, a*, b*; see calibration/README.md.
SCALE_SD = np.array([0.04, 0.10, 0.14])
#: What a tone curve's dark end strays where a channel is empty (sd, part of white), and its bright end where one is full
#: (sd, part of the value).
DARK_SD, BRIGHT_SD = 0.01, 0.05
#: Part of what a file cuts off that two liquids in it have in common.
_CUT_ALIKE = 0.8


@dataclass(frozen=True)
class ReadColour:
    """Colour of one liquid as the pixels give it: Lab (D65, 2 degrees) relative to `white`, covariance of the reading.

    tone_shifts (7, 3): Lab per standard deviation of the photo's tone curve and veil, common to all its spots; ways (6, 3):
    what a channel at an end of its range no longer holds (place_ends), which rgb shows as read; scene (3, 3): the
    part of covariance that further photos of the same vessels repeat; base (3,): the white, relative to paper; empty (3,):
    channels that hold no light that can be told from none. fields: the colour fields under it, linear Display P3 relative
    to paper. plain: Lab and covariance (3, 3) of the reading by itself, before the estimate of what three channels cannot
    tell (photo/estimate.py); absolute (3, 3): covariance of the estimated Lab, the phone's own error included.
    """

    lab: Array
    covariance: Array
    rgb: Array
    rgb_covariance: Array
    clarity: Clarity | None
    white: str
    tone_shifts: Array = field(default_factory=lambda: np.zeros((7, 3)))
    ways: Array = field(default_factory=lambda: np.zeros((6, 3)))
    scene: Array = field(default_factory=lambda: np.zeros((3, 3)))
    base: Array = field(default_factory=lambda: np.ones(3))
    empty: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(3, bool))
    fields: FieldsReading | None = None
    plain: tuple[Array, Array] | None = None
    absolute: Array | None = None

    @property
    def lost(self) -> Array:
        """Covariance in Lab (3, 3) of what a channel at an end of its range no longer holds."""
        return np.asarray(self.ways.T @ self.ways)

    @property
    def lab_sd(self) -> Array:
        """Standard deviation of the absolute Lab, shape (3,): the phone's own error is in what was estimated, and water has none."""
        if self.absolute is not None:
            return np.sqrt(np.diag(self.absolute + self.lost))
        own = np.diag(self.covariance + self.lost) + (self.tone_shifts**2).sum(axis=0)
        return np.sqrt(own + 0.25**2)

    def record(self) -> SpotColour:
        """The spot as it is recorded."""
        return SpotColour(
            lab=rounded(self.lab, 3),
            lab_sd=rounded(self.lab_sd, 3),
            lab_covariance=rounded(self.covariance + self.lost, 5),
            tone_covariance=rounded(self.tone_shifts.T @ self.tone_shifts, 5),
            rgb=rounded(self.rgb, 5),
            rgb_covariance=significant(self.rgb_covariance, 4),
            clarity=None if self.clarity is None else round(min(self.clarity.value, 1.0), 3),
            clarity_sd=None if self.clarity is None else round(self.clarity.sd, 3),
            white=self.white,
            plain=None if self.plain is None else _plain_record(*self.plain),
            fields=None if self.fields is None else _fields_record(self.fields),
        )


def tell_estimated(read: Mapping[str, ReadColour], labs: Array, absolutes: Array) -> dict[str, ReadColour]:
    """Reference and batch at the colours (2, 3) that are expected of them, with the covariances (2, 3, 3) of these.

    What a file cut off is in no world: both colours lie where the bound of the empty channel puts them, as far apart as
    is expected, and how far the two ways of placing them disagree is one standard deviation more.
    """
    cut_off = any(one.empty.any() for one in read.values())
    moved = cut_off * (np.mean([one.lab for one in read.values()], axis=0) - labs.mean(axis=0))
    return {
        spot: replace(read[spot], lab=labs[k] + moved, absolute=absolutes[k] + np.outer(moved, moved))
        for k, spot in enumerate(("reference", "batch"))
        if spot in read
    }


def _plain_record(lab: Array, covariance: Array) -> Colour:
    return Colour(rounded(lab, 3), lab_covariance=rounded(covariance, 5))


def _fields_record(fields: FieldsReading) -> dict[str, FieldSeen]:
    parts = zip(fields.names, fields.values, fields.sd, fields.seen, strict=True)
    return {name: FieldSeen(rounded(rgb, 5), significant(sd, 3), bool(seen)) for name, rgb, sd, seen in parts}


def propagate(rgb: Array, cov: Array, to_xyz: Array) -> tuple[Array, Array, Array]:
    """Lab, its covariance and its Jacobian (3, 3) to rgb by first-order propagation (JCGM 100:2008, 5.2)."""
    jacobian = slope_at(lambda around: xyz_to_lab(around @ to_xyz.T), rgb, 1e-4)
    return xyz_to_lab(rgb @ to_xyz.T), jacobian @ cov @ jacobian.T, jacobian


def place_ends(rgb: Array, ends: tuple[Ends, Ends], to_xyz: Array, jacobian: Array) -> tuple[Array, Array]:
    """How far the Lab of a reading is to be moved (3,), and the ways (6, 3) in Lab of what its ends do not hold.

    rgb (3,) as read; ends: which channels are empty and which are full; to_xyz (3, 3) of the photo's profile; jacobian:
    of Lab to rgb. An empty channel is a bound: a strong colour lies outside the gamut of its file and was cut off at
    nothing. The truth lies anywhere between the colour as read and that with the least that the channel of a thing can
    have (colour/gamut.py): the middle of both, with the standard deviation of an even spread (JCGM 100:2008, 4.3.7). A
    dark or a bright end of a tone curve strays besides. A way is one standard deviation long.
    """
    empty, full = ends
    strays = np.where(empty, DARK_SD, np.where(full, BRIGHT_SD * rgb, 0.0))
    shift, ways = np.zeros(3), np.concatenate([(jacobian * strays).T, np.zeros((3, 3))])
    for channel in np.flatnonzero(empty):
        least = rgb.copy()
        least[channel] = least_value(rgb, int(channel), to_xyz)
        way = xyz_to_lab(least @ to_xyz.T) - xyz_to_lab(rgb @ to_xyz.T)
        shift += way / 2
        ways[3 + channel] = way / np.sqrt(12)
    return shift, ways


def lost_between(ref: ReadColour, bat: ReadColour) -> Array:
    """Covariance (3, 3) of what channels at an end hold no longer of a difference.

    What was cut off of two liquids in one file is mostly the same: their ways into the unknown differ by less than each is
    long, and _CUT_ALIKE of each is shared.
    """
    apart = bat.ways - ref.ways
    shared: Array = _CUT_ALIKE * apart.T @ apart + (1 - _CUT_ALIKE) * (ref.lost + bat.lost)
    return shared


def tone_covariance(ref: ReadColour, bat: ReadColour) -> Array:
    """What a photo's tone curve may make of the difference of two spots, (3, 3)."""
    tone = bat.tone_shifts - ref.tone_shifts
    made: Array = tone.T @ tone
    return made


def stretch(gap: Array) -> float:
    """Length of a Lab difference, counted longer the further apart two colours are: a phone's error is least alike then."""
    length = float(np.linalg.norm(gap))
    return length * (1 + length / 60)
