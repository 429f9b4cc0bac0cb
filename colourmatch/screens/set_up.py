"""Stocks, new lots and references: what is in the bottle, how large a drop is, what a lot is tinted to."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from colourmatch.amounts import SIZES, ask_about, ask_about_weighing
from colourmatch.book.naming import leave_out_example
from colourmatch.book.shelf_records import StockEntry
from colourmatch.book.stocks import BottleFacts
from colourmatch.colour.spaces import lab_to_hex
from colourmatch.errors import InputError
from colourmatch.liquid.colourants import custom_colourant
from colourmatch.liquid.make_up import BOTTLE_SAYS, dye_share, plan_liquid, plan_powder
from colourmatch.liquid.stock import Stock, suggest_strength
from colourmatch.screens import fields, html, pages, references, session
from colourmatch.screens.fields import UNKNOWN, ask_name, ask_number, begin_act, choose_one, pick_one
from colourmatch.screens.new_lot import show_new_lot
from colourmatch.words.figures import PAGES, tell_amount, tell_factor, tell_ml, tell_percent, tell_typed
from colourmatch.workflow.shelf_state import SEEN_DEPTH_MM, SEEN_DROPS, describe_bottles, see_in_water

MADE_IN = {"water": "water", "batch": "a little of the batch itself"}
_NO_STOCK = "No stock yet. A stock is a colourant made up in water, such as 1 g in 100 ml, with its dropper."
_ONLY_READ = "This is where something is entered, and the lot book may only be read here."


def show() -> None:
    st.title("Set up")
    stocks = session.current_book().stocks.all()
    first, second, middle, third, fourth = st.tabs(
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
        show_new_lot(stocks) if session.may_enter() else st.html(html.empty(_ONLY_READ))
    with middle:
        known = references.list_readings()
        fields.show_known(known, references.EMPTY, references.show_reference, references.ask_reading)
    with third:
        show_weighing(stocks) if session.may_enter() else st.html(html.empty(_ONLY_READ))
    with fourth:
        show_strength(stocks)
        show_making()
    with st.expander("Name, measures"):  # what this browser keeps
        fields.ask_who()
        st.segmented_control(
            "Volumes are shown in", session.MEASURES, default=session.METRIC, required=True, key="measures",
            persist_state="session", help="Fluid ounces and teaspoons of the US beside millilitres. Typed are ml.",
        )  # fmt: skip
    with st.container(key="cm-way-on"):
        st.page_link(pages.find_page("calibrations"), label="Card and phone")


def show_stocks(stocks: list[StockEntry]) -> None:
    """The stocks on the shelf, each a row with a patch of its colour in water; folded what was weighed and learnt."""
    if not stocks:
        st.html(html.empty(_NO_STOCK))
        return
    rows, told = [], describe_bottles(session.current_book(), stocks)
    for stock in stocks:
        lab = see_in_water(stock)
        patch = f'<i style="background:{lab_to_hex(lab)}"></i>' if lab else '<i class="none">?</i>'
        called = "unknown bottle" if ":" in stock.colourant else fields.name_colourant(stock.colourant)
        label = f"{called}, {tell_amount(stock.label_strength_g_per_100ml)} g in 100 ml"
        lines = "\n".join([label, *(warning.text for warning in told[stock.id].warnings)])
        rows.append(
            f'<div class="cm cm-stock">{patch}<div><b>{html.as_html(stock.name)}</b>'
            f'<p class="cm-quiet">{html.as_html(lines)}</p></div></div>'
        )
    st.html("".join(rows))
    st.caption(f"{SEEN_DROPS} drops a litre, {SEEN_DEPTH_MM:g} mm deep")
    act = begin_act("right")
    with st.expander("Details", expanded=act.is_typed()):
        st.html(html.facts({stock.name: describe_stock(stock) for stock in stocks}))
        if session.may_enter():
            ask_correction(act, stocks)


def show_new_stock(folded: bool) -> None:
    act = begin_act("stock")
    with st.expander("Add a stock", expanded=not folded or act.is_typed()):
        codes = fields.name_colourants() | {UNKNOWN: fields.name_colourant(UNKNOWN)}
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
        hand = fields.ask_hand(act.key("hand"))
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


def ask_unknown(key: str) -> tuple[str, float]:
    """What is known of an unknown bottle: what it looks like, and a guess of its strength."""
    like = pick_one(
        "Looks most like", fields.name_colourants(), key.format("like"),
        help="Where the learning starts. Limits of an unknown bottle are not known: find its E number.",
    )  # fmt: skip
    e1pct = ask_number(
        st, "E 1 % at 1 cm (leave it if you do not know)", key.format("e1pct"), 500.0, 0.0, 5000.0, 50.0,
        help="Absorbance of 1 g in 100 ml over 1 cm. Pure food dyes are 400 to 2000; photos teach the rest.",
    )  # fmt: skip
    return like, e1pct


def describe_stock(stock: StockEntry) -> str:
    """Strength, drop and what was learnt, each with its uncertainty."""
    drop = "as of the stock it was thinned from" if stock.diluted_from_id else "as assumed, not weighed"
    bought = f"batch {stock.supplier_batch}" if stock.supplier_batch else "bought" if stock.supplier else ""
    lines = [
        fields.name_colourant(stock.colourant),
        f"{tell_amount(stock.label_strength_g_per_100ml)} g in 100 ml of {MADE_IN[stock.made_in]} "
        f"by the label ({tell_percent(stock.label_strength_rel_sd, PAGES)})",
        f"drop {tell_amount(stock.drop_ml)} ml ({tell_percent(stock.drop_rel_sd, PAGES)}, "
        f"{'weighed' if stock.weighed else drop})",
        tell_learnt(stock),
        f"{bought} of {stock.supplier}" if stock.supplier else bought,
    ]
    left_ml, us = describe_bottles(session.current_book(), [stock])[stock.id].left_ml, session.shows_us()
    if left_ml is not None:
        lines.append(f"{tell_ml(left_ml, us)} of {tell_ml(stock.amount_ml or 0, us)} left")
    return "\n".join(filter(None, lines))


def tell_learnt(stock: StockEntry) -> str:
    """What the photos taught of a strength, empty when nothing."""
    if not stock.learnt:
        return ""
    where = f", from lot {stock.learnt_from_lot_id}" if stock.learnt_from_lot_id is not None else ""
    strength = tell_amount(stock.strength_g_per_100ml)
    return f"strength as photos showed: {tell_factor(stock.learnt, PAGES)} of the label, like {strength} g in 100 ml{where}"


#: What a bottle may state of its strength, as it is asked for.
SAYS = {
    "g": "g of dye in 100 ml", "percent": "% w/w", "e1pct": "E 1 %", "colour_value": "colour value",
    "a610": "caramel: A 610 nm",
}  # fmt: skip


def ask_strength(key: str) -> Callable[[str], float]:
    """The strength of a new stock: typed, or from what its bottle says; what gives it for a colourant."""
    says = choose_one("Strength by", SAYS, key.format("says"), format_func=SAYS.__getitem__)
    if says == "g":
        strength = ask_number(
            st, "Strength, g in 100 ml", key.format("strength"), 1.0, 0.0, 100.0, 0.1,
            help="Grams of pure dye in 100 ml of the stock: a gram of powder of 85 % holds 0.85 g (Strength works it "
            "out). For a bought bottle take what its label says of colourant, not of the whole mixture.",
        )  # fmt: skip
        return lambda _code: float(strength)
    left, right = st.columns(2)
    figure = ask_number(
        left, f"The bottle says, {SAYS[says]}", key.format("figure"), 0.0, 0.0, 5000.0, help=BOTTLE_SAYS[says]
    )
    grams = ask_number(
        right, "Grams of it in 100 ml of stock", key.format("grams"), 100.0, 0.0, 200.0,
        help="100 where it is used as it is sold.",
    )  # fmt: skip
    return lambda code: dye_share(code, {says: figure}) * float(grams)


def ask_bottle(key: str) -> BottleFacts:
    """Whose batch a bottle is, its days, how much it holds."""
    left, right = st.columns(2)
    made = left.date_input("Made on", value=None, key=key.format("made-on"))
    last = right.date_input("Use by", value=None, key=key.format("use-by"))
    amount, told = key.format("amount"), "Doses are counted down from it."
    return {
        "made_on": None if made is None else made.isoformat(),
        "use_by": None if last is None else last.isoformat(),
        "amount_ml": ask_number(left, "Amount in the bottle, ml", amount, None, 0.1, 1e5, help=told),
        "supplier": ask_name("Supplier", key.format("supplier"), place=right),
        "supplier_batch": ask_name("Supplier's batch", key.format("batch"), place=left),
    }


def show_weighing(stocks: list[StockEntry]) -> None:
    if not stocks:
        st.html(html.empty("Here you weigh drops of a stock, once there is one. Add it under Stocks."))
        return
    st.write("Weigh 20 to 50 drops in a glass.")
    act = begin_act("weigh")
    with st.container(border=True):
        stock = choose_stock("Stock", stocks, act.key("stock"))
        drops = int(ask_number(st, "Drops", act.key("drops"), 40.0, 0.0, 1000.0, 1.0) or 0)
        grams = ask_number(st, "Grams", act.key("grams"), None, 0.0, 500.0, 0.01, format="%.2f", placeholder="1.93")
        another = st.checkbox("Another dropper", key=act.key("another"))

        def weigh(token: str) -> str:
            weighed_g = grams or 0.0
            session.ask_amount(token, ask_about_weighing(drops, weighed_g, stock.density_g_per_ml))
            book, by = session.current_book(), session.by(token)
            weighed = book.stocks.weigh(stock.id, drops, weighed_g, another_dropper=another, **by)
            spread = tell_percent(weighed.drop_rel_sd, PAGES)
            return f"A drop of {weighed.name} is {tell_amount(weighed.drop_ml)} ml ({spread}) from now on."

        act.offer("Keep", weigh, "keep", type="primary", width="content")


def choose_stock(words: str, stocks: list[StockEntry], key: str) -> StockEntry:
    known = {stock.id: stock for stock in stocks}
    return known[pick_one(words, {number: stock.name for number, stock in known.items()}, key)]


def show_question(value: float, what: str, size: str) -> None:
    """What is to be asked about an amount, where nothing is written down."""
    if question := ask_about(value, f"{what}: {tell_typed(value)}", SIZES[size]):
        st.html(html.flag_line("Question", question.text("read on", bare=True)))


def show_strength(stocks: list[StockEntry]) -> None:
    """How strong a stock should be for a batch, so that the dose can be counted."""
    st.header("For a batch")
    left, right = st.columns(2)
    volume = ask_number(left, "Batch, ml", "helper-volume", 1000.0, 1.0, 2e6, 100.0)
    target = ask_number(
        right, "Colour wanted, mg/l", "helper-target", 20.0, 0.1, 1e5, 5.0,
        help="A guess will do: light reds are near 10, deep ones 50 mg/l and more. A dose of 20 to 60 drops steps well.",
    )  # fmt: skip
    show_question(volume, "Batch", "batch")
    given = Stock("a stock of 1 g in 100 ml", "E129", 1.0)
    if stocks:
        given = choose_stock("Starting from", stocks, "helper-stock").as_stock()
    with session.failures_shown():
        advice = suggest_strength(given, target, volume)
        ideal = f"{tell_amount(advice.strength_g_per_100ml)} g in 100 ml"
        after = f"Ideal would be {ideal} for {tell_ml(volume, session.shows_us())}."
        st.html(html.panel("Stock", advice.text, [after]))


def show_making() -> None:
    with st.expander("Make a stock"):
        what = choose_one("From", ["powder", "a liquid colour"], "make-what")
        left, right = st.columns(2)
        strength = ask_number(left, "Strength wanted, g in 100 ml", "make-strength", 1.0, 0.0, 100.0, 0.1)
        volume = ask_number(right, "Stock to make, ml", "make-volume", 50.0, 0.0, 1e5, 10.0)
        show_question(volume, "Stock to make", "stock")
        us = session.shows_us()
        with session.failures_shown():
            if what == "powder":
                told = "It stands on the bottle or its data sheet; 85 is common."
                content = ask_number(left, "Dye in the powder, %", "make-content", 85.0, 0.0, 100.0, 1.0, help=told)
                plan = plan_powder(strength, volume, content / 100, us=us)
            else:
                words, told = "Strength of the liquid, g in 100 ml", "Pure dye, as its label says."
                bottle = ask_number(left, words, "make-bottle", 5.0, 0.0, 100.0, 0.5, help=told)
                plan = plan_liquid(strength, volume, bottle, us=us)
            st.html(html.panel("To make it", plan.text, [f"{tell_amount(plan.dye_g)} g of pure dye in it."]))


def show_thinning(stocks: list[StockEntry]) -> None:
    """A weaker stock made from one on the shelf."""
    if not stocks:
        return
    act = begin_act("thin")
    with st.expander("Thin a stock", expanded=act.is_typed()):
        chosen = choose_stock("Stock", stocks, act.key("stock"))
        fold = ask_number(
            st, "1 part made up to how many parts", act.key("fold"), 10.0, 1.0, 1000.0, 1.0,
            help="10 is 1 part of stock with 9 of water (or of batch, when the stock is made in the batch).",
        )  # fmt: skip
        name = ask_name("Name of the new stock", act.key("name"), "red 1 in 10")

        def thin(token: str) -> str:
            made = session.current_book().stocks.dilute(chosen.id, fold, name, **session.by(token))
            return f"The stock {made.name} is on the shelf. Name it in the lot under Put figures of the lot right."

        act.offer("Add the thinned stock", thin, "add", width="content")


def ask_correction(act: fields.Act, stocks: list[StockEntry]) -> None:
    """The name and the strength of a stock that were typed wrong."""
    st.subheader("Put a label right")
    stock = choose_stock("Stock", stocks, act.key("stock"))
    name = ask_name("Its name", act.key("name", stock.id), value=stock.name)
    strength = ask_number(
        st, "Strength by its label, g in 100 ml", act.key("strength", stock.id), stock.label_strength_g_per_100ml,
        0.0, 100.0, 0.1, help="Doses of open lots count by it then. What photos taught stays.",
    )  # fmt: skip
    why = st.text_input("Reason", key=act.key("reason"), placeholder="the label was misread")

    def put_right(token: str) -> str:
        now = {"name": stock.name, "strength_g_per_100ml": stock.label_strength_g_per_100ml}
        typed: dict[str, str | float] = {"name": name, "strength_g_per_100ml": strength}
        changed: dict[str, Any] = {key: value for key, value in typed.items() if value != now[key]}
        if not changed:
            raise InputError("Nothing was changed. Change the name or the strength first.")
        done = session.current_book().stocks.correct(stock.id, why, **changed, **session.by(token))
        return " ".join(done.told)

    act.offer("Write the correction", put_right, "write", width="content")


def show_putting_away(stocks: list[StockEntry]) -> None:
    """A stock that is used up, or was made again so that what was learnt of it no longer holds."""
    if not stocks:
        return
    with st.expander("Empty or made again"):
        stock = choose_stock("Stock", stocks, "away-stock")
        chosen, shelf = stock.id, session.current_book().stocks
        fresh = ask_bottle(f"fresh-{{}}-{chosen}")

        def refill(token: str) -> str:
            made = shelf.refill(chosen, bottle=fresh, **session.by(token))
            how = "it starts with what was learnt, less sure"
            return f"A fresh bottle of {made.name} is on the shelf; {how}."

        begin_act("away-fresh").offer("A fresh bottle takes its place", refill, chosen, width="content")

        def put_away(_token: str) -> str:
            return f"The stock {shelf.put_away(chosen, entered_by=session.entered_by()).name} is put away. Its history stays."

        begin_act("away-put").offer("Put it away", put_away, chosen, width="content")
        if not stock.learnt:
            st.html(html.line(f"Photos taught nothing of {stock.name} yet: its label counts."))
            return
        st.html(html.line(f"{stock.name}: {tell_learnt(stock)}."))
        key = f"{chosen}-{stock.changed_at}"  # a tick is about what was learnt until then
        sure = st.checkbox("It was made again: its label counts again", key=f"away-sure-{key}")

        def forget(_token: str) -> str:
            if not sure:
                raise InputError('Tick "It was made again" before what was learnt is set aside.')
            return f"What was learnt of {shelf.reset(chosen, entered_by=session.entered_by()).name} is set aside."

        begin_act("away-forget").offer("Forget what was learnt", forget, key, width="content")
