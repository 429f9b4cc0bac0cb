"""The work on a lot: photo in, reading, learning, advice, entry in the book; what the command line and screens call.

It only joins the rooms: measuring, fitting, planning and the book are each done where they belong.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from colourmatch.errors import InputError, NotFoundError
from colourmatch.lots.calibrations import lot_choice
from colourmatch.lots.entries import (
    AdditionEntry,
    AmendmentEntry,
    ClosingEntry,
    Lot,
    LotEntry,
    LotStory,
    NoteEntry,
    PhotoEntry,
    StockEntry,
    VolumeEntry,
)
from colourmatch.lots.figures import parse_exif_time
from colourmatch.lots.looking import NOTHING, look_further, read_intake
from colourmatch.lots.phones import as_read, camera_key, lot_reader, phone_priors
from colourmatch.lots.trials import describe_trials

if TYPE_CHECKING:
    from colourmatch.dosing.advice import Advice
    from colourmatch.liquid.learn import LotFit, Shot, StockPrior
    from colourmatch.liquid.model import View
    from colourmatch.liquid.stock import Stock
    from colourmatch.lots.book import LotBook
    from colourmatch.photo.combine import Combined
    from colourmatch.photo.measure import Measurement
    from colourmatch.photo.tone import KnownGreys

#: A stock's learnt strength never counts as better known than this.
LEAST_LEARNT_SD = 0.04

Source = Path | str | tuple[bytes, str]


def record_photos(
    book: LotBook,
    lot: int | str,
    sources: Sequence[Source],
    *,
    entered_by: str | None = None,
    token: str | None = None,
    rectangles: Mapping[str, Any] | None = None,
) -> list[dict[str, Any]]:
    """Measure photos of a lot, learn, advise, and write each into the book.

    rectangles: for photos without the printed card, the arguments of `photo.rectangles.measure_rectangles` by name.
    One dict per photo: the measurement with "lot", "entry" and "advice". A refused photo is not recorded; a photo
    sent again gives its first entry. ClosedError when the lot is closed.
    """
    found = book.find_lot(lot)
    return [
        _record_photo(book, found.id, source, (entered_by, token and f"{token}-{k}"), rectangles)
        for k, source in enumerate(sources)
    ]


def _record_photo(
    book: LotBook,
    lot: int,
    source: Source,
    written: tuple[str | None, str | None],
    rectangles: Mapping[str, Any] | None,
) -> dict[str, Any]:
    entered_by, token = written
    content, name = source if isinstance(source, tuple) else (_read(Path(source)), Path(source).name)
    known = book.find_photo(content, lot) if content else None
    if known is not None and content:
        book.photo_store.put_back(known.stored_name, content)
        return known.measurement | {"lot": lot, "entry": known.id, "advice": known.advice, "repeated": True}
    reader = lot_reader(book, lot)
    to_read = content if content is not None else Path(str(source))
    measured = _measure(to_read, name, rectangles, reader.greys)
    measurement = reader.finish(measured.to_json())
    if measured.refused is not None:
        return measurement | {"lot": lot, "entry": None, "advice": None}
    story = book.lot_story(lot)
    advice = _advise(book, story, [*_usable_photos(story), (None, measurement)]) | _care(story)
    entry = book.add_photo(
        lot, measurement, advice, photo=content, original_name=name, entered_by=entered_by,
        taken_at=_time_taken(measurement), token=token,
    )  # fmt: skip
    return measurement | {"lot": lot, "entry": entry.id, "advice": advice}


def _measure(
    source: bytes | Path, name: str, rectangles: Mapping[str, Any] | None, greys: KnownGreys | None = None
) -> Measurement:
    if rectangles:
        from colourmatch.photo.rectangles import measure_rectangles_or_refuse

        return measure_rectangles_or_refuse(source, rectangles, name)
    from colourmatch.photo.measure import measure_or_refuse

    return measure_or_refuse(source, name) if greys is None else measure_or_refuse(source, name, greys)


def _time_taken(measurement: dict[str, Any]) -> datetime | None:
    """When the phone says it took a photo, None when that cannot be read or lies ahead of now."""
    taken = parse_exif_time(measurement.get("taken_at"))
    return None if taken is None or taken > datetime.now(taken.tzinfo) + timedelta(days=1) else taken


def _read(path: Path) -> bytes | None:
    """The bytes of a file, None when it cannot be read: the measurement then says why."""
    try:
        return path.read_bytes()
    except OSError:
        return None


def advise_lot(book: LotBook, lot: int | str) -> dict[str, Any]:
    """The advice for a lot as it stands, from all photos and entries so far."""
    story = book.lot_story(lot)
    return _advise(book, story, _usable_photos(story)) | _care(story)


def describe_lot(book: LotBook, lot: int | str) -> dict[str, Any]:
    """Everything about a lot: its head, state, events, photos, advice, label and cautions."""
    story = book.lot_story(lot)
    state = story.state()
    head = story.lot
    closing = story.closing
    advice = closing.final if closing else _advise(book, story, _usable_photos(story)) | _care(story)
    return {
        "lot": head.id,
        "name": head.name,
        "number": head.label,
        "closed": head.closed,
        "created_at": head.created_at,
        "volume_ml": head.volume_ml,
        "stocks": list(head.stocks),
        "ceiling_mg_per_l": head.ceiling_mg_per_l,
        "jurisdiction": head.jurisdiction,
        "depth_mm": head.depth_mm,
        "dilution": head.dilution,
        "tolerance": head.tolerance,
        "already_mg_per_l": head.already_mg_per_l,
        "already_colourant": head.already_colourant,
        "trial_of": head.trial_of,
        "reference_id": head.reference_id,
        "target_lab": None if head.target_lab is None else list(head.target_lab),
        "serving": head.serving,
        "notes": head.notes,
        "read_with": lot_choice(book, head.id),
        "state": {
            "volume_ml": round(state.volume_ml, 3),
            "total_mg_per_l": round(state.total_mg_per_l(), 3),
            "mg_per_l": {name: round(mg / state.volume_ml * 1000, 3) for name, mg in state.mg.items()},
            "ceiling_left_mg_per_l": ceiling_left(story),
        },
        "events": [_describe_event(event) for event in story.events],
        "photos": [_describe_photo(photo) for photo in story.photos],
        "advice": advice,
        "closing": _describe_closing(closing) if closing else None,
        "trials": describe_trials(book, story),
        "intake": read_intake(story),
        **_care(story),
    }


def close_lot(
    book: LotBook,
    lot: int | str,
    reason: str | None = None,
    text: str = "",
    *,
    entered_by: str | None = None,
    token: str | None = None,
) -> dict[str, Any]:
    """Close a lot: keep its final figures, and what it taught about its stocks as the next lot's starting point.

    The same call again with its `token` closes nothing twice. ClosedError when the lot is closed already.
    """
    story = book.lot_story(lot)
    photos = _usable_photos(story)
    advice = _advise(book, story, photos) | _care(story)
    outcome = reason or (advice["reason"] if advice["action"] == "stop" else "stopped by the maker")
    words = text or (advice["text"] if advice["action"] == "stop" else "")
    entry = book.close_lot(story.lot.id, outcome, words, advice, entered_by=entered_by, token=token)
    advice = entry.final or advice
    dosed = {a.stock for a in story.additions}
    for k, learnt in enumerate(advice.get("stocks_learnt") or []):
        if learnt["stock"] in dosed and len(photos) >= 2:
            sd = max(float(np.log(learnt["high"] / learnt["low"])) / 3.92, LEAST_LEARNT_SD)
            once = token and f"{token}-learnt-{k}"
            book.record_learnt(learnt["stock"], learnt["strength_factor"], sd, story.lot.id, token=once)
    return {
        "lot": story.lot.id,
        "closed": True,
        "outcome": entry.outcome,
        "text": entry.text,
        "advice": advice,
    }


def open_example(book: LotBook) -> int:
    """The example lot, made the first time it is asked for."""
    from colourmatch.demo import make_example

    return make_example(book)


# ---- learning and advice -----------------------------------------------------------------------------------------

_Photo = tuple[PhotoEntry | None, dict[str, Any]]


def _usable_photos(story: LotStory) -> list[_Photo]:
    """Photos that count for the match, with their measurements, in order."""
    return [
        (p, p.measurement) for p in story.photos if p.purpose == "match" and _spot(p.measurement, "batch")
    ]


def _spot(measurement: dict[str, Any], name: str) -> dict[str, Any] | None:
    return (measurement.get("spots") or {}).get(name)


def _advise(book: LotBook, story: LotStory, photos: list[_Photo]) -> dict[str, Any]:
    from colourmatch.dosing.advice import advise, ask_for_photo
    from colourmatch.dosing.bottles import choose_bottles
    from colourmatch.dosing.problem import Problem

    head, state = story.lot, story.state()
    usable = [p for p in photos if _spot(p[1], "batch")]
    here = photos_of_state(story, usable)
    together = _combine(story, here, photos)
    combined = {"combined": together.to_json() if together else None}
    stop = _why_not_yet(head, photos, usable) or _why_torn(together)
    if stop is not None:
        return (
            replace(
                ask_for_photo(stop),
                ceiling_left_mg_per_l=ceiling_left(story),
                used_mg_per_l=state.total_mg_per_l(),
                ceiling_mg_per_l=head.ceiling_mg_per_l,
            ).to_json()
            | NOTHING
            | combined
        )
    stocks, fit = fit_story(book, story, usable)
    problem = Problem(
        fit=fit,
        stocks=stocks,
        state=state,
        base_share=_base_share(story, None),
        views=_views(head),
        ceiling_mg_per_l=head.ceiling_mg_per_l,
        jurisdiction=head.jurisdiction,
        tolerance=head.tolerance,
        photos_of_state=len(here),
    )
    problem, bottles = choose_bottles(problem)
    advice: Advice = advise(problem)
    further = look_further(book, story, problem, advice, bottles)
    return advice.to_json() | further | combined


def photos_of_state(story: LotStory, photos: list[_Photo]) -> list[_Photo]:
    """Photos taken since the batch last changed; one that is not yet in the book counts.

    A sample that was taken changes no colour.
    """
    last = max((e.id for e in story.effective if _changes_colour(e)), default=0)
    return [photo for photo in photos if photo[0] is None or photo[0].id > last]


def _changes_colour(entry: LotEntry) -> bool:
    return isinstance(entry, AdditionEntry) or (isinstance(entry, VolumeEntry) and entry.came)


def _why_torn(together: Combined | None) -> str | None:
    """Asks for one more photo while two or three of one state disagree and nothing says which to believe.

    From four on the plan goes on: it knows how they scatter, and its steps are the smaller for it.
    """
    if together is None or together.agree or together.retake is not None or len(together.photos) > 3:
        return None
    return f"{together.text} If something went in between them that is not written down, write it down first."


def _combine(story: LotStory, group: list[_Photo], photos: list[_Photo]) -> Combined | None:
    """What photos of one state give together, called by their numbers in the lot."""
    from colourmatch.photo.combine import combine_photos

    numbers = {id(m): k for k, (_, m) in enumerate(_all_photos(story, photos), 1)}
    return combine_photos([m for _, m in group], [f"Photo {numbers[id(m)]}" for _, m in group])


def _all_photos(story: LotStory, photos: list[_Photo]) -> list[_Photo]:
    """All photos of a lot in order, those without a batch too, with one that is not yet in the book."""
    return [(p, p.measurement) for p in story.photos] + [p for p in photos if p[0] is None]


def _scatter_by_state(story: LotStory, photos: list[_Photo]) -> list[np.ndarray]:
    """For each photo how photos of its state scatter beyond their own noise, covariance in Lab (3, 3)."""
    changes = sorted(e.id for e in story.effective if _changes_colour(e))
    states = [bisect(changes, entry.id) if entry else len(changes) for entry, _ in photos]
    scatter: dict[int, np.ndarray] = {}
    for state in set(states):
        group = [photo for photo, own in zip(photos, states, strict=True) if own == state]
        together = _combine(story, group, photos) if len(group) > 1 else None
        scatter[state] = np.zeros((3, 3)) if together is None else together.scatter_lab
    return [scatter[state] for state in states]


def _why_not_yet(head: Lot, photos: list[_Photo], usable: list[_Photo]) -> str | None:
    """The sentence that asks for a photo, when there is nothing yet to plan with."""
    if photos and photos[-1] not in usable:
        return "No glass of the batch was found on the last photo. Set it on the batch spot and photograph again."
    if not usable:
        return "Photograph reference and batch in equal glasses beside the card, with water in the third."
    if not any(_spot(m, "reference") for _, m in usable) and head.target_lab is None:
        return "No reference was seen yet. Photograph the reference beside the batch once."
    hazy = [f for f in usable[-1][1].get("quality") or [] if f["code"] == "haze"]
    if hazy:
        return str(hazy[0]["text"])
    return None


def fit_story(book: LotBook, story: LotStory, photos: list[_Photo]) -> tuple[tuple[Stock, ...], LotFit]:
    """The fit of a lot to its photos, with its stocks as their labels say."""
    from colourmatch.liquid.learn import fit_lot
    from colourmatch.lots.targets import target_covariance

    # a stock that came in later is part of the colour too
    names = dict.fromkeys([*story.lot.stocks, *(a.stock for a in story.additions)])
    entries = [_stock_entry(book, story, name) for name in names]
    stocks = tuple(entry.as_stock(learnt=False) for entry in entries)
    priors = [make_prior(entry) for entry in entries]
    target = None if story.lot.target_lab is None else target_covariance(book, story.lot)
    shots = [_shot(story, photo, stocks, target) for photo in photos]
    # photos of one state that disagree are each less sure: the fit, and all advice, then knows it
    shots = [
        replace(shot, batch_covariance=shot.batch_covariance + scatter)
        for shot, scatter in zip(shots, _scatter_by_state(story, photos), strict=True)
    ]
    phones = phone_priors(book, [measurement for _, measurement in photos])
    known: dict[str, Any] = {"phones": phones} if phones else {}
    return stocks, fit_lot(shots, priors, _photo_view(story.lot), **known)


def make_prior(entry: StockEntry) -> StockPrior:
    """What is known of a stock before a lot's photos: its label, or what earlier lots taught."""
    from colourmatch.liquid.colourants import find_colourant
    from colourmatch.liquid.learn import StockPrior

    colourant = find_colourant(entry.colourant)
    sd = float(np.hypot(entry.strength_rel_sd, 0.0 if entry.learnt_from_lot_id else entry.drop_rel_sd))
    return StockPrior(
        entry.name,
        colourant.absorptivity(),
        log_factor=float(np.log(entry.strength_factor)),
        log_factor_sd=max(sd, LEAST_LEARNT_SD) * (3 if colourant.to_be_learnt else 1),
        shift_sd_nm=15.0 if colourant.to_be_learnt else StockPrior.shift_sd_nm,
    )


