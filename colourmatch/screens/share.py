"""Sharing seen from the app: the address, the code and its QR code, and the way to stop; it lets nobody in itself."""

from __future__ import annotations

import streamlit as st

from colourmatch.screens import html, session
from colourmatch.sharing.door import Door, current_door, draw_for_page, tell_sharing

_CLOSED = "Open on this machine only. For phone and desk together stop it with Ctrl+C and start it so:"
_STOPPED = (
    "Sharing is stopped: only this machine reaches the app, and the code opens nothing any more. To share "
    "again, stop the app with Ctrl+C and start it with --share."
)
_VISITING = (
    "This browser came in with the access code. What you enter here stands in the one lot book that all see. "
    "Sharing is stopped at the machine that runs the app."
)


def show() -> None:
    st.title("Share")
    door = current_door()
    if not session.is_at_this_machine():
        means = tell_sharing(door.url if door else "http:")
        st.html(html.panel("Shared with you", "You are in.", [_VISITING, means]))
    elif door is None or not door.open:
        st.html(html.empty(_CLOSED if door is None else _STOPPED))
        st.code("colourmatch app --share", language=None)
        with st.expander("What sharing does"):
            st.write(tell_sharing())
    else:
        left, right = st.columns([2, 3], gap="large")
        words = "QR code of the address with the access code"
        left.html(f'<img class="cm-qr" alt="{words}" src="{draw_for_page(door.url_with_code)}">')
        with right:
            under = "The phone must be in the same network."
            where = html.cell("Scan it with the phone, or open there", door.url, under)
            code = html.cell("Access code", door.code, "It is new at each start and ends with the program.")
            st.html(where + code)
            show_count(door)
            if st.button("Stop sharing", type="primary", key="stop-sharing"):
                door.close()
                session.notify("Sharing is stopped. Every other browser is out.")
                st.rerun()
        st.html(html.flag_line("What sharing does", tell_sharing(door.url), "warn"))


@st.fragment(run_every=5)
def show_count(door: Door) -> None:
    """How many browsers are in, kept up to date."""
    count = door.count_inside()
    st.html(html.line(f"{count or 'No'} other {'browsers are' if count > 1 else 'browser is'} in."))
