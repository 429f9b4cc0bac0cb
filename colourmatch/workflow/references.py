"""References over time: a kept bottle, an own good lot, an entered colour; which of them a lot is tinted to.
It refuses to compare readings of another depth or dilution.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial

import numpy as np

from colourmatch.book.checks import check_lab, check_name, check_number, check_one_of, check_text, name_key
from colourmatch.book.entries import Lot
from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import Source
from colourmatch.book.shelf_records import Reference, ReferenceReading
from colourmatch.colour.difference import Difference, Figure, compare_lab
from colourmatch.errors import ColourMatchError, InputError, NotFoundError, PhotoError
from colourmatch.instrument.incoming import open_reader
from colourmatch.measurement import LIQUIDS, Sent
from colourmatch.records import Array, Record, kept, pick, rounded, several
from colourmatch.words.figures import Signs, tell_lab
from colourmatch.words.looks import tell_glass
from colourmatch.workflow.photo_colours import (
    final_photos,
    photo_view,
    plausible_moment,
    time_of,
)

#: Which reading a lot is tinted to -> how it is called.
WHICH = {"latest": "the latest reading", "first": "the first reading", "mean": "the mean of its readings"}
Triple = tuple[float, float, float]


def record_reference(
    book: LotBook,
    name: str,
    photos: Sequence[Source],
    spot: str = "reference",
    *,
    depth_mm: float = 10.0,
    dilution: float = 1.0,
    card: str | None = None,
    light: str | None = None,
    notes: str = "",
    entered_by: str | None = None,
) -> list[Sent]:
    """Photograph a reference (again); it is made when the book has none of that name.

    `spot` is the spot of the card it stands on, "reference" or "batch"; card, light: the names of what the photos are
    read with, otherwise the book's default card and the phone's only light. The file of a photo that is read is kept
    without its position data; a photo sent again gives its first reading. InputError for an impossible depth or dilution.
    """
    check_one_of(spot, LIQUIDS, "spot")
    (other,) = {*LIQUIDS} - {spot}
    depth_mm, dilution = check_number("depth_mm", depth_mm), check_number("dilution", dilution)
    found: Reference | None = find_reference(book, name)
    if found is None:  # refused before any photo is kept for it
        check_name(name, "name of the reference")
        check_text(notes, "notes")
    check_text(entered_by, "name of who entered it")
    reader = open_reader(book, card, light)

    sent = []
    for source in photos:
        find = partial(book.references.find_photo, reference=found.id) if found else lambda _content: None
        photo = reader.take_in(source, find)
        measurement = photo.measurement
        if photo.known is not None:
            sent.append(Sent(measurement, photo.known.id, repeated=True))
            continue
        try:
            if photo.refused is not None:
                raise PhotoError(photo.refused)
            if (colour := measurement.spots.get(spot)) is None:
                raise PhotoError(
                    f"No glass was found on the {spot} spot. Set the reference there and photograph again, or say "
                    f"that it stands on the {other} spot."
                )
            stored = book.photo_store.keep(photo.content)
        except PhotoError as error:
            sent.append(Sent(measurement, note=error.text))
            continue
        found = found or book.references.add(name, notes, entered_by=entered_by)
        reading = book.references.add_reading(
            found.id, colour.lab, lab_sd=colour.lab_sd, depth_mm=depth_mm, dilution=dilution, photo=stored,
            measurement=measurement.having(spot=spot), taken_at=plausible_moment(measurement), original_name=photo.name,
            entered_by=entered_by, token=f"reference-{found.id}-{stored.original_sha256}",
        )  # fmt: skip
        sent.append(Sent(measurement, reading.id))
    return sent


def find_reference(book: LotBook, name: str) -> Reference | None:
    """A reference by its name or id, None where there is none."""
    try:
        return book.references.get(name)
    except NotFoundError:
        return None


def as_triple(values: Iterable[float]) -> Triple:
    """Three numbers; ValueError or TypeError where they are not."""
    first, second, third = map(float, values)
    return first, second, third


def enter_reference(
    book: LotBook,
    name: str,
    lab: Sequence[float],
    *,
    lab_sd: Sequence[float] | None = None,
    depth_mm: float = 10.0,
    dilution: float = 1.0,
    notes: str = "",
    entered_by: str | None = None,
) -> KnownReference:
    """Enter a reference's L*, a*, b* (D65, 2 degrees), as `read_reference`; InputError for an impossible one."""
    if (colour := check_lab(lab)) is None:
        raise InputError("Give the colour as L*, a*, b*, such as 60, 45, 30.")
    spread = None if lab_sd is None else _check_sd(lab_sd)
    check_number("depth_mm", depth_mm)
    check_number("dilution", dilution)
    found = find_reference(book, name) or book.references.add(name, notes, entered_by=entered_by)
    book.references.add_reading(
        found.id, colour, depth_mm=depth_mm, dilution=dilution, lab_sd=spread, entered_by=entered_by
    )
    return read_reference(book, found.id)