def _stock_entry(book: LotBook, story: LotStory, name: str) -> Any:
    for entry in story.stock_entries:
        if entry.name == name:
            return entry
    try:
        return book.find_stock(name)
    except NotFoundError as error:
        raise InputError(f"The lot's stock {name!r} is no longer in the book: {error.text}") from None


def _shot(story: LotStory, photo: _Photo, stocks: tuple[Stock, ...], target: np.ndarray | None) -> Shot:
    from colourmatch.liquid.learn import Shot

    entry, measurement = photo
    state = story.state(entry)
    batch, reference = _spot(measurement, "batch"), _spot(measurement, "reference")
    assert batch is not None
    batch = as_read(batch)
    ref_lab: np.ndarray | None
    ref_cov: np.ndarray | None
    if reference is not None:
        reference = as_read(reference)
        ref_lab, ref_cov = np.array(reference["lab"]), np.array(reference["lab_covariance"])
    elif story.lot.target_lab is not None:
        ref_lab, ref_cov = np.array(story.lot.target_lab), target
    else:
        ref_lab, ref_cov = None, None
    return Shot(
        batch_lab=np.array(batch["lab"]),
        batch_covariance=np.array(batch["lab_covariance"]),
        reference_lab=ref_lab,
        reference_covariance=ref_cov,
        mg_per_l=tuple(state.concentration_mg_per_l(s.name) for s in stocks),
        thinning=_base_share(story, entry),
        camera=camera_key(measurement),
    )


