"""Figures of a lot's story that are shared: what its photos show, when and how they were taken, what went in.
Lots and days are compared by batch minus reference inside one photo: light and phone change both alike.
The Lab of one liquid alone carries the phone's whole error and is never compared across photos."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from colourmatch.book import entries as e
from colourmatch.book.shelf_records import ReferenceReading
from colourmatch.colour.difference import Figure
from colourmatch.dosing.care import EXAMPLE_GLASS_ML, Portion, portions_in_glass
from colourmatch.liquid.model import View
from colourmatch.measurement import LIQUIDS, Colour, Measurement
from colourmatch.records import Array, Record, decimals, kept, names_of, pick, several
from colourmatch.words.figures import tell_ml
from colourmatch.words.looks import tell_dilution


@dataclass(frozen=True)
class Seen:
    """Lab (3,) of both liquids in a photo, and the covariance (3, 3) of their difference as read; told: the difference by it."""

    entry_id: int
    at: datetime
    camera: str
    reference_lab: Array
    batch_lab: Array
    covariance: Array
    told: Figure | None = None

    @property
    def gap(self) -> Array:
        """Batch minus reference, shape (3,)."""
        return self.batch_lab - self.reference_lab


#: Which colour of a spot is taken; None where nothing stood.
Take = Callable[[Measurement, str], Colour | None]


def take_told(measurement: Measurement, name: str) -> Colour | None:
    """The colour that the photo told."""
    return measurement.spots.get(name)


def take_alike(photos: Iterable[e.PhotoEntry]) -> Take:
    """Which colour to take so that photos of months are compared by one rule.

    A calibration, or the estimate that older records do not have, would pass for a change of the liquid: then each
    photo's colour before it counts.
    """
    photos = list(photos)
    liquids = [spot for one in photos for name in LIQUIDS if (spot := one.measurement.spots.get(name))]
    if len({spot.plain is None for spot in liquids}) > 1:
        return lambda measurement, name: measurement.reading(name) if measurement.spots.get(name) else None
    found = [one.measurement.calibration for one in photos]
    several = len({one.entry if one else None for one in found}) > 1
    if not several:
        return take_told
    return lambda measurement, name: (spot := measurement.spots.get(name)) and (spot.as_read or spot)


def see_photo(photo: e.PhotoEntry, take: Take = take_told) -> Seen | None:
    """What a photo shows of reference and batch, None when one of them was not measured."""
    colours, camera = (take(photo.measurement, name) for name in LIQUIDS), photo.measurement.camera
    found = [colour for colour in colours if colour and colour.finite]
    if len(found) < len(LIQUIDS):
        return None
    ref, bat = found
    noise, told = ref.covariance + bat.covariance, photo.measurement.delta_e_2000
    return Seen(photo.id, time_of(photo), camera, ref.lab, bat.lab, noise, told)


def time_of(photo: e.PhotoEntry | ReferenceReading) -> datetime:
    """When a photo was taken: as it was put right, by the entry, by the phone's clock when that can be, else when entered."""
    if isinstance(photo, e.PhotoEntry) and photo.moved_by_id is not None:
        return datetime.fromisoformat(photo.happened_at)
    if photo.taken_at is not None:
        return datetime.fromisoformat(photo.taken_at)
    entered = datetime.fromisoformat(photo.created_at)
    return plausible_moment(photo.measurement or Measurement(), entered) or entered


def final_photos(story: e.LotStory) -> tuple[e.PhotoEntry, ...]:
    """The match photos of the batch as it is now that count: those after the last dose or blending."""
    photos: list[e.PhotoEntry] = []
    for entry in story.effective:
        if changes_colour(entry):
            photos = []
        elif isinstance(entry, e.PhotoEntry) and entry.purpose == "match" and entry.aside is None:
            photos.append(entry)
    return tuple(photos)


def phone_covariance(first: Seen, second: Seen) -> Array:
    """What phones add to the change of the difference from one photo to another, shape (3, 3).

    A phone maps a true difference g to (1 + A) g (photo/measure.py). One phone maps both alike, so that the
    change itself is scaled; two phones scale each difference in their own way.
    """
    if first.camera == second.camera:
        return scale_covariance(second.gap - first.gap)
    return scale_covariance(first.gap) + scale_covariance(second.gap)


def scale_covariance(gap: Array) -> Array:
    """Covariance of a phone's error of scale for a difference, shape (3, 3)."""
    from colourmatch.photo.read_colour import SCALE_SD, stretch  # what is told of doses does not wait for it

    return np.diag(np.square(SCALE_SD * stretch(gap)))


