"""The phone's own correction: learnt from photos of known liquids, shown before and after, forgotten."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from colourmatch.errors import InputError
from colourmatch.screens import html as parts
from colourmatch.screens import session
from colourmatch.screens.fields import ask_figure
from colourmatch.screens.photo_view import end_upload, upload_photos
from colourmatch.words.figures import tell_contents

_NO_PHONE = (
    "No phone is calibrated. Photos of water with known additions make the colour of one liquid surer; differences "
    "need none."
)


_SITTING = (
    "One sitting, four to eight photos, two known liquids in each (left and middle ring) and plain water on the right: "
    "red in two or three strengths, yellow in two, red and yellow together. Weigh the stock: its strength is most of what "
    "stays unsure."
)


_KINDS = {"none": "none", "matrix": "matrix", "root": "root-polynomial", "camera": "camera model"}


def show_phones() -> None:
    """The phones and lights in the book, and the form for a photo of known liquids."""
    from colourmatch.instrument.phones import list_phones

    known = list_phones(session.current_book())
    if not known:
        st.html(parts.empty(_NO_PHONE))
    for phone in known:
        show_phone(phone)
    if session.may_enter():
        ask_known(known)


def show_phone(told: Mapping[str, Any]) -> None:
    """One phone in one light: errors before and after, its liquids, what can be done with it."""
    phone, light = told["phone"], told["light"]
    st.header(parts.plain(f"{phone}, {light}"))
    fit = told["fit"]
    if fit:
        st.html(
            parts.glance(
                [
                    parts.cell("Error as read", parts.show_number(fit["median_before"]), "CIEDE2000, median"),
                    parts.cell(
                        "Corrected", parts.show_number(fit["median_after"]), "liquids left out of the fit"
                    ),
                    parts.cell(
                        "Another colourant", parts.show_number(fit["expected"]), "to be expected, CIEDE2000"
                    ),
                ]
            )
        )
    st.html(parts.line(told["text"]))
    if fit:
        with st.expander("Each known liquid, before and after"):
            st.html(
                parts.facts(
                    {
                        f"{k}: {tell_contents(one['mg_per_l'])}": tell_liquid(one)
                        for k, one in enumerate(fit["liquids"], 1)
                    }
                )
            )
        with st.expander("Corrections that were tried, and the strength of the stocks"):
            st.html(
                parts.facts({tell_kind(kind, fit): tell_errors(own) for kind, own in fit["errors"].items()})
            )
            st.html(parts.facts({one["stock"]: tell_strength(one) for one in fit["strengths"]}))
    if not session.may_enter():
        return
    left, right = st.columns(2)
    label = "Fit again" if fit else "Fit the correction"
    if told["photos"] and left.button(
        label, key=f"phone-fit-{phone}-{light}", type="primary", width="stretch"
    ):
        session.act_once("phone-fit", lambda token: fit_now(phone, light, token))
    if right.button("Forget this phone in this light", key=f"phone-forget-{phone}-{light}", width="stretch"):
        session.act_once("phone-forget", lambda _token: forget_now(phone, light))


def tell_liquid(one: Mapping[str, Any]) -> str:
    """Its colour by its content, as read and corrected."""
    return (
        f"CIEDE2000 {parts.show_number(one['before'], 2)} before, {parts.show_number(one['after'], 2)} after; by its "
        f"content {parts.show_lab(one['true_lab'])}, as read {parts.show_lab(one['lab'])}"
    )


def tell_kind(kind: str, fit: Mapping[str, Any]) -> str:
    """A correction by name, with a word for the one that was kept."""
    return f"{_KINDS[kind]}{', kept' if kind == fit['kind'] else ''}"


def tell_errors(own: Mapping[str, float]) -> str:
    """The parts of a correction's expected error."""
    return (
        f"CIEDE2000 {parts.show_number(own['known'])} on known liquids it has not seen, "
        f"{parts.show_number(own['other'])} on other colourants, {parts.show_number(own['together'])} together"
    )


def tell_strength(one: Mapping[str, Any]) -> str:
    """What the liquids say of a stock's strength."""
    factor = parts.show_interval({**one, "value": one["factor"]}, 2)
    return f"{factor} of its label, depth in the glass included"


def fit_now(phone: str, light: str, token: str) -> str:
    """Fit and keep; what it told."""
    from colourmatch.instrument.phones import fit_known

    told = fit_known(session.current_book(), phone, light, **session.by(token))
    return str(told["text"])


def forget_now(phone: str, light: str) -> str:
    """Forget; the sentence that says so."""
    from colourmatch.instrument.phones import forget_phone

    forget_phone(session.current_book(), phone, light, entered_by=session.entered_by())
    return f"{phone} in the light {light} is forgotten."


def ask_known(known: list[dict[str, Any]]) -> None:
    """A photo of known liquids: what is in the two glasses, and in which light."""
    from colourmatch.instrument.cards import default_card

    book = session.current_book()
    stocks = [stock.name for stock in book.stocks.all()]
    with st.expander("Add a photo of known liquids", expanded=not known):
        st.write(_SITTING)
        if not stocks:
            st.write("Add the stock first, with how well its strength is known, under Set up.")
            return
        token = session.token_for("known")
        left, right = st.columns(2)
        light = left.text_input(
            "Light", value=known[-1]["light"] if known else "", key="known-light", max_chars=120, placeholder="window",
            help="A name of your own: a window by day and a lamp are two lights.",
        ).strip()  # fmt: skip
        depth = ask_figure(right, "depth_mm", "known-depth", 10.0)
        contents = {spot: ask_contents(spot, stocks, token) for spot in ("reference", "batch")}
        card = default_card(book)
        st.caption(
            f"Read with the card {card}."
            if card
            else "No card profile: note the printed card first, it helps."
        )
        files = upload_photos("known", "The photo: known liquids and water", many=False)
        if files:
            keep_known(files[0], light, {spot: held for spot, held in contents.items() if held}, depth)


def ask_contents(spot: str, stocks: list[str], token: str) -> dict[str, float]:
    """Mg/l of each stock in the glass on a spot; empty when it holds none."""
    st.write("On the left ring" if spot == "reference" else "On the middle ring")
    held = {}
    for place, stock in zip(st.columns(min(len(stocks), 4)) * len(stocks), stocks, strict=False):
        amount = place.number_input(
            f"{parts.plain(stock)}, mg in a litre", value=0.0, min_value=0.0, step=1.0, format="%g",
            key=f"known-{spot}-{stock}-{token}",
        )  # fmt: skip
        if amount:
            held[stock] = amount
    return held


def keep_known(
    file: tuple[bytes, str], light: str, contents: dict[str, dict[str, float]], depth_mm: float
) -> None:
    """Measure and keep a photo of known liquids."""
    from colourmatch.instrument.cards import card_profile
    from colourmatch.instrument.phones import add_known_photo

    with session.failures_shown():
        if not light:
            raise InputError("The light has no name. Type one, such as window: the photo waits.")
        if not contents:
            raise InputError("Say what is in the glasses, in mg of colour in a litre: the photo waits.")
        book = session.current_book()
        with st.spinner("Measuring …"):
            told = add_known_photo(
                book, file, light, contents, depth_mm=depth_mm, card=card_profile(book, None),
                **session.by(session.token_for("known")),
            )  # fmt: skip
        where, count = f"{told['phone']} in the light {told['light']}", len(told["liquids"])
        end_upload("known", [], f"Kept: {where}, {count} known liquids.", "known")
