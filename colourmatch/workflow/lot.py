"""The work on a lot: photo in, reading, learning, advice, entry in the book, and the answer to what is asked.
It only joins the rooms: measuring, fitting, planning and the book are each done where they belong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Unpack

import numpy as np

from colourmatch.advice import Advice, Cause
from colourmatch.book import entries as e
from colourmatch.book.checks import check_number, utc_text
from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import Source
from colourmatch.book.transactions import By, part_of
from colourmatch.dosing.advice import advise, advise_unseen, ask_for_photo
from colourmatch.dosing.bottles import choose_bottles
from colourmatch.dosing.doubt import find_doubt
from colourmatch.dosing.problem import Problem
from colourmatch.errors import InputError
from colourmatch.instrument.incoming import IncomingPhoto, take_in_for_lot
from colourmatch.liquid.mishaps import LABEL
from colourmatch.liquid.model import View
from colourmatch.measurement import LIQUIDS, Flag, Measurement, OwnView, Sent
from colourmatch.photo.combine import Combined
from colourmatch.photo.measure import parts_of_water
from colourmatch.photo.quality import flag
from colourmatch.records import pick, plain
from colourmatch.words.advice import tell_in_all, tell_thinning
from colourmatch.words.doubts import tell_cause
from colourmatch.words.looks import tell_glass
from colourmatch.workflow import fitting
from colourmatch.workflow.ceilings import ceiling_left
from colourmatch.workflow.doubts import OLDER, name_entry, put_question, put_right
from colourmatch.workflow.glasses import NOTHING, look_further
from colourmatch.workflow.label_lines import tell_care
from colourmatch.workflow.photo_colours import (
    is_ahead,
    moment_of,
    photo_view,
    plausible_moment,
    step_left_ml,
    views_of,
)

#: What is said of a photo that is sent again.
IN_LOT = "It is in this lot already and is not counted again. Take a new photo."


@dataclass(frozen=True)
class PhotoTaken(Sent):
    """What came of a photo of a lot, and the advice."""

    lot: int = 0
    advice: Advice | None = None

    def to_json(self, key: str = "entry") -> dict[str, Any]:
        """The measurement and what came of it."""
        told = super().to_json(key) | {"lot": self.lot, "advice": plain(self.advice)}
        del told["note"]  # a measurement says why it was refused
        return told


def record_photos(
    book: LotBook,
    lot: int | str,
    sources: Sequence[Source],
    *,
    rectangles: Mapping[str, Any] | None = None,
    measured: Sequence[Measurement] | None = None,
    view: Mapping[str, float | None] | None = None,
    **by: Unpack[By],
) -> list[PhotoTaken]:
    """Measure photos of a lot, learn, advise, and write each into the book.

    rectangles: for photos without the printed card, the arguments of `photo.rectangles.measure_rectangles` by name.
    measured: what was read of each source beforehand with `lot_reader(book, lot).greys`; a file that has
    changed since is read again. view: "depth_mm" and "dilution" of these photos, where they are not as in the last one
    (at first, as the lot says): each photo keeps its own. A refused photo
    is not recorded; a photo sent again gives its first entry. ClosedError when the lot is closed.
    """
    found = book.lots.get(lot)
    changed = {name: check_number(name, value) for name, value in (view or {}).items() if value is not None}
    arriving = take_in_for_lot(book, found.id, sources, rectangles=rectangles, ahead=measured)
    return [_record_photo(book, found.id, photo, changed, part_of(by, str(k))) for k, photo in enumerate(arriving)]


def _record_photo(
    book: LotBook, lot: int, photo: IncomingPhoto[e.PhotoEntry], changed: dict[str, float], by: By
) -> PhotoTaken:
    measurement = photo.measurement
    if (known := photo.known) is not None:
        _check_same_view(book.lots.get(lot), known, changed)
        return PhotoTaken(measurement, known.id, IN_LOT, repeated=True, lot=lot, advice=known.advice)
    if photo.refused is not None:
        return PhotoTaken(measurement, note=photo.refused, lot=lot)
    story = book.lots.story(lot)
    last = _shown_last(story)
    own = last.view if last else None
    measurement = measurement.having(view=(own or OwnView()).having(**changed) if own or changed else None)
    measurement = measurement.having(quality=tuple(_flag(story, measurement)))
    advice = advise_whole(book, _with_photo(story, measurement), measurement)
    taken_at = plausible_moment(measurement)
    entry = book.photos.add(
        lot, measurement, advice, photo=photo.content, original_name=photo.name, taken_at=taken_at, **by
    )
    if advice.question:
        advice = advice.having(question=name_entry(advice.question, story, entry))
    return PhotoTaken(measurement, entry.id, lot=lot, advice=advice)


def _with_photo(story: e.LotStory, measurement: Measurement) -> e.LotStory:
    """The story as it will be with a photo that is not in the book yet."""
    number = max((event.id for event in story.events), default=0) + 1
    head = (number, story.lot.id, "photo", utc_text(), None, None, None)
    photo = e.PhotoEntry(*head, measurement=measurement, original_name=measurement.photo)
    return replace(story, events=(*story.events, photo))


def _check_same_view(lot: e.Lot, known: e.PhotoEntry, wanted: Mapping[str, float]) -> None:
    """A photo that is sent again keeps the depth and dilution that were said of it; InputError for others."""
    view = photo_view(lot, known.measurement)
    if any(abs(getattr(view, name) - value) > 1e-9 for name, value in wanted.items()):
        raise InputError(
            f"{known.original_name or 'This photo'} is in this lot already, as entry {known.id}: "
            f"{tell_glass(view.depth_mm, view.dilution)}. If that is wrong, set it aside and photograph again."
        )


def view_of_photos(story: e.LotStory) -> View:
    """Depth and dilution of the lot's newest photo: what the next one is taken to have."""
    return photo_view(story.lot, _shown_last(story))


