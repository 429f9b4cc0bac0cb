"""What every page carries beside its content: the sheets and scripts of page_parts/, which do what no component does,
say what is the matter while the app does not answer, and tell the app that a page is left for good."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from colourmatch.sharing.gate import LEFT_PATH

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
_BACK = "The app answers again, but this page does not go on by itself. What was confirmed is in the lot book. Reload it."


@cache
def read_part(name: str) -> str:
    """A sheet or a script as HTML."""
    tag = "style" if name.endswith(".css") else "script"
    return f"<{tag}>\n{(_FOLDER / name).read_text('utf-8')}</{tag}>"


@st.fragment(run_every=3600)
def _be_run_again() -> None:
    """Draws nothing: a page with a part that runs by the clock is run again when its connection comes back."""


def dress_page() -> None:
    """Put sheets, scripts and the watch over the connection on the page; called once in every run."""
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
