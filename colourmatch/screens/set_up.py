"""Stocks and new lots: what is in the bottle, how large a drop is, and what the batch may become."""

from __future__ import annotations

from typing import Any

import streamlit as st

from colourmatch.dosing.care import cautions_for, limits_for, list_jurisdictions
from colourmatch.errors import InputError
from colourmatch.liquid.colourants import custom_colourant, list_colourants
from colourmatch.lots.entries import StockEntry
from colourmatch.screens import pages, parts, session
from colourmatch.screens.stock_forms import (
    MADE_IN,
    UNKNOWN,
    describe_stock,
    name_colourant,
    show_putting_away,
    show_strength,
    show_thinning,
    show_weighing,
)

_ELSEWHERE = "another place"


def show() -> None:
    """The page."""
    st.title("Set up")
    stocks = session.current_book().list_stocks()
    first, second, third, fourth = st.tabs(["Stocks", "New lot", "Weigh drops", "How strong?"])
    with first:
        show_stocks(stocks)
        show_new_stock(bool(stocks))
        show_thinning(stocks)
        show_putting_away(stocks)
    with second:
        show_new_lot(stocks)
    with third:
        show_weighing(stocks)
    with fourth:
        show_strength(stocks)


def show_stocks(stocks: list[StockEntry]) -> None:
    """The stocks on the shelf with what was weighed and learnt."""
    if not stocks:
        st.html(
            parts.empty(
                "No stock yet. A stock is a colourant made up in water to a known strength, with the dropper "
                "that doses it, such as 1 g in 100 ml. Add the first one below."
            )
        )
        return
    st.html(parts.facts({stock.name: describe_stock(stock) for stock in stocks}))


