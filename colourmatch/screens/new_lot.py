"""The form for a new lot: its figures, what it is tinted to, where it is drunk, and the limits beside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import streamlit as st

from colourmatch.book.checks import LIMITS
from colourmatch.book.entries import Lot, LotFigures
from colourmatch.book.naming import is_example, leave_out_example
from colourmatch.book.shelf_records import StockEntry
from colourmatch.dosing.care import STANDING_CAUTIONS, cautions_for
from colourmatch.dosing.limits import limits_for, list_jurisdictions
from colourmatch.screens import fields, html, pages, session
from colourmatch.screens.references import IN_PHOTO, check_view, choose_for_lot, list_choices, list_readings
from colourmatch.words.figures import begin
from colourmatch.words.looks import tell_look
from colourmatch.workflow.again import begin_lot, take_lines, tell_first

_ELSEWHERE = "another place"
_ML = {"ml": 1.0, "l": 1000.0}
#: Lights a drink is looked at in -> words. CIE 015:2018.
LIGHTS = {
    "D65": "daylight (D65)",
    "A": "a warm lamp (A)",
    "FL2": "a cool white tube (FL2)",
    "FL11": "a shop tube (FL11)",
    "LED-B1": "a warm LED (LED-B1)",
}
#: Usual glasses: how deep one looks into them from above, made up to how many parts, in which light. Common practice, no
#: source.
PRESETS: tuple[dict[str, Any], ...] = (
    {"name": "long drink", "depth_mm": 60.0, "dilution": 4.0, "illuminant": "D65"},
    {"name": "neat", "depth_mm": 30.0, "dilution": 1.0, "illuminant": "D65"},
    {"name": "on ice", "depth_mm": 40.0, "dilution": 2.0, "illuminant": "A"},
)


def list_lights(own: Iterable[str]) -> list[str]:
    """The lights to choose from: daylight, common ones, and what the lot names besides."""
    return list(dict.fromkeys((*LIGHTS, *own)))


def name_light(light: str) -> str:
    """A light in words, one outside the short list by its own name."""
    return LIGHTS.get(light, light)


def show_new_lot(stocks: list[StockEntry]) -> None:
    """The form for a new lot, and after it what the law and care say to its stocks."""
    stocks = leave_out_example(stocks)
    if not stocks:
        st.html(html.empty("A lot is one batch on its way to its reference. It needs a stock first."))
        return
    act, book = fields.begin_act("lot"), session.current_book()
    # the lot whose values it begins with, the one it is to be like, else the last, stays while one types
    token, source = st.session_state.get("lot-source", ("", None))
    if token != act.token:
        last = (lot for lot in book.lots.search(limit=20) if lot.trial_of is None and not is_example(lot))
        source = st.session_state.get("lot-like") or getattr(next(last, None), "id", None)
        st.session_state["lot-source"] = act.token, source
    with st.container(key="cm-new-lot"):  # page.css lays it out: on a phone the limits come after the form
        form, limits = st.container(), st.container()
    with form:
        chosen, place = ask_lot(act, stocks, None if source is None else book.lots.get(source))
    with limits, st.expander("Limits and cautions"):
        show_limits([stock.colourant for stock in stocks if stock.id in chosen], place)
        st.html(html.flag_line("Always", "\n".join(caution.text for caution in STANDING_CAUTIONS)))


def ask_lot(act: fields.Act, stocks: list[StockEntry], source: Lot | None) -> tuple[list[int], str]:
    """The figures of a new lot, those that are seldom another folded; the stocks chosen and where it is sold."""
    like = source if source is not None and st.session_state.get("lot-like") == source.id else None
    names = {stock.id: stock.name for stock in stocks}
    used = [stock.id for stock in stocks if source is not None and stock.name in source.stocks]
    with st.container(border=True):
        name = fields.ask_name("Name of the lot", act.key("name"), "bitter aperitif", like.name if like else "")
        volume_ml = ask_volume(act, like)
        chosen = st.multiselect(
            "Stocks, the main one first", list(names), default=used or ([stocks[0].id] if len(stocks) == 1 else []),
            format_func=names.__getitem__, key=act.key("stocks"), placeholder="Choose",
        )  # fmt: skip
        dilution = fields.ask_figure(st, "dilution", act.key("dilution"), source.dilution if source else 1.0)
        button = st.container()
        # what was written under the fold is found unfolded
        is_typed = any(st.session_state.get(act.key(part)) for part in ("number", "notes"))
        with st.expander("More", expanded=is_typed):
            figures = LotFigures(
                name=name, volume_ml=volume_ml, stocks=chosen, dilution=dilution, like=like.id if like else None
            )  # fmt: skip
            number, figures, place, target = ask_more(act, source, figures)
        with button:
            told = f"As lot {source.label}: {tell_taken(source)}" if source else tell_kept(figures.jurisdiction)
            st.html(html.line(f"{told}. Change it under More."))
            if st.button("Begin the lot", type="primary", key=act.key("begin"), width="stretch"):
                write_lot(figures, number, target)
    return chosen, place


def ask_volume(act: fields.Act, like: Lot | None) -> float | None:
    """The volume in the unit chosen beside it, in ml."""
    with st.container(horizontal=True, vertical_alignment="bottom", key="cm-volume"):
        left, right = st.container(), st.container(width="content")
    with right:
        unit = fields.choose_one("Unit", _ML, act.key("unit"), label_visibility="collapsed")
    per = _ML[unit]
    given = fields.ask_number(
        left, f"Batch, {unit}", act.key("volume"), like.volume_ml / per if like else None, 0.0, None,
        50.0 if per == 1 else 0.5, placeholder="900" if per == 1 else "0.9",
    )  # fmt: skip
    return None if given is None else float(given * per)


#: Figures that are mostly as with the lot before.
_MORE = ("ceiling_mg_per_l", "tolerance", "depth_mm", "made_up_to", "already_mg_per_l")


def ask_more(act: fields.Act, source: Lot | None, figures: LotFigures) -> tuple[str, LotFigures, str, str]:
    """What is mostly as it was with the lot before: the number, more figures, where it is sold, what it is tinted to."""
    markets, before = [*list_jurisdictions(), _ELSEWHERE], source or figures
    sold = markets.index(source.jurisdiction or _ELSEWHERE) if source else 0
    place = st.selectbox("Sold in", markets, sold, key=act.key("place"))
    number = fields.ask_name("Lot number (optional)", act.key("number"))
    lines = take_lines(source, same_drink=figures.like is not None) if source else {}
    head = fields.ask_head(act, _MORE, before, lines)
    target = IN_PHOTO
    if choices := list_choices(list_readings()):
        target = fields.pick_one(
            "Tinted to", {IN_PHOTO: "the reference in each photo"} | choices, act.key("target"),
            help="A noted colour counts for photos without the reference; it is known less surely, so the steps "
            "are more careful.",
        )  # fmt: skip
    with st.expander("Where it is drunk (optional)"):
        serving = ask_glasses(act.key("serving", "{}", "{{}}"), before.glasses)
    notes = st.text_area("Notes (recipe, base, reference)", key=act.key("notes"))
    sold_in = None if place == _ELSEWHERE else place
    figures = replace(figures, serving=serving, jurisdiction=sold_in, notes=notes, **head)
    return number, figures, place, target


def tell_taken(values: LotFigures) -> str:
    ceiling, glasses = values.ceiling_mg_per_l, len(values.glasses)
    told = (
        "no ceiling" if ceiling is None else f"ceiling {ceiling:g} mg/l",
        f"{values.already_mg_per_l or 0:g} mg/l already in" if values.already_mg_per_l else "",
        f"tolerance {values.tolerance or 0:g}",
        f"in {values.hand}" if values.hand != "drops" else "",
        f"1 part made up to {values.made_up_to:g} by its label" if (values.made_up_to or 1) != 1 else "",
        f"{values.depth_mm or 0:g} mm deep",
        f"{glasses} glass{'es' if glasses > 1 else ''} weighed" if glasses else "",
        f"sold in {values.jurisdiction or _ELSEWHERE}",
    )
    return ", ".join(filter(None, told))


def tell_kept(place: str | None) -> str:
    """Whose limits a lot keeps; place: where it is sold, None for one that none are on file for."""
    return f"Sold in {place}: its limits are kept" if place else "No limits of the law are kept"


def ask_glasses(key: str, known: Sequence[Mapping[str, Any]] = ()) -> dict[str, list[dict[str, Any]]] | None:
    """Up to three glasses, or as many as there are; fields left empty are as photographed, a glass left empty is none."""
    st.write("The advice weighs these looks. What is left empty is as photographed.")
    held = [*known, *[{}] * (3 - len(known))]
    offer_presets(key, held)
    asked = [_ask_serving(key.format(number), number, one) for number, one in enumerate(held, 1)]
    told = [condition for condition in asked if set(condition) - {"weight"}]
    return {"conditions": told} if told else None


def offer_presets(key: str, held: Sequence[Mapping[str, Any]]) -> None:
    """Usual glasses, drawn; a tap fills the first glass that is empty with one."""
    state, names = st.session_state, ("name", "depth", "dilution")
    free = (
        place
        for place, one in ((key.format(number), one) for number, one in enumerate(held, 1))
        if not set(one) - {"weight"} and not any(state.get(place.format(name)) for name in names)
    )
    place = next(free, None)

    def fill(preset: Mapping[str, Any]) -> None:
        for what, value in zip((*names, "light"), preset.values(), strict=True):
            state[(place or "").format(what)] = value

    with st.container(horizontal=True, key=f"cm-presets-{key.format(0).format('')}"):
        for preset in PRESETS:
            name, warm = preset["name"], preset["illuminant"] != "D65"
            with st.container(gap="small"):
                st.html(html.picture_of_glass(preset["depth_mm"], preset["dilution"], warm=warm))
                st.button(
                    begin(name), on_click=fill, args=(preset,), disabled=place is None, width="stretch",
                    key=key.format(0).format(name), help=tell_look(preset, name_light),
                )  # fmt: skip


def _ask_serving(key: str, number: int, known: Mapping[str, Any]) -> dict[str, Any]:
    """One glass; only what was given."""
    st.markdown(f"**Glass {number}**")
    name = fields.ask_name("Name", key.format("name"), PRESETS[(number - 1) % 3]["name"], known.get("name", ""))
    places = fields.two_beside(4)
    depth = fields.ask_figure(
        next(places), "depth_mm", key.format("depth"), known.get("depth_mm"),
        words="Depth, mm", step=5.0, placeholder="as photographed",
        help="How much liquid one looks through from above, over something white: 60 for a tall glass. From the side "
        "light passes once: give half the width.",
    )  # fmt: skip
    dilution = fields.ask_figure(
        next(places), "dilution", key.format("dilution"), known.get("dilution"),
        words="1 part made up to", placeholder="as photographed",
        help="1 is undiluted. 4 is 1 part with 3 of soda.",
    )  # fmt: skip
    own = known.get("illuminant") or "D65"
    lights = {light: name_light(light) for light in list_lights([own])}
    index = list(lights).index(own)
    light = fields.pick_one("Light", lights, key.format("light"), place=next(places), index=index)
    counted, told = float(known.get("weight", 1.0)), "2 counts twice as much as 1."
    _, low, _, high, _ = LIMITS["weight"]
    weight = fields.ask_number(next(places), "Weight", key.format("weight"), counted, low, high, 0.5, help=told)
    given = {"name": name, "depth_mm": depth, "dilution": dilution}
    given["illuminant"] = None if light == "D65" else light  # daylight is as photographed
    return {key: value for key, value in given.items() if value} | {"weight": weight}


def write_lot(values: LotFigures, number: str, target: str) -> None:
    with session.failures_shown():
        token = session.token_for("lot")
        # in a field of the browser 1,500 is one and a half
        session.ask_size(token, "Batch", values.volume_ml, "batch")
        session.ask_size(token, "Depth in the glass", values.depth_mm, "depth")
        if target != IN_PHOTO:
            check_view(target, (values.depth_mm, values.dilution))
        begun = begin_lot(session.current_book(), number=number or None, **session.by(token), **vars(values))
        lot = begun.lot
        st.session_state.pop("token-lot", None)
        st.session_state.pop("lot-like", None)
        session.notify(f"Lot {lot.name} is begun.")
        for text in (tell_first(begun.first_dose), *(one.text for one in begun.warnings)):
            if text:
                session.notify(text)
        if target != IN_PHOTO:
            session.notify(choose_for_lot(lot.id, target))
        pages.go_to_lot("match", lot.id)


def show_limits(colourants: list[str], place: str) -> None:
    """What the law on file says to these colourants, with its status, and the cautions."""
    if place == _ELSEWHERE:
        none = "There are no limits on file for another place. Look up its law yourself."
        st.html(html.flag_line("Limit", none))
        return
    if not colourants:
        st.html(html.empty("Choose the stocks: what is on file for them in law stands here."))
        return
    lines = [html.flag_line("Limit", limit.text) for limit in limits_for(colourants, place)]
    said = {"limit", *(caution.code for caution in STANDING_CAUTIONS)}  # these stand under the form
    cautions = [caution for caution in cautions_for(colourants, place) if caution.code not in said]
    st.html("".join(lines + [html.flag_line("Caution", caution.text) for caution in cautions]))
