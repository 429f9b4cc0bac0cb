"""The pages of the app, what each carries beside its content (page_parts/), and the ways from one to another: the menu,
on from a finished lot, to a lot of one's own."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from functools import cache, partial
from importlib import import_module
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from colourmatch.book.entries import LotStory
from colourmatch.book.naming import is_example, leave_out_example
from colourmatch.screens import html, session
from colourmatch.sharing.door import current_door
from colourmatch.sharing.gate import LEFT_PATH
from colourmatch.words.figures import PAGES

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
    st.switch_page(find_page(name), query_params={"lot": str(lot_id)})


def offer_file(words: str, make: Callable[[], bytes], name: str, kind: str, key: str, **other: Any) -> None:
    """A button that saves a file, made when it is asked for; kind: its media type."""
    icon = ":material/download:"
    st.download_button(words, make, name, kind, key=key, on_click="ignore", icon=icon, **other)


def offer_papers(story: LotStory) -> None:
    # what any system takes in a name of a file
    label = re.sub(r"[^A-Za-z0-9._-]+", "-", story.lot.label).strip("-.") or "lot"
    for words, key, what in (("Labels (PDF)", "labels", "labels"), ("Lot sheet (PDF)", "sheet", "lot")):
        make = partial(make_paper, key, story.lot.id)
        offer_file(words, make, f"{what}-{label}.pdf", "application/pdf", key, width="stretch")


def make_paper(what: str, lot_id: int) -> bytes:
    from colourmatch.paper.labels import write_label_page
    from colourmatch.paper.sheet import write_lot_sheet

    out, book, zone = io.BytesIO(), session.current_book(), html.browser_zone()
    (write_label_page if what == "labels" else write_lot_sheet)(book, lot_id, out, zone=zone)
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
        last = "" if here else tell_last_recheck(story)
        if last:
            st.html(html.line(last))
        words = "See its rechecks" if last else "Recheck in a week"
        if own and not here and st.button(words, key="recheck", width="stretch"):
            go_to_lot("lots", story.lot.id)


def tell_last_recheck(story: LotStory) -> str:
    """When a closed lot was last photographed again and how far its colour had gone; nothing where no photo says so."""
    if not any(photo.purpose == "recheck" for photo in story.counting_photos):
        return ""
    from colourmatch.workflow.recheck import read_drift, tell_photos  # other lots do not wait for it

    drift = session.compute(story, read_drift)
    if not drift.photos:
        return ""
    *_, (when, told) = tell_photos(drift, html.browser_zone(), PAGES)
    return f"Last recheck, {when}: {told}."


# ---- what every page carries -------------------------------------------------------------------------------------

_FOLDER = Path(__file__).parent / "page_parts"
_GONE = (
    "The app does not answer. What was confirmed is in the lot book. Leave this page open: what you typed stays, and "
    "it goes on by itself once the app runs again. On the phone: is it still in the same network? At the machine: was "
    "the app stopped? Then start it again: colourmatch app."
)
_OUT = (
    "This browser is no longer let in: sharing was stopped, or the app was started again. What was confirmed is in "
    "the lot book. Reload the page, and enter the code that is on the machine's screen now."
)
_BACK = (
    "The app answers again, but this page does not go on by itself. What was confirmed is in the lot book. Reload it."
)


@cache
def read_part(name: str) -> str:
    tag = "style" if name.endswith(".css") else "script"
    return f"<{tag}>\n{(_FOLDER / name).read_text('utf-8')}</{tag}>"


@st.fragment(run_every=3600)
def _be_run_again() -> None:
    """Draws nothing: a page with a part that runs by the clock is run again when its connection comes back."""


def dress_page() -> None:
    """Put sheets, scripts and the watch over the connection on the page; called once in every run, as its first."""
    st.session_state["out-of-reach"] = {}
    for name in ("page.css", "match.css", "decimal_comma.js", "desk.js", "unsent.js"):
        st.html(read_part(name), unsafe_allow_javascript=name.endswith(".js"))
    visit = get_script_run_ctx()
    values = {
        "SAYS": json.dumps({"gone": _GONE, "out": _OUT, "back": _BACK}),
        "VISIT": json.dumps(visit.session_id if visit else ""),
        "LEFT": LEFT_PATH,
    }
    watch = re.sub("|".join(values), lambda name: values[name[0]], read_part("connection.js"))
    st.html(read_part("connection.css"))
    st.html(watch, unsafe_allow_javascript=True)
    _be_run_again()
