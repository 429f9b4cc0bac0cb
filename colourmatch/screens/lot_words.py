"""Tells a lot's entries in words and sorts out what belongs to the last photo; it changes nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from colourmatch.amounts import tell_quantity
from colourmatch.book.carried import came_along
from colourmatch.book.entries import (
    AdditionEntry,
    AmendmentEntry,
    AsideEntry,
    ClosingEntry,
    Lot,
    LotEntry,
    LotStory,
    MovedEntry,
    NoteEntry,
    PhotoEntry,
    ReopeningEntry,
    VolumeEntry,
    tell_figure,
)
from colourmatch.paper.sheet_facts import tell_conditions
from colourmatch.screens import html as parts
from colourmatch.workflow.since_photo import since_photo, tell_change

OUTCOMES = {
    "matched": "Matched",
    "nearest": "The nearest this stock can come",
    "ceiling": "Stopped at the ceiling",
    "past": "Past the match",
    "given up": "Given up",
    "trial": "A trial, done",
}


def describe_outcome(outcome: str) -> str:
    """Why a lot was closed, in words."""
    return OUTCOMES.get(outcome, outcome) + "."


def tell_closing(closing: ClosingEntry) -> tuple[str, str]:
    """Why a lot was closed, and what was said of it without saying that again."""
    outcome, said = describe_outcome(closing.outcome), closing.text.strip()
    again = f"{outcome[:-1]}: "
    if said.startswith(again):
        said = said[len(again) :]
        said = said[:1].upper() + said[1:]
    return outcome, said


def closing_panel(closing: ClosingEntry) -> str:
    """The panel of a closed lot."""
    outcome, said = tell_closing(closing)
    when = f"Closed on {parts.show_time(closing.created_at)}."
    return parts.panel("Closed", outcome, [said, closing.against, when], "stop")


def newest_id(story: LotStory, *kinds: type[LotEntry]) -> int:
    """The newest entry of a lot, of any of these kinds where some are named; 0 while there is none."""
    return max((entry.id for entry in story.events if not kinds or isinstance(entry, kinds)), default=0)


def describe_amount(entry: AdditionEntry) -> str:
    """An addition as it was typed: 12 drops of red."""
    return f"{tell_quantity(entry.quantity, entry.unit)} of {entry.stock}"


def describe_with_time(entry: AdditionEntry) -> str:
    """An addition with its moment, for a list to choose from."""
    return f"{describe_amount(entry)}, {parts.show_time(entry.created_at)}"


def compared_photos(story: LotStory) -> list[PhotoEntry]:
    """The photos taken for the match that showed both liquids and count, in order; not those after the closing."""
    return [photo for photo in _both_seen(story) if photo.aside is None]


def _both_seen(story: LotStory) -> list[PhotoEntry]:
    """The same with those that were set aside: numbers stay when one is."""
    match = [photo for photo in story.photos if photo.purpose == "match"]
    return [photo for photo in match if photo.measurement.get("delta_e_2000")]


def number_photos(story: LotStory) -> dict[int, str]:
    """All photos by entry with their number."""
    return {photo.id: f"photo {number}" for number, photo in enumerate(story.photos, 1)}


def name_photos(story: LotStory) -> dict[int, str]:
    """All photos by entry with their number, time, what they are of, and whether they were set aside."""
    names = number_photos(story)
    for photo in story.photos:
        later = "" if photo.purpose == "match" else " (after the closing)"
        aside = " (set aside)" if photo.aside is not None else ""
        names[photo.id] += f", {parts.show_time(photo.created_at)}{later}{aside}"
    return names


def alike_photos(story: LotStory) -> dict[int, PhotoEntry]:
    """The compared photos by number that show the liquids as deep and as thinned as the last one: others lie elsewhere."""
    from colourmatch.workflow.fitting import photo_view

    numbered = {n: photo for n, photo in enumerate(_both_seen(story), 1) if photo.aside is None}
    views = {number: photo_view(story.lot, photo.measurement) for number, photo in numbered.items()}
    return {number: photo for number, photo in numbered.items() if views[number] == views[max(numbered)]}


def find_combined(story: LotStory, advice: Mapping[str, Any]) -> dict[str, Any] | None:
    """What the photos of the last photographed state give together, None while there is but one."""
    photos = story.counting_photos
    last = photos[-1].advice if photos else None
    known = advice if advice.get("state_photographed", bool(advice)) else last
    together: dict[str, Any] | None = (known or {}).get("combined")
    return together if together and len(together["photos"]) > 1 else None


def describe_photos(together: Mapping[str, Any] | None) -> str:
    """What a shown difference rests on: "last photo", or "last 3 photos"."""
    return f"last {len(together['photos'])} photos" if together else "last photo"


def describe_since_photo(story: LotStory) -> str:
    """What changed the batch after the last photo, in words; empty when nothing did, or the lot is closed."""
    if story.lot.closed:
        return ""
    began = came_along(story)  # a trial begins with it
    return ", ".join(tell_change(entry) for entry in since_photo(story).changes if entry.id not in began)


def advice_of_last_photo(story: LotStory) -> dict[str, Any] | None:
    """The advice that was worked out with the last photo, None when anything was entered or learnt since."""
    if not story.photos or story.events[-1].id != story.photos[-1].id:
        return None
    moment = story.photos[-1].created_at
    return (
        None if any(stock.changed_at > moment for stock in story.stock_entries) else story.photos[-1].advice
    )


def doses_of(advice: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The doses that are advised now; with several stocks, or a part of them in, what is left."""
    return list(advice.get("doses") or ()) if advice.get("action") == "add" else []


