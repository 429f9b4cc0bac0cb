"""What may have gone wrong by hand in a lot of the book: what its fit is to weigh, what is asked.
The causes are those of liquid/mishaps.py, weighed in dosing/doubt.py; their words are in words/doubts.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from colourmatch.advice import Cause, Question
from colourmatch.book.entries import AdditionEntry, LotEntry, LotStory, PhotoEntry, number_photos
from colourmatch.dosing import doubt as weighed
from colourmatch.dosing.doubt import Doubt
from colourmatch.liquid.lot_model import StockPrior
from colourmatch.liquid.mishaps import LABEL, Bottle, Dosed, Mishap, think_of
from colourmatch.liquid.stock import Stock
from colourmatch.words.doubts import Told, tell_cause
from colourmatch.words.entries import tell_dose
from colourmatch.words.figures import tell_quantity
from colourmatch.workflow.photo_colours import is_ahead, moment_of

#: Clocks of a phone and of this machine are hardly nearer.
_CLOCKS_DIFFER = timedelta(seconds=2)
#: Chance that a photo is from before an addition when its own time says so, or says that it is from after.
_OLDER, _NEWER = 0.3, 0.0005
#: So many other bottles of the shelf are thought of.
_MOST_BOTTLES = 8
#: Causes that are about an addition; the others are about a photo.
OLDER = "photo-before-addition"
OF_DOSE = ("dose-amount", "dose-missing", "other-bottle")


def list_mishaps(
    story: LotStory,
    photos: Sequence[PhotoEntry],
    stocks: Sequence[Stock],
    priors: Sequence[StockPrior],
    shelf: Sequence[Bottle],
    dilution: float,
) -> list[Mishap]:
    """What the fit of these photos weighs beside what was noted, without what the maker has answered."""
    known = {entry.name: entry for entry in story.stock_entries}
    entries = (known.get(stock.name) for stock in stocks)
    learnt = [entry is None or entry.learnt_from_lot_id is not None for entry in entries]
    every = think_of(
        len(photos), priors, _trace_doses(story, photos, stocks), dilution=dilution, shelf=shelf[:_MOST_BOTTLES],
        late=_late(story, photos), learnt=learnt, references=[bool(p.measurement.spots.get("reference")) for p in photos],
    )  # fmt: skip
    answered = story.answers
    # that a label is off explains all until then
    until = max((about for (code, about), yes in answered.items() if code == LABEL and yes), default=-1)

    def is_open(one: Mishap) -> bool:
        about = _about(one, photos) if one.code else -1
        if one.code == LABEL:
            return answered.get((LABEL, about), True)
        return not one.code or (about > until and (one.code, about) not in answered)

    return [one for one in every if is_open(one)]


def _about(one: Mishap | weighed.Cause, photos: Sequence[PhotoEntry]) -> int:
    """The entry that a cause is about: the addition, or the photo; of a label the last photo."""
    if one.code in OF_DOSE:
        return one.entry
    return photos[one.shot].id if one.code != LABEL else photos[-1].id


def _trace_doses(story: LotStory, photos: Sequence[PhotoEntry], stocks: Sequence[Stock]) -> list[Dosed]:
    """Each addition as it is thinned from its entry on, at each photo and now."""
    place = {stock.name: k for k, stock in enumerate(stocks)}
    # each as if it were of a stock of its own, so that the state of the batch tells what is left of it
    apart = [replace(one, stock=str(one.id)) if isinstance(one, AdditionEntry) else one for one in story.events]
    by_dose, found = replace(story, events=tuple(apart)), []
    states = [*map(by_dose.state, photos), by_dose.state()]
    for dose in story.additions:
        if dose.stock in place:
            held = np.array([state.concentration_mg_per_l(str(dose.id)) for state in states])
            ml = held * dose.ml / dose.as_addition().mg
            found.append(Dosed(dose.id, place[dose.stock], held[:-1], held[-1], ml[:-1], ml[-1]))
    return found


def _late(story: LotStory, photos: Sequence[PhotoEntry]) -> dict[tuple[int, int], float]:
    """The chance that a photo is older than an addition noted before it came, where its own time says something of it."""
    out = {}
    for n, photo in enumerate(photos):
        taken = moment_of(photo.measurement)
        if taken is None or is_ahead(photo.measurement):
            continue
        limit = (taken + _CLOCKS_DIFFER).isoformat(timespec="microseconds")
        for entry in story.entries_before(photo):
            if isinstance(entry, AdditionEntry):
                older = photo.moved_by_id is None and entry.happened_at > limit
                out[n, entry.id] = _OLDER if older else 0.0 if photo.moved_by_id is not None else _NEWER
    return out


def put_question(
    story: LotStory, photos: Sequence[PhotoEntry], stocks: Sequence[Stock], doubt: Doubt | None
) -> Question | None:
    """A fit's doubt as a question, before any advice unless the next dose tells; None without one."""
    if doubt is None:
        return None
    # the figure that is asked about is the one that is kept and, after a yes, written
    found = [replace(one, part=one.part and max(round(one.part, 2), 0.01)) for one in doubt.causes]
    told = [_tell(story, photos, stocks, cause) for cause in found]
    named = tuple(
        Cause(
            code=cause.code, chance=round(cause.chance, 3), part=cause.part,
            stock=stocks[cause.entry].name if cause.code == LABEL else cause.other,
            about=_about(cause, photos), text=words.question,
            at=_just_before(story.find(cause.entry)) if cause.code == OLDER else None,
        )
        for cause, words in zip(found, told, strict=True)
    )  # fmt: skip
    first, text = found[0], told[0].question
    if not doubt.dominates:  # photos do not tell these causes apart: what does
        either = ", or ".join(words.clause for words in told)
        text = f"It does not add up. Either {either}. Stir, pour both glasses afresh, photograph again."
    shown = photos[first.shot] if first.shot >= 0 else photos[-1]
    odds = max(first.chance, 1e-12) / max(doubt.clear, 1e-12)
    asked = {
        (cause.code, cause.about)
        for photo in story.counting_photos
        if photo.id < photos[-1].id and photo.advice and photo.advice.question
        for cause in name_entry(photo.advice.question, story, photo).causes
    }
    new = any((one.code, one.about) not in asked for one in named)
    return Question(
        code=first.code, entry=shown.id, at=named[0].at, stays_at=shown.created_at,
        log_odds=round(float(np.log(odds)), 2), sure=doubt.dominates, causes=named, text=text,
        comes_first=new and {one.code for one in named} != {LABEL, "dose-amount"},
    )  # fmt: skip


