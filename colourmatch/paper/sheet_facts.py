"""What the lot sheet tells, gathered from a lot's records: plain figures and lines, no paper and no layout."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from functools import partial
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from colourmatch.book.entries import AdditionEntry, LotStory, PhotoEntry, VolumeEntry, number_photos
from colourmatch.dosing.limits import CeilingLine, ceiling_check, colourants_in, limits_for, place_or_first
from colourmatch.facts import K_95
from colourmatch.paper.sheet_plots import Point
from colourmatch.records import pick
from colourmatch.words.entries import Medium, tell_aside, tell_entry
from colourmatch.words.figures import PAPER, tell_interval
from colourmatch.words.looks import tell_look
from colourmatch.words.times import tell_minute
from colourmatch.workflow.photo_colours import (
    GlassIntake,
    Seen,
    read_doses,
    scale_covariance,
    see_photo,
    total_sd,
)
from colourmatch.workflow.references import as_triple

#: A note or a reason is cut here on the sheet; the book keeps all of it.
LONGEST_TEXT = 500


class Line(NamedTuple):
    """One line of the history: when, what, by whom, mg/l in the batch after it, and whether it is struck."""

    when: str
    text: str
    by: str
    mg_per_l: str
    struck: bool
    remark: str


class Swatch(NamedTuple):
    """A colour to show: its name, Lab and the standard deviation of each part."""

    name: str
    lab: tuple[float, float, float]
    lab_sd: tuple[float, float, float]


def see_photos(story: LotStory) -> list[tuple[PhotoEntry, Seen]]:
    """The photos for the match that count and showed both liquids, with what was seen."""
    matched = [photo for photo in story.counting_photos if photo.purpose == "match"]
    return [(photo, found) for photo in matched if (found := see_photo(photo)) is not None]


def tell_looks(story: LotStory) -> Iterator[tuple[str, str, str]]:
    """Each serving condition: name, what it is, how far apart the two were at the end, or at the last photo."""
    final = story.closing.final if story.closing else None
    counting = story.counting_photos
    last = counting[-1].advice if counting else None
    ended = final or last
    for one in ended.serving if ended else ():
        look = tell_look(pick(one, "depth_mm", "dilution", "illuminant", "weight"))
        yield one.name, look, f"{tell_interval(one.delta_e_2000)}, {one.text}"


def tell_intake(intake: list[GlassIntake]) -> Iterator[tuple[str, ...]]:
    """A colourant in a glass: glass, colourant, mg, its ADI, and the share of it for each example person."""
    for glass in intake:
        for portion in glass.colourants:
            adi, held = portion.adi_mg_per_kg, f"{tell_interval(portion.mg, 2)} mg"
            shares = "; ".join(f"{tell_interval(one.percent())} % for {one.who}" for one in portion.shares)
            limit = "none on file" if adi is None else f"{adi:g} mg per kg ({portion.source})"
            yield glass.serving, portion.name, held, limit, shares


def _shorten(text: str) -> str:
    cut = f"{text[:LONGEST_TEXT].rstrip()} ... (cut; the book has all)"
    return text if len(text) <= LONGEST_TEXT else cut


def tell_history(story: LotStory, zone: tzinfo | None) -> Iterator[Line]:
    """Every entry in order, a photo with its file and what is doubtful of it."""
    after = _colour_after(story)
    numbers = number_photos(story)
    names = {
        photo.id: f"photo {numbers[photo.id]}" + (f" ({photo.original_name})" if photo.original_name else "")
        for photo in story.photos
    }
    medium = Medium(signs=PAPER, clock=partial(tell_minute, zone=zone), reason=False, names=names)
    for entry in story.events:
        struck, text, remarks = entry.replaced_by_id is not None, tell_entry(entry, medium), []
        if entry.replaces_id is not None:
            remarks.append(f"corrects entry {entry.replaces_id}: {entry.reason}")
        elif entry.reason:
            remarks.append(str(entry.reason))
        if isinstance(entry, PhotoEntry):
            flags = " ".join(flag.text for flag in entry.measurement.quality if flag.text)
            text += f". {flags}" if flags else ""
            remarks += [] if entry.aside is None else [tell_aside(entry.aside)]
        if entry.moved_by_id is not None:
            happened = tell_minute(entry.happened_at, zone)
            remarks.append(f"happened at {happened}, by entry {entry.moved_by_id}")
        if struck:
            remarks.append(f"struck by entry {entry.replaced_by_id}")
        yield Line(
            when=tell_minute(entry.created_at, zone),
            text=f"{entry.id}. {_shorten(text)}",
            by=entry.entered_by or "",
            mg_per_l="" if struck or entry.id not in after else f"{after[entry.id]:.1f}",
            struck=struck,
            remark=_shorten("; ".join(remarks)),
        )


def _colour_after(story: LotStory) -> dict[int, float]:
    """mg of all colour in a litre after each entry that changed the batch."""
    effective = story.effective
    following = {entry.id: after for entry, after in pairwise(effective)}
    return {
        entry.id: story.state(following.get(entry.id)).total_mg_per_l()
        for entry in effective
        if isinstance(entry, (AdditionEntry, VolumeEntry))
    }


def tell_ceilings(story: LotStory) -> Iterator[tuple[str, CeilingLine, float, str]]:
    """The maker's own ceiling, then each limit: what counts, its figures, the sd of the amount, the law in words."""
    state, place, doses = story.state(), place_or_first(story.lot.jurisdiction), read_doses(story)
    lines = ceiling_check(state, story.lot.ceiling_mg_per_l, place).lines
    limits = limits_for(colourants_in(state), place)
    own = len(lines) - len(limits)
    for line in lines[:own]:
        yield "The maker's own ceiling, all colours", line, total_sd(doses), ""
    for line, limit in zip(lines[own:], limits, strict=True):
        counted = [dose for dose in doses if dose.e_number in line.what] or doses
        yield line.what, line, total_sd(counted), limit.text