def _base_share(story: LotStory, before: LotEntry | None) -> float:
    """Part of the batch's volume that is base: water from stocks lowers it, untinted batch raises it."""
    entries = story.effective if before is None else story.entries_before(before)
    volume, base = story.lot.volume_ml, story.lot.volume_ml
    for entry in entries:
        if isinstance(entry, AdditionEntry) and entry.made_in != "batch":
            volume += entry.ml
        elif isinstance(entry, VolumeEntry) and entry.came:
            volume, base = volume + entry.ml, base + entry.ml
        elif isinstance(entry, VolumeEntry) and not entry.returned:
            base *= 1 - entry.ml / volume
            volume -= entry.ml
    return base / volume


def _photo_view(head: Lot) -> View:
    from colourmatch.liquid.model import View

    return View(head.depth_mm, head.dilution)


def _views(head: Lot) -> tuple[View, ...]:
    """Where the match is judged: the serving conditions of the lot, else as measured."""
    from colourmatch.liquid.model import View

    conditions = (head.serving or {}).get("conditions") or []
    views = tuple(
        View(
            float(c.get("depth_mm", head.depth_mm)),
            float(c.get("dilution", head.dilution)),
            str(c.get("illuminant", "D65")),
            float(c.get("weight", 1.0)),
            str(c.get("name", "serving")),
        )
        for c in conditions
    )
    return views or (_photo_view(head),)


