"""The printed card's own greys: noted from photos, shown before and after, chosen, forgotten."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from colourmatch.errors import InputError
from colourmatch.screens import html as parts
from colourmatch.screens import session
from colourmatch.screens.photo_view import end_upload, show_refused, upload_photos

_NO_CARD = (
    "No printed card is noted, so the printer's greys count as drawn. Lay a photographer's grey card on the middle "
    "ring of the empty card."
)


def show_cards() -> None:
    """The cards in the book and the forms to note one."""
    from colourmatch.instrument.cards import list_cards

    known = list_cards(session.current_book())
    if not known:
        st.html(parts.empty(_NO_CARD))
    for card in known:
        show_card(card)
    if session.may_enter():
        ask_card(bool(known))


def show_card(card: Mapping[str, Any]) -> None:
    """One card: its greys beside what was drawn, and what can be done with it."""
    st.header(parts.plain(card["card"]))
    st.html(parts.line(card["text"]))
    half = len(card["greys"]) // 2
    rows = {
        f"{top['nominal']:g} as drawn": f"{show_grey(top)} in the top row, {show_grey(bottom)} in the bottom row"
        for top, bottom in zip(card["greys"][:half], card["greys"][half:], strict=True)
    }
    with st.expander("Its greys, of the bare paper"):
        st.html(parts.facts(rows))
        st.caption("± is one standard deviation.")
    show_change(card["card"])
    left, right = st.columns(2)
    name = card["card"]
    if card["default"]:
        left.write("Photos of lots are read with this card.")
    if not session.may_enter():
        return
    if not card["default"] and left.button(
        "Read photos of lots with this card", key=f"card-default-{name}", width="stretch"
    ):
        session.act_once("card-default", lambda _token: choose(name))
    if right.button("Forget this card", key=f"card-forget-{name}", width="stretch"):
        session.act_once("card-forget", lambda _token: forget(name))


def show_grey(row: Mapping[str, float]) -> str:
    """A grey with its standard deviation."""
    return parts.show_spread(row["reflectance"], row["sd"], 3)


def choose(name: str) -> str:
    """Make a card the default; the sentence that says so."""
    from colourmatch.instrument.cards import choose_card

    choose_card(session.current_book(), name, entered_by=session.entered_by())
    return f"Photos of lots are now read with the card {name}."


def forget(name: str) -> str:
    """Forget a card; the sentence that says so."""
    from colourmatch.instrument.cards import forget_card

    forget_card(session.current_book(), name, entered_by=session.entered_by())
    return f"The card {name} is forgotten. What was read with it stays as it was recorded."


def show_change(name: str) -> None:
    """What the card changes of a photo: colours and difference before and after."""
    from colourmatch.instrument.cards import compare_card

    with st.expander("What it changes of a photo"):
        place = f"change-{name}"
        files = upload_photos(place, "A photo of glasses on this card", many=False)
        if not files:
            return
        with session.failures_shown():
            told = compare_card(session.current_book(), name, files[0])
            rows = {}
            for spot, moved in told["changed"].items():
                if moved:
                    before, after = (told[when]["spots"][spot] for when in ("before", "after"))
                    rows[spot] = (
                        f"{parts.show_lab(before['lab'], before['lab_sd'])}; with the card "
                        f"{parts.show_lab(after['lab'], after['lab_sd'])}; moved by CIEDE2000 "
                        f"{parts.show_number(moved['delta_e_2000'], 2)}"
                    )
            if told["before"]["delta_e_2000"]:
                rows["difference"] = (
                    f"CIEDE2000 {parts.show_interval(told['before']['delta_e_2000'])}; with the card "
                    f"{parts.show_interval(told['after']['delta_e_2000'])}"
                )
            st.html(parts.facts(rows))


def ask_card(folded: bool) -> None:
    """Note a card, or read a known one again."""
    with st.expander("Note a card", expanded=not folded):
        show_refused("card")
        token = session.token_for("card")
        name = st.text_input(
            "Name", key=f"card-name-{token}", max_chars=120, placeholder="kitchen",
            help="Write it on the card: each sheet from each printer is another one.",
        ).strip()  # fmt: skip
        left, right = st.columns(2)
        grey = left.number_input(
            "Grey card reflects, %", value=18.0, min_value=2.0, max_value=90.0, step=1.0, format="%g",
            key=f"card-grey-{token}", help="Known to about 3 % of itself on most cards sold as 18 %.",
        )  # fmt: skip
        paper = right.number_input(
            "Bare paper reflects, %", value=88.0, min_value=50.0, max_value=100.0, step=1.0, format="%g",
            key=f"card-paper-{token}", help="Office paper: 85 to 91.",
        )  # fmt: skip
        files = upload_photos("card", "Two photos or more")
        if files:
            keep_card(name, files, (grey / 100, paper / 100))


def keep_card(name: str, files: list[tuple[bytes, str]], levels: tuple[float, float]) -> None:
    """Read the photos and keep what they tell."""
    from colourmatch.instrument.cards import photograph_card
    from colourmatch.photo.card_profile import GREY_CARD, GREY_CARD_SD, PAPER_SD

    with session.failures_shown():
        if not name:
            raise InputError("The name of the card is empty. Type one: the photos wait.")
        grey, paper = levels
        with st.spinner("Reading the card …"):
            told = photograph_card(
                session.current_book(), name, files, reflectance=(grey, grey * GREY_CARD_SD / GREY_CARD),
                paper=(paper, PAPER_SD), entered_by=session.entered_by(),
            )  # fmt: skip
        refused = [(one["photo"], one["error"]) for one in told["photos"] if one["error"]]
        kept = len(told["photos"]) - len(refused)
        said = f"The card {name} has {kept} new {'reading' if kept == 1 else 'readings'}."
        end_upload("card", refused, said if kept else "", "card", files)
