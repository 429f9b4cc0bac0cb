"""The uploaded files that Streamlit holds in memory: which wait, and letting go of those that are done with. What a
page held that is left for good goes (connection.js); one that was only cut off, as a locked phone is, keeps it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterable
from typing import Any

from streamlit import runtime
from streamlit.runtime.scriptrunner import get_script_run_ctx

#: Photos that one field takes at once; more are sent in a second go.
MOST_AT_ONCE = 20
#: When a visit that was left is looked at: its connection may end some time after its page.
_LOOKS_S = (1.0, 5.0, 20.0, 50.0)


def list_waiting() -> dict[str, list[int]]:
    """The sizes of the files of each visit, by its session; empty before the first one."""
    # The store is Streamlit's own and may change: without it only the count of uploads under way bounds them.
    with contextlib.suppress(AttributeError, RuntimeError):
        store: Any = runtime.get_instance().uploaded_file_mgr
        pages = list(store.file_storage.items())
        return {page: [len(file.data) for file in list(files.values())] for page, files in pages}
    return {}


def let_go(file_ids: Iterable[str]) -> None:
    """Forget files of this visit whose content is recorded or refused; Streamlit would keep them to its end."""
    visit = get_script_run_ctx()
    if visit is None:
        return
    with contextlib.suppress(AttributeError, RuntimeError):
        store: Any = runtime.get_instance().uploaded_file_mgr
        for one in file_ids:
            store.remove_file(visit.session_id, one)


def leave(visit: str) -> None:
    """Forget all that a visit holds once its connection has ended; called in the server's loop."""
    for seconds in _LOOKS_S:
        asyncio.get_running_loop().call_later(seconds, _close, visit)


def _close(visit: str) -> None:
    with contextlib.suppress(AttributeError, KeyError, RuntimeError):
        running = runtime.get_instance()
        if not running.is_active_session(visit):
            running.close_session(visit)
