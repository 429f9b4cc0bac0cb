"""The printed card's own greys and the phone's own correction: noted, shown before and after, chosen, forgotten."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from colourmatch.errors import InputError
from colourmatch.screens import html as parts
from colourmatch.screens import session
from colourmatch.screens.photo_view import clear_upload, upload_photos
from colourmatch.words.figures import tell_amount

_NO_CARD = (
    "No printed card is noted. Its greys are never quite what was drawn, and without knowing them a phone's tones "
    "cannot be told from the printer's. Lay a photographer's grey card of 18 % on the middle ring of the empty card "
    "and photograph it, twice or more."
)
_NO_PHONE = (
    "No phone is calibrated. Water with known additions of a weighed stock has a known colour: a few photos of it beside "
    "plain water teach what this phone makes of colours in this light. It makes the colour of one liquid surer; for "
    "differences within a photo it is not needed."
)
_SITTING = (
    "One sitting, four to eight photos, two known liquids in each (left and middle ring) and plain water on the right: "
    "red in two or three strengths, yellow in two, red and yellow together. Weigh the stock: its strength is most of what "
    "stays unsure."
)
_KINDS = {"none": "none", "matrix": "matrix", "root": "root-polynomial", "camera": "camera model"}


def show() -> None:
    """The page."""
    st.title("Card and phone")
    card, phone, lots = st.tabs(["Printed card", "Phone", "For a lot"])
    with card:
        show_cards()
    with phone:
        show_phones()
    with lots:
        show_lots()


# ---- the printed card --------------------------------------------------------------------------------------------


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
    with st.expander("Note a card, or photograph one again", expanded=not folded):
        show_refused("card")
        token = session.token_for("card")
        name = st.text_input(
            "Name of the card", key=f"card-name-{token}", max_chars=120, placeholder="kitchen",
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
        files = upload_photos("card", "Photos of the empty card, the grey card on its middle ring")
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
        st.session_state["card-refused"] = refused
        clear_upload("card")
        kept = len(told["photos"]) - len(refused)
        if kept:
            st.session_state.pop("token-card", None)
            session.notify(f"The card {name} has {kept} new {'reading' if kept == 1 else 'readings'}.")
        st.rerun()


def show_refused(place: str) -> None:
    """The photos of the last upload that were of no use, with what to do."""
    for name, text in st.session_state.pop(f"{place}-refused", []):
        st.html(parts.flag_line("Not kept", f"{name}: {text}", "refuse"))


# ---- the phone ---------------------------------------------------------------------------------------------------


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
                    {f"{k}: {tell_held(one)}": tell_liquid(one) for k, one in enumerate(fit["liquids"], 1)}
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


def tell_held(one: Mapping[str, Any]) -> str:
    """What a known liquid holds."""
    return ", ".join(f"{stock} {tell_amount(mg)} mg/l" for stock, mg in one["mg_per_l"].items())


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
    low, high = parts.show_number(one["low"], 2), parts.show_number(one["high"], 2)
    return (
        f"{parts.show_number(one['factor'], 2)} ({low} to {high}) of its label, depth in the glass included"
    )


def fit_now(phone: str, light: str, token: str) -> str:
    """Fit and keep; what it told."""
    from colourmatch.instrument.phones import fit_known

    told = fit_known(session.current_book(), phone, light, entered_by=session.entered_by(), token=token)
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
        show_refused("known")
        if not stocks:
            st.write("Add the stock first, with how well its strength is known, under Set up.")
            return
        token = session.token_for("known")
        left, right = st.columns(2)
        light = left.text_input(
            "Light", value=known[-1]["light"] if known else "", key="known-light", max_chars=120, placeholder="window",
            help="A name of your own: a window by day and a lamp are two lights.",
        ).strip()  # fmt: skip
        depth = right.number_input(
            "Depth in the glass, mm",
            value=10.0,
            min_value=1.0,
            max_value=200.0,
            step=1.0,
            format="%g",
            key="known-depth",
        )
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
                entered_by=session.entered_by(), token=session.token_for("known"),
            )  # fmt: skip
        clear_upload("known")
        st.session_state.pop("token-known", None)
        session.notify(
            f"Kept: {told['phone']} in the light {told['light']}, {len(told['liquids'])} known liquids."
        )
        st.rerun()


# ---- what a lot's photos are read with ---------------------------------------------------------------------------


def show_lots() -> None:
    """The card and the light of an open lot's next photos."""
    from colourmatch.instrument.cards import list_cards
    from colourmatch.instrument.phones import list_phones

    book = session.current_book()
    lots = {lot.id: f"{lot.label}, {lot.name}" for lot in book.lots.search(open_only=True, limit=50)}
    names = [card["card"] for card in list_cards(book)]
    lights = list(dict.fromkeys(phone["light"] for phone in list_phones(book) if phone["fit"]))
    st.write(
        "Without a choice, photos of a lot are read with the default card, and with the phone's correction when it has "
        "one in a single light."
    )
    if not session.may_enter():
        return
    if not lots or not (names or lights):
        st.html(parts.empty("Nothing to choose yet: it takes an open lot, and a card or a fitted phone."))
        return
    newest = next(iter(lots))
    lot = st.selectbox("Lot", list(lots), format_func=lots.__getitem__, key=f"read-with-lot-{newest}")
    noted = book.calibrations.lot_choice(lot)
    left, right = st.columns(2)
    card = left.selectbox(
        "Printed card",
        names,
        index=_place(names, noted["card"]),
        placeholder="the default",
        key=f"read-card-{lot}-{noted['card']}",
    )
    light = right.selectbox(
        "Light",
        lights,
        index=_place(lights, noted["light"]),
        placeholder="the only one",
        key=f"read-light-{lot}-{noted['light']}",
    )

    def note(_token: str) -> str:
        from colourmatch.instrument.incoming import note_for_lot

        if card is None and light is None:
            raise InputError("Choose a card or a light first.")
        note_for_lot(book, lot, card=card, light=light, entered_by=session.entered_by())
        words = [f"the card {card}" if card else "", f"the light {light}" if light else ""]
        return f"Photos of {lots[lot]} are now read with {' and '.join(word for word in words if word)}."

    if st.button("Read its photos with these", key=f"read-with-{lot}", type="primary"):
        session.act_once("read-with", note)


def _place(options: list[str], wanted: str | None) -> int | None:
    return options.index(wanted) if wanted in options else None


if __name__ == "__main__":
    show()
