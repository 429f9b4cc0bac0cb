"""The printed card's own greys and the phone's own correction: noted, shown before and after, chosen, forgotten."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from colourmatch.errors import InputError
from colourmatch.instrument import cards, phones
from colourmatch.instrument.incoming import note_for_lot
from colourmatch.measurement import Measurement, Sent
from colourmatch.photo.card_profile import GREY_CARD, GREY_CARD_SD, PAPER_SD
from colourmatch.records import pick
from colourmatch.screens import html, session
from colourmatch.screens.fields import ask_figure, ask_name, ask_number, begin_act, pick_one, show_known
from colourmatch.screens.photo_view import count_kept, end_upload, show_refused, upload_photos
from colourmatch.words.figures import tell_contents

_NO_CARD = (
    "No printed card is noted, so the printer's greys count as drawn. Lay a photographer's grey card on the middle "
    "ring of the empty card."
)
_NO_PHONE = (
    "No phone is calibrated. Photos of water with known additions make the colour of one liquid surer; differences "
    "need none."
)
_SITTING = (
    "One sitting, four to eight photos, two known liquids in each (left and middle ring) and plain water on the right: "
    "red in two or three strengths, yellow in two, red and yellow together. Weigh the stock: its strength is most of what "
    "stays unsure."
)
_KINDS = {"none": "Without", "camera": "With"}


def show() -> None:
    st.title("Card and phone")
    card, phone, lots = st.tabs(["Printed card", "Phone", "For a lot"])
    with card:
        show_known(cards.list_cards(session.current_book()), _NO_CARD, show_card, ask_card)
    with phone:
        show_known(phones.list_phones(session.current_book()), _NO_PHONE, show_phone, ask_known)
    with lots:
        show_lots()


def show_lots() -> None:
    """The card and the light of an open lot's next photos."""
    book = session.current_book()
    lots = {lot.id: f"{lot.label}, {lot.name}" for lot in book.lots.search(open_only=True, limit=50)}
    names = [card.card for card in cards.list_cards(book)]
    lights = list(dict.fromkeys(phone.light for phone in phones.list_phones(book) if phone.fit))
    st.write(
        "Without a choice, photos of a lot are read with the default card, and with the phone's correction when it has "
        "one in a single light."
    )
    if not session.may_enter():
        return
    if not lots or not (names or lights):
        st.html(html.empty("Nothing to choose yet: it takes an open lot, and a card or a fitted phone."))
        return
    lot = pick_one("Lot", lots, f"read-with-lot-{next(iter(lots))}")
    noted = book.calibrations.lot_choice(lot)

    chosen: dict[str, str | None] = {}
    kinds = ("card", "Printed card", names, "the default"), ("light", "Light", lights, "the only one")
    for place, (kind, words, options, hint) in zip(st.columns(2), kinds, strict=True):
        known = getattr(noted, kind)
        key, index = f"read-{kind}-{lot}-{known}", options.index(known) if known in options else None
        chosen[kind] = place.selectbox(words, options, index=index, placeholder=hint, key=key)

    def note(_token: str) -> str:
        said = [f"the {kind} {name}" for kind, name in chosen.items() if name]
        if not said:
            raise InputError("Choose a card or a light first.")
        note_for_lot(book, lot, **chosen, entered_by=session.entered_by())
        return f"Photos of {lots[lot]} are now read with {' and '.join(said)}."

    words = "Read its photos with these"
    begin_act("read-with").offer(words, note, lot, type="primary", width="content")


