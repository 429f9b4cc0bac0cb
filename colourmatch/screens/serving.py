"""How a lot looks where it is drunk: reference beside batch in a glass, as workflow/glasses.py says; another bottle
for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from colourmatch.advice import Advice, Served
from colourmatch.book.entries import AmendmentEntry, LotStory
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError
from colourmatch.records import pick
from colourmatch.screens import html, session
from colourmatch.screens.fields import act_on, ask_figure, begin_act
from colourmatch.screens.lot_words import newest_id
from colourmatch.screens.new_lot import ask_glasses, list_lights, name_light
from colourmatch.words.figures import tell_drops
from colourmatch.words.looks import tell_look
from colourmatch.workflow.glasses import serve_lot
from colourmatch.workflow.intake import read_intake

_NOTE = (
    "Screens show these colours only roughly, and none shows a lamp: each row is drawn as eyes see it that are used to "
    "its light. Trust the numbers, then the glass. Depth is looked through from above over something white, as in the "
    "photo; from the side light passes once, so give half the width there."
)


def show_serving(story: LotStory, advice: Advice) -> None:
    """The lot's own serving conditions, and any glass one likes to look at."""
    if not story.photos:
        return
    st.header("Where it is drunk")
    if advice.serving:
        st.html(html.facts({f"{one.name}: {_describe(one)}": _tell(one) for one in advice.serving}))
    # only unfolded: the lot is fitted once more for it
    with st.expander("Look at it in a glass", on_change="rerun", key=f"glass-fold-{story.lot.id}") as fold:
        if fold.open:
            with session.failures_shown():
                show_glass(story, advice)
    if not story.lot.closed and session.may_enter():
        ask_conditions(story)
    show_intake(story)


def _describe(one: Served) -> str:
    return tell_look(pick(one, "depth_mm", "dilution", "illuminant"), name_light)


def _tell(one: Served) -> str:
    lines = [f"now {html.show_interval(one.delta_e_2000)}, {one.text}"]
    if one.after_step:
        lines.append(f"after this step {html.show_interval(one.after_step)}, {one.after_text}")
    lines += [
        f"here alone it would be nearest after {tell_drops(d.drops or 0, (d.low, d.high), 'more')} of {d.stock}"
        for d in one.to_match
    ]
    return "\n".join(lines)


def show_glass(story: LotStory, advice: Advice) -> None:
    """Choose a glass, and see reference and batch in it in each light."""
    amended = newest_id(story, AmendmentEntry)  # it may have named another glass to begin with
    key, own = f"glass-{story.lot.id}-{{}}-{amended}", advice.serving[0] if advice.serving else None
    left, right = st.columns(2)
    depth = ask_figure(
        left, "depth_mm", key.format("depth"), own.depth_mm if own else 60.0,
        words="Depth of the glass, mm", step=5.0, help="How much liquid one looks through: about 60 in a tall glass.",
    )  # fmt: skip
    dilution = ask_figure(
        right, "dilution", key.format("dilution"), own.dilution if own else 1.0,
        words="With soda, 1 part made up to", help="1 is undiluted. 4 is 1 part with 3 of soda.",
    )  # fmt: skip
    lights = list_lights(one.illuminant for one in advice.serving)
    chosen = st.multiselect(
        "Lights", lights, default=["D65", "A"], format_func=name_light,
        key=key.format("lights"), placeholder="Choose",
    )  # fmt: skip
    if depth is None or dilution is None or not chosen:
        st.html(html.empty("Give a depth, a dilution and at least one light."))
        return
    looks = [{"depth_mm": depth, "dilution": dilution, "illuminant": light} for light in chosen]
    doses = [{"stock": dose.stock, "ml": dose.ml} for dose in advice.doses]
    seen = _look_through(session.current_book(), story.lot.id, session.mark_of(story), looks, doses)
    if not seen:
        st.html(html.empty("No photo says enough of this lot yet. Photograph reference and batch first."))
        return
    for one in seen:
        show_look(one)
    st.caption(_NOTE)


