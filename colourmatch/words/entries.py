"""The entries of a lot in words, by their kind, its closing too; it takes the records as they are and knows no book."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from colourmatch.words import figures
from colourmatch.words.doubts import tell_answer
from colourmatch.words.looks import tell_dilution, tell_glass, tell_serving
from colourmatch.words.times import tell_time

#: The reasons that the tool knows, as books hold them; others are the maker's own words.
OUTCOMES = {
    "matched": "Matched",
    "nearest": "The nearest its stocks can come",
    "ceiling": "The ceiling is reached",
    "past": "Past the match",
    "given up": "Given up",
    "trial": "A trial, done",
    "stopped by the maker": "Stopped by the maker",
}


def split_closing(outcome: str, text: str) -> tuple[str, str]:
    """Why a lot was closed, and what was said of it without saying that again.

    >>> split_closing("matched", "Matched: the difference is 0.4. Stop here.")
    ('Matched.', 'The difference is 0.4. Stop here.')
    """
    why, said = OUTCOMES.get(outcome, figures.begin(outcome)), text.strip()
    for start in (f"{why}:", f"{outcome}:", f"{why}.", f"{outcome}."):
        if said.casefold().startswith(start.casefold()):
            said = said[len(start) :].strip()
    return f"{why}.", figures.begin(said)


def tell_closing(outcome: str, text: str, against: str = "") -> str:
    """The end of a lot in one line; `against`: what the advice had said instead."""
    start = "Closed:" if outcome in OUTCOMES else "Closed, in your own words:"
    return " ".join(part for part in (start, *split_closing(outcome, text), against) if part)


def tell_basis(final: Any) -> str:
    """What the difference in a closing rests on, to stand after its day; final: the advice that the closing kept."""
    return ", judged by all photos together" if final and final.now else ""


@dataclass(frozen=True)
class Medium:
    """What a medium shows of an entry: its signs, US measures, its clock, and whether the reason stands in the sentence.

    `names`: other entries by number as the medium calls them, "photo 3"; those it does not name are "entry 3".
    """

    signs: figures.Signs = figures.PLAIN
    us: bool = False
    clock: Callable[[str], str] = tell_time
    reason: bool = True
    names: Mapping[int, str] = field(default_factory=dict)


TERMINAL = Medium()


def tell_entry(entry: Any, medium: Medium = TERMINAL) -> str:
    """One entry of a lot as a sentence: "12 drops of red (0.6 ml, 6 mg)"."""
    text = _TELLERS[entry.kind](entry, medium)
    if getattr(entry, "void", False):
        text += ": did not happen"
    return f"{text}; reason: {entry.reason}" if medium.reason and entry.reason else text


def tell_dose(entry: Any, us: bool = False) -> str:
    """What went into a batch: "12 drops of red", "50 ml of untinted batch", "100 ml of trial lot 4"."""
    if entry.kind == "addition":
        return f"{figures.tell_quantity(entry.quantity, entry.unit)} of {entry.stock}"
    what = f"trial lot {entry.trial_lot_id}" if entry.kind == "poured-back" else "untinted batch"
    return f"{figures.tell_ml(entry.ml, us)} of {what}"


def tell_aside(reason: str | None) -> str:
    """That a photo counts no more, and why: "set aside: a lamp shone in"."""
    return f"set aside: {reason}" if reason else "set aside"


def tell_change(key: str, value: Any, signs: figures.Signs = figures.PLAIN) -> str:
    """A figure of a lot's head that was put right: "ceiling 60 mg/l"."""
    if key == "target_lab":
        aim = "the reference in the photo" if value is None else figures.tell_lab(value, signs=signs)
        return f"tinted to {aim}"
    if key == "serving":
        return f"judged as served: {tell_serving(value)}" if value else f"judged {tell_serving(value)}"
    if key == "dilution":
        return tell_dilution(value)
    if key == "label_lines":
        return f"own lines of the label: {', '.join(value) or 'none'}"
    words, unit = _FIGURES.get(key, (key.replace("_", " "), ""))
    parts = value if isinstance(value, (list, tuple)) else ("none",) if value is None else (value,)
    shown = (figures.tell_typed(part) if isinstance(part, (int, float)) else str(part) for part in parts)
    return f"{words} {', '.join(shown)} {unit if value is not None else ''}".rstrip()


def tell_changes(changes: Mapping[str, Any], signs: figures.Signs = figures.PLAIN) -> str:
    """Figures of a lot's head that were put right together: "ceiling 60 mg/l; tolerance 2 CIEDE2000"."""
    return "; ".join(tell_change(key, value, signs) for key, value in changes.items())