def _flag(story: e.LotStory, measurement: Measurement) -> list[Flag]:
    """The flags of a photo of a lot: what more water makes in all, and a time that is still to come."""
    more = tell_in_all(count_water(measurement, photo_view(story.lot, measurement).dilution).dilution)
    flags = [
        one.having(text=f"{one.text} {more}") if one.code == "channel-empty" else one for one in measurement.quality
    ]
    if is_ahead(measurement):
        flags.append(flag("clock-ahead", when=f"{moment_of(measurement):%Y-%m-%d %H:%M %Z}"))
    return flags


def _shown_last(story: e.LotStory) -> Measurement | None:
    return next((one.measurement for one in reversed(story.photos) if one.purpose == "match"), None)


def advise_lot(book: LotBook, lot: int | str) -> Advice:
    """The advice for a lot as it stands, from all photos and entries so far."""
    return advise_whole(book, book.lots.story(lot))


def advise_whole(book: LotBook, story: e.LotStory, newest: Measurement | None = None) -> Advice:
    """The advice for a story, with label and cautions; newest: of a photo that comes in just now, if one does."""
    return _advise(book, story, newest).having(**pick(tell_care(story), "label", "cautions"))


def _advise(book: LotBook, story: e.LotStory, newest: Measurement | None) -> Advice:
    head, photos = story.lot, fitting.usable_photos(story)
    here = fitting.photos_of_state(story)
    together = fitting.combine_state(story, here)
    besides: dict[str, Any] = {"combined": together.record() if together else None, "question": None}
    stop = fitting.why_not_yet(story, newest)
    if stop is None and (thinning := find_thinning(story)):
        stop = thinning.text
    if stop is None:
        stocks, fit = fitting.fit_story(book, story, photos)
        doubt = find_doubt(fit) if here else None
        if doubt is None or not doubt.tells_photos_apart:
            stop = _why_torn(together)
            if together is not None and not together.agree:  # the photos say so themselves, and which of them
                doubt = None
        question = put_question(story, photos, stocks, doubt)
        if question is not None:
            besides["question"] = question
            stop = question.text if question.comes_first else None
    if stop is not None:
        asked = replace(
            ask_for_photo(stop), ceiling_left_mg_per_l=ceiling_left(story), used_mg_per_l=story.state().total_mg_per_l(),
            ceiling_mg_per_l=head.ceiling_mg_per_l, state_photographed=bool(here),
        )  # fmt: skip
        return asked.having(**NOTHING, **besides)
    problem = Problem(
        fit, stocks, story.state(), views_of(head), photos_of_state=len(here),
        doubt=fitting.doubt_of_state(here), stalled=fitting.steps_stalled(story, photos),
        shown=photo_view(head, photos[-1].measurement), **pick(head, "ceiling_mg_per_l", "jurisdiction", "tolerance"),
    )  # fmt: skip
    if not here:
        return advise_unseen(problem, step_left_ml(story)).having(**NOTHING, **besides)
    problem, bottles = choose_bottles(problem)
    return look_further(book, story, problem, advise(problem), bottles).having(**besides)


def _why_torn(together: Combined | None) -> str | None:
    """Asks for one more photo while two or three disagree; from four on the plan knows how they scatter."""
    if together is None or together.agree or together.retake is not None or len(together.photos) > 3:
        return None
    return f"{together.text} If something went in between them that is not written down, write it down first."