def show_look(one: Served) -> None:
    """One light: how far, which way, and the colours side by side."""
    spots, far = one.spots, html.show_interval(one.delta_e_2000)
    st.html(
        html.kicker(f"Light: {name_light(one.illuminant)}")
        + f'<p class="cm-big">CIEDE2000 {far}</p>'
        + html.line(f"{_describe(one)}. The batch against the reference: {one.text}.")
    )
    told = [("Reference", spots.reference, "the aim"), ("Batch", spots.batch, f"{one.text}; {far} away")]
    if spots.batch_after and one.after_step:
        words = f"{one.after_text}; {html.show_interval(one.after_step)} away"
        told.append(("After this step", spots.batch_after, words))
    st.html(html.swatches(html.Swatch(name, spot.lab, spot.lab_sd, said) for name, spot, said in told))


@st.cache_data(show_spinner="Looking through the glass …", max_entries=64)
def _look_through(
    _book: LotBook,
    lot_id: int,
    mark: tuple[Any, ...],
    looks: Sequence[Mapping[str, Any]],
    doses: Sequence[Mapping[str, Any]],
) -> tuple[Served, ...]:
    return serve_lot(_book, lot_id, looks, doses)


def ask_conditions(story: LotStory) -> None:
    """Change where the match is judged: the glasses that the advice weighs; what stood there stays on record."""
    act = act_on(story, "conditions", AmendmentEntry)
    with st.expander("Change where the match is judged", expanded=act.is_typed()):
        told = ask_glasses(act.key("{}", "{{}}"), (story.lot.serving or {}).get("conditions") or [])

        def change(token: str) -> str:
            if told == story.lot.serving:
                raise InputError("No glass was changed. Change one first.")
            lots = session.current_book().lots
            lots.amend(story.lot.id, "where it is drunk", serving=told, **session.by(token))
            return "The advice weighs these glasses from now on."

        act.offer("Judge it there", change, "write")


def show_intake(story: LotStory) -> None:
    """What a glass brings of each colourant against the acceptable daily intake; nothing while nothing is in."""
    intake = read_intake(story)
    if not intake:
        return
    with st.expander("What a glass brings against the daily intake"):
        for glass in intake:
            st.html(html.line(glass.text))
            for one in glass.colourants:
                adi = "none on file"
                if one.adi_mg_per_kg is not None:
                    adi = f"{one.adi_mg_per_kg:g} mg per kg of body mass ({one.source})"
                held = f"{html.show_interval(one.mg, 2)} mg"
                rows = {"Colourant": one.name, "In the glass": held, "Acceptable daily intake": adi}
                for share in one.shares:
                    rows[f"Of that, for {share.who}"] = f"{html.show_interval(share.percent(), 1)} %"
                st.html(html.facts(rows))
        st.caption(
            "By the labels, with the uncertainty of strength and drop. A qualified food technologist decides."
        )


def ask_other_stock(story: LotStory, advice: Advice) -> None:
    """A button for each stock on the shelf that would bring the batch nearer."""
    for other in advice.other_stocks:
        name = other.stock

        def use(token: str, name: str = name) -> str:
            if name in story.lot.stocks:
                raise InputError(f"{name} is used in this lot already.")
            why, stocks = f"{name} comes nearer to the reference", [*story.lot.stocks, name]
            session.current_book().lots.amend(story.lot.id, why, stocks=stocks, **session.by(token))
            return f"{name} is used in this lot as well from now on."

        reach, gain = map(html.show_interval, (other.reachable, other.gain))
        st.html(html.line(f"With {name} as well: {reach} could be reached, {gain} nearer than without."))
        begin_act(f"use-{story.lot.id}-{name}").offer(
            f"Use {html.plain(name)} in this lot as well", use, "do"
        )