def tell_entry(entry: LotEntry, us: bool = False) -> str:
    """One entry as a sentence; `us`: volumes in US measures too."""
    if isinstance(entry, AdditionEntry):
        figures = f"{parts.show_ml(entry.ml, us)}, {parts.show_amount(entry.mg)} mg"
        text = f"{describe_amount(entry)}" + (": did not happen" if entry.void else f" added ({figures})")
    elif isinstance(entry, VolumeEntry):
        what = "untinted batch blended back"
        if entry.kind == "sample":
            what = f"taken for a trial (lot {entry.trial_lot_id})" if entry.trial_lot_id else "sample taken"
        elif entry.kind == "poured-back":
            what = f"of the trial (lot {entry.trial_lot_id}) poured back, its colour with it"
        back = ", went back whole" if entry.returned else ""
        text = f"{parts.show_ml(entry.ml, us)} {what}{back}{': did not happen' if entry.void else ''}"
    elif isinstance(entry, PhotoEntry):
        text = _tell_photo(entry)
    elif isinstance(entry, AsideEntry):
        text = "Photo counts again:" if entry.back else "Photo set aside:"
    elif isinstance(entry, NoteEntry):
        text = f"Note: {entry.text}"
    elif isinstance(entry, AmendmentEntry):
        changes = [
            _tell_change(key, value)
            for key, value in entry.changes.items()
            if key != "reference_id" or "target_lab" not in entry.changes  # its reason names the reference
        ]
        text = f"Put right: {', '.join(changes)}"
    elif isinstance(entry, ReopeningEntry):
        text = "Opened again:"
    elif isinstance(entry, ClosingEntry):
        text = f"Closed: {' '.join(tell_closing(entry))}"
    else:
        text = entry.kind
    return text


def _tell_change(key: str, value: Any) -> str:
    if key == "target_lab":
        return "tinted to " + ("the reference in the photo" if value is None else parts.show_lab(value))
    if key == "serving":
        return f"looked at {tell_serving(value)}"
    return tell_figure(key, value)


def tell_serving(serving: Mapping[str, Any] | None) -> str:
    """Where the match is judged, in words: long drink (60 mm, 1 in 4, light A, weight 2)."""
    return "; ".join(tell_conditions(serving)) or "as photographed"


def _tell_photo(entry: PhotoEntry) -> str:
    name = "Photo" if entry.purpose == "match" else "Photo afterwards"
    delta = entry.measurement.get("delta_e_2000")
    if not delta:
        batch = (entry.measurement.get("spots") or {}).get("batch")
        if not batch:
            return f"{name}: nothing to compare"
        return f"{name} of the batch alone: {parts.show_lab(batch['lab'], batch['lab_sd'])}"
    words = (entry.measurement.get("difference") or {}).get("text") or ""
    return f"{name}: difference {parts.show_interval(delta)}, {words}"


def _tell_move(story: LotStory, entry: MovedEntry, us: bool) -> str:
    """What was moved, and to when."""
    about = next((known for known in story.events if known.id == entry.moved_entry_id), None)
    what = "An entry" if about is None else tell_entry(about, us)
    return f"Time put right, it happened on {parts.show_time(entry.moved_to)}: {what}"


def tell_story(story: LotStory, us: bool = False) -> str:
    """All entries as a list, the newest first; replaced ones are struck out, corrections say why."""
    items = []
    for entry in reversed(story.events):
        gone = "gone" if entry.replaced_by_id is not None else ""
        who = f", {parts.as_html(entry.entered_by)}" if entry.entered_by else ""
        corrects = entry.replaces_id is not None or isinstance(entry, (AmendmentEntry, MovedEntry))
        told = _tell_move(story, entry, us) if isinstance(entry, MovedEntry) else tell_entry(entry, us)
        when = parts.show_time(entry.created_at)
        if entry.moved_by_id is not None:
            when = f"{parts.show_time(entry.happened_at)}, as it was put right; entered {when}"
        start = (
            "Correction: " if corrects else "" if isinstance(entry, (AsideEntry, ReopeningEntry)) else "It "
        )
        why = f" {start}{parts.as_html(entry.reason)}" if entry.reason else ""
        replaced = " (corrected later)" if gone else ""
        if isinstance(entry, PhotoEntry) and entry.aside is not None:
            replaced = " (set aside, counts no more)"
        items.append(
            f'<li><span class="{gone}">{parts.as_html(told)}</span>{replaced}{why}'
            f'<br><span class="cm-quiet">{when}{who}</span></li>'
        )
    return f'<ul class="cm cm-story">{"".join(items)}</ul>'


def head_facts(lot: Lot, us: bool = False) -> dict[str, object]:
    """The head of a lot as names and values."""
    ceiling = "none" if lot.ceiling_mg_per_l is None else f"{parts.show_amount(lot.ceiling_mg_per_l)} mg/l"
    thinned = (
        "as it is" if lot.dilution == 1 else f"1 part made up to {lot.dilution:g} with water, both alike"
    )
    return {
        "Name": lot.name,
        "Number": lot.label,
        "Begun": parts.show_time(lot.created_at) + (f", {lot.entered_by}" if lot.entered_by else ""),
        "Batch at the beginning": parts.show_ml(lot.volume_ml, us),
        "Stocks": ", ".join(lot.stocks),
        "Your ceiling": ceiling,
        "Colour already in": f"{parts.show_amount(lot.already_mg_per_l)} mg/l"
        + (f" of {lot.already_colourant}" if lot.already_colourant else ""),
        "Photographed": f"{lot.depth_mm:g} mm deep, {thinned}",
        "Looked at": tell_serving(lot.serving),
        "Tolerance": f"{lot.tolerance:g} CIEDE2000",
        "Sold in": lot.jurisdiction or "no place given",
        "Notes": lot.notes,
    }
