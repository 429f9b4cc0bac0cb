"""What the lot sheet tells, gathered from the book once: plain figures and lines, no paper and no layout."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo
from functools import partial
from itertools import pairwise

import numpy as np

from colourmatch.advice import Caution
from colourmatch.book.entries import (
    AdditionEntry,
    LotEntry,
    LotStory,
    PhotoEntry,
    VolumeEntry,
    number_photos,
)
from colourmatch.book.lot_book import LotBook
from colourmatch.book.shelf_records import Reference
from colourmatch.dosing.care import cautions_for
from colourmatch.dosing.limits import ceiling_check, colourants_in, limits_for, place_or_first
from colourmatch.facts import K_95
from colourmatch.paper.sheet_plots import Point
from colourmatch.records import pick
from colourmatch.words.entries import Medium, tell_aside, tell_entry
from colourmatch.words.figures import PAPER, tell_interval
from colourmatch.words.looks import tell_look
from colourmatch.words.times import tell_minute
from colourmatch.workflow.label_lines import read_label_lines
from colourmatch.workflow.photo_colours import (
    Dose,
    GlassIntake,
    Seen,
    read_doses,
    read_intake,
    scale_covariance,
    see_photo,
    total_sd,
)
from colourmatch.workflow.recheck import read_drift
from colourmatch.workflow.references import as_triple
from colourmatch.workflow.trials import describe_trials

#: A note or a reason is cut here on the sheet; the book keeps all of it.
LONGEST_TEXT = 500


@dataclass(frozen=True)
class Line:
    """One line of the history: when, what, by whom, mg/l in the batch after it, and whether it is struck."""

    when: str
    text: str
    by: str
    mg_per_l: str
    struck: bool
    remark: str


@dataclass(frozen=True)
class CeilingRow:
    """One ceiling or limit: what counts, how much there is, how much may be, what is left, in words."""

    what: str
    amount: str
    limit: str
    left: str
    note: str
    over: bool


@dataclass(frozen=True)
class Swatch:
    """A colour to show: its name, Lab and the standard deviation of each part."""

    name: str
    lab: tuple[float, float, float]
    lab_sd: tuple[float, float, float]


@dataclass(frozen=True)
class Facts:
    """All that the sheet of one lot says."""

    story: LotStory
    reference: Reference | None
    lines: tuple[Line, ...]
    ceilings: tuple[CeilingRow, ...]
    swatches: tuple[Swatch, ...]
    approach: tuple[Point, ...]
    path: tuple[Point, ...]
    path_reference: tuple[float, float] | None
    by_photo: bool
    label: tuple[str, ...]
    cautions: tuple[Caution, ...]
    drift: str | None
    serving: tuple[tuple[str, str, str], ...] = ()
    intake: tuple[tuple[str, ...], ...] = ()
    intake_notes: tuple[str, ...] = ()
    trials: tuple[str, ...] = ()
    zone: tzinfo | None = None
    last_hash: str = ""

    def texts(self) -> list[str | None]:
        """Every text that a person typed, for the choice of fonts."""
        head, reference = self.story.lot, self.reference
        typed = [head.name, head.label, head.notes, head.entered_by, head.jurisdiction]
        typed += [reference.name, reference.notes] if reference else []
        for stock in self.story.stock_entries:
            typed += [stock.name, stock.notes, stock.supplier, stock.supplier_batch]
        for line in self.lines:
            typed += [line.text, line.by, line.remark]
        return [*typed, *self.trials, *(name for name, _, _ in self.serving)]


def collect_facts(book: LotBook, lot: int | str, zone: tzinfo | None = None) -> Facts:
    """Gather what the sheet of a lot says, in times of `zone`; NotFoundError for a lot that does not exist."""
    story = book.lots.story(lot)
    head = story.lot
    state = story.state()
    ready = [] if state.mg_by_colourant else [stock.colourant for stock in story.stock_entries]
    cautioned = list(dict.fromkeys([*colourants_in(state), *ready]))
    doses = read_doses(story)
    matched = [photo for photo in story.counting_photos if photo.purpose == "match"]
    shown = [(photo, found) for photo in matched if (found := see_photo(photo)) is not None]
    place, intake = place_or_first(head.jurisdiction), read_intake(story)
    is_rechecked = any(photo.purpose == "recheck" for photo in story.photos)
    seen, numbers = [one for _, one in shown], number_photos(story)
    amounts = [story.state(photo).total_mg_per_l() for photo, _ in shown]
    by_photo = len({round(amount, 3) for amount in amounts}) < 2
    at = [float(numbers[photo.id]) for photo, _ in shown] if by_photo else amounts
    return Facts(
        story=story,
        reference=None if head.reference_id is None else book.references.get(head.reference_id),
        lines=tuple(_tell_history(story, zone)),
        ceilings=tuple(_tell_ceilings(story, doses)),
        swatches=tuple(_choose_swatches(story, seen)),
        approach=tuple(_trace_approach(at, [photo for photo, _ in shown], numbers)),
        path=tuple(_trace_path(seen, numbers)),
        path_reference=(float(seen[-1].reference_lab[1]), float(seen[-1].reference_lab[2])) if seen else None,
        by_photo=by_photo,
        label=read_label_lines(story).on_record(),
        cautions=cautions_for(cautioned, place),
        drift=read_drift(book, head.id).text if is_rechecked else None,
        serving=tuple(_tell_looks(story)),
        intake=tuple(_tell_intake(intake)),
        intake_notes=tuple(dict.fromkeys(glass.text for glass in intake)),
        trials=tuple(trial.text for trial in describe_trials(book, story)),
        zone=zone,
        last_hash=book.lots.last_hash(head.id),
    )


def _tell_looks(story: LotStory) -> Iterator[tuple[str, str, str]]:
    """Each serving condition: name, what it is, how far apart the two were at the end, or at the last photo."""
    final = story.closing.final if story.closing else None
    counting = story.counting_photos
    last = counting[-1].advice if counting else None
    ended = final or last
    for one in ended.serving if ended else ():
        look = tell_look(pick(one, "depth_mm", "dilution", "illuminant", "weight"))
        yield one.name, look, f"{tell_interval(one.delta_e_2000)}, {one.text}"


def _tell_intake(intake: list[GlassIntake]) -> Iterator[tuple[str, ...]]:
    """A colourant in a glass: glass, colourant, mg, its ADI, and the share of it for each example person."""
    for glass in intake:
        for portion in glass.colourants:
            adi, held = portion.adi_mg_per_kg, f"{tell_interval(portion.mg, 2)} mg"
            shares = "; ".join(f"{tell_interval(one.percent())} % for {one.who}" for one in portion.shares)
            limit = "none on file" if adi is None else f"{adi:g} mg per kg ({portion.source})"
            yield glass.serving, portion.name, held, limit, shares


def _shorten(text: str) -> str:
    return (
        text if len(text) <= LONGEST_TEXT else f"{text[:LONGEST_TEXT].rstrip()} ... (cut; the book has all)"
    )


def _tell_history(story: LotStory, zone: tzinfo | None) -> Iterator[Line]:
    after = _colour_after(story)
    files = {photo.id: f" ({photo.original_name})" if photo.original_name else "" for photo in story.photos}
    names = {
        entry_id: f"photo {number}{files[entry_id]}" for entry_id, number in number_photos(story).items()
    }
    medium = Medium(signs=PAPER, clock=partial(tell_minute, zone=zone), reason=False, names=names)
    for entry in story.events:
        struck = entry.replaced_by_id is not None
        remarks = []
        if entry.replaces_id is not None:
            remarks.append(f"corrects entry {entry.replaces_id}: {entry.reason}")
        elif entry.reason:
            remarks.append(str(entry.reason))
        if isinstance(entry, PhotoEntry) and entry.aside is not None:
            remarks.append(tell_aside(entry.aside))
        if entry.moved_by_id is not None:
            remarks.append(
                f"happened at {tell_minute(entry.happened_at, zone)}, by entry {entry.moved_by_id}"
            )
        if struck:
            remarks.append(f"struck by entry {entry.replaced_by_id}")
        yield Line(
            when=tell_minute(entry.created_at, zone),
            text=f"{entry.id}. {_shorten(_tell_with_flags(entry, medium))}",
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


def _tell_with_flags(entry: LotEntry, medium: Medium) -> str:
    """An entry, a photo with its file and what is doubtful of it."""
    told = tell_entry(entry, medium)
    if not isinstance(entry, PhotoEntry):
        return told
    flags = " ".join(flag.text for flag in entry.measurement.quality if flag.text)
    return f"{told}. {flags}" if flags else told


def _tell_ceilings(story: LotStory, doses: tuple[Dose, ...]) -> Iterator[CeilingRow]:
    head, state = story.lot, story.state()
    place = place_or_first(head.jurisdiction)
    report = ceiling_check(state, head.ceiling_mg_per_l, place)
    limits = limits_for(colourants_in(state), place)
    own = len(report.lines) - len(limits)
    for k, line in enumerate(report.lines):
        counted = [dose for dose in doses if dose.e_number in line.what] or list(doses)
        note = "" if k < own else limits[k - own].text
        yield CeilingRow(
            what="The maker's own ceiling, all colours" if k < own else line.what,
            amount=f"{line.amount_mg_per_l:.1f} ± {total_sd(counted):.1f}",
            limit="none" if line.limit_mg_per_l is None else f"{line.limit_mg_per_l:g}",
            left="" if line.left_mg_per_l is None else f"{line.left_mg_per_l:.1f}",
            note=note,
            over=line.over,
        )


def _choose_swatches(story: LotStory, seen: list[Seen]) -> Iterator[Swatch]:
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


def _trace_approach(at: list[float], photos: list[PhotoEntry], numbers: dict[int, int]) -> Iterator[Point]:
    for x, photo in zip(at, photos, strict=True):
        figure = photo.measurement.delta_e_2000
        if figure is not None and figure.value is not None:
            yield Point(x, figure.value, str(numbers[photo.id]), None, (figure.low, figure.high))


def _trace_path(seen: list[Seen], numbers: dict[int, int]) -> Iterator[Point]:
    for one in seen:
        a_star, b_star = (float(v) for v in (seen[-1].reference_lab + one.gap)[1:])
        half = K_95 * np.sqrt(np.diag(one.covariance + scale_covariance(one.gap)))
        across = (a_star - float(half[1]), a_star + float(half[1]))
        up = (b_star - float(half[2]), b_star + float(half[2]))
        yield Point(a_star, b_star, str(numbers[one.entry_id]), across, up)