def mean_gap(seen: Sequence[Seen]) -> tuple[Array, Array]:
    """The weighted mean of the differences of several photos of one state, and its covariance."""
    weights = [np.linalg.inv(photo.covariance) for photo in seen]
    covariance = np.linalg.inv(np.sum(weights, axis=0))
    return covariance @ np.sum([w @ p.gap for w, p in zip(weights, seen, strict=True)], axis=0), covariance


class Dose(Record):
    """What one stock brought: mg per litre of batch by the label, and the sd of that; drops: None where not all were counted."""

    stock: str = kept()
    e_number: str = kept(key="colourant")
    mg_per_l: float = kept(write=decimals(3))
    mg_per_l_sd: float = kept(write=decimals(3))
    ml: float = kept(write=decimals(3))
    drops: float | None = kept()


def read_doses(story: e.LotStory) -> tuple[Dose, ...]:
    """The doses that count, summed by stock, in the batch as it is now.

    Strength and drop of a stock are off in the same way for all its doses, so their errors do not average
    out: sd = mg/l x sqrt(strength_rel_sd^2 + (share counted in drops x drop_rel_sd)^2), JCGM 100:2008, 5.2.
    """
    state = story.state()
    by_stock: dict[str, list[e.AdditionEntry]] = {}
    for entry in story.additions:
        by_stock.setdefault(entry.stock, []).append(entry)
    doses = []
    for stock, entries in by_stock.items():
        counted = [entry for entry in entries if entry.unit == "drops"]
        share = sum(entry.mg for entry in counted) / max(sum(entry.mg for entry in entries), 1e-12)
        last = entries[-1]
        relative = math.hypot(last.strength_rel_sd, share * last.drop_rel_sd)
        mg_per_l = state.concentration_mg_per_l(stock)
        drops = sum(entry.quantity for entry in counted) if len(counted) == len(entries) else None
        ml = sum(entry.ml for entry in entries)
        doses.append(Dose(stock, last.colourant, mg_per_l, mg_per_l * relative, ml, drops))
    return tuple(doses)


def total_sd(doses: Sequence[Dose]) -> float:
    """Standard deviation of the colour added in all, mg per litre: stocks err independently."""
    return math.hypot(*(dose.mg_per_l_sd for dose in doses))


def changes_colour(entry: e.LotEntry) -> bool:
    """Whether an entry changes the colour of the batch; a sample that was taken does not."""
    return isinstance(entry, e.AdditionEntry) or (isinstance(entry, e.VolumeEntry) and entry.came)


@dataclass(frozen=True)
class Since:
    """The last photo that counts, None before the first, and what changed the colour after it, in order."""

    photo: e.PhotoEntry | None
    changes: tuple[e.LotEntry, ...]


def since_photo(story: e.LotStory) -> Since:
    """What changed the batch since its last photo that counts."""
    photo = story.matched[-1] if story.matched else None
    before = {entry.id for entry in story.entries_before(photo)} if photo else set()
    changes = tuple(entry for entry in story.effective if changes_colour(entry) and entry.id not in before)
    return Since(photo, changes)


def step_left_ml(story: e.LotStory) -> dict[str, float]:
    """Millilitres of each stock that are left of the step that was advised with the last photo; empty when it is over.

    It is over when all of it is in, when something else went in, and when anything was put right since: the step was
    for another state then.
    """
    since = since_photo(story)
    advised = since.photo.advice.doses if since.photo and since.photo.advice else ()
    wanted = {dose.stock: float(dose.ml) for dose in advised}
    if since.photo is None or any(
        entry.id > since.photo.id and not isinstance(entry, (e.AdditionEntry, e.VolumeEntry, e.NoteEntry))
        for entry in story.events
    ):
        return {}
    for entry in since.changes:
        if not isinstance(entry, e.AdditionEntry) or entry.stock not in wanted:
            return {}
        wanted[entry.stock] -= entry.ml
    return {} if min(wanted.values(), default=0.0) < 0 else {k: ml for k, ml in wanted.items() if ml > 0}


class GlassIntake(Record):
    """What an example glass holds of the batch, made up so, and brings of each colourant."""

    serving: str = kept()
    glass_ml: float = kept()
    dilution: float = kept()
    batch_ml: float = kept()
    colourants: tuple[Portion, ...] = kept(several(Portion))
    text: str = kept()