# ---- words for the record ----------------------------------------------------------------------------------------


def ceiling_left(story: LotStory) -> float | None:
    """What is left under the ceilings by the labels, mg/l: the least room of any stock; None without a figure.

    The same ceilings as those of the advice: the lot's own, and the law's where the lot names its place. The
    advice counts what the photos taught of the strengths as well, and never leaves more room than this.
    """
    from colourmatch.dosing.care import room_mg_per_l

    head, state = story.lot, story.state()
    own = float("inf") if head.ceiling_mg_per_l is None else head.ceiling_mg_per_l - state.total_mg_per_l()
    rooms = [max(own, 0.0)]
    if head.jurisdiction:
        wanted = {entry.colourant for entry in story.stock_entries if entry.name in head.stocks}
        rooms += [room_mg_per_l(state, code, head.ceiling_mg_per_l, head.jurisdiction) for code in wanted]
    return round(min(rooms), 3) if np.isfinite(min(rooms)) else None


def _care(story: LotStory) -> dict[str, Any]:
    """Label and cautions for what went in; while nothing did, for the stocks that stand ready."""
    from colourmatch.dosing.care import cautions_for, colourants_in, label_line
    from colourmatch.lots.label_page import read_label_lines

    jurisdiction = story.lot.jurisdiction or "EU"
    state = story.state()
    dosed = bool(state.mg_by_colourant)
    ready = [] if dosed else [entry.colourant for entry in story.stock_entries]
    colourants = list(dict.fromkeys([*colourants_in(state), *ready]))
    label = list(read_label_lines(story).texts)
    if not dosed and not story.lot.closed:
        label[:1] = label_line(colourants, jurisdiction).text.splitlines()
    return {
        "label": "\n".join(label),
        "cautions": [{"code": c.code, "text": c.text} for c in cautions_for(colourants, jurisdiction)],
    }