def show_card(card: cards.CardTold) -> None:
    """One card: its greys beside what was drawn, and what can be done with it."""
    name, greys, half = card.card, card.greys, len(card.greys) // 2
    st.header(html.plain(name))
    st.html(html.line(card.text))
    shown = [html.show_spread(row.reflectance, row.sd, 3) for row in greys]
    rows = {
        f"{row.nominal:g} as drawn": f"{top} in the top row, {bottom} in the bottom row"
        for row, top, bottom in zip(greys[:half], shown[:half], shown[half:], strict=True)
    }
    with st.expander("Its greys, of the bare paper"):
        st.html(html.facts(rows))
        st.caption("± is one standard deviation.")
    show_change(name)
    left, right = st.columns(2)
    if card.default:
        left.write("Photos of lots are read with this card.")
    if not session.may_enter():
        return
    if not card.default:
        said = f"Photos of lots are now read with the card {name}."
        offer(left, "Read photos of lots with this card", "card-default", cards.choose_card, said, name)
    said = f"The card {name} is forgotten. What was read with it stays as it was recorded."
    offer(right, "Forget this card", "card-forget", cards.forget_card, said, name)


def offer(place: Any, words: str, action: str, act: Callable[..., Any], said: str, *named: str) -> None:
    """A button that does something with a card, or with a phone in a light; said: the sentence that says so."""

    def do(_token: str) -> str:
        act(session.current_book(), *named, entered_by=session.entered_by())
        return said

    begin_act(action).offer(words, do, *named, at=place)


def show_change(name: str) -> None:
    """What the card changes of a photo: colours and difference before and after."""
    with st.expander("What it changes of a photo"):
        files = upload_photos(f"change-{name}", "A photo of glasses on this card", many=False)
        if not files:
            return
        with session.failures_shown():
            told = cards.compare_card(session.current_book(), name, files[0])
            both, rows = (told.before, told.after), {}
            for spot, moved in told.changed.items():
                if moved:
                    seen = [colour for one in both if (colour := one.spots[spot])]
                    was, now = (html.show_lab(colour.lab, colour.lab_sd) for colour in seen)
                    far = html.show_number(moved.delta_e_2000, 2)
                    rows[spot] = f"{was}; with the card {now}; moved by CIEDE2000 {far}"
            if told.before.delta_e_2000:
                was, now = (html.show_interval(one.delta_e_2000) for one in both)
                rows["difference"] = f"CIEDE2000 {was}; with the card {now}"
            st.html(html.facts(rows))


def ask_card(known: list[Any]) -> None:
    """Note a card, or read a known one again."""
    with st.expander("Note a card", expanded=not known):
        show_refused("card")
        act = begin_act("card")
        told = "Write it on the card: each sheet from each printer is another one."
        name = ask_name("Name", act.key("name"), "kitchen", help=told)
        left, right = st.columns(2)
        grey = ask_number(
            left, "Grey card reflects, %", act.key("grey"), 18.0, 2.0, 90.0, 1.0,
            help="Known to about 3 % of itself on most cards sold as 18 %.",
        )  # fmt: skip
        told = "Office paper: 85 to 91."
        paper = ask_number(right, "Bare paper reflects, %", act.key("paper"), 88.0, 50.0, 100.0, 1.0, help=told)
        files = upload_photos("card", "Two photos or more")
        if not files:
            return
        with session.failures_shown():
            grey_sd = grey / 100 * GREY_CARD_SD / GREY_CARD
            with st.spinner("Reading the card …"):
                read = cards.photograph_card(
                    session.current_book(), name, files, reflectance=(grey / 100, grey_sd),
                    paper=(paper / 100, PAPER_SD), entered_by=session.who_enters(),
                )  # fmt: skip
            sent = [Sent(Measurement(refused=one.error), note=one.error) for one in read.photos]
            kept = count_kept(sent)
            said = f"The card {name} has {kept} new {'reading' if kept == 1 else 'readings'}."
            end_upload("card", files, sent, said if kept else "", "card")


# ---- phones ---------------------------------------------------------------------------------------------------------


