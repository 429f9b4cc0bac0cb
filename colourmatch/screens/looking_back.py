"""Looking back from the list of lots: which lots hold a batch that a supplier calls back, and who did what."""

from __future__ import annotations

from datetime import datetime, time, timedelta

import streamlit as st

from colourmatch.book.checks import utc_text
from colourmatch.screens import html as parts
from colourmatch.screens import pages, session
from colourmatch.words.shelf import tell_held, tell_traced_lot, tell_traced_stock
from colourmatch.words.times import tell_minute
from colourmatch.workflow.log import list_log
from colourmatch.workflow.shelf_state import trace_batch

_SINCE = {"today": 0, "yesterday": 1, "a week": 7}
_MOST_LINES = 200


def show_recall() -> None:
    """The lots that hold a supplier's batch, each a way to its lot."""
    with st.expander("Recall"), session.failures_shown():
        batch = st.text_input("Lots that hold the supplier's batch", key="recall-batch")
        if not batch.strip():
            return
        told = trace_batch(session.current_book(), batch.strip())
        st.html("".join(parts.line(tell_traced_stock(stock)) for stock in told["stocks"]))
        for lot in told["lots"]:
            st.page_link(
                pages.find_page("lots"),
                label=parts.plain(tell_traced_lot(lot, parts.browser_zone())),
                query_params={"lot": str(lot["lot"])},
            )
        st.html(parts.line(tell_held(told)))


def show_log() -> None:
    """Who did what since a day, the newest first."""
    with st.expander("Log", on_change="rerun", key="log") as folded:
        if not folded.open:
            return
        since = st.segmented_control(
            "Since", list(_SINCE), default="yesterday", required=True, key="log-since"
        )
        zone = parts.browser_zone()
        day = datetime.now(zone).date() - timedelta(days=_SINCE[str(since)])
        lines = list_log(session.current_book(), utc_text(datetime.combine(day, time(), zone)))
        st.html(
            "".join(
                parts.line(", ".join(filter(None, (tell_minute(one["at"], zone), one["by"], one["number"], one["text"]))))
                for one in lines[: -_MOST_LINES - 1 : -1]
            )
            or parts.empty("Nothing was entered since.")
        )  # fmt: skip
