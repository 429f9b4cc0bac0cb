"""All that is told of a lot, as JSON; it decides nothing, and a lot that is closed is told without planning or fitting."""

from __future__ import annotations

from typing import Any

from colourmatch.advice import Advice
from colourmatch.book.entries import AdditionEntry, LotEntry, NoteEntry, PhotoEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.records import pick, plain
from colourmatch.words.entries import tell_entry
from colourmatch.workflow.ceilings import describe_state, passed_ceilings
from colourmatch.workflow.label_lines import Care, tell_care
from colourmatch.workflow.photo_colours import read_intake
from colourmatch.workflow.shelf_state import list_bottles
from colourmatch.workflow.trials import describe_trials

#: What is told of a lot's head under its own names.
_HEAD = (
    "name", "closed", "created_at", "volume_ml", "ceiling_mg_per_l", "jurisdiction", "depth_mm", "dilution", "tolerance",
    "already_mg_per_l", "already_colourant", "made_up_to", "hand", "like", "label_lines", "trial_of", "reference_id",
    "serving", "notes",
)  # fmt: skip


def describe_lot(book: LotBook, lot: int | str) -> dict[str, Any]:
    """Everything about a lot: its head, state, events, photos, advice, label and cautions."""
    story = book.lots.story(lot)
    head = story.lot
    closing = story.closing
    advice: Advice | None
    care: Advice | Care
    if closing:
        advice, care = closing.final, tell_care(story)
    else:
        from colourmatch.workflow.lot import advise_whole

        advice = care = advise_whole(book, story)
    first_dose = []
    if head.like is not None:
        from colourmatch.workflow.again import find_first_dose

        first_dose = [dose.to_json() for dose in find_first_dose(book, story)]
    return {
        "lot": head.id,
        "number": head.label,
        **pick(head, *_HEAD),
        "stocks": list(head.stocks),
        "target_lab": None if head.target_lab is None else list(head.target_lab),
        "read_with": book.calibrations.lot_choice(head.id).to_json(),
        "state": describe_state(story),
        "warnings": passed_ceilings(story),
        "events": [_describe_event(event) for event in story.events],
        "photos": [_describe_photo(photo) for photo in story.photos],
        "advice": advice and advice.to_json(),
        "closing": closing
        and pick(closing, "outcome", "text", "against") | {"at": closing.created_at, "by": closing.entered_by},
        "trials": [one.to_json() for one in describe_trials(book, story)],
        "intake": [glass.to_json() for glass in read_intake(story)],
        "bottles": [one.to_json() for one in list_bottles(book, story)],
        "first_dose": first_dose,
        "last_hash": book.lots.last_hash(head.id),
        **plain(pick(care, "label", "cautions")),
    }


def _describe_event(event: LotEntry) -> dict[str, Any]:
    out = pick(event, "id", "kind", "created_at", "entered_by", "reason", "happened_at") | {
        "replaces": event.replaces_id,
        "replaced_by": event.replaced_by_id,
        "text": event.text if isinstance(event, NoteEntry) else tell_entry(event),
        "moved_by": event.moved_by_id,
    }
    if isinstance(event, PhotoEntry):
        out["set_aside"] = event.aside
    if isinstance(event, AdditionEntry):
        out |= pick(event, "stock", "quantity", "unit", "void")
        out |= {"ml": round(event.ml, 4), "mg": round(event.mg, 4)}
    return out


def _describe_photo(photo: PhotoEntry) -> dict[str, Any]:
    measured = photo.measurement.to_json()
    return {
        "entry": photo.id,
        "photo": photo.original_name,
        "set_aside": photo.aside,
        **pick(photo, "stored_name", "created_at", "purpose"),
        **{key: measured.get(key) for key in ("delta_e_2000", "difference", "spots")},
        **{f"advice_{key}": getattr(photo.advice, key, None) for key in ("text", "action", "reason")},
    }
