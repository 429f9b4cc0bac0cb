"""The first page: three steps to a first reading, the example lot, and the open lots to go on with."""

from __future__ import annotations

import io
from functools import partial

import streamlit as st

from colourmatch.screens import html, pages, session
from colourmatch.screens.photo_view import show_reading, upload_photos
from colourmatch.words.figures import tell_ml


@st.cache_data(show_spinner=False)
def make_card(paper: str, version: int) -> bytes:
    from colourmatch.paper.card import write_card_pdf

    out = io.BytesIO()
    write_card_pdf(paper, out, version)
    return out.getvalue()


def show() -> None:
    st.title("Tint a batch until it looks like its reference")
    lots = session.current_book().lots
    # while the book is empty: where to begin, with or without a card
    is_first = session.may_enter() and not lots.search(limit=1)
    if is_first and st.button("Walk through the example lot", key="example-first"):
        open_the_example()
    in_work = lots.search(open_only=True, limit=3)
    if in_work:
        st.header("Go on with an open lot" if session.may_enter() else "Open lots")
    for number, lot in enumerate(in_work):
        volume = tell_ml(lot.volume_ml, session.shows_us())
        words = f"{html.plain(lot.name)} ({html.plain(lot.label)}), {volume}"
        key = f"go-on-{lot.id}"
        if st.button(words, key=key, width="stretch", type="secondary" if number else "primary"):
            pages.go_to_lot("match", lot.id)
    st.header("A first reading")
    with st.container(key="cm-first"):
        files = upload_photos("first", "A photo of both glasses on the card", many=False, bare=True)
    if files:
        with session.failures_shown(), st.spinner("Measuring the photo …"):
            show_reading(*files[0])
        st.write("It is not kept. A lot says how many drops to add.")
    show_steps()
    st.header("No card?")
    if st.button("Compare on any photo", key="to-picker"):
        st.switch_page(pages.find_page("picker"))
    st.header("Then: how many drops")
    if session.may_enter():
        with st.container(horizontal=True):
            # With a lot in work, going on with it is the first thing to do.
            pages.offer_own_lot(type="secondary" if in_work else "primary")
            if st.button("Open the example lot", key="example"):
                open_the_example()
    st.page_link(pages.find_page("share"), label="Phone and desk together")


def show_steps() -> None:
    one, two, three = st.columns(3, gap="large")
    with one:
        st.html(html.step(1, "Print the card", "Actual size, matt paper; check its 100 mm line."))
        for version, name in ((2, "Colour card"), (1, "Grey card")):
            with st.container(horizontal=True):
                for paper, words in (("a4", "A4"), ("letter", "Letter")):
                    make, key = partial(make_card, paper, version), f"card-{version}-{paper}"
                    file = f"colourmatch-{key}.pdf"
                    pages.offer_file(f"{name}, {words}", make, file, "application/pdf", key)
    with two:
        pour = html.step(2, "Pour three equal glasses", "10 mm deep. Thin strong colours alike.")
        st.html(pour + html.picture_of_card())
    with three:
        st.html(html.step(3, "Take the photo", "From straight above, one light, no flash, no shadow."))


def open_the_example() -> None:
    """Go to the example lot that is in work, else to a new one."""
    from colourmatch.demo import begin_example

    with session.failures_shown():
        pages.go_to_lot("match", begin_example(session.current_book()))