def show_new_stock(folded: bool) -> None:
    """The form for a new stock."""
    token = session.token_for("stock")
    with st.expander("Add a stock", expanded=not folded):
        codes = [colourant.e_number for colourant in list_colourants()] + [UNKNOWN]
        code = st.selectbox("Colourant", codes, format_func=name_colourant, key=f"stock-colourant-{token}")
        with st.form(f"stock-form-{token}", border=False):
            name = st.text_input(
                "Name of the stock", key=f"stock-name-{token}", max_chars=120, placeholder="red",
                help="A short name, as written on the bottle.",
            )  # fmt: skip
            like, e1pct = ask_unknown(token) if code == UNKNOWN else (None, None)
            strength = st.number_input(
                "Strength, g in 100 ml", value=1.0, min_value=0.0, max_value=100.0, step=0.1, format="%g",
                key=f"stock-strength-{token}",
                help="Grams of colourant that were made up to 100 ml. 1 g in 100 ml is 1 %. For a bought "
                "bottle take what its label says of colourant, not of the whole mixture.",
            )  # fmt: skip
            drop = st.number_input(
                "Drop, ml", value=0.05, min_value=0.0, max_value=0.5, step=0.005, format="%g",
                key=f"stock-drop-{token}", help="Near 0.05 for most droppers. Weigh drops to know yours.",
            )  # fmt: skip
            made_in = st.segmented_control(
                "Made up in", list(MADE_IN), default="water", required=True,
                format_func=MADE_IN.__getitem__, key=f"stock-made-in-{token}",
                help="A stock made in the batch does not thin it.",
            )  # fmt: skip
            notes = st.text_input(
                "Notes (maker, date, dye content of the powder)", key=f"stock-notes-{token}"
            )
            if st.form_submit_button("Add the stock", type="primary", key=f"stock-add-{token}"):

                def add(token: str) -> str:
                    colourant = custom_colourant(name or "?", like, e1pct).e_number if like else code
                    stock = session.current_book().add_stock(
                        name, colourant, strength, drop_ml=drop, made_in=made_in, notes=notes, token=token,
                        entered_by=session.entered_by(),
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


def show_new_lot(stocks: list[StockEntry]) -> None:
    """The form for a new lot, with the limits that apply beside it."""
    if not stocks:
        st.html(
            parts.empty(
                "A lot is one batch on its way to its reference: its volume, its stock, its ceiling. "
                "It needs a stock first. Add one under Stocks."
            )
        )
        return
    token = session.token_for("lot")
    names = {stock.id: stock.name for stock in stocks}
    left, right = st.columns([3, 2], gap="large")
    with left:
        chosen = st.multiselect(
            "Stocks, the main one first", list(names), default=[stocks[0].id] if len(stocks) == 1 else [],
            format_func=lambda number: names[number], key=f"lot-stocks-{token}", placeholder="Choose",
        )  # fmt: skip
        place = st.selectbox("Sold in", [*list_jurisdictions(), _ELSEWHERE], key=f"lot-place-{token}")
        ask_lot(token, chosen, None if place == _ELSEWHERE else place)
    with right:
        show_limits([stock.colourant for stock in stocks if stock.id in chosen], place)


def ask_lot(token: str, chosen: list[int], place: str | None) -> None:
    """The figures of a new lot."""
    with st.form(f"lot-form-{token}"):
        name = st.text_input(
            "Name of the lot", key=f"lot-name-{token}", max_chars=120, placeholder="bitter aperitif"
        )
        number = st.text_input("Lot number (optional)", key=f"lot-number-{token}", max_chars=120)
        rows = [st.columns(2) for _ in range(3)]  # row by row, so that a phone keeps the order
        values: dict[str, Any] = {
            "volume_ml": rows[0][0].number_input(
                "Batch, ml", value=None, min_value=0.0, max_value=2e6, step=50.0, format="%g",
                placeholder="900", key=f"lot-volume-{token}",
            ),
            "ceiling_mg_per_l": rows[0][1].number_input(
                "Your ceiling, mg/l", value=None, min_value=0.0, max_value=1e5, step=5.0, format="%g",
                placeholder="none", key=f"lot-ceiling-{token}",
                help="The most colour that may be in a litre, pure dye, the base's own included. "
                "The tool never raises it.",
            ),
            "already_mg_per_l": rows[1][0].number_input(
                "Colour already in, mg/l", value=0.0, min_value=0.0, max_value=1e5, step=1.0, format="%g",
                key=f"lot-already-{token}", help="Added colour that the base brings with it. 0 when none.",
            ),
            "tolerance": rows[1][1].number_input(
                "Tolerance, CIEDE2000", value=1.5, min_value=0.1, max_value=20.0, step=0.1, format="%g",
                key=f"lot-tolerance-{token}",
                help="How near is near enough. Differences near 1 are hard to see side by side.",
            ),
            "depth_mm": rows[2][0].number_input(
                "Depth in the glass, mm", value=10.0, min_value=1.0, max_value=200.0, step=1.0, format="%g",
                key=f"lot-depth-{token}", help="How deep the liquid stands when it is photographed.",
            ),
            "dilution": rows[2][1].number_input(
                "Thinned, 1 part made up to", value=1.0, min_value=1.0, max_value=1000.0, step=1.0,
                format="%g", key=f"lot-dilution-{token}",
                help="1 is as it is. 5 is 1 part with 4 of water, both glasses alike, for strong colours.",
            ),
        }  # fmt: skip
        notes = st.text_area("Notes (recipe, base, reference)", key=f"lot-notes-{token}")
        if st.form_submit_button("Begin the lot", type="primary", key=f"lot-begin-{token}"):
            begin_lot(name, number, values | {"notes": notes, "jurisdiction": place}, chosen)


def begin_lot(name: str, number: str, values: dict[str, Any], chosen: list[int]) -> None:
    """Write the lot down and go to it."""
    with session.failures_shown():
        if not chosen:
            raise InputError("A lot needs at least one stock. Choose it above.")
        if values["volume_ml"] is None:
            raise InputError("The volume of the batch is missing. Give it in ml.")
        lot = session.current_book().new_lot(
            name, stocks=chosen, number=number.strip() or None, token=session.token_for("lot"),
            entered_by=session.entered_by(), **values,
        )  # fmt: skip
        st.session_state.pop("token-lot", None)
        session.notify(f"Lot {lot.name} is begun. Photograph reference and batch before the first drop.")
        pages.go_to_lot("match", lot.id)


def show_limits(colourants: list[str], place: str) -> None:
    """What the law on file says to these colourants, with its status, and the cautions."""
    if place == _ELSEWHERE:
        st.html(
            parts.flag_line(
                "Limit", "There are no limits on file for another place. Look up its law yourself."
            )
        )
        return
    if not colourants:
        st.html(parts.empty("Choose the stocks: what is on file for them in law stands here."))
        return
    lines = [parts.flag_line("Limit", limit.text) for limit in limits_for(colourants, place)]
    cautions = [caution for caution in cautions_for(colourants, place) if caution.code != "limit"]
    st.html("".join(lines + [parts.flag_line("Caution", caution.text) for caution in cautions]))


if __name__ == "__main__":
    show()
