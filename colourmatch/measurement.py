"""What one photo gave, as it is recorded; it knows neither pixels nor how a colour is corrected.
Numbers are rounded once, where the photo was read: a book gives what was computed on that day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from colourmatch.colour.difference import Difference, Figure, compare_lab
from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.records import Array, Record, kept, numbers, several, significant

Outline = Sequence[Sequence[float]]
#: The liquids that are compared.
LIQUIDS = ("reference", "batch")
SPOTS = (*LIQUIDS, "blank")


class Flag(Record):
    """Something doubtful about a photo; severity "warn" keeps the reading, "refuse" withholds it."""

    code: str = kept()
    severity: str = kept()
    text: str = kept()


class Pair(Record):
    """What is unsure of the Lab difference of one photo's liquids, as four covariances (3, 3).

    photo: this photo's alone; scene: the same in every photo of these vessels; phone: what phone, lamp and spectra leave
    unknown, the same in every photo of this phone; tone: what the photo's tone curve may make of it; lost: what channels at an end of their range no longer hold, None in a record
    from before that was kept apart.
    """

    photo: Array = kept(numbers)
    scene: Array = kept(numbers)
    phone: Array = kept(numbers)
    lost: Array | None = kept(numbers)
    tone: Array | None = kept(numbers, later=True)

    @property
    def what_is_lost(self) -> Array:
        """Covariance (3, 3) of what is lost, none where it was formerly a part of phone."""
        return np.zeros((3, 3)) if self.lost is None else self.lost

    @property
    def whole(self) -> Array:
        """Covariance (3, 3) of the difference in all."""
        return self.photo + self.scene + self.phone + self.what_is_lost


class Colour(Record):
    """A colour beside the one that counts: Lab (3,), its sd (3,) and covariance (3, 3)."""

    lab: Array = kept(numbers)
    lab_sd: Array | None = kept(numbers, later=True)
    lab_covariance: Array | None = kept(numbers, later=True)

    @property
    def covariance(self) -> Array:
        """Covariance (3, 3) of the reading: from lab_sd where no more was kept."""
        if self.lab_covariance is None:
            return np.diag(np.square(numbers(self.lab_sd)))
        return self.lab_covariance

    @property
    def finite(self) -> bool:
        """Whether a colour and what is unsure of it are there at all."""
        there = self.lab is not None and not (self.lab_sd is None and self.lab_covariance is None)
        return there and bool(np.isfinite(self.lab).all() and np.isfinite(self.covariance).all())


class FieldSeen(Record):
    """One colour field under a glass: rgb (3,), linear Display P3 relative to paper, its sd (3,), and whether it counts."""

    rgb: Array = kept(numbers)
    sd: Array = kept(numbers)
    seen: bool = kept()


class Metamerism(Figure):
    """By how much two liquids that match in daylight part in another light.

    The CIE's special metamerism index for a change of illuminant, what is left between them in daylight taken off
    (CIE 015:2018, 9.2), as CIEDE2000. change (3,), change_covariance (3, 3): what the difference changes by in Lab.
    """

    illuminant: str = kept()
    change: Array | None = kept(numbers, later=True)
    change_covariance: Array | None = kept(numbers, later=True)

    def turned(self) -> Metamerism:
        """The same seen from the other liquid."""
        return self if self.change is None else self.having(change=-self.change)


class SpotColour(Colour):
    """Colour of one liquid: Lab (D65, 2 degrees) relative to `white`, the sd with the phone's own error in it.

    tone_covariance (3, 3): what the photo's tone curve may make of it; rgb (3,), rgb_covariance (3, 3): linear, relative
    to white, as read; clarity: 1 for clear, None where it cannot be judged. as_read: before the phone's correction;
    toned: under the phone's tone curve, before its colours were corrected. plain: the reading by itself, before the
    estimate of what three channels cannot tell (photo/estimate.py); fields: the colour fields of card 2.
    """

    tone_covariance: Array | None = kept(numbers)
    rgb: Array = kept(numbers)
    rgb_covariance: Array = kept(numbers)
    clarity: float | None = kept()
    clarity_sd: float | None = kept()
    white: str = kept()
    as_read: Colour | None = kept(Colour.from_json, later=True)
    toned: Colour | None = kept(Colour.from_json, later=True)
    plain: Colour | None = kept(Colour.from_json, later=True)
    fields: Mapping[str, FieldSeen] | None = kept(
        lambda fields: {name: FieldSeen.from_json(one) for name, one in fields.items()}, later=True
    )


def _rows(values: Any) -> Array:
    """Rows of numbers, NaN for a row that is null."""
    return np.array([(np.nan, np.nan) if row is None else row for row in values], float).reshape(-1, 2)


def _write_rows(values: Array) -> list[list[float] | None]:
    return [None if np.isnan(row).any() else row.tolist() for row in values]


class ToneRecord(Record):
    """A photo's tones: terms (5,) of photo/tone.py that were taken out, white (3,) and paper (spots, 3) as corrected.

    greys (N, 2): value over paper and that paper's level as the file decodes them, NaN where not seen; known (N, 2):
    reflectance and its log's sd by a card profile, None without; to_xyz (3, 3): from the file's primaries; known_map (K,
    2): log values at knots and what was added to them so that known greys come out.
    """

    terms: Array = kept(numbers)
    white: Array = kept(numbers)
    paper: Mapping[str, Array] = kept(lambda levels: {spot: numbers(level) for spot, level in levels.items()})
    greys: Array = kept(_rows, write=_write_rows)
    known: Array | None = kept(_rows, write=_write_rows, key="known_greys")
    to_xyz: Array = kept(numbers)
    known_map: Array = kept(_rows, write=_write_rows, default=lambda: np.empty((0, 2)))


class CardSeen(Record):
    """How the printed card lay in the photo."""

    version: int = kept()
    markers: int = kept()
    reprojection_mm: float = kept()
    tilt_degrees: float = kept()
    px_per_mm: float = kept()


class CardNamed(Record):
    """The measured card by whose greys a photo was read."""

    name: str = kept()
    entries: Sequence[int] = kept()


class CalibrationNamed(Record):
    """The phone's calibration that a photo was corrected with; tones: "sitting" where its tone curve was taken too."""

    entry: int = kept()
    phone: str = kept()
    light: str | None = kept()
    kind: str = kept()
    tones: str | None = kept(later=True)


