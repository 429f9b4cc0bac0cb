"""The smaller forms of the stocks: weighing drops, how strong, thinning, putting away; a stock in words."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from colourmatch.amounts import SIZES, ask_about, ask_about_weighing
from colourmatch.book.bottles import BottleFacts
from colourmatch.book.shelf_records import StockEntry
from colourmatch.colour.spaces import lab_to_hex
from colourmatch.errors import InputError
from colourmatch.liquid.colourants import find_colourant
from colourmatch.liquid.make_up import BOTTLE_SAYS, dye_share, plan_liquid, plan_powder
from colourmatch.liquid.stock import Stock, suggest_strength
from colourmatch.screens import drafts, session
from colourmatch.screens import html as parts
from colourmatch.words.figures import PAGES, tell_amount, tell_ml, tell_percent, tell_typed
from colourmatch.workflow.shelf_state import describe_bottles, see_in_water

UNKNOWN = "unknown"
MADE_IN = {"water": "water", "batch": "a little of the batch itself"}


def name_colourant(code: str) -> str:
    """A colourant for a list: name and E number."""
    if code == UNKNOWN:
        return "Unknown bottle (to be learnt from the photos)"
    colourant = find_colourant(code)
    return f"unknown bottle ({colourant.note})" if ":" in code else f"{colourant.name} ({colourant.e_number})"


def draw_stock(stock: StockEntry) -> str:
    """A stock as a row: a patch of its colour in water where that is known, name, colourant and label, warnings."""
    lab, told = see_in_water(stock), describe_bottles(session.current_book(), [stock])[stock.id]
    patch = f'<i style="background:{lab_to_hex(lab)}"></i>' if lab else '<i class="none">?</i>'
    called = "unknown bottle" if ":" in stock.colourant else name_colourant(stock.colourant)
    label = f"{called}, {tell_amount(stock.label_strength_g_per_100ml)} g in 100 ml"
    lines = [label, *(warning["text"] for warning in told["warnings"])]
    return (
        f'<div class="cm cm-stock">{patch}<div><b>{parts.as_html(stock.name)}</b>'
        f'<p class="cm-quiet">{parts.as_html(chr(10).join(lines))}</p></div></div>'
    )


def describe_stock(stock: StockEntry) -> str:
    """Strength, drop and what was learnt, each with its uncertainty."""
    drop = (
        "weighed"
        if stock.weighed
        else "as of the stock it was thinned from"
        if stock.diluted_from_id
        else "as assumed, not weighed"
    )
    lines = [
        name_colourant(stock.colourant),
        f"{tell_amount(stock.label_strength_g_per_100ml)} g in 100 ml of {MADE_IN[stock.made_in]} "
        f"by the label ({tell_percent(stock.label_strength_rel_sd, PAGES)})",
        f"drop {tell_amount(stock.drop_ml)} ml ({tell_percent(stock.drop_rel_sd, PAGES)}, {drop})",
    ]
    if tell_learnt(stock):
        lines.append(tell_learnt(stock))
    if stock.supplier_batch or stock.supplier:
        batch = f"batch {stock.supplier_batch}" if stock.supplier_batch else "bought"
        lines.append(f"{batch} of {stock.supplier}" if stock.supplier else batch)
    told = describe_bottles(session.current_book(), [stock])[stock.id]
    if told["left_ml"] is not None:
        us = session.shows_us()
        lines.append(f"{tell_ml(told['left_ml'], us)} of {tell_ml(stock.amount_ml or 0, us)} left")
    return "\n".join(lines)


def tell_learnt(stock: StockEntry) -> str:
    """What the photos taught of a strength, empty when nothing."""
    if not stock.learnt:
        return ""
    learnt = parts.show_interval(dict(zip(("value", "low", "high"), stock.learnt, strict=True)), 2)
    where = f", from lot {stock.learnt_from_lot_id}" if stock.learnt_from_lot_id is not None else ""
    return (
        f"strength as photos showed: {learnt} of the label, like "
        f"{tell_amount(stock.strength_g_per_100ml)} g in 100 ml{where}"
    )


#: What a bottle may state of its strength, as it is asked for.
SAYS = {
    "g": "g of dye in 100 ml", "percent": "% w/w", "e1pct": "E 1 %", "colour_value": "colour value",
    "a610": "caramel: A 610 nm",
}  # fmt: skip


def ask_strength(token: str) -> Callable[[str], float]:
    """The strength of a new stock: typed, or from what its bottle says; what gives it for a colourant."""
    says = st.segmented_control(
        "Strength by",
        list(SAYS),
        default="g",
        required=True,
        format_func=SAYS.__getitem__,
        key=f"stock-says-{token}",
    )
    if says == "g":
        strength = st.number_input(
            "Strength, g in 100 ml", value=1.0, min_value=0.0, max_value=100.0, step=0.1, format="%g",
            key=f"stock-strength-{token}",
            help="Grams of pure dye in 100 ml of the stock: a gram of powder of 85 % holds 0.85 g (Strength works it "
            "out). For a bought bottle take what its label says of colourant, not of the whole mixture.",
        )  # fmt: skip
        return lambda _code: strength
    left, right = st.columns(2)
    figure = left.number_input(
        f"The bottle says, {SAYS[says]}", value=0.0, min_value=0.0, max_value=5000.0, format="%g",
        key=f"stock-figure-{token}", help=BOTTLE_SAYS[says],
    )  # fmt: skip
    grams = right.number_input(
        "Grams of it in 100 ml of stock", value=100.0, min_value=0.0, max_value=200.0, format="%g",
        key=f"stock-grams-{token}", help="100 where it is used as it is sold.",
    )  # fmt: skip
    return lambda code: dye_share(code, {says: figure}) * grams


def ask_bottle(key: str, token: str) -> BottleFacts:
    """Whose batch a bottle is, its days, how much it holds."""
    left, right = st.columns(2)
    made, last = (
        left.date_input("Made on", value=None, key=f"{key}-made-on-{token}"),
        right.date_input("Use by", value=None, key=f"{key}-use-by-{token}"),
    )
    amount = left.number_input(
        "Amount in the bottle, ml", value=None, min_value=0.1, max_value=1e5, format="%g", key=f"{key}-amount-{token}",
        help="Doses are counted down from it.",
    )  # fmt: skip
    return {
        "made_on": None if made is None else made.isoformat(),
        "use_by": None if last is None else last.isoformat(),
        "amount_ml": amount,
        "supplier": right.text_input("Supplier", key=f"{key}-supplier-{token}", max_chars=120),
        "supplier_batch": left.text_input("Supplier's batch", key=f"{key}-batch-{token}", max_chars=120),
    }


def show_weighing(stocks: list[StockEntry]) -> None:
    """The size of a drop from weighed drops."""
    if not stocks:
        st.html(parts.empty("Here you weigh drops of a stock, once there is one. Add it under Stocks."))
        return
    st.write("Weigh 20 to 50 drops in a glass.")
    token = session.token_for("weigh")
    with st.container(border=True):
        stock = choose_stock("Stock", stocks, f"weigh-stock-{token}")
        drops = st.number_input(
            "Drops", value=40, min_value=0, max_value=1000, step=1, key=f"weigh-drops-{token}"
        )
        grams = st.number_input(
            "Grams", value=None, min_value=0.0, max_value=500.0, step=0.01, format="%.2f",
            placeholder="1.93", key=f"weigh-grams-{token}",
        )  # fmt: skip
        another = st.checkbox("Another dropper", key=f"weigh-another-{token}")
        if st.button("Keep", type="primary", key=f"weigh-keep-{token}"):

            def weigh(token: str) -> str:
                density = next(one.density_g_per_ml for one in stocks if one.id == stock)
                session.ask(token, ask_about_weighing(drops, grams or 0.0, density))
                weighed = session.current_book().stocks.weigh(
                    stock,
                    drops,
                    grams if grams is not None else 0.0,
                    another_dropper=another,
                    **session.by(token),
                )
                return (
                    f"A drop of {weighed.name} is {tell_amount(weighed.drop_ml)} ml "
                    f"({tell_percent(weighed.drop_rel_sd, PAGES)}) from now on."
                )

            session.act_once("weigh", weigh)


def choose_stock(label: str, stocks: list[StockEntry], key: str) -> int:
    """The id of one of the stocks."""
    names = {stock.id: stock.name for stock in stocks}
    return st.selectbox(label, list(names), format_func=lambda number: names[number], key=key)


def show_strength(stocks: list[StockEntry]) -> None:
    """How strong a stock should be for a batch, so that the dose can be counted."""
    st.header("For a batch")
    left, right = st.columns(2)
    volume = left.number_input(
        "Batch, ml", value=1000.0, min_value=1.0, max_value=2e6, step=100.0, format="%g", key="helper-volume"
    )
    target = right.number_input(
        "Colour wanted, mg/l", value=20.0, min_value=0.1, max_value=1e5, step=5.0, format="%g",
        key="helper-target", help="A guess will do: light reds are near 10, deep ones 50 mg/l and more. A dose of 20 to 60 drops steps well.",
    )  # fmt: skip
    if question := ask_about(volume, f"Batch: {tell_typed(volume)}", SIZES["batch"]):
        st.html(parts.flag_line("Question", question.text("read on", bare=True)))
    given = None
    if stocks:
        chosen = choose_stock("Starting from", stocks, "helper-stock")
        given = next(stock.as_stock(learnt=False) for stock in stocks if stock.id == chosen)
    with session.failures_shown():
        advice = suggest_strength(given or Stock("a stock of 1 g in 100 ml", "E129", 1.0), target, volume)
        st.html(
            parts.panel(
                "Stock", advice.text,
                [f"Ideal would be {tell_amount(advice.strength_g_per_100ml)} g in 100 ml for "
                 f"{tell_ml(volume, session.shows_us())}."],
            )
        )  # fmt: skip


def show_making() -> None:
    """How much powder or liquid goes into a stock."""
    with st.expander("Make a stock"):
        ask_making()


def ask_making() -> None:
    """Strength and volume wanted, and what is weighed or measured for them."""
    what = st.segmented_control(
        "From", ["powder", "a liquid colour"], default="powder", required=True, key="make-what"
    )
    left, right = st.columns(2)
    strength = left.number_input(
        "Strength wanted, g in 100 ml", value=1.0, min_value=0.0, max_value=100.0, step=0.1, format="%g",
        key="make-strength",
    )  # fmt: skip
    volume = right.number_input(
        "Stock to make, ml", value=50.0, min_value=0.0, max_value=1e5, step=10.0, format="%g",
        key="make-volume",
    )  # fmt: skip
    if question := ask_about(volume, f"Stock to make: {tell_typed(volume)}", SIZES["stock"]):
        st.html(parts.flag_line("Question", question.text("read on", bare=True)))
    with session.failures_shown():
        if what == "powder":
            content = left.number_input(
                "Dye in the powder, %", value=85.0, min_value=0.0, max_value=100.0, step=1.0, format="%g",
                key="make-content", help="It stands on the bottle or its data sheet; 85 is common.",
            )  # fmt: skip
            plan = plan_powder(strength, volume, content / 100, us=session.shows_us())
        else:
            bottle = left.number_input(
                "Strength of the liquid, g in 100 ml", value=5.0, min_value=0.0, max_value=100.0, step=0.5,
                format="%g", key="make-bottle", help="Pure dye, as its label says.",
            )  # fmt: skip
            plan = plan_liquid(strength, volume, bottle, us=session.shows_us())
        st.html(parts.panel("To make it", plan.text, [f"{tell_amount(plan.dye_g)} g of pure dye in it."]))


def show_thinning(stocks: list[StockEntry]) -> None:
    """A weaker stock made from one on the shelf."""
    if not stocks:
        return
    token = session.token_for("thin")
    with st.expander("Thin a stock", expanded=drafts.holds(token)):
        chosen = choose_stock("Stock", stocks, f"thin-stock-{token}")
        fold = st.number_input(
            "1 part made up to how many parts", value=10.0, min_value=1.0, max_value=1000.0, step=1.0,
            format="%g", key=f"thin-fold-{token}",
            help="10 is 1 part of stock with 9 of water (or of batch, when the stock is made in the batch).",
        )  # fmt: skip
        name = st.text_input(
            "Name of the new stock", key=f"thin-name-{token}", max_chars=120, placeholder="red 1 in 10"
        )

        def thin(token: str) -> str:
            made = session.current_book().stocks.dilute(chosen, fold, name, **session.by(token))
            return f"The stock {made.name} is on the shelf. Name it in the lot under Put figures right."

        if st.button("Add the thinned stock", key=f"thin-add-{token}"):
            session.act_once("thin", thin)


def show_putting_away(stocks: list[StockEntry]) -> None:
    """A stock that is used up, or was made again so that what was learnt of it no longer holds."""
    if not stocks:
        return
    with st.expander("Empty or made again"):
        chosen = choose_stock("Stock", stocks, "away-stock")
        book, by = session.current_book(), session.entered_by()
        fresh = ask_bottle("fresh", f"{chosen}")

        def refill(token: str) -> str:
            made = book.stocks.refill(chosen, bottle=fresh, **session.by(token))
            return (
                f"A fresh bottle of {made.name} is on the shelf; it starts with what was learnt, less sure."
            )

        if st.button("A fresh bottle takes its place", key=f"away-fresh-{chosen}"):
            session.act_once("fresh", refill)

        def put_away(_token: str) -> str:
            return f"The stock {book.stocks.put_away(chosen, entered_by=by).name} is put away. Its history stays."

        if st.button("Put it away", key=f"away-put-{chosen}"):
            session.act_once("away", put_away)
        stock = next(one for one in stocks if one.id == chosen)
        if not stock.learnt:
            st.html(parts.line(f"Photos taught nothing of {stock.name} yet: its label counts."))
            return
        st.html(parts.line(f"{stock.name}: {tell_learnt(stock)}."))
        key = f"{chosen}-{stock.changed_at}"  # a tick is about what was learnt until then
        sure = st.checkbox("It was made again: its label counts again", key=f"away-sure-{key}")

        def forget(_token: str) -> str:
            if not sure:
                raise InputError('Tick "It was made again" before what was learnt is set aside.')
            return f"What was learnt of {book.stocks.reset(chosen, entered_by=by).name} is set aside."

        if st.button("Forget what was learnt", key=f"away-forget-{key}"):
            session.act_once("forget", forget)
