"""What lies under the fold of Match: the answer in full, figures, charts, forms and history; it decides nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from colourmatch.advice import Advice
from colourmatch.book.entries import LotStory, PhotoEntry
from colourmatch.measurement import Measurement
from colourmatch.screens import fields, html, lot_words, plots, recording, serving, session
from colourmatch.screens.amending import ask_amendment, ask_aside, show_history
from colourmatch.screens.fields import pick_one
from colourmatch.screens.lot_words import asks_first
from colourmatch.screens.photo_view import show_flags, show_metamerism, show_photo, show_swatches
from colourmatch.screens.references import ask_choice, tell_target
from colourmatch.words.entries import tell_aside
from colourmatch.workflow.ceilings import passed_ceilings
from colourmatch.workflow.views import photo_view


def show_numbers(story: LotStory, advice: Advice, waiting: str) -> None:
    """What the answer says in full, the difference against further drops, and the figures."""
    told = ""  # nothing where the answer is a question, word for word
    if story.closing is not None:
        told = lot_words.closing_panel(story.closing)
    elif not asks_first(advice) and not story.photos and not waiting:
        text = "Photograph reference and batch on the card before the first drop."
        told = html.panel("Now", text, ["The first photo says how far apart they are."], "photo")
    elif not asks_first(advice):
        told = html.advice_panel(advice, waiting)
    told += "".join(html.flag_line("Too much", one["text"], "refuse") for one in passed_ceilings(story))
    if told:
        st.html(told)
    curve = advice.curve
    if curve is not None and not story.lot.closed and story.photos:
        st.header("What further drops would do")
        doses = {dose.stock: dose.drops for dose in advice.steps}
        drawn = (curve, doses.get(curve.stock), story.lot.tolerance)
        words = "expected difference against further drops"
        draw("curve", words, (str(drawn),), lambda: plots.draw_curve(*drawn))
    show_glance(story, advice, waiting)


def show_details(story: LotStory, advice: Advice) -> None:
    """All that is not the answer, the charts of a* and b* last."""
    if not story.lot.closed and session.may_enter():  # what went in otherwise than advised
        st.header("Write down what went in")
        if blends_back(advice):
            recording.ask_other_entries(story, advice.rescue.untinted_ml if advice.rescue else None)
        serving.ask_other_stock(story, advice)
        recording.record_anything(story, advice)
        recording.ask_correction(story)
    show_last_photo(story, advice)
    serving.show_serving(story, advice)
    recording.show_trials(story)
    show_past(story, advice)
    show_charts(story, advice)


def show_glance(story: LotStory, advice: Advice, waiting: str) -> None:
    """How far, which way, how much is left, and what is passed."""
    lot = story.lot
    together, shown = lot_words.find_combined(story, advice), lot_words.find_shown(story, advice)
    far, cells = advice.now, []
    seen = shown or lot_words.last_compared(story)
    if seen and seen.delta_e_2000 and seen.difference:
        whose = lot_words.describe_photos(shown)
        far = far or seen.delta_e_2000
        under = f"{html.judge(far, lot.tolerance)}; CIEDE2000, 95 %"
        if far is not seen.delta_e_2000:
            alone = f"{whose.capitalize()} {'together' if shown else 'alone'}"
            under += f", from all photos. {alone}: {html.show_interval(seen.delta_e_2000)}"
        heading = f"How far, {whose}" if waiting else "How far"
        cells.append(html.cell(heading, html.show_interval(far), under))
        words = f"the batch against the reference, {whose}"
        cells.append(html.cell("Which way", seen.difference.text, words))
    elif far:
        words = f"{html.judge(far, lot.tolerance)}; CIEDE2000, 95 %, from all photos"
        cells.append(html.cell("How far", html.show_interval(far), words))
    st.html(html.glance([*cells, lot_words.show_ceiling(story)]))
    if lot.target_lab is not None:
        st.html(html.line(f"Tinted to {tell_target(story)}."))
    if together and not together.agree:
        st.html(html.flag_line("Doubtful", together.text, "warn"))
    if story.photos:
        show_metamerism(last_photo(story).measurement)
        show_flags(last_photo(story).measurement, advice.text)
    for one in (advice.amounts, *advice.surprises):
        if one and one.text:
            st.html(html.flag_line("Strength", one.text, "warn"))


def blends_back(advice: Advice) -> bool:
    """Whether blending back is what is left to do: past the match, and no other stock brings it nearer."""
    return advice.reason == "past" and not advice.other_stocks


def show_last_photo(story: LotStory, advice: Advice) -> None:
    """The photo with what was found on it, and the colours side by side."""
    if not story.photos:
        return
    left, right = st.columns(2, gap="large")
    last = photo = last_photo(story)
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


def last_photo(story: LotStory) -> PhotoEntry:
    """The last photo of the match that counts; those after the closing tell of keeping, and stand under Lots."""
    match = [photo for photo in story.photos if photo.purpose == "match"]
    return ([photo for photo in match if photo.aside is None] or match or list(story.photos))[-1]


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
    ids = tuple(photo.id for photo in photos.values())
    key = (session.current_book().place, ids, str((path.predicted, path.predicted_covariance)))
    st.header("The way to the reference")
    right, left = st.columns(2, gap="large")
    with left:
        words = "a* and b* of the batch photo by photo, and of the reference"
        draw("ab", words, key, lambda: plots.draw_ab(path))
    with right:
        words = "L* against chroma photo by photo"
        draw("lightness", words, key, lambda: plots.draw_lightness(path))
    told = "Numbers are photos, each drawn from the last reading of the reference. Rings hold 95 %, the dotted one after this step."
    if len(photos) < max(photos):
        told += " Photos set aside or thinned otherwise than the last one are left out."
    st.caption(told)


@st.cache_resource(show_spinner=False, max_entries=48)
def _draw_once(key: tuple[Any, ...], _draw: Callable[[], Any]) -> Any:
    return _draw()


def draw(name: str, words: str, key: tuple[Any, ...], act: Callable[[], Any]) -> None:
    """A chart, with words for those who do not see it; drawn again only for other data, all of which `key` holds."""
    figure = _draw_once((name, *key), act)
    st.plotly_chart(figure, config=plots.CONFIG, key=f"chart-{name}", alt=words)


def show_past(story: LotStory, advice: Advice) -> None:
    """Everything that happened, and what else can be written down."""
    st.header("History")
    show_history(story)
    if not session.may_enter():
        return
    fields.ask_who()
    if story.lot.closed:  # else it stands under what was tapped
        recording.ask_correction(story)
    ask_aside(story)
    ask_amendment(story)
    ask_choice(story)
    if story.lot.closed:
        return
    if not blends_back(advice):
        recording.ask_other_entries(story)
    recording.ask_closing(story, advice)
