"""The pages of the app and the ways from one to another: the menu, on from a finished lot, to a lot of one's own."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from functools import partial
from importlib import import_module
from typing import Any

import streamlit as st

from colourmatch.book.entries import LotStory
from colourmatch.book.example import is_example, leave_out_example
from colourmatch.screens import html, session
from colourmatch.sharing.door import current_door

#: address -> title
TITLES = {
    "start": "Start",
    "set_up": "Set up",
    "match": "Match",
    "lots": "Lots",
    "trend": "Trend",
    "help": "Help",
    "share": "Share",
    "picker": "Compare",
    "calibrations": "Card and phone",
}
#: Pages that others lead to; the menu has room for no more on a phone.
_NOT_IN_MENU = ("picker", "calibrations", "trend")


def find_page(name: str) -> Any:
    """One page by its address, whose module is read when it is first shown; KeyError for one that does not exist."""

    def show() -> None:
        import_module(f"colourmatch.screens.{name}").show()

    return st.Page(show, title=TITLES[name], url_path=name.replace("_", "-"), default=name == "start")


def show_menu() -> None:
    """The way to every page, one row at the top; it fits a phone and needs no unfolding."""
    door = current_door()
    shares = door is not None and door.open and session.is_at_this_machine()
    with st.container(horizontal=True, key="cm-menu", gap=None):
        for name in TITLES:
            if name not in _NOT_IN_MENU and (name != "share" or shares):
                st.page_link(find_page(name))


def go_to_lot(name: str, lot_id: int) -> None:
    """Leave for a page with a lot opened."""
    st.switch_page(find_page(name), query_params={"lot": str(lot_id)})


def offer_file(words: str, make: Callable[[], bytes], name: str, kind: str, key: str, **other: Any) -> None:
    """A button that saves a file, made when it is asked for; kind: its media type."""
    icon = ":material/download:"
    st.download_button(words, make, name, kind, key=key, on_click="ignore", icon=icon, **other)


def offer_papers(story: LotStory) -> None:
    """Labels and sheet of a lot."""
    # what any system takes in a name of a file
    label = re.sub(r"[^A-Za-z0-9._-]+", "-", story.lot.label).strip("-.") or "lot"
    for words, key, what in (("Labels (PDF)", "labels", "labels"), ("Lot sheet (PDF)", "sheet", "lot")):
        make = partial(make_paper, key, story.lot.id)
        offer_file(words, make, f"{what}-{label}.pdf", "application/pdf", key, width="stretch")


def make_paper(what: str, lot_id: int) -> bytes:
    """The "labels" or the "sheet" of a lot."""
    from colourmatch.paper.labels import write_label_page
    from colourmatch.paper.sheet import write_lot_sheet

    out, book, zone = io.BytesIO(), session.current_book(), html.browser_zone()
    if what == "labels":
        write_label_page(book, lot_id, out, zone=zone)
    else:
        write_lot_sheet(book, lot_id, out, zone=zone)
    return out.getvalue()


def offer_own_lot(words: str = "", **button: Any) -> None:
    """To the form of a lot of one's own; where no stock is on the shelf for it, to that of a stock."""
    own = leave_out_example(session.current_book().stocks.all())
    words = words or ("Begin a lot" if own else "Set up a stock and a lot")
    if session.may_enter() and st.button(words, key="to-set-up", **{"type": "primary", **button}):
        st.switch_page(find_page("set_up"), query_params={"part": "New lot" if own else "Stocks"})


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
            st.switch_page(find_page("set_up"), query_params={"part": "New lot"})
        if own and not here and st.button("Recheck in a week", key="recheck", width="stretch"):
            go_to_lot("lots", story.lot.id)