def _describe_event(event: LotEntry) -> dict[str, Any]:
    out: dict[str, Any] = {
        "id": event.id,
        "kind": event.kind,
        "created_at": event.created_at,
        "entered_by": event.entered_by,
        "replaces": event.replaces_id,
        "replaced_by": event.replaced_by_id,
        "reason": event.reason,
        "text": _event_text(event),
    }
    if isinstance(event, AdditionEntry):
        out |= {
            "stock": event.stock, "quantity": event.quantity, "unit": event.unit, "ml": round(event.ml, 4),
            "mg": round(event.mg, 4), "void": event.void,
        }  # fmt: skip
    return out


def _event_text(event: LotEntry) -> str:
    if isinstance(event, AdditionEntry):
        if event.void:
            return f"An addition of {event.stock} was taken back."
        return f"{event.quantity:g} {event.unit} of {event.stock} ({event.ml:.3g} ml, {event.mg:.3g} mg)"
    if isinstance(event, VolumeEntry) and event.void:
        return f"{'Batch' if event.came else 'A sample'} of {event.ml:g} ml was taken back."
    if isinstance(event, VolumeEntry):
        if event.kind == "poured-back":
            return f"The trial, lot {event.trial_lot_id}, was poured back: {event.ml:g} ml, and its colour"
        if event.kind == "untinted":
            return f"{event.ml:g} ml of untinted batch blended back"
        if event.trial_lot_id is not None:
            return f"{event.ml:g} ml taken out for a trial, lot {event.trial_lot_id}"
        return f"Sample of {event.ml:g} ml {'taken and poured back' if event.returned else 'taken out'}"
    if isinstance(event, PhotoEntry):
        value = event.measurement.get("delta_e_2000")
        seen = (
            f"difference {value['value']:.1f} ({value['low']:.1f} to {value['high']:.1f})"
            if value
            else "no difference"
        )
        kind = "Recheck photo" if event.purpose == "recheck" else "Photo"
        return f"{kind} {event.original_name or ''}: {seen}".replace(" :", ":")
    if isinstance(event, NoteEntry):
        return event.text
    if isinstance(event, AmendmentEntry):
        return f"Put right: {', '.join(event.changes)} ({event.reason})"
    if isinstance(event, ClosingEntry):
        return event.text or f"Closed: {event.outcome}."
    return event.kind


def _describe_closing(closing: ClosingEntry) -> dict[str, Any]:
    return {
        "outcome": closing.outcome,
        "text": closing.text,
        "at": closing.created_at,
        "by": closing.entered_by,
    }


def _describe_photo(photo: PhotoEntry) -> dict[str, Any]:
    advice = photo.advice or {}
    return {
        "entry": photo.id,
        "photo": photo.original_name,
        "stored_name": photo.stored_name,
        "created_at": photo.created_at,
        "purpose": photo.purpose,
        "delta_e_2000": photo.measurement.get("delta_e_2000"),
        "difference": photo.measurement.get("difference"),
        "spots": photo.measurement.get("spots"),
        "advice_text": advice.get("text"),
        "advice_action": advice.get("action"),
        "advice_reason": advice.get("reason"),
    }