def _check_sd(values: Sequence[float]) -> Triple:
    try:
        spread = as_triple(values)
    except (TypeError, ValueError):
        raise InputError(f"The spread {values!r} is not three numbers. Give one for each of L*, a*, b*.") from None
    if not all(0 < value <= 50 for value in spread):
        raise InputError(f"The spread {values!r} must be more than 0 and at most 50. Give standard deviations.")
    return spread


class KnownReading(Record):
    """A reading, and how far it is from the first of its view, `against`, unsure as two photos are."""

    reading: int = kept()
    at: str = kept()
    lab: list[float] = kept()
    lab_sd: list[float] = kept()
    depth_mm: float = kept()
    dilution: float = kept()
    source: str = kept()
    photo: str | None = kept()
    stored_name: str | None = kept()
    drift: Figure | None = kept(Figure.from_json)
    difference: Difference | None = kept(Difference.from_json)
    against: int | None = kept(later=True)

    @property
    def view(self) -> tuple[float, float]:
        """Depth, mm, and dilution."""
        return self.depth_mm, self.dilution


class KnownReference(Record):
    """A reference with its readings in time, and whether it holds."""

    reference: int = kept()
    name: str = kept()
    notes: str = kept()
    created_at: str = kept()
    readings: tuple[KnownReading, ...] = kept(several(KnownReading))
    text: str = kept()


def read_reference(book: LotBook, reference: str | int) -> KnownReference:
    """A reference with its readings, each against the first of the same depth and dilution; NotFoundError names the near ones."""
    found = book.references.get(reference)
    readings = sorted(book.references.readings(found.id), key=lambda one: (time_of(one), one.id))
    first: dict[tuple[float, float], ReferenceReading] = {}
    rows = []
    for reading in readings:
        start = first.setdefault((reading.depth_mm, reading.dilution), reading)
        rows.append(_describe(reading, None if start is reading else start))
    told = pick(found, "name", "notes", "created_at")
    return KnownReference(found.id, **told, readings=tuple(rows), text=_tell(rows))


def _sd(reading: ReferenceReading) -> np.ndarray:
    return np.full(3, ENTERED_SD) if reading.lab_sd is None else np.array(reading.lab_sd)


def _describe(reading: ReferenceReading, start: ReferenceReading | None) -> KnownReading:
    row = KnownReading(
        reading.id, time_of(reading).isoformat(timespec="seconds"), [round(value, 3) for value in reading.lab],
        [round(float(value), 3) for value in _sd(reading)], **pick(reading, "depth_mm", "dilution", "stored_name"),
        source="photo" if reading.photo_sha256 else "lot" if reading.measurement else "entered", photo=reading.original_name,
    )  # fmt: skip
    if start is None:
        return row
    apart = compare_lab(start.lab, reading.lab, np.diag(_sd(reading) ** 2 + _sd(start) ** 2))
    return row.having(drift=apart.delta_e_2000.rounded(), difference=apart, against=start.id)


def _tell(rows: list[KnownReading]) -> str:
    compared = [(row.drift, row.difference) for row in rows if row.drift and row.difference]
    if not rows:
        return "There is no reading of this reference yet. Photograph it, or enter its colour."
    if not compared:
        so_far = "There is one reading so far" if len(rows) == 1 else "No two readings are of one depth and dilution"
        return f"{so_far}. Photograph the reference again in a month to see whether it holds."
    drift, words = compared[-1]
    if not words.seen:
        return (
            f"No drift is seen: at most {drift.high:.1f} CIEDE2000 since the first reading, which is what "
            "two readings can tell of one glass. A batch beside it tells smaller drifts."
        )
    return (
        f"The reference has turned {words.text}: {drift.value:.1f} CIEDE2000 ({drift.low:.1f} to "
        f"{drift.high:.1f}) since its first reading. "
        "Tint new lots to an early reading, or open a new bottle."
    )


class Target(Record):
    """What a lot is tinted to from now on: which of a reference's readings, and their colour with its sd."""

    lot: int = kept()
    reference: int = kept()
    name: str = kept()
    which: str | int = kept()
    readings: list[int] = kept()
    target_lab: list[float] = kept()
    target_lab_sd: list[float] = kept()

    @property
    def called(self) -> str:
        """The reference and which reading of it, in words."""
        return f"{self.name}, {WHICH.get(str(self.which), f'reading {self.which}')}"


def find_readings(
    book: LotBook, reference: str | int, which: str | int, view: tuple[float, float]
) -> list[ReferenceReading]:
    """The readings of a reference, in time, that a lot of this depth, mm, and dilution may be tinted to: all, or one by its id.

    NotFoundError for an id that is none of its readings, InputError where none is of that depth and dilution.
    """
    found = book.references.get(reference)
    readings = sorted(book.references.readings(found.id), key=lambda one: (time_of(one), one.id))
    meant = [one for one in readings if str(which) in (*WHICH, str(one.id))]
    if not meant and str(which) not in WHICH:
        ids = ", ".join(str(one.id) for one in readings) or "none"
        raise NotFoundError(f"{found.name} has no reading {which!r}. Its readings: {ids}; or say {', '.join(WHICH)}.")
    fitting = [one for one in meant if (one.depth_mm, one.dilution) == view]
    if not fitting:
        views = "; ".join(dict.fromkeys(tell_glass(one.depth_mm, one.dilution) for one in meant))
        raise InputError(
            f"{found.name} was {f'read {views}' if views else 'not read yet'}, and this lot is {tell_glass(*view)}. "
            "Photograph the reference that way, or give the lot the same."
        )
    return fitting


