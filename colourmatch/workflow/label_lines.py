"""What the label of a lot says, one statement a line, and its cautions; it knows no paper.
The maker's own lines stand as they were typed and are marked as not checked; none is invented.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import tzinfo

from colourmatch.advice import Caution
from colourmatch.book.entries import LotStory
from colourmatch.dosing.care import cautions_for, label_line
from colourmatch.dosing.limits import colourants_in, place_or_first
from colourmatch.records import Record, kept, several
from colourmatch.words.times import tell_date

#: What is said beside them, not on the label: nobody but the maker answers for them.
NOT_CHECKED = "Your own lines are as you typed them: nobody checked them against the law."


@dataclass(frozen=True)
class LabelLines:
    """The lines of a label; what is not due is not there. `own` are the maker's, which nobody checked."""

    name: str
    lot_and_date: str
    texts: tuple[str, ...]
    own: tuple[str, ...] = ()

    def all(self) -> tuple[str, ...]:
        """Every line in order."""
        return (self.name, self.lot_and_date, *self.texts, *self.own)


class Care(Record):
    """What a label says of the colours, line by line, and the cautions."""

    label: str = kept()
    cautions: tuple[Caution, ...] = kept(several(Caution))


def read_label_lines(story: LotStory, zone: tzinfo | None = None) -> LabelLines:
    """What the label of a lot says: the colours are those that went in, the date that of `zone`, else of this machine."""
    head, state = story.lot, story.state()
    label = label_line(colourants_in(state), place_or_first(head.jurisdiction))
    closing = story.closing
    begun = f"begun {tell_date(head.created_at, zone)}, not closed yet"
    date = f"closed {tell_date(closing.created_at, zone)}" if closing else begun
    texts = [part for part in (label.line, label.warning, label.allergen) if part]
    if state.already_mg_per_l > 0 and state.already_colourant is None:
        texts.append("The base held colour of its own, name it here: ....................")
    own = dict(head.label_lines)
    if ingredients := own.get("ingredients"):
        # the colours stand among the ingredients, by their class and name, and need no line of their own
        if head.closed or state.mg_by_colourant:
            own["ingredients"] = _merge_colours(ingredients, label.line)
        if own["ingredients"] != ingredients:
            texts.remove(label.line)
    told = [f"{words}{own[key]}" for key, words in _OWN.items() if key in own]
    return LabelLines(head.name, f"Lot {head.label} · {date}", tuple(texts), tuple(told))


#: The maker's own lines in order, with what is put before each.
_OWN = {
    "ingredients": "Ingredients: ",
    "contents": "",
    "best_before": "Best before ",
    "producer": "",
    "keeping": "",
}


def _merge_colours(ingredients: str, colours: str) -> str:
    """A list of ingredients with the colours in it: where it says "colours", else at its end."""
    if ":" not in colours:  # no colour went in
        return ingredients
    named = colours[:1].lower() + colours[1:]
    merged, count = re.subn(r"\b[Cc]olou?rs?\b(?!:)", lambda _: named, ingredients, count=1)
    return merged if count else f"{ingredients.rstrip(' .')}, {named}"


def tell_care(story: LotStory) -> Care:
    """Label and cautions for what went in; while nothing did, for the stocks that stand ready."""
    jurisdiction, state = place_or_first(story.lot.jurisdiction), story.state()
    dosed = bool(state.mg_by_colourant)
    ready = [] if dosed else [entry.colourant for entry in story.stock_entries]
    colourants = list(dict.fromkeys([*colourants_in(state), *ready]))
    label = list(read_label_lines(story).all()[2:])
    if not dosed and not story.lot.closed:
        label[:1] = label_line(colourants, jurisdiction).text.splitlines()
    return Care("\n".join(label), tuple(cautions_for(colourants, jurisdiction)))
