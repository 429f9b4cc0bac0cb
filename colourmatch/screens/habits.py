"""What a browser keeps from visit to visit, in a cookie that is its own: who enters, and how volumes are shown."""

from __future__ import annotations

import json
from urllib.parse import quote, unquote

import streamlit as st

from colourmatch.screens import session

_KEPT = ("who", "measures")
_COOKIE, _YEAR_S = "colourmatch_habits", 365 * 86400
_MOST_SIGNS = 3000
_WRITE = "<script>document.cookie = '{name}={value}; path=/; max-age={seconds}; SameSite=Strict';</script>"


def keep_habits() -> None:
    """Take up what the browser brought, and write what was chosen since; called at the beginning of every run."""
    state = st.session_state
    if "habits" not in state:
        for key, value in _read().items():
            state.setdefault(key, value)
    habits = state["habits"] = {key: state[key] for key in _KEPT if state.get(key)}
    value = quote(json.dumps(habits))
    seconds = _YEAR_S if habits and len(value) <= _MOST_SIGNS else 0
    st.html(_WRITE.format(name=_COOKIE, value=value, seconds=seconds), unsafe_allow_javascript=True)


def _read() -> dict[str, str]:
    """The cookie's fields; empty where there is none or it holds something else."""
    try:
        read = json.loads(unquote(str(st.context.cookies.get(_COOKIE))))
    except ValueError:
        return {}
    if not isinstance(read, dict):
        return {}
    known = {key: read[key] for key in _KEPT if isinstance(read.get(key), str)}
    if known.get("measures") not in session.MEASURES:
        known.pop("measures", None)
    return known


def ask_name() -> None:
    """The field for who enters."""
    st.text_input(
        "Your name or initials (optional)", key="who", max_chars=120, persist_state="session",
        help="Written beside what you enter from now on. This browser keeps it.",
    )  # fmt: skip


def ask_measures() -> None:
    """The choice how volumes are shown."""
    st.segmented_control(
        "Volumes are shown in", session.MEASURES, default=session.METRIC, required=True, key="measures",
        persist_state="session", help="Fluid ounces and teaspoons of the US beside millilitres. Typed are ml.",
    )  # fmt: skip