def tell_head(lot: Any, us: bool = False) -> dict[str, str]:
    """The figures of a lot's head by what they are called."""
    own, base = lot.ceiling_mg_per_l, f"{figures.tell_amount(lot.already_mg_per_l)} mg/l"
    if lot.already_mg_per_l:
        base += f" of {lot.already_colourant or 'a colour that nobody named'}"
    return {
        "Batch at the beginning": figures.tell_ml(lot.volume_ml, us),
        "Own ceiling": "none" if own is None else f"{figures.tell_amount(own)} mg/l",
        "Colour in the base": base,
        "Photographed": tell_glass(lot.depth_mm, lot.dilution),
        "Judged": tell_serving(lot.serving),
        "Tolerance": f"{lot.tolerance:g} CIEDE2000",
        "Made up by its label": "no" if lot.made_up_to == 1 else tell_dilution(lot.made_up_to),
        "Doses measured in": lot.hand,
        "Sold in": lot.jurisdiction or "no place given",
    }


#: A figure of a lot's head -> its words and its unit.
_FIGURES = {
    "volume_ml": ("batch at the beginning", "ml"),
    "ceiling_mg_per_l": ("ceiling", "mg/l"),
    "depth_mm": ("depth", "mm"),
    "tolerance": ("tolerance", "CIEDE2000"),
    "already_mg_per_l": ("colour in the base", "mg/l"),
    "already_colourant": ("colourant in the base", ""),
    "jurisdiction": ("limits of", ""),
    "reference_id": ("reference number", ""),
    "made_up_to": ("1 part is made up to", "parts of drink"),
    "hand": ("doses measured in", ""),
}


def _tell_sample(entry: Any, medium: Medium) -> str:
    if entry.trial_lot_id is not None:
        return f"{figures.tell_ml(entry.ml, medium.us)} taken for trial lot {entry.trial_lot_id}"
    back = " and poured back whole" if entry.returned else ""
    return f"Sample of {figures.tell_ml(entry.ml, medium.us)} taken{back}"


def _tell_photo(entry: Any, medium: Medium) -> str:
    """A photo with its number where the medium numbers them, its file where it does not."""
    name = medium.names.get(entry.id) or f"photo {entry.original_name or ''}".strip()
    name = f"recheck {name}" if entry.purpose == "recheck" else name
    found = entry.measurement
    if found.delta_e_2000:
        words = f", {found.difference.text}" if found.difference and found.difference.text else ""
        told = f"CIEDE2000 {figures.tell_interval(found.delta_e_2000, signs=medium.signs)}{words}"
    elif batch := found.spots.get("batch"):
        told = f"the batch alone, {figures.tell_lab(batch.lab, batch.lab_sd, signs=medium.signs)}"
    else:
        told = "no difference measured"
    return f"{figures.begin(name)}: {told}"


def _name(medium: Medium, entry_id: int, otherwise: str = "entry") -> str:
    """Another entry as the medium calls it, as the beginning of a sentence."""
    return figures.begin(medium.names.get(entry_id, f"{otherwise} {entry_id}"))


_TELLERS: dict[str, Callable[[Any, Medium], str]] = {
    "addition": lambda entry, medium: (
        f"{tell_dose(entry)} ({figures.tell_ml(entry.ml, medium.us)}, {figures.tell_amount(entry.mg)} mg)"
    ),
    "sample": _tell_sample,
    "untinted": lambda entry, medium: f"{tell_dose(entry, medium.us)} blended back",
    "poured-back": lambda entry, medium: f"{tell_dose(entry, medium.us)} poured back with its colour",
    "photo": _tell_photo,
    "set-aside": lambda entry, medium: (
        f"{_name(medium, entry.photo_entry_id, 'the photo of entry')} {'counts again' if entry.back else 'is set aside'}"
    ),
    "moved": lambda entry, medium: f"{_name(medium, entry.moved_entry_id)} happened at {medium.clock(entry.moved_to)}",
    "note": lambda entry, _: f"Note: {entry.text}",
    "amendment": lambda entry, medium: f"Put right: {tell_changes(entry.changes, medium.signs)}",
    "answer": lambda entry, medium: tell_answer(
        entry.cause[0], medium.names.get(entry.cause[1], f"entry {entry.cause[1]}"), entry.yes, entry.stock
    ),
    "reopening": lambda *_: "Opened again",
    "closing": lambda entry, _: tell_closing(entry.outcome, entry.text),
}