class DifferenceAsRead(Record):
    """A difference before the phone's correction."""

    delta_e_2000: Figure = kept(Figure.from_json)
    difference: Difference = kept(Difference.from_json)
    uncertainty: Pair = kept(Pair.from_json)


def record_difference(reference_lab: Array, batch_lab: Array, spread: Pair) -> dict[str, Any]:
    """The fields of a measurement that hold the difference of two liquids, Lab (3,) each, of which so much is unsure."""
    found = compare_lab(reference_lab, batch_lab, spread.photo + spread.scene, spread.phone, spread.lost)
    photo, scene, phone, lost = significant([spread.photo, spread.scene, spread.phone, spread.what_is_lost], 4)
    kept = Pair(photo, scene, phone, lost, None if spread.tone is None else significant(spread.tone, 4))
    return {"delta_e_2000": found.delta_e_2000.rounded(), "difference": found, "uncertainty": kept}


class Drawing(Record):
    """Outlines, corner by corner in pixels of a photo that is so large, of what was found in it, by number or spot.

    faults: what is wrong with a refused photo, by its place; code: of the refusal.
    """

    size: Sequence[int] = kept()
    markers: Mapping[str, Outline] = kept(default=dict)
    windows: Mapping[str, Outline] = kept(default=dict)
    glasses: Mapping[str, Outline] = kept(default=dict)
    faults: Mapping[str, Outline] = kept(default=dict, later=True)
    code: str | None = kept(later=True)


class OwnView(Record):
    """How deep and how thinned a photo shows the liquids, where that is not as the lot's head says."""

    depth_mm: float | None = kept(later=True)
    dilution: float | None = kept(later=True)


