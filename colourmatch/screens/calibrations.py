"""The printed card's own greys and the phone's own correction: noted, shown before and after, chosen, forgotten."""

from __future__ import annotations

import streamlit as st

from colourmatch.errors import InputError
from colourmatch.screens import html as parts
from colourmatch.screens import session
from colourmatch.screens.cards import show_cards
from colourmatch.screens.phones import show_phones


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