def choose_swatches(story: LotStory, seen: Sequence[Seen]) -> Iterator[Swatch]:
    """Reference and batch on the first and last photo, each placed by its difference in its own photo."""
    if not seen:
        if story.lot.target_lab is not None:
            yield Swatch("target colour, entered", story.lot.target_lab, (2.0, 2.0, 2.0))
        return
    last = seen[-1]
    shown = next(p for p in story.photos if p.id == last.entry_id).measurement.spots["reference"]
    sds = shown.lab_sd if shown and shown.lab_sd is not None else np.sqrt(np.diag(last.covariance))
    yield Swatch("reference", as_triple(last.reference_lab), as_triple(sds))
    chosen = [("batch, first photo", seen[0])] if len(seen) > 1 else []
    for name, one in [*chosen, (f"batch, {'last' if len(seen) > 1 else 'only'} photo", last)]:
        own = np.sqrt(np.diag(one.covariance + scale_covariance(one.gap)))
        yield Swatch(name, as_triple(last.reference_lab + one.gap), as_triple(own))


def trace_approach(story: LotStory, photos: Sequence[PhotoEntry]) -> tuple[list[Point], bool]:
    """Photo by photo the difference against mg/l in the batch; against its number, as is said, where nothing went in."""
    amounts, numbers = [story.state(photo).total_mg_per_l() for photo in photos], number_photos(story)
    by_photo = len({round(amount, 3) for amount in amounts}) < 2
    points = []
    for photo, amount in zip(photos, amounts, strict=True):
        number, figure = numbers[photo.id], photo.measurement.delta_e_2000
        if figure is not None and figure.value is not None:
            x = float(number) if by_photo else amount
            points.append(Point(x, figure.value, str(number), None, (figure.low, figure.high)))
    return points, by_photo


def trace_path(story: LotStory, seen: Sequence[Seen]) -> Iterator[Point]:
    """The batch photo by photo in a* and b*, each placed by its difference from the last reading of the reference."""
    numbers = number_photos(story)
    for one in seen:
        a_star, b_star = (float(v) for v in (seen[-1].reference_lab + one.gap)[1:])
        half = K_95 * np.sqrt(np.diag(one.covariance + scale_covariance(one.gap)))
        across = (a_star - float(half[1]), a_star + float(half[1]))
        up = (b_star - float(half[2]), b_star + float(half[2]))
        yield Point(a_star, b_star, str(numbers[one.entry_id]), across, up)
