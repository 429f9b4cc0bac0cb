"""Label and cautions of a lot as it stands; it knows the law by dosing/care.py and no photo."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from colourmatch.dosing.care import cautions_for, label_line
from colourmatch.dosing.limits import colourants_in, place_or_first
from colourmatch.workflow.label_lines import read_label_lines

if TYPE_CHECKING:
    from colourmatch.book.entries import LotStory


def tell_care(story: LotStory) -> dict[str, Any]:
    """Label and cautions for what went in; while nothing did, for the stocks that stand ready."""
    jurisdiction = place_or_first(story.lot.jurisdiction)
    state = story.state()
    dosed = bool(state.mg_by_colourant)
    ready = [] if dosed else [entry.colourant for entry in story.stock_entries]
    colourants = list(dict.fromkeys([*colourants_in(state), *ready]))
    label = list(read_label_lines(story).all()[2:])
    if not dosed and not story.lot.closed:
        label[:1] = label_line(colourants, jurisdiction).text.splitlines()
    return {
        "label": "\n".join(label),
        "cautions": [{"code": c.code, "text": c.text} for c in cautions_for(colourants, jurisdiction)],
    }
