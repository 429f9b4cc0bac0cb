"""Stocks, new lots and references: what is in the bottle, how large a drop is, what a lot is tinted to."""

from __future__ import annotations

import streamlit as st

from colourmatch.book.naming import leave_out_example
from colourmatch.book.shelf_records import StockEntry
from colourmatch.errors import InputError
from colourmatch.liquid.colourants import custom_colourant, list_colourants
from colourmatch.screens import habits, pages, session
from colourmatch.screens import html as parts
from colourmatch.screens.fields import ask_hand, ask_name, ask_number, begin_act, choose_one, pick_one
from colourmatch.screens.new_lot import show_new_lot
from colourmatch.screens.references import show_references
from colourmatch.screens.stock_forms import (
    MADE_IN,
    UNKNOWN,
    ask_bottle,
    ask_strength,
    describe_stock,
    draw_stock,
    name_colourant,
    show_making,
    show_putting_away,
    show_strength,
    show_thinning,
    show_weighing,
)
from colourmatch.workflow.shelf_state import SEEN_DEPTH_MM, SEEN_DROPS

_ONLY_READ = "This is where something is entered, and the lot book may only be read here."


def show() -> None:
    """The page."""
    st.title("Set up")
    stocks = session.current_book().stocks.all()
    first, second, references, third, fourth = st.tabs(
        ["Stocks", "New lot", "References", "Drops", "Strength"],
        key="part", on_change="rerun", bind="query-params",  # a reload finds the part that was open
    )  # fmt: skip
    with first:
        show_stocks(stocks)
        if session.may_enter():
            show_new_stock(bool(leave_out_example(stocks)))
            show_thinning(stocks)
            show_putting_away(stocks)
    with second:
        show_new_lot(stocks) if session.may_enter() else st.html(parts.empty(_ONLY_READ))
    with references:
        show_references()
    with third:
        show_weighing(stocks) if session.may_enter() else st.html(parts.empty(_ONLY_READ))
    with fourth:
        show_strength(stocks)
        show_making()
    with st.expander("Name, measures"):  # what this browser keeps
        habits.ask_name()
        habits.ask_measures()
    with st.container(key="cm-way-on"):
        st.page_link(pages.find_page("calibrations"), label="Card and phone")


def show_stocks(stocks: list[StockEntry]) -> None:
    """The stocks on the shelf with what was weighed and learnt."""
    if not stocks:
        none = (
            "No stock yet. A stock is a colourant made up in water, such as 1 g in 100 ml, with its dropper."
        )
        st.html(parts.empty(none))
        return
    st.html("".join(draw_stock(stock) for stock in stocks))
    st.caption(f"{SEEN_DROPS} drops a litre, {SEEN_DEPTH_MM:g} mm deep")
    with st.expander("Details"):
        st.html(parts.facts({stock.name: describe_stock(stock) for stock in stocks}))


def show_new_stock(folded: bool) -> None:
    """The form for a new stock."""
    act = begin_act("stock")
    with st.expander("Add a stock", expanded=not folded or act.is_typed()):
        codes = {code: name_colourant(code) for code in (*list_codes(), UNKNOWN)}
        hint = "Choose, or type a name or E number"
        code = pick_one("Colourant", codes, act.key("colourant"), index=None, placeholder=hint)
        told = "A short name, as written on the bottle."
        name = ask_name("Name of the stock", act.key("name"), "red", help=told)
        like, e1pct = ask_unknown(act.key("{}")) if code == UNKNOWN else (None, None)
        strength_of = ask_strength(act.key("{}"))
        told = "Near 0.05 for most droppers. Weigh drops to know yours."
        drop = ask_number(st, "Drop, ml", act.key("drop"), 0.05, 0.0, 0.5, 0.005, help=told)
        made_in = choose_one(
            "Made up in", MADE_IN, act.key("made-in"), format_func=MADE_IN.__getitem__,
            help="A stock made in the batch does not thin it.",
        )  # fmt: skip
        hand = ask_hand(act.key("hand"))
        with st.expander("Supplier, days, amount"):
            bottle = ask_bottle(act.key("bottle", "{}"))
        notes = st.text_input("Notes (dye content of the powder)", key=act.key("notes"))

        def add(token: str) -> str:
            if code is None:
                raise InputError("The colourant is missing. Choose it above, or the unknown bottle.")
            session.ask_size(token, "Drop", drop, "drop")
            colourant = custom_colourant(name or "?", like, e1pct).e_number if like else code
            stock = session.current_book().stocks.add(
                name, colourant, strength_of(colourant), drop_ml=drop, made_in=made_in, notes=notes,
                bottle={**bottle, "hand": hand}, **session.by(token),
            )  # fmt: skip
            return f"The stock {stock.name} is on the shelf."

        act.offer("Add the stock", add, "add", type="primary", width="content")


def list_codes() -> list[str]:
    """The E numbers of all colourants."""
    return [colourant.e_number for colourant in list_colourants()]


def ask_unknown(key: str) -> tuple[str, float]:
    """What is known of an unknown bottle: what it looks like, and a guess of its strength."""
    like = pick_one(
        "Looks most like", {code: name_colourant(code) for code in list_codes()}, key.format("like"),
        help="Where the learning starts. Limits of an unknown bottle are not known: find its E number.",
    )  # fmt: skip
    e1pct = ask_number(
        st, "E 1 % at 1 cm (leave it if you do not know)", key.format("e1pct"), 500.0, 0.0, 5000.0, 50.0,
        help="Absorbance of 1 g in 100 ml over 1 cm. Pure food dyes are 400 to 2000; photos teach the rest.",
    )  # fmt: skip
    return like, e1pct


if __name__ == "__main__":
    show()
