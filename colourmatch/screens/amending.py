"""Puts figures of a lot's head right, and sets photos aside; what stood there stays on record."""

from __future__ import annotations

from typing import Any

import streamlit as st

from colourmatch.book.entries import AmendmentEntry, AsideEntry, Lot, LotStory, PhotoEntry
from colourmatch.book.example import leave_out_example
from colourmatch.errors import InputError
from colourmatch.liquid.colourants import list_colourants
from colourmatch.screens import drafts, session
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens.fields import ask_figure, ask_hand, ask_label_lines
from colourmatch.screens.photo_view import show_thumbnail
from colourmatch.screens.stock_forms import name_colourant
from colourmatch.words.entries import tell_aside


def ask_amendment(story: LotStory) -> None:
    """The form; only what was changed is written."""
    lot = story.lot
    action = f"amend-{lot.id}"
    token = session.token_for(action, telling.newest_id(story, AmendmentEntry))
    with st.expander("Put figures of the lot right", expanded=drafts.holds(token)):
        st.write("The new figure counts for the whole lot, as if it had been given at its beginning.")
        typed = ask_figures(lot, f"{action}-{{}}-{token}")
        reason = st.text_input("Reason", key=f"{action}-reason-{token}", placeholder="mistyped")
        if st.button("Write it down", key=f"{action}-write-{token}", width="stretch"):

            def amend(token: str) -> str:
                changes = find_changes(lot, typed)
                if not changes:
                    raise InputError("No figure was changed. Change what is wrong first.")
                session.current_book().lots.amend(lot.id, reason, **session.by(token), **changes)
                return "The figures of the lot are put right."

            session.act_once(action, amend)


def ask_aside(story: LotStory) -> None:
    """Sets a photo that lies apart aside, or takes it back; both are written down with the reason."""
    if not story.photos:
        return
    action = f"aside-{story.lot.id}"
    token = session.token_for(action, telling.newest_id(story, PhotoEntry, AsideEntry))
    with st.expander("Set a photo aside", expanded=drafts.holds(token)):
        st.write(
            "A photo that went wrong is left out of all that is said of the lot. It stays on record, and can be taken back."
        )
        names = telling.name_photos(story)
        chosen = st.selectbox(
            "Which photo", list(names)[::-1], format_func=names.__getitem__, key=f"{action}-which-{token}"
        )
        photo = next(entry for entry in story.photos if entry.id == chosen)
        if photo.stored_name is not None:
            path = session.current_book().photo_store.path(photo.stored_name)
            show_thumbnail(path, photo.measurement, photo.original_name or "photo")
        back = photo.aside is not None
        if back:
            st.write(f"It is {parts.plain(tell_aside(photo.aside))}")
        why = st.text_input(
            "Why", key=f"{action}-why-{chosen}-{token}",
            placeholder="it was all right" if back else "a lamp shone in",
        )  # fmt: skip
        words = "Take it back" if back else "Set it aside"
        if st.button(words, key=f"{action}-write-{token}", width="stretch"):

            def write(token: str) -> str:
                session.current_book().photos.set_aside(
                    story.lot.id, photo.id, why, back=back, **session.by(token)
                )
                return "The photo counts again." if back else "The photo is set aside."

            session.act_once(action, write, to_top=True)


def ask_figures(lot: Lot, key: str) -> dict[str, Any]:
    """The figures as they stand, to be changed."""
    shelf = [stock.name for stock in leave_out_example(session.current_book().stocks.all(), lot.stocks)]
    names = list(dict.fromkeys([*lot.stocks, *shelf]))
    stocks = st.multiselect(
        "Stocks, the main one first", names, default=list(lot.stocks), key=key.format("stocks")
    )
    rows = [st.columns(2) for _ in range(4)]  # row by row, so that a phone keeps the order
    figures = (
        "volume_ml",
        "ceiling_mg_per_l",
        "already_mg_per_l",
        "tolerance",
        "depth_mm",
        "dilution",
        "made_up_to",
    )
    typed: dict[str, Any] = {"stocks": stocks}
    places = [place for row in rows for place in row][: len(figures)]
    for place, name in zip(places, figures, strict=True):
        typed[name] = ask_figure(
            place, name, key.format(name), getattr(lot, name), min_value=0.0, placeholder="none",
            words="Batch at the beginning, ml" if name == "volume_ml" else "",
        )  # fmt: skip
    codes = list(dict.fromkeys([None, lot.already_colourant, *(c.e_number for c in list_colourants())]))
    typed["already_colourant"] = st.selectbox(
        "Which colour is already in", codes, index=codes.index(lot.already_colourant),
        key=key.format("already-colourant"),
        format_func=lambda code: "not known, or none" if code is None else name_colourant(code),
    )  # fmt: skip
    typed["hand"] = ask_hand(key.format("hand"), lot.hand)
    typed["label_lines"] = ask_label_lines(key.format("label-{}"), lot.label_lines)
    return typed


def find_changes(lot: Lot, typed: dict[str, Any]) -> dict[str, Any]:
    """What differs from the lot as it stands."""
    now = {name: getattr(lot, name) for name in typed} | {"stocks": list(lot.stocks)}
    return {name: value for name, value in typed.items() if value != now[name]}