def choose_reading(
    book: LotBook,
    lot: int | str,
    reference: str | int,
    which: str | int = "latest",
    *,
    entered_by: str | None = None,
) -> Target:
    """Tint an open lot to one reading of a reference: its id, "first", "latest" or "mean".

    The colour is kept as the lot's target for photos on which no reference stands; a reference in the photo
    still counts before it. InputError when the reading is of another depth or dilution than the lot, or the
    lot is closed.
    """
    head, found = book.lots.get(lot), book.references.get(reference)
    if head.closed:
        raise InputError(f"Lot {head.label} is closed; its reference stays. Begin a new lot for another one.")
    fitting = find_readings(book, found.id, which, (head.depth_mm, head.dilution))
    used = fitting if which == "mean" else fitting[:1] if which == "first" else fitting[-1:]
    lab = as_triple(rounded(np.mean([reading.lab for reading in used], axis=0), 3))
    # a mean keeps the sd of one, as photos by one phone err alike
    sd = np.sqrt(np.mean([_sd(reading) ** 2 for reading in used], axis=0))
    read = [reading.id for reading in used]
    told = Target(head.id, found.id, found.name, which, read, list(lab), rounded(sd, 3).tolist())
    book.lots.amend(head.id, f"tinted to {told.called}", reference_id=found.id, target_lab=lab, entered_by=entered_by)
    return told


def target_from_lot(
    book: LotBook, source: int | str, *, name: str | None = None, entered_by: str | None = None
) -> ReferenceReading:
    """Make an own lot's final colour a reading of a reference.

    The colour is that of the last photo after the last dose. Made once per source lot. InputError when no
    photo shows the finished lot.
    """
    story = book.lots.story(source)
    head = story.lot
    shown = ((photo, photo.measurement.spots.get("batch")) for photo in final_photos(story))
    usable = [(photo, colour) for photo, colour in shown if colour and colour.finite]
    if not usable:
        raise InputError(
            f"No photo shows lot {head.label} after its last dose, so its colour is not known. Photograph it first."
        )
    photo, colour = usable[-1]
    view = photo_view(head, photo.measurement)
    token = f"reference-of-lot-{head.id}"  # noted once, whatever the lot is called later
    called, notes = name or f"Lot {head.label}: {head.name}"[:120], f"Final colour of lot {head.label}."
    found = book.references.with_token(token)
    found = found or book.references.add(called, notes, entered_by=entered_by, token=token)
    if name is not None and name_key(name) != name_key(found.name):
        raise InputError(f"The colour of lot {head.label} is the reference {found.name!r} already. Leave --name out.")
    return book.references.add_reading(
        found.id, colour.lab, lab_sd=colour.lab_sd, depth_mm=view.depth_mm, dilution=view.dilution,
        measurement={"lot": head.id, "entry": photo.id, "photo": photo.original_name, "spot": "batch"},
        entered_by=entered_by, token=f"reference-of-lot-{head.id}-{photo.id}",
    )  # fmt: skip


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
        view = (head.depth_mm, head.dilution)
        of_view = [r for r in book.references.readings(head.reference_id) if (r.depth_mm, r.dilution) == view]
        # each reading, then the mean of all that had been entered at some time
        for known in [[one] for one in of_view] + [of_view[:k] for k in range(len(of_view), 1, -1)]:
            lab = np.mean([one.lab for one in known], axis=0)
            if np.allclose(lab, head.target_lab, rtol=0, atol=_SAME):
                # photos by one phone err alike: a mean is known no better than one of them
                return np.diag(np.mean([_sd(one) ** 2 for one in known], axis=0))
    return np.eye(3) * ENTERED_SD**2


def target_sd(book: LotBook, lot: Lot) -> Triple | None:
    """Standard deviations of a lot's target; None where a reading is damaged, since the target is told all the same."""
    try:
        return as_triple(np.sqrt(np.diag(target_covariance(book, lot))))
    except ColourMatchError:
        return None


def tell_target(book: LotBook, lot: Lot, signs: Signs) -> str:
    """What a lot is tinted to, in words."""
    name = book.references.get(lot.reference_id).name if lot.reference_id is not None else ""
    if lot.target_lab is None:
        return f"{name}, in the photo" if name else "the reference in each photo"
    told = tell_lab(lot.target_lab, target_sd(book, lot), signs=signs)
    return f"{name or 'an entered colour'}: {told}, where no reference is in the photo"
