"""The lots as rows to tap: both colours, name, number, difference, state and date; the whole row opens its lot."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from colourmatch.book.entries import Lot, LotStory
from colourmatch.colour.spaces import lab_to_hex
from colourmatch.measurement import LIQUIDS
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import session
from colourmatch.words.answers import tell_far
from colourmatch.words.figures import tell_ml


def tap_row(lots: Sequence[Lot], place: str) -> int | None:
    """The rows of the lots; the id of the one that was tapped."""
    tapped = None
    for lot, story in zip(lots, session.current_book().lots.stories([lot.id for lot in lots]), strict=True):
        with st.container(key=f"cm-row-{place}-{lot.id}"):
            st.html(draw_row(story))
            if st.button(f"Open {parts.plain(lot.name)} ({parts.plain(lot.label)})", key=f"{place}-{lot.id}"):
                tapped = lot.id
    return tapped


def draw_row(story: LotStory) -> str:
    """One lot as HTML: reference and batch of its last photo edge to edge, and what is known of it."""
    lot, photos = story.lot, telling.compared_photos(story)
    seen = photos[-1].measurement if photos else None
    spots = [seen.spots.get(name) for name in LIQUIDS] if seen else [None, None]
    colours = "".join(
        f'<i style="background:{lab_to_hex(one.lab)}"></i>' if one else "<i></i>" for one in spots
    )
    apart = tell_far(seen.delta_e_2000.to_json()) if seen and seen.delta_e_2000 else "–"
    quiet = (
        lot.label,
        "closed" if lot.closed else "open",
        f"trial of {lot.trial_of}" if lot.trial_of else "",
        tell_ml(story.state().volume_ml, session.shows_us()),
        parts.show_date(lot.created_at),
    )
    told = ", ".join(f'<span class="cm-whole">{parts.as_html(one)}</span>' for one in quiet if one)
    return (
        f'<div class="cm cm-row" aria-hidden="true"><div class="cm-two">{colours}</div><div><b>{parts.as_html(lot.name)}</b>'
        f'<p class="cm-quiet">{told}</p></div>'
        f'<div class="cm-apart">{apart}</div></div>'
    )
