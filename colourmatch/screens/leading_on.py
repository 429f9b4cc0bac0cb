"""What a finished lot leads on to: labels, sheet, the next lot like it, a look at it in a week; and to one's own first."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from functools import partial
from typing import Literal

import streamlit as st

from colourmatch.book.entries import LotStory
from colourmatch.book.naming import is_example, leave_out_example
from colourmatch.screens import html as parts
from colourmatch.screens import pages, session


def offer_papers(story: LotStory) -> None:
    """Labels and sheet of a lot; each is made when it is asked for."""
    lot = story.lot
    # what any system takes in a name of a file
    label = re.sub(r"[^A-Za-z0-9._-]+", "-", lot.label).strip("-.") or "lot"
    for words, make, what in (
        ("Labels (PDF)", make_labels, "labels"),
        ("Lot sheet (PDF)", make_sheet, "lot"),
    ):
        st.download_button(
            words, partial(make, lot.id), f"{what}-{label}.pdf", "application/pdf", key="sheet" if what == "lot" else what,
            on_click="ignore", icon=":material/download:", width="stretch",
        )  # fmt: skip


def offer_own_lot(
    words: str = "",
    kind: Literal["primary", "secondary"] = "primary",
    width: Literal["content", "stretch"] = "content",
) -> None:
    """To the form of a lot of one's own; where no stock is on the shelf for it, to that of a stock."""
    own = leave_out_example(session.current_book().stocks.all())
    words = words or ("Begin a lot" if own else "Set up a stock and a lot")
    if session.may_enter() and st.button(words, type=kind, key="to-set-up", width=width):
        st.switch_page(pages.find_page("set_up"), query_params={"part": "New lot" if own else "Stocks"})


def lead_on(story: LotStory, *, here: bool = False) -> None:
    """The ways on from a closed lot; here: the page is the lot's own, where it is photographed again."""
    own = not is_example(story.lot)
    if not own:
        offer_own_lot("Now yours: begin your own lot", width="stretch")
    with st.container(key="cm-lead-on", gap="small"):
        offer_papers(story)
        if own and session.may_enter() and st.button("Next lot like this", key="like", width="stretch"):
            st.session_state["lot-like"] = story.lot.id
            st.session_state.pop("token-lot", None)  # what was typed for another lot is left
            st.switch_page(pages.find_page("set_up"), query_params={"part": "New lot"})
        if own and not here and st.button("Recheck in a week", key="recheck", width="stretch"):
            pages.go_to_lot("lots", story.lot.id)


def _make(write: Callable[..., None], lot_id: int) -> bytes:
    out = io.BytesIO()
    write(session.current_book(), lot_id, out, zone=parts.browser_zone())
    return out.getvalue()


def make_sheet(lot_id: int) -> bytes:
    """The lot on paper, made when it is asked for."""
    from colourmatch.paper.sheet import write_lot_sheet

    return _make(write_lot_sheet, lot_id)


def make_labels(lot_id: int) -> bytes:
    """A page of labels, made when it is asked for."""
    from colourmatch.paper.labels import write_label_page

    return _make(write_label_page, lot_id)
