"""Keeps what is typed and not sent yet, and the tokens of acts under way, for a browser that leaves and comes back:
Streamlit forgets both. It is kept in the visit and in a file of the user's own state folder, and knows nothing of
what it means."""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import threading
import time
from pathlib import Path
from typing import Any

import platformdirs
import streamlit as st
from streamlit import runtime
from streamlit.runtime.scriptrunner import get_script_run_ctx

from colourmatch.files import replace_whole
from colourmatch.sharing.gate import BROWSER_HEADER

_LOG = logging.getLogger("colourmatch")
_MOST_FIELDS, _MOST_SIGNS, _KEPT_S, _MOST_FILES = 200, 5000, 30 * 86400, 100
#: A page that is reloaded may come before the server has seen its old connection go.
_LEAVING_S = 0.8
#: draft -> the visit that writes it: of two windows of one browser, the first.
_owners: dict[str, str] = {}
_lock = threading.Lock()


def take_up(place: str, page: str) -> None:
    """Put what was typed before back into its fields; called before a page is drawn. `place` is the book."""
    state = st.session_state
    if "draft-fields" not in state:
        state["draft-owned"] = _claim(place)
        state["draft-fields"] = _read(place) if state["draft-owned"] else {}
    elif state["draft-owned"] and not _is_owner(place):
        # Another window has taken over: two with the same tokens would each think the other's entry its own.
        for key in [key for key in state if str(key).startswith("token-")]:
            del state[key]
        state["draft-owned"], state["draft-fields"] = False, {}
    # On another page than before, a field may seem to be there and yet be forgotten by Streamlit.
    is_new, state["draft-page"] = state.get("draft-page") != page, page
    for key, value in state["draft-fields"].items():
        if is_new or key not in state:
            state[key] = value


def keep(place: str) -> None:
    """Remember the fields and tokens as they are now; called after a page is drawn."""
    state = st.session_state
    before: dict[str, object] = state.get("draft-fields", {})
    now = {str(key): value for key, value in state.items() if _is_kept(str(key), value)}
    tokens = {key: value for key, value in now.items() if key.startswith("token-")}
    # A field that stands as it first stood was not typed in: its value is the page's, and the page may change it.
    first = state.setdefault("draft-first", {})
    for key, value in state.items():
        first.setdefault(str(key), value if str(key) in now else None)
    typed = {key: value for key, value in now.items() if key in before or value != first[key]}
    # A field that is not on this page is gone from the state, not from the draft; with its token it goes for good.
    emptied = {key for key in before if key in state and key not in now}
    fields = {
        key: value
        for key, value in (before | typed).items()
        if key not in emptied and any(token in key for token in tokens.values())
    }
    kept = dict(list((tokens | fields).items())[-_MOST_FIELDS:])
    state["draft-fields"] = kept
    if kept != before and state.get("draft-owned"):
        _write(place, kept)


def drop(place: str) -> None:
    """Forget the draft: the page failed, and it may be the reason."""
    st.session_state["draft-fields"] = {}
    if st.session_state.get("draft-owned"):
        _write(place, {})


def holds(token: str) -> bool:
    """Whether something was typed under this token and not sent: its form is then shown unfolded."""
    fields = st.session_state.get("draft-fields", {}).items()
    return any(token in key and value is not None for key, value in fields if not key.startswith("token-"))


def _is_kept(key: str, value: Any) -> bool:
    """Texts, numbers, choices, and a number taken out are kept; ticks are not: they say that somebody is sure now."""
    parts = value if isinstance(value, list) and value else [value]
    if not all(isinstance(part, str | int | float | None) and not isinstance(part, bool) for part in parts):
        return False
    return not key.startswith(("draft-", "refused-", "to-top")) and len(str(value)) <= _MOST_SIGNS


def _file(place: str) -> Path | None:
    """The file of this browser and book; None for a browser that the gate did not mark."""
    browser = st.context.headers.get(BROWSER_HEADER)
    if not browser:
        return None
    name = hashlib.sha256(f"{browser} {place}".encode()).hexdigest()[:40]
    return platformdirs.user_state_path("colourmatch") / "drafts" / f"{name}.json"


def _claim(place: str) -> bool:
    """Take the draft over, unless the visit that writes it is still open in another window."""
    file, visit = _file(place), get_script_run_ctx()
    if file is None or visit is None:
        return False
    end = time.monotonic() + _LEAVING_S
    while True:
        with _lock:
            owner = _owners.get(file.name)
            if owner is None or not runtime.get_instance().is_active_session(owner):
                owner = _owners[file.name] = visit.session_id
        if owner == visit.session_id or time.monotonic() > end:
            return owner == visit.session_id
        time.sleep(0.05)


def _is_owner(place: str) -> bool:
    file, visit = _file(place), get_script_run_ctx()
    return file is not None and visit is not None and _owners.get(file.name) == visit.session_id


def _read(place: str) -> dict[str, object]:
    file = _file(place)
    with contextlib.suppress(OSError, ValueError, AttributeError):  # gone, or something else than a draft
        if file is not None and time.time() - file.stat().st_mtime <= _KEPT_S:
            read = list(json.loads(file.read_text(encoding="utf-8")).items())[:_MOST_FIELDS]
            return {key: value for key, value in read if _is_kept(key, value)}
    return {}


def _write(place: str, kept: dict[str, object]) -> None:
    """Write the draft whole or not at all, for this user's eyes only; a full disk costs the draft, not the page."""
    file = _file(place)
    if file is None:
        return
    try:
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not file.exists():
            _tidy(file.parent)
        with replace_whole(file, mode=0o600, sync=False) as out:
            out.write(json.dumps(kept).encode())
    except OSError as error:
        _LOG.warning("What is typed cannot be kept: %s", error.strerror or error)


def _tidy(folder: Path) -> None:
    """Take away drafts that are too old, and the oldest beyond the most that are kept."""
    with contextlib.suppress(OSError):
        files = sorted(folder.glob("*.json"), key=lambda file: file.stat().st_mtime)
        too_many, too_old = max(0, len(files) - _MOST_FILES + 1), time.time() - _KEPT_S
        for number, file in enumerate(files):
            if number < too_many or file.stat().st_mtime < too_old:
                file.unlink(missing_ok=True)