class Measurement(Record):
    """Everything that is kept of one photo; `refused` holds the sentence when it could not be measured.

    spots: None where no glass stood; rectangles: the boxes of a photo without the
    printed card; tone: photo/retone.py; spot: the one that a reference was read from.
    """

    photo: str = kept(default="")
    sha256: str | None = kept()
    phone: str | None = kept()
    taken_at: str | None = kept()
    taken_offset: str | None = kept()
    profile: str | None = kept()
    card: CardSeen | None = kept(CardSeen.from_json)
    quality: tuple[Flag, ...] = kept(several(Flag), default=())
    spots: Mapping[str, SpotColour | None] = kept(
        lambda spots: {name: spot and SpotColour.from_json(spot) for name, spot in spots.items()},
        default=lambda: dict.fromkeys(SPOTS),
    )
    delta_e_2000: Figure | None = kept(Figure.from_json)
    difference: Difference | None = kept(Difference.from_json)
    refused: str | None = kept(key="error")
    drawing: Drawing | None = kept(Drawing.from_json)
    uncertainty: Pair | None = kept(Pair.from_json)
    rectangles: Mapping[str, Any] | None = kept()
    tone: ToneRecord | None = kept(ToneRecord.from_json)
    card_profile: CardNamed | None = kept(CardNamed.from_json, later=True)
    calibration: CalibrationNamed | None = kept(CalibrationNamed.from_json, later=True)
    as_read: DifferenceAsRead | None = kept(DifferenceAsRead.from_json, later=True)
    view: OwnView | None = kept(OwnView.from_json, later=True)
    spot: str | None = kept(later=True)
    metamerism: Metamerism | None = kept(Metamerism.from_json, later=True)

    def exchanged(self) -> Measurement:
        """The same photo, read with reference and batch the other way round."""
        names = dict(zip(LIQUIDS, reversed(LIQUIDS), strict=True))
        spots = {name: self.spots.get(names.get(name, name)) for name in self.spots}
        reference, batch = (spots.get(name) for name in LIQUIDS)
        if reference is None or batch is None or self.difference is None:
            return self.having(spots=spots)
        apart = self.metamerism.turned() if self.metamerism else None
        turned = self.having(spots=spots, difference=self.difference.turned(reference.lab, batch.lab), metamerism=apart)
        if self.as_read is None:
            return turned
        before = self.as_read.difference.turned(*((one.as_read or one).lab for one in (reference, batch)))
        return turned.having(as_read=self.as_read.having(difference=before))

    def reading(self, name: str) -> Colour:
        """The colour of a spot as it was read, before any estimate: what is corrected and what a phone is calibrated by.

        By the pixels where these and their primaries are recorded: older records had a mean camera's error taken out of
        what they call the reading. ValueError for a spot where nothing stood.
        """
        spot = self._at(name)
        read = spot.plain or spot.as_read or spot
        to_xyz = None if self.tone is None else self.tone.to_xyz
        if to_xyz is None or spot.rgb is None or self.at_an_end:
            return read
        return Colour(xyz_to_lab(to_xyz @ spot.rgb), read.lab_sd, read.lab_covariance)

    def uncorrected(self, name: str) -> Colour:
        """What a lot's fit starts from: under the phone's calibrated curve, else the reading."""
        return self._at(name).toned or self.reading(name)

    def _at(self, name: str) -> SpotColour:
        if (spot := self.spots.get(name)) is None:
            raise ValueError(f"nothing stood on the {name} spot")
        return spot

    @property
    def camera(self) -> str:
        """What tells one camera from another: phone and colour profile."""
        return f"{self.phone}|{self.profile}"

    @property
    def at_an_end(self) -> bool:
        """Whether a channel lies at an end of its range, so that a part of the colour is not known."""
        return any(flag.code in ("channel-empty", "channel-full") for flag in self.quality)


@dataclass(frozen=True)
class Sent:
    """What came of a photo that was sent to be kept: the entry it is, else why it is none; repeated: it was one before."""

    measurement: Measurement
    entry: int | None = None
    note: str | None = None
    repeated: bool = False

    def to_json(self, key: str = "entry") -> dict[str, Any]:
        """The measurement and what came of it; key: what its entry is called."""
        again = {"repeated": True} if self.repeated else {}
        return self.measurement.to_json() | {key: self.entry, "note": self.note} | again