def read_intake(story: e.LotStory, glasses: Sequence[Mapping[str, Any]] | None = None) -> list[GlassIntake]:
    """What one example glass of the batch as it is brings of each colourant, for each way it is served.

    Ways are the dilutions of the `glasses` that are looked at (one that names none is undiluted); without them those
    of the lot's serving conditions that name one, else as the label makes it up: the dilution of the photos is for the camera and is
    not drunk. A known colour of the base counts, without uncertainty as nobody gave one.
    """
    amounts = _amounts(story)
    if not amounts:
        return []
    ways: dict[float, list[str]] = {}  # dilution -> the glasses that have it
    own = [one for one in story.lot.glasses if one.get("dilution")]
    for glass in own if glasses is None else glasses:
        ways.setdefault(float(glass.get("dilution", 1.0)), []).append(str(glass.get("name", "serving")))
    found = []
    for dilution, names in sorted(ways.items()) or [(story.lot.made_up_to, [])]:
        batch_ml = EXAMPLE_GLASS_ML / dilution
        portions = tuple(portions_in_glass(amounts, batch_ml))
        called = f" ({', '.join(names)})" if names else ""
        holds = f"{tell_dilution(dilution)}, holds {tell_ml(batch_ml)} of the batch"
        text = f"A glass of {EXAMPLE_GLASS_ML:g} ml{called}, {holds}. Glass and body masses are examples."
        served = ", ".join(names) or "neat", EXAMPLE_GLASS_ML, dilution, round(batch_ml, 1)
        found.append(GlassIntake(*served, portions, text))
    return found


def _amounts(story: e.LotStory) -> dict[str, tuple[float, float]]:
    """mg per litre of each colourant in the batch, and its standard deviation."""
    state = story.state()
    amounts: dict[str, tuple[float, float]] = {}
    if state.already_colourant and state.already_mg_per_l > 0:
        amounts[state.already_colourant] = (state.already_mg_per_l, 0.0)
    for dose in read_doses(story):
        mg, sd = amounts.get(dose.e_number, (0.0, 0.0))
        amounts[dose.e_number] = (mg + dose.mg_per_l, (sd**2 + dose.mg_per_l_sd**2) ** 0.5)
    return amounts


def photo_view(head: e.Lot, measurement: Measurement | None) -> View:
    """How deep and how thinned a photo shows the liquids: as its own record says, else as the lot's head does."""
    seen = measurement.view if measurement else None
    depth_mm = seen.depth_mm if seen and seen.depth_mm is not None else head.depth_mm
    dilution = seen.dilution if seen and seen.dilution is not None else head.dilution
    return View(float(depth_mm), float(dilution))


def views_of(head: e.Lot) -> tuple[View, ...]:
    """Where the match is judged: the serving conditions of the lot, else as measured."""
    usual = pick(head, "depth_mm", "dilution")
    # a book of before may hold what is no part of a view
    kept = ({k: v for k, v in one.items() if k in names_of(View) and v is not None} for one in head.glasses)
    views = tuple(View(**usual | {"name": "serving"} | one) for one in kept)
    return views or (photo_view(head, None),)


#: A phone's clock that is further ahead than this is wrong; time zones that a file does not name are within it.
_CLOCK_AHEAD = timedelta(days=1)
#: The same where the file names its time zone.
_CLOCK_AHEAD_WITH_ZONE = timedelta(minutes=10)


def moment_of(measurement: Measurement) -> datetime | None:
    """When a measured photo was taken by its own file, local to this machine without an offset; None for no time.

    DateTimeOriginal ("2026:11:25 07:14:39"), OffsetTimeOriginal ("+01:00") of Exif 2.32 (CIPA DC-008-2019).
    """
    try:
        moment = datetime.strptime(str(measurement.taken_at)[:19], "%Y:%m:%d %H:%M:%S")
        if measurement.taken_offset:
            zone = datetime.strptime(measurement.taken_offset[:6], "%z").tzinfo
            moment = moment.replace(tzinfo=zone)
        return moment.astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        return None


def is_ahead(measurement: Measurement, now: datetime | None = None) -> bool:
    """Whether a photo says that it was taken at a time that is still to come."""
    taken = moment_of(measurement)
    ahead = _CLOCK_AHEAD_WITH_ZONE if measurement.taken_offset else _CLOCK_AHEAD
    return taken is not None and taken > (now or datetime.now(UTC)) + ahead


def plausible_moment(measurement: Measurement, now: datetime | None = None) -> datetime | None:
    """When a photo was taken by its own file; None when that cannot be read or lies ahead of `now`."""
    return None if is_ahead(measurement, now) else moment_of(measurement)
