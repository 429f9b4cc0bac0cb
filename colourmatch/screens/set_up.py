"""Stocks, new lots and references: what is in the bottle, how large a drop is, what a lot is tinted to."""

from __future__ import annotations

import streamlit as st

from colourmatch.book.example import leave_out_example
from colourmatch.book.shelf_records import StockEntry
from colourmatch.errors import InputError
from colourmatch.liquid.colourants import custom_colourant, list_colourants
from colourmatch.screens import drafts, habits, pages, session
from colourmatch.screens import html as parts
from colourmatch.screens.fields import ask_hand
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
    show_way_on()


def show_way_on() -> None:
    """What this browser keeps, and the way to what photos are read with."""
    with st.expander("Name, measures"):
        habits.ask_name()
        habits.ask_measures()
    with st.container(key="cm-way-on"):
        st.page_link(pages.find_page("calibrations"), label="Card and phone")


def show_stocks(stocks: list[StockEntry]) -> None:
    """The stocks on the shelf with what was weighed and learnt."""
    if not stocks:
        st.html(
            parts.empty(
                "No stock yet. A stock is a colourant made up in water, such as 1 g in 100 ml, with its dropper."
            )
        )
        return
    st.html("".join(draw_stock(stock) for stock in stocks))
    st.caption(f"{SEEN_DROPS} drops a litre, {SEEN_DEPTH_MM:g} mm deep")
    with st.expander("Details"):
        st.html(parts.facts({stock.name: describe_stock(stock) for stock in stocks}))


def show_new_stock(folded: bool) -> None:
    """The form for a new stock."""
    token = session.token_for("stock")
    with st.expander("Add a stock", expanded=not folded or drafts.holds(token)):
        codes = [colourant.e_number for colourant in list_colourants()] + [UNKNOWN]
        code = st.selectbox(
            "Colourant", codes, index=None, placeholder="Choose, or type a name or E number",
            format_func=name_colourant, key=f"stock-colourant-{token}",
        )  # fmt: skip
        name = st.text_input(
            "Name of the stock", key=f"stock-name-{token}", max_chars=120, placeholder="red",
            help="A short name, as written on the bottle.",
        )  # fmt: skip
        like, e1pct = ask_unknown(token) if code == UNKNOWN else (None, None)
        strength_of = ask_strength(token)
        drop = st.number_input(
            "Drop, ml", value=0.05, min_value=0.0, max_value=0.5, step=0.005, format="%g",
            key=f"stock-drop-{token}", help="Near 0.05 for most droppers. Weigh drops to know yours.",
        )  # fmt: skip
        made_in = st.segmented_control(
            "Made up in", list(MADE_IN), default="water", required=True,
            format_func=MADE_IN.__getitem__, key=f"stock-made-in-{token}",
            help="A stock made in the batch does not thin it.",
        )  # fmt: skip
        hand = ask_hand(f"stock-hand-{token}")
        with st.expander("Supplier, days, amount"):
            bottle = ask_bottle("stock-bottle", token)
        notes = st.text_input("Notes (dye content of the powder)", key=f"stock-notes-{token}")
        if st.button("Add the stock", type="primary", key=f"stock-add-{token}"):

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

            session.act_once("stock", add)


def ask_unknown(token: str) -> tuple[str, float]:
    """What is known of an unknown bottle: what it looks like, and a guess of its strength."""
    codes = [colourant.e_number for colourant in list_colourants()]
    like = st.selectbox(
        "Looks most like", codes, format_func=name_colourant, key=f"stock-like-{token}",
        help="Where the learning starts. Limits of an unknown bottle are not known: find its E number.",
    )  # fmt: skip
    e1pct = st.number_input(
        "E 1 % at 1 cm (leave it if you do not know)", value=500.0, min_value=0.0, max_value=5000.0,
        step=50.0, format="%g", key=f"stock-e1pct-{token}",
        help="Absorbance of 1 g in 100 ml over 1 cm. Pure food dyes are 400 to 2000; photos teach the rest.",
    )  # fmt: skip
    return like, e1pct


if __name__ == "__main__":
    show()
