"""What lies under the fold of Match: the answer in full, figures, charts, forms and history, and how the lot looks where it
is drunk, as workflow/glasses.py says; it decides nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from colourmatch.advice import Advice, Dose, Served
from colourmatch.book.entries import AmendmentEntry, LotStory, PhotoEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError
from colourmatch.measurement import Measurement
from colourmatch.records import pick
from colourmatch.screens import fields, html, lot_words, plots, recording, session
from colourmatch.screens.amending import ask_amendment, ask_aside, show_history
from colourmatch.screens.fields import act_on, ask_figure, begin_act, pick_one
from colourmatch.screens.lot_words import asks_first, newest_id
from colourmatch.screens.new_lot import ask_glasses, list_lights, name_light
from colourmatch.screens.photo_view import show_flags, show_metamerism, show_photo, show_swatches
from colourmatch.screens.references import ask_choice, tell_target
from colourmatch.words.entries import tell_aside
from colourmatch.words.figures import PAGES
from colourmatch.words.looks import tell_look, tell_served
from colourmatch.workflow.ceilings import passed_ceilings
from colourmatch.workflow.glasses import serve_lot
from colourmatch.workflow.lot import use_stocks
from colourmatch.workflow.photo_colours import photo_view, read_intake


def show_numbers(story: LotStory, advice: Advice, waiting: str) -> None:
    """What the answer says in full, the difference against further drops, and the figures."""
    told = ""  # nothing where the answer is a question, word for word
    if story.closing is not None:
        told = lot_words.closing_panel(story.closing)
    elif not asks_first(advice):
        told = html.advice_panel(advice, story.lot.tolerance, waiting)
    told += "".join(html.flag_line("Too much", one["text"], "refuse") for one in passed_ceilings(story))
    if told:
        st.html(told)
    curve = advice.curve
    if curve is not None and max(curve.drops) >= 1 and not story.lot.closed and story.photos:
        st.header("What further drops would do")
        doses = {dose.stock: dose.drops for dose in advice.steps}
        figure = plots.draw_curve(curve, doses.get(curve.stock), story.lot.tolerance)
        words = "expected difference against further drops"
        st.plotly_chart(figure, config=plots.CONFIG, key="chart-curve", alt=words)
    show_glance(story, advice, waiting)


def show_details(story: LotStory, advice: Advice) -> None:
    """All that is not the answer, the charts of a* and b* last."""
    if not story.lot.closed and session.may_enter():  # what went in otherwise than advised
        st.header("Write down what went in")
        if blends_back(advice):
            recording.ask_other_entries(story, advice.rescue.untinted_ml if advice.rescue else None)
        ask_other_stock(story, advice)
        recording.record_anything(story, advice)
        recording.ask_correction(story)
    show_last_photo(story, advice)
    show_serving(story, advice)
    recording.show_trials(story)
    st.header("History")
    show_history(story)
    if session.may_enter():
        fields.ask_who()
        if story.lot.closed:  # else it stands under what was tapped
            recording.ask_correction(story)
        ask_aside(story)
        ask_amendment(story)
        ask_choice(story)
        if not story.lot.closed:
            if not blends_back(advice):
                recording.ask_other_entries(story)
            recording.ask_closing(story, advice)
    show_charts(story, advice)


def show_glance(story: LotStory, advice: Advice, waiting: str) -> None:
    """How far, which way, how much is left, and what is passed."""
    lot = story.lot
    together, shown = lot_words.find_combined(story, advice), lot_words.find_shown(story, advice)
    far, cells = advice.now, []
    whence = "all photos" if len(story.counting_photos) > 1 else "the photo and how dyes absorb"
    seen = shown or lot_words.last_compared(story)
    if seen and seen.delta_e_2000 and seen.difference:
        whose = lot_words.describe_photos(shown)
        far = far or seen.delta_e_2000
        chance = advice.chance_within_tolerance if far is advice.now else None
        under = f"{html.judge(far, lot.tolerance, chance)}; CIEDE2000, 95 %"
        if far is not seen.delta_e_2000:
            alone = f"{whose.capitalize()} {'together' if shown else 'alone'}"
            under += f", from {whence}. {alone}: {html.show_interval(seen.delta_e_2000)}"
        heading = f"How far, {whose}" if waiting else "How far"
        cells.append(html.cell(heading, html.show_interval(far), under))
        words = f"the batch against the reference, {whose}"
        cells.append(html.cell("Which way", seen.difference.text, words))
    elif far:
        words = f"{html.judge(far, lot.tolerance, advice.chance_within_tolerance)}; CIEDE2000, 95 %, from {whence}"
        cells.append(html.cell("How far", html.show_interval(far), words))
    st.html(html.glance([*cells, lot_words.show_ceiling(story)]))
    if lot.target_lab is not None:
        st.html(html.line(f"Tinted to {tell_target(story)}."))
    if together and not together.agree:
        st.html(html.flag_line("Doubtful", together.text, "warn"))
    if photo := last_photo(story):
        show_metamerism(photo.measurement)
        show_flags(photo.measurement, advice.text)
    for one in (advice.amounts, *advice.surprises):
        if one and one.text:
            st.html(html.flag_line("Strength", one.text, "warn"))


def blends_back(advice: Advice) -> bool:
    """Whether blending back is what is left to do: past the match, and no other stock brings it nearer."""
    return advice.reason == "past" and not advice.other_stocks


def show_last_photo(story: LotStory, advice: Advice) -> None:
    if (last := last_photo(story)) is None:
        return
    photo = last
    left, right = st.columns(2, gap="large")
    with right:
        st.header("The photo")
        if len(story.photos) > 1:
            names = lot_words.name_photos(story)
            names[last.id] += " (the last)"
            newest = dict(reversed(names.items()))
            index = list(newest).index(last.id)
            chosen = pick_one("Photo", newest, f"pick-photo-{last.id}", index=index)
            photo = next(entry for entry in story.photos if entry.id == chosen)
        if photo.aside is not None:
            st.write(f"This photo is {html.plain(tell_aside(photo.aside))}")
        show_photo(photo)
    with left:
        st.header("The colours")
        is_last = photo.id == last.id and not lot_words.describe_since_photo(story)
        seen = is_last and is_as_set(story, photo.measurement)
        show_swatches(photo.measurement, next_step(story, advice) if seen else None)


def is_as_set(story: LotStory, measurement: Measurement) -> bool:
    """Whether a photo shows the liquids as deep and thinned as the lot has them: what is expected holds for those."""
    return photo_view(story.lot, measurement) == photo_view(story.lot, None)


def last_photo(story: LotStory) -> PhotoEntry | None:
    """The last photo that counts, one of the match where there is one: those after the closing tell of keeping."""
    return next(reversed(story.matched or story.counting_photos), None)


def next_step(story: LotStory, advice: Advice) -> Advice | None:
    """The advice where it is to add something that can still be added."""
    return advice if advice.action == "add" and not story.lot.closed else None


def show_charts(story: LotStory, advice: Advice) -> None:
    """The way of the batch towards the reference, and what further drops would do."""
    photos = lot_words.alike_photos(story)
    step = next_step(story, advice)
    measured = {number: photo.measurement for number, photo in photos.items()}
    seen = step if measured and is_as_set(story, measured[max(measured)]) else None
    path = plots.trace_path(measured, seen)
    if path is None:
        return
    st.header("The way to the reference")
    right, left = st.columns(2, gap="large")
    with left:
        words = "a* and b* of the batch photo by photo, and of the reference"
        st.plotly_chart(plots.draw_ab(path), config=plots.CONFIG, key="chart-ab", alt=words)
    with right:
        words = "L* against chroma photo by photo"
        st.plotly_chart(plots.draw_lightness(path), config=plots.CONFIG, key="chart-lightness", alt=words)
    told = "Numbers are photos, each drawn from the last reading of the reference. Rings hold 95 %, the dotted one after this step."
    if len(photos) < max(photos):
        told += " Photos set aside or thinned otherwise than the last one are left out."
    st.caption(told)


# ---- where it is drunk -------------------------------------------------------------------------------------------

_NOTE = (
    "Screens show these colours only roughly, and none shows a lamp: each row is drawn as eyes see it that are used to "
    "its light. Trust the numbers, then the glass. Depth is looked through from above over something white, as in the "
    "photo; from the side light passes once, so give half the width there."
)


def show_serving(story: LotStory, advice: Advice) -> None:
    """The lot's own serving conditions, any glass one likes to look at, and a change of where the match is judged."""
    if not story.photos:
        return
    st.header("Where it is drunk")
    if advice.serving:
        looks = {
            f"{one.name}: {_describe(one)}": "\n".join(tell_served(one, closed=story.lot.closed, signs=PAGES))
            for one in advice.serving
        }
        st.html(html.facts(looks))
    # only unfolded: the lot is fitted once more for it
    with st.expander("Look at it in a glass", on_change="rerun", key=f"glass-fold-{story.lot.id}") as fold:
        if fold.open:
            with session.failures_shown():
                show_glass(story, advice)
    if not story.lot.closed and session.may_enter():
        act = act_on(story, "conditions", AmendmentEntry)
        with st.expander("Change where the match is judged", expanded=act.is_typed()):
            told = ask_glasses(act.key("{}", "{{}}"), story.lot.glasses)

            def change(token: str) -> str:
                if told == story.lot.serving:
                    raise InputError("No glass was changed. Change one first.")
                lots = session.current_book().lots
                lots.amend(story.lot.id, "where it is drunk", serving=told, **session.by(token))
                return "The advice weighs these glasses from now on."

            act.offer("Judge it there", change, "write")
    show_intake(story)


