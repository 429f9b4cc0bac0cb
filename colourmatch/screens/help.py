"""Help: the guide to read and to search, and what this installation is and where its book lies."""

from __future__ import annotations

import platform
import re
from contextlib import suppress
from importlib.metadata import PackageNotFoundError, version
from urllib.parse import quote

import streamlit as st

import colourmatch
from colourmatch.dosing.care import STANDING_CAUTIONS
from colourmatch.guide import PAGES, Page, Section, find_sections, list_sections
from colourmatch.screens import html, session
from colourmatch.screens.fields import choose_one

_HERE = "installation"
_TITLES = {page.name: page.title for page in PAGES} | {_HERE: "This installation"}
_STANDS_ON = (
    "streamlit", "numpy", "scipy", "scikit-image", "colour-science", "opencv-python", "pillow", "SQLAlchemy",
)  # fmt: skip
#: So many answers that were found are shown opened.
_OPENED = 3


def show() -> None:
    st.title("Help")
    named = st.query_params.get("page", "")
    first = named if named in _TITLES else None
    name = choose_one("Page", _TITLES, "help-page", first, format_func=_TITLES.__getitem__)
    if name == _HERE:
        book = session.current_book()
        st.html(html.facts({"Lot book": book.place, "Photos": str(book.photo_store.folder)}))
        st.write("Copy both: `colourmatch book backup`.")
        rows = {"colourmatch": colourmatch.__version__, "Python": platform.python_version()}
        for library in _STANDS_ON:
            with suppress(PackageNotFoundError):
                rows[library] = version(library)
        with st.expander("Versions"):
            st.html(html.facts(rows))
        return
    page = next(one for one in PAGES if one.name == name)
    wanted = st.text_input(
        "Find", value=st.query_params.get("find", ""), placeholder="one word or more, such as haze", help=page.about,
        key=f"help-find-{name}",
    )  # fmt: skip
    if wanted.strip():
        found = find_sections(page, wanted)  # the best first
        if not found:
            st.info(f"Nothing on this page holds “{html.plain(wanted.strip())}”. Try one word of it.")
        for k, part in enumerate(found):
            show_answer(page, part, opened=k < _OPENED)
        return
    if name == "care":
        st.html("".join(html.flag_line("Care", caution.text) for caution in STANDING_CAUTIONS))
    show_parts(page)


def show_parts(page: Page) -> None:
    """The page by its headings, each with what stands under it to be opened; the answers in a fold of their own each."""
    for part in list_sections(page)[1:]:
        if part.level < 3:
            fold = st.expander(part.title)
            fold.markdown(for_the_app(page, part.text))
        elif page.name != "answers":
            fold.markdown(for_the_app(page, part.markdown))
        else:
            with fold:
                show_answer(page, part, opened=False)


def show_answer(page: Page, part: Section, opened: bool) -> None:
    """One part under its heading; the code in which that ends, "Hazy (haze)", is what other programs know it by."""
    coded = re.fullmatch(r"(.+) \(([a-z-]+)\)", part.title)
    with st.expander(coded[1] if coded else part.title, expanded=opened):
        st.markdown(for_the_app(page, part.text))
        if coded:
            st.caption(f"In JSON: {coded[2]}")


def for_the_app(page: Page, text: str) -> str:
    """Markdown whose links between pages and within a page of answers lead to places of the app."""

    def lead(link: re.Match[str]) -> str:
        name, _, anchor = link[2].partition("#")
        target = name.removesuffix(".md") or page.name
        if anchor and target == "answers":
            return f"[{link[1]}](?page=answers&find={quote(anchor.replace('-', ' '))})"
        return f"[{link[1]}](?page={target})" if name and target in _TITLES else link[0]

    return re.sub(r"\[([^\]]+)\]\(([^)\s]+)\)", lead, re.sub(r"<!--.*?-->\n?", "", text))