def show_phone(told: phones.PhoneTold) -> None:
    """One phone in one light: errors without and with its correction, its liquids, what can be done with it."""
    phone, light, fit, number = told.phone, told.light, told.fit, html.show_number
    st.header(html.plain(f"{phone}, {light}"))
    if fit:
        cells = (
            ("Error without", fit.median_before, "CIEDE2000, median"),
            ("Error with", fit.median_after, "liquids left out of the fit"),
            ("Another colourant", fit.expected, "to be expected, CIEDE2000"),
        )
        st.html(html.glance(html.cell(heading, number(value), under) for heading, value, under in cells))
    st.html(html.line(told.text))
    if fit:
        with st.expander("Each known liquid, without and with it"):
            liquids = {
                f"{k}: {tell_contents(one.mg_per_l)}": f"CIEDE2000 {number(one.before, 2)} without, "
                f"{number(one.after, 2)} with it; by its content {html.show_lab(one.true_lab)}, told "
                f"without {html.show_lab(one.lab)}"
                for k, one in enumerate(fit.liquids, 1)
            }
            st.html(html.facts(liquids))
        with st.expander("What to expect, and the strength of the stocks"):
            tried = {
                _KINDS[kind]: f"CIEDE2000 {number(own['known'])} on known "
                f"liquids it has not seen, {number(own['other'])} on other colourants, {number(own['together'])} together"
                for kind, own in fit.errors.items()
            }
            st.html(html.facts(tried))
            said = "of its label, depth in the glass included"
            factors = {one.stock: pick(one, "value", "low", "high") for one in fit.strengths}
            st.html(html.facts({name: f"{html.show_interval(one, 2)} {said}" for name, one in factors.items()}))
    if session.may_enter():
        left, right = st.columns(2)
        if told.photos:
            book, words = session.current_book(), "Fit again" if fit else "Fit the correction"
            begin_act("phone-fit").offer(
                words, lambda token: phones.fit_known(book, phone, light, **session.by(token)).text,
                phone, light, at=left, type="primary",
            )  # fmt: skip
        said = f"{phone} in the light {light} is forgotten."
        offer(right, "Forget this phone in this light", "phone-forget", phones.forget_phone, said, phone, light)


def ask_known(known: list[phones.PhoneTold]) -> None:
    """A photo of known liquids: what is in the two glasses, and in which light."""
    book = session.current_book()
    stocks = [stock.name for stock in book.stocks.all()]
    with st.expander("Add a photo of known liquids", expanded=not known):
        st.write(_SITTING)
        if not stocks:
            st.write("Add the stock first, with how well its strength is known, under Set up.")
            return
        act = begin_act("known")
        left, right = st.columns(2)
        last = known[-1].light if known else ""
        told = "A name of your own: a window by day and a lamp are two lights."
        light = ask_name("Light", "known-light", "window", last, place=left, help=told)
        depth = ask_figure(right, "depth_mm", "known-depth", 10.0)
        contents = {}
        for spot, ring in (("reference", "left"), ("batch", "middle")):
            st.write(f"On the {ring} ring")
            places = st.columns(min(len(stocks), 4)) * len(stocks)
            held = {
                stock: ask_number(place, f"{html.plain(stock)}, mg in a litre", act.key(spot, stock), 0.0, 0.0, None, 1.0)
                for place, stock in zip(places, stocks, strict=False)
            }  # fmt: skip
            if amounts := {stock: amount for stock, amount in held.items() if amount}:
                contents[spot] = amounts
        card = cards.default_card(book)
        none = "No card profile: note the printed card first, it helps."
        st.caption(f"Read with the card {card}." if card else none)
        files = upload_photos("known", "The photo: known liquids and water", many=False)
        if not files:
            return
        with session.failures_shown():
            with st.spinner("Measuring …"):
                kept = phones.add_known_photo(
                    book, files[0], light, contents, depth_mm=depth, card=cards.card_profile(book, None),
                    **session.by(act.token),
                )  # fmt: skip
            where, count = f"{kept.phone} in the light {kept.light}", len(kept.liquids)
            end_upload("known", [], [], f"Kept: {where}, {count} known liquids.", "known")