def _describe(one: Served) -> str:
    return tell_look(pick(one, "depth_mm", "dilution", "illuminant"), name_light)


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
    seen = _look_through(session.current_book(), story.lot.id, session.mark_of(story), looks, advice.doses)
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
    _book: LotBook, lot_id: int, mark: tuple[Any, ...], looks: list[dict[str, Any]], _doses: Sequence[Dose]
) -> tuple[Served, ...]:
    return serve_lot(_book, lot_id, looks, _doses)  # what is advised next hangs on the mark too


def show_intake(story: LotStory) -> None:
    """What a glass brings of each colourant against the acceptable daily intake; nothing while nothing is in."""
    intake = read_intake(story)
    if not intake:
        return
    with st.expander("What a glass brings against the daily intake"):
        for glass in intake:
            st.html(html.line("\n".join([glass.text, *(one.text for one in glass.colourants)])))
        st.caption("By the labels, with the uncertainty of strength and drop. A qualified food technologist decides.")


def ask_other_stock(story: LotStory, advice: Advice) -> None:
    """A button for each stock on the shelf that would bring the batch nearer."""
    for other in advice.other_stocks:
        name = other.stock

        def use(token: str, name: str = name) -> str:
            why, by = f"{name} comes nearer to the reference", session.by(token)
            use_stocks(session.current_book(), story.lot.id, [name], why, **by)
            return f"{name} is used in this lot as well from now on."

        reach, gain = map(html.show_interval, (other.reachable, other.gain))
        st.html(html.line(f"With {name} as well: {reach} could be reached, {gain} nearer than without."))
        begin_act(f"use-{story.lot.id}-{name}").offer(f"Use {html.plain(name)} in this lot as well", use, "do")
