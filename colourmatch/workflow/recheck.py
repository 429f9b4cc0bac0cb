"""Does the colour hold? Photos of a closed lot beside its reference, weeks later, against its first colour.
It refuses to know why a colour fades; what is wrong with the reference shows as drift of the batch.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Unpack

import numpy as np

from colourmatch.book.entries import Lot, LotStory, PhotoEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import Source
from colourmatch.book.transactions import By, part_of
from colourmatch.colour.difference import Difference, Figure, ciede2000, compare_lab
from colourmatch.errors import InputError
from colourmatch.instrument.incoming import IncomingPhoto, note_for_lot, take_in_for_lot
from colourmatch.measurement import LIQUIDS, Colour, Measurement, Sent
from colourmatch.records import Array, Record, kept, numbers, pick, rounded, several
from colourmatch.words.entries import tell_aside
from colourmatch.words.figures import PLAIN, Signs, tell_drift, tell_interval
from colourmatch.words.times import tell_date
from colourmatch.workflow.photo_colours import (
    Seen,
    final_photos,
    mean_gap,
    phone_covariance,
    photo_view,
    plausible_moment,
    scale_covariance,
    see_photo,
    take_alike,
)

_WEEK = timedelta(weeks=1)
#: Photos of one day do not tell a rate.
LEAST_SPAN = timedelta(days=1)
#: A line is not drawn out further than this many times the time watched (common practice, no source).
HORIZON_SPANS = 3.0
_DRAWS, _STEPS = 1000, 120
METHOD = (
    "Batch minus reference within each photo; straight line over time by weighted least squares; rate as the "
    "length of the change along its own direction, CIEDE2000 per week with 95 % interval."
)


def record_recheck(
    book: LotBook,
    lot: int | str,
    photos: Sequence[Source],
    *,
    card: str | None = None,
    light: str | None = None,
    **by: Unpack[By],
) -> list[Sent]:
    """Measure photos of a closed lot beside its reference, and keep them.

    card, light: the names of what they are read with, from now on; otherwise as noted for the lot. A photo sent again
    gives its first entry. InputError while the lot is open.
    """
    found = book.lots.get(lot)
    if not found.closed:
        raise InputError(
            f"Lot {found.label} is still open. Add its photo as a match, or close the lot before a recheck."
        )
    note_for_lot(book, found.id, card=card, light=light, entered_by=by.get("entered_by"))
    arriving = take_in_for_lot(book, found.id, photos)
    return [_record(book, found.id, photo, part_of(by, str(k))) for k, photo in enumerate(arriving)]


def _record(book: LotBook, lot: int, photo: IncomingPhoto[PhotoEntry], by: By) -> Sent:
    measurement = photo.measurement
    if photo.known is not None:
        matched = "This photo was taken for the match, before the closing."
        note = None if photo.known.purpose == "recheck" else matched
        return Sent(measurement, photo.known.id, note, repeated=True)
    if (note := photo.refused or _what_is_missing(measurement)) is not None:
        return Sent(measurement, note=note)
    entry = book.photos.add(
        lot, measurement, photo=photo.content, purpose="recheck", original_name=photo.name,
        taken_at=plausible_moment(measurement), **by,
    )  # fmt: skip
    return Sent(measurement, entry.id)


def _what_is_missing(measurement: Measurement) -> str | None:
    missing = [name for name in LIQUIDS if not measurement.spots.get(name)]
    if not missing:
        return None
    return (
        f"No {' and no '.join(missing)} was found on this photo. A recheck needs both in equal glasses "
        "beside the card: photograph them together."
    )


@dataclass(frozen=True)
class LineFit:
    """d(t) = start + slope t, t in weeks: parameters shape (6,), covariance shape (6, 6), Birge ratio."""

    values: Array
    covariance: Array
    birge: float

    @property
    def slope(self) -> Array:
        """Change of the difference in Lab per week, shape (3,)."""
        return self.values[3:]


def fit_line(weeks: Array, gaps: Array, covariances: Array) -> LineFit:
    """Generalised least squares (JCGM 100:2008, 5.2) for gaps (n, 3) with covariances (n, 3, 3) at n times.

    ValueError when the times are all the same. The Birge ratio (R. T. Birge, 1932, Phys. Rev. 40, 207; from
    memory) enlarges the spread when it is above 1, never shrinks it.
    """
    if np.ptp(weeks) <= 0:
        raise ValueError("weeks must hold two different times")
    inverse = np.linalg.inv(covariances)
    design = np.stack([np.hstack([np.eye(3), t * np.eye(3)]) for t in weeks])
    information = np.einsum("nia,nij,njb->ab", design, inverse, design)
    covariance = np.linalg.inv(information)
    values = covariance @ np.einsum("nia,nij,nj->a", design, inverse, gaps)
    rest = gaps - design @ values
    freedom = rest.size - 6
    chi2 = float(np.einsum("ni,nij,nj->", rest, inverse, rest))
    birge = max(1.0, (chi2 / freedom) ** 0.5) if freedom > 0 else 1.0
    return LineFit(values, covariance * birge**2, birge)


class Start(Record):
    """How a lot began: batch minus reference in Lab (3,) with its sd, of so many photos."""

    at: str = kept()
    photos: int = kept()
    gap_lab: Array = kept(numbers)
    gap_lab_sd: Array = kept(numbers)
    delta_e_2000: Figure = kept(Figure.from_json)


class PhotoDrift(Record):
    """How far and which way the batch has gone since the start by one photo; Lab (3,) with its sd."""

    entry: int = kept()
    at: str = kept()
    weeks: float = kept()
    drift_lab: Array = kept(numbers)
    drift_lab_sd: Array = kept(numbers)
    delta_e_2000: Figure = kept(Figure.from_json)
    difference: Difference = kept(Difference.from_json)


class LeftOut(Record):
    """A photo that tells nothing of the drift, and why."""

    entry: int = kept()
    reason: str = kept()


class Forecast(Record):
    """When a lot leaves its tolerance: weeks from the start and dates as value, low, high, None beyond the horizon.

    against: "reference", or "own first colour" when it never was within the tolerance.
    """

    against: str = kept()
    tolerance: float = kept()
    outside_now: bool = kept()
    weeks: Mapping[str, float | None] = kept()
    dates: Mapping[str, str | None] = kept()
    horizon: str = kept()
    text: str = kept()


class Drift(Record):
    """How the colour of a lot has held: how it began, photo by photo, CIEDE2000 a week, and in words."""

    lot: int = kept()
    number: str = kept()
    name: str = kept()
    tolerance: float = kept()
    closed: bool = kept()
    start: Start | None = kept(Start.from_json)
    photos: tuple[PhotoDrift, ...] = kept(several(PhotoDrift), default=())
    left_out: tuple[LeftOut, ...] = kept(several(LeftOut), default=())
    rate_per_week: Figure | None = kept(Figure.from_json)
    change_per_week: Colour | None = kept(Colour.from_json)
    forecast: Forecast | None = kept(Forecast.from_json)
    method: str = kept(default=METHOD)
    text: str = kept()
    birge_ratio: float | None = kept(later=True)


def tell_photos(drift: Drift, zone: tzinfo | None = None, signs: Signs = PLAIN) -> Iterator[tuple[str, str]]:
    """How a lot began and each photo since: the day, that of `zone`, else of this machine, and how far the colour had gone."""
    if start := drift.start:
        far = tell_interval(start.delta_e_2000, signs=signs)
        when = f"{tell_date(start.at, zone)}, {'finished' if drift.closed else 'so far'}"
        by = f"by the photo{'s' if start.photos > 1 else ''} then"
        yield when, f"CIEDE2000 {far} from its reference {by}, which later ones are held against"
    for photo in drift.photos:
        since = f"{photo.weeks:.1f} weeks" if photo.weeks >= 0.05 else "the same day"
        when = f"{tell_date(photo.at, zone)}, {since}"
        yield when, tell_drift(photo.delta_e_2000, photo.difference, signs)


def read_drift(book: LotBook, lot: int | str) -> Drift:
    """How the colour of a lot has held since it was finished, from its photos in the book."""
    story = book.lots.story(lot)
    first, later, skipped = _sort_photos(story)
    drift = Drift(
        story.lot.id, story.lot.label, **pick(story.lot, "name", "tolerance", "closed"), left_out=tuple(skipped),
        text=_why_no_rate(story.lot, bool(first)),
    )  # fmt: skip
    if not first:
        return drift
    start, spread = mean_gap(first)
    anchor = np.mean([photo.reference_lab for photo in first], axis=0)
    begun = compare_lab(anchor, anchor + start, spread + scale_covariance(start)).delta_e_2000
    if len(first) == 1:  # as that photo told it
        begun = first[0].told or begun
    at, sd = first[0].at.isoformat(timespec="seconds"), rounded(np.sqrt(np.diag(spread)), 3)
    drift = drift.having(start=Start(at, len(first), rounded(start, 3), sd, begun.rounded()))
    if not later:
        return drift
    photos = tuple(_describe_photo(photo, first[-1], start, spread, anchor) for photo in later)
    drift, everything = drift.having(photos=photos), (*first, *later)
    if max(p.at for p in everything) - min(p.at for p in everything) < LEAST_SPAN:
        seen, how_far = photos[-1].difference, tell_interval(photos[-1].delta_e_2000)
        what = f"drifted by {how_far}: {seen.text}" if seen.seen else "not drifted"
        text = f"Within a day the colour has {what}. All photos are of one day, so no rate can be told."
        doubt = " So much in a day: is it this lot's sample?" if photos[-1].delta_e_2000.low > drift.tolerance else ""
        return drift.having(text=f"{text}{doubt} Photograph again in a week.")
    return _tell_rate(drift, everything, anchor)


def _why_no_rate(head: Lot, seen: bool) -> str:
    """What is said while no recheck shows a lot; seen: whether a photo shows how it began."""
    if not seen:
        shown = "finished " if head.closed else ""
        return f"No photo of this lot shows it {shown}beside its reference, so no drift can be told."
    if head.closed:
        return "No later photo yet. Photograph this lot beside its reference again in a week and in a month."
    return f"Lot {head.label} is still open. Close it, then photograph it beside its reference again in a week and in a month."


def _sort_photos(story: LotStory) -> tuple[tuple[Seen, ...], tuple[Seen, ...], list[LeftOut]]:
    """Photos that show the finished lot first, those of rechecks, and those that cannot be used, with why."""
    rechecks = [photo for photo in story.counting_photos if photo.purpose == "recheck"]
    skipped = [
        LeftOut(photo.id, tell_aside(photo.aside))
        for photo in story.photos
        if photo.aside is not None and photo.purpose == "recheck"
    ]
    final = final_photos(story)
    take = take_alike((*final, *rechecks))

    def look(photos: Sequence[PhotoEntry]) -> tuple[Seen, ...]:
        seen = {photo.id: see_photo(photo, take) for photo in photos}
        for photo in photos:
            if seen[photo.id] is None:
                skipped.append(LeftOut(photo.id, _what_is_missing(photo.measurement) or "not measured"))
        return tuple(sorted(filter(None, seen.values()), key=lambda one: one.at))

    # of photos thinned in several ways the last ones' way counts; rechecks are taken to be of it
    views = [photo_view(story.lot, photo.measurement) for photo in final]
    alike = [photo for photo, view in zip(final, views, strict=True) if view == views[-1]]
    first, later = look(alike), look(rechecks)
    # A lot that was closed without a last photo is watched from its first recheck on.
    return (first, later, skipped) if first else (later[:1], later[1:], skipped)


def _describe_photo(photo: Seen, first: Seen, start: Array, spread: Array, anchor: Array) -> PhotoDrift:
    covariance = photo.covariance + spread + phone_covariance(first, photo)
    drift = compare_lab(anchor + start, anchor + photo.gap, covariance)
    at, weeks = photo.at.isoformat(timespec="seconds"), round((photo.at - first.at) / _WEEK, 2)
    moved, sd = rounded(photo.gap - start, 3), rounded(np.sqrt(np.diag(covariance)), 3)
    return PhotoDrift(photo.entry_id, at, weeks, moved, sd, drift.delta_e_2000.rounded(), drift)


def _tell_rate(drift: Drift, seen: Sequence[Seen], anchor: Array) -> Drift:
    begin = min(photo.at for photo in seen)
    weeks = np.array([(photo.at - begin) / _WEEK for photo in seen])
    others = [p.covariance + (scale_covariance(p.gap) if p.camera != seen[0].camera else 0.0) for p in seen]
    fit = fit_line(weeks, np.array([photo.gap for photo in seen]), np.array(others))
    span = float(weeks.max())
    covariance = fit.covariance[3:, 3:] * span**2 + scale_covariance(fit.slope * span)
    begun = anchor + fit.values[:3]
    change = compare_lab(begun, begun + fit.slope * span, covariance)
    rate = Figure(*(end / span for end in change.delta_e_2000.rounded().ends)).rounded(4)
    forecast = _forecast(fit, anchor, drift.tolerance, span, begin) if change.seen else None
    if forecast is not None:
        text = (
            f"In {span:.1f} weeks the batch has turned {change.text}, by {rate.value:.2f} CIEDE2000 a week "
            f"(between {rate.low:.2f} and {rate.high:.2f}). {forecast.text}"
        )
    elif (newest := drift.photos[-1].difference).seen:
        text = (
            f"The photos do not lie on a line, so no rate can be told. By the newest the batch has turned {newest.text}, "
            f"by {tell_interval(drift.photos[-1].delta_e_2000)} CIEDE2000. Photograph again now."
        )
    else:
        text = (
            f"In {span:.1f} weeks no drift is seen beyond what the photos can tell; it is at most "
            f"{rate.high:.2f} CIEDE2000 a week. No forecast yet: photograph again in about "
            f"{max(1, round(2 * span))} weeks."
        )
    lab = Colour(rounded(fit.slope, 4), rounded(np.sqrt(np.diag(covariance)) / span, 4))
    return drift.having(
        rate_per_week=rate, change_per_week=lab, birge_ratio=round(fit.birge, 2), forecast=forecast, text=text
    )


def _forecast(fit: LineFit, anchor: Array, tolerance: float, span: float, begin: datetime) -> Forecast:
    """Weeks from the start until the difference passes the tolerance: median and 95 % range."""
    covariance = fit.covariance.copy()
    covariance[3:, 3:] += scale_covariance(fit.slope)
    draws = np.random.default_rng(7870).multivariate_normal(fit.values, covariance, _DRAWS)
    weeks = np.linspace(0, span * (1 + HORIZON_SPANS), _STEPS + 1)
    labs = anchor + draws[:, None, :3] + weeks[:, None] * draws[:, None, 3:]
    against = "reference"
    away = ciede2000(anchor, labs)
    if np.median(away[:, 0]) > tolerance:
        against, away = "own first colour", ciede2000(labs[:, :1], labs)
    outside = away > tolerance
    crossing = np.where(outside.any(axis=1), weeks[outside.argmax(axis=1)], np.inf)
    low, value, high = np.quantile(crossing, (0.025, 0.5, 0.975), method="nearest")
    passed = {"value": float(value), "low": float(low), "high": float(high)}
    after = {key: round(week, 2) if np.isfinite(week) else None for key, week in passed.items()}
    dates = {key: _day(begin, week) if np.isfinite(week) else None for key, week in passed.items()}
    is_outside = bool(outside[:, int(np.searchsorted(weeks, span))].mean() > 0.5)
    told = Forecast(against, tolerance, is_outside, after, dates, _day(begin, float(weeks[-1])))
    return told.having(text=_forecast_text(told))


def _day(begin: datetime, weeks: float) -> str:
    return (begin + weeks * _WEEK).date().isoformat()


def _forecast_text(told: Forecast) -> str:
    what, dates = f"the tolerance of {told.tolerance:g} from its {told.against}", told.dates
    if told.outside_now:
        return f"It is outside {what} now."
    if dates["value"] is None:
        early = f"; it could be as early as {dates['low']}" if dates["low"] else ""
        return f"At this rate it stays within {what} beyond {told.horizon}, as far as the photos reach{early}."
    late = dates["high"] or f"after {told.horizon}"
    return f"At this rate it leaves {what} around {dates['value']} (between {dates['low']} and {late})."
