"""The uploaded files that Streamlit holds in memory: which wait, and letting go of those that are done with."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from typing import Any

from streamlit import runtime
from streamlit.runtime.scriptrunner import get_script_run_ctx

#: Photos that one field takes at once; more are sent in a second go.
MOST_AT_ONCE = 20


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