def _just_before(entry: LotEntry) -> str:
    moment = datetime.fromisoformat(entry.happened_at) - timedelta(microseconds=1)
    return moment.isoformat(timespec="microseconds")


def name_entry(question: Question, story: LotStory, photo: PhotoEntry) -> Question:
    """A question as it was put when its photo came in, before the photo had its number in the book, with that number."""
    earlier = {entry.id for entry in story.events if entry.id < photo.id}
    causes = tuple(one if one.about in earlier else one.having(about=photo.id) for one in question.causes)
    if question.entry in earlier:
        return question.having(causes=causes)
    return question.having(causes=causes, entry=photo.id, stays_at=photo.created_at)


def _tell(story: LotStory, photos: Sequence[PhotoEntry], stocks: Sequence[Stock], cause: weighed.Cause) -> Told:
    numbers = number_photos(story)
    photo = photos[cause.shot].id if cause.shot >= 0 else photos[-1].id
    entry = story.find(cause.entry) if cause.entry >= 0 and cause.code != LABEL else None
    dose: dict[str, Any] = {"stock": stocks[cause.entry].name} if cause.code == LABEL else {}
    if isinstance(entry, AdditionEntry):
        amount = tell_quantity(put_right(entry, cause.part or 1.0), entry.unit)
        dose = {"dose": tell_dose(entry), "instead": amount, "stock": entry.stock}
    return tell_cause(
        cause.code, photo=f"photo {numbers.get(photo, len(numbers) + 1)}", part=cause.part or 1.0, other=cause.other or "",
        more_water=(cause.deeper or 1.0) < 1, **dose,
    )  # fmt: skip


def put_right(entry: AdditionEntry, part: float) -> float:
    """The quantity that the photos show, in the entry's own unit: whole drops, three figures of the others."""
    amount = entry.quantity * part
    return float(round(amount)) if entry.unit == "drops" else float(f"{amount:.3g}")
