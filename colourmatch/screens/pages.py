"""The pages of the app, their titles and addresses, and the way from one to another; it shows nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import streamlit as st

from colourmatch.screens import session
from colourmatch.sharing.door import current_door

_FOLDER = Path(__file__).parent
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


def list_pages() -> list[Any]:
    """All pages in the order of the work."""
    return [find_page(name) for name in TITLES]


def find_page(name: str) -> Any:
    """One page by its address; KeyError for one that does not exist."""
    return st.Page(
        _FOLDER / f"{name}.py", title=TITLES[name], url_path=name.replace("_", "-"), default=name == "start"
    )


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