#: From so many parts of water on a first photo is taken again. On drawn photos of a batch at nine tenths of its dose a
#: difference was read 10 to 46 % off where so much was missing, and 2 to 6 % off once it was in.
_LEAST_PARTS = 2


@dataclass(frozen=True)
class Thinning:
    """Parts of water to one of what stands in both glasses, and what 1 part of the liquid is then made up to in all."""

    parts: int
    dilution: float
    text: str


def find_thinning(story: e.LotStory) -> Thinning | None:
    """How to thin both glasses before the first drop; None once it was asked, and where the only photo can be read.

    A lot that is tinted to a noted colour keeps the dilution that this was read at.
    """
    photos = fitting.usable_photos(story)
    if len(photos) != 1 or story.additions or story.lot.target_lab is not None:
        return None
    measured = photos[0].measurement
    thinning = count_water(measured, photo_view(story.lot, measured).dilution)
    is_empty = any(one.code == "channel-empty" for one in measured.quality)
    return thinning if is_empty or thinning.parts >= _LEAST_PARTS else None


def count_water(measured: Measurement, dilution: float) -> Thinning:
    """The water that brings both liquids of a photo, thinned so far already, to where they are read best."""
    read = [spot for name in LIQUIDS if (spot := measured.spots.get(name))]
    shown = [spot.rgb for spot in read if spot.rgb is not None]  # an imported reading may hold its Lab alone
    parts = parts_of_water(np.stack(shown)) if shown else 1
    total = dilution * (1 + parts)
    return Thinning(parts, total, tell_thinning(parts, total))


def use_stocks(book: LotBook, lot: int | str, stocks: Sequence[str], reason: str, **by: Unpack[By]) -> e.AmendmentEntry:
    """Use more stocks in a lot as well; InputError where it uses all of them already."""
    head = book.lots.get(lot)
    wanted = list(dict.fromkeys([*head.stocks, *(book.stocks.get(stock).name for stock in stocks)]))
    if wanted == list(head.stocks):
        raise InputError(f"Lot {head.id} uses {', '.join(head.stocks)} already. Name another stock.")
    return book.lots.amend(head.id, reason, stocks=wanted, **by)


def answer_question(
    book: LotBook, lot: int | str, *, yes: bool, cause: str | None = None, **by: Unpack[By]
) -> e.LotEntry:
    """Answer what is asked of a lot now; yes: it is put right by the entry that mends it, which is given.

    cause: the code of the one that is meant where two are named, else the likeliest. InputError when nothing is asked or
    the code is not among those named.
    """
    if (known := book.entries.with_token(lot, by.get("token"))) is not None:
        return known
    story = book.lots.story(lot)
    question = advise_lot(book, story.lot.id).question
    asked = question.causes if question else ()
    named = [one for one in asked if cause in (None, one.code)]
    if not asked:
        raise InputError("Nothing is asked of this lot now. See: colourmatch lot show " + str(story.lot.id))
    if not named:
        codes = " or ".join(one.code for one in asked)
        raise InputError(f"{cause!r} is not asked of this lot. Give --cause {codes}.")
    if yes:
        return _accept(book, story, named[0], by)
    answers = [
        book.entries.answer(
            story.lot.id, one.code, one.about, False, stock=one.stock, **(part_of(by, str(k)) if k else by)
        )
        for k, one in enumerate(named)
    ]
    return answers[-1]


def _accept(book: LotBook, story: e.LotStory, cause: Cause, by: By) -> e.LotEntry:
    """The entry that puts right what went wrong."""
    code, entry = cause.code, story.find(cause.about)
    why = tell_cause(code, photo="", stock="", other=cause.stock or "", part=cause.part or 1.0).reason
    if isinstance(entry, e.AdditionEntry):
        if code == "dose-missing":
            return book.additions.correct(entry.id, void=True, reason=why, **by)
        if code == "other-bottle":
            return book.additions.correct(entry.id, stock=cause.stock, reason=why, **by)
        amount: dict[str, Any] = {entry.unit: put_right(entry, cause.part or 1.0)}
        return book.additions.correct(entry.id, reason=why, **amount, **by)
    if code in (e.SWAPPED, LABEL):
        return book.entries.answer(story.lot.id, code, entry.id, True, stock=cause.stock, **by)
    if code == OLDER:
        assert cause.at is not None, "it is asked with the time that the photo is moved to"
        return book.entries.move(entry.id, cause.at, why, **by)
    return book.photos.set_aside(story.lot.id, entry.id, why, **by)
