"""The main page: one answer with its picture, its scale and its act; everything else lies under one fold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import streamlit as st

from colourmatch.book.entries import AmendmentEntry, AsideEntry, LotStory, PhotoEntry
from colourmatch.measurement import Measurement
from colourmatch.screens import drafts, pages, plots, serving, session, trials
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens.amending import ask_amendment, ask_aside
from colourmatch.screens.answer import Answer, draw_answer, draw_scale, find_answer, find_place, untinted_ml
from colourmatch.screens.pair import draw_measuring, draw_pair
from colourmatch.screens.photo_view import (
    clear_upload,
    show_flags,
    show_picture,
    show_swatches,
    upload_photos,
)
from colourmatch.screens.recording import (
    ask_closing,
    ask_correction,
    ask_other_entries,
    finish_lot,
    record_advised,
    record_anything,
    record_untinted,
)
from colourmatch.screens.references import ask_choice, tell_target
from colourmatch.screens.undoing import tell_newest
from colourmatch.words.entries import tell_aside
from colourmatch.words.figures import tell_ml
from colourmatch.words.looks import tell_glass

_NO_LOT = (
    "Here a lot is matched: each photo of reference and batch gives the difference and the next step. "
    "Begin a lot under Set up, or open the example."
)


def show() -> None:
    """The page."""
    lot_id = session.chosen_lot_id()
    if lot_id is None:
        st.title("Match")
        session.show_notices()
        st.html(parts.empty(_NO_LOT))
        with st.container(horizontal=True):
            if session.may_enter() and st.button("Set up a stock and a lot", type="primary", key="to-set-up"):
                st.switch_page(pages.find_page("set_up"))
            if st.button("To the start, with the example lot", key="to-start"):
                st.switch_page(pages.find_page("start"))
        return
    story = pick_story(lot_id)
    waiting = telling.describe_since_photo(story)
    advice = find_advice(story)
    answer = find_answer(story, advice, waiting)
    with st.container(key="cm-match"):
        left, right = st.container(key="cm-left"), st.container(key="cm-details")
    with left:
        trials.show_trial_head(story)
        picture = show_pair(story)
        block = st.empty()
        block.html(draw_answer(answer))
        show_place(story, advice, waiting)
        show_refused(story)
    with right:
        fold = st.expander("Details", expanded=is_typing(story))
    with fold:
        show_numbers(story, advice, waiting)
        photo_forms = st.container()
    with left:
        show_bar(story, advice, answer, Places(picture, block, photo_forms))
    with fold:
        show_details(story, advice, waiting)


@dataclass(frozen=True)
class Places:
    """Where a photo is shown while it is measured, where the answer stands, and where what belongs to photos is asked."""

    picture: Any
    answer: Any
    forms: Any


def pick_story(lot_id: int) -> LotStory:
    """The quiet line at the top: the lot and its volume; a tap offers the others."""
    story = session.current_book().lots.story(lot_id)
    volume = tell_ml(story.state().volume_ml, session.shows_us())
    with st.container(key="cm-lot", gap=None):
        st.html('<h1 class="cm-unseen">Match</h1>')
        with st.popover(f"{parts.plain(story.lot.name)}, {volume}", width="stretch"):
            chosen = pick_lot(lot_id)
    session.choose_lot(chosen)
    if chosen != lot_id:
        st.rerun()
    return story


def is_typing(story: LotStory) -> bool:
    """Whether something was typed into a form under the fold and not sent: it is then found unfolded."""
    lot = f"-{story.lot.id}"
    return any(
        drafts.holds(str(token))
        for key, token in list(st.session_state.items())
        if str(key).startswith("token-") and not str(key).startswith("token-dose-") and lot in str(key)
    )


def show_pair(story: LotStory) -> Any:
    """Both glasses of the last photo, and over them the tap that shows it whole; the place of the picture."""
    photo = last_photo(story) if story.photos else None
    with st.container(key="cm-pair"):
        place = st.empty()
        place.html(draw_pair(story, photo))
        if photo is not None and st.button("Whole photo", key=f"whole-photo-{photo.id}"):
            show_whole(photo)
    return place


@st.dialog("The last photo", width="large")
def show_whole(photo: PhotoEntry) -> None:
    """The photo with what was found drawn on it."""
    show_photo(photo)


def show_place(story: LotStory, advice: dict[str, Any], waiting: str) -> None:
    """Where the batch stands, drawn; and what nobody should pass over."""
    from colourmatch.workflow.ceilings import passed_ceilings

    place = find_place(story, advice, waiting)
    if place is not None:
        way, now, expected = place
        st.html(draw_scale(way, now, story.lot.tolerance, expected=expected))
    lines = [parts.flag_line("Too much", one["text"], "refuse") for one in passed_ceilings(story)]
    if problem := advice.get("problem"):
        lines.append(parts.flag_line("Note", problem))
    if lines:
        st.html("".join(lines))


def show_bar(story: LotStory, advice: dict[str, Any], answer: Answer, places: Places) -> None:
    """The act of the state within reach of the thumb, and above it the way back from the last one."""
    for action in ("finish", "untinted"):  # a tap on what is offered no longer is answered too
        session.token_for(f"{action}-{story.lot.id}", telling.newest_id(story))
    if not session.may_enter():
        return
    asks_photo = answer.state == "photo"
    with st.container(key="cm-bar"):
        tell_newest(story)
        record_advised(story, advice if answer.state == "add" else {})
        if answer.state == "question":
            ask_question(story, advice)
        elif answer.state == "stop" and (ml := untinted_ml(advice)):
            record_untinted(story, ml)
        elif answer.state == "stop":
            finish_lot(story, advice)
        upload = st.container(key="cm-shoot") if asks_photo else places.forms
    if not story.lot.closed:
        take_photos(story, answer, upload, places)


def show_numbers(story: LotStory, advice: dict[str, Any], waiting: str) -> None:
    """What the answer says in full, the difference against further drops, and the figures."""
    st.html(tell_now(story, advice, waiting))
    show_curve(story, advice)
    show_glance(story, advice, waiting)


def show_details(story: LotStory, advice: dict[str, Any], waiting: str) -> None:
    """All that is not the answer, the charts of a* and b* last."""
    show_actions(story, advice)
    show_last_photo(story, advice)
    serving.show_serving(story, advice)
    trials.show_trials(story)
    show_history(story, advice, waiting)
    show_charts(story, advice)


def find_advice(story: LotStory) -> dict[str, Any]:
    """What to do now; what was worked out with the last photo holds while nothing was entered since."""
    known = telling.advice_of_last_photo(story)
    if known is not None:
        return known
    with st.spinner("Working out the next step …"):
        return session.describe(story)["advice"] or {}


def pick_lot(lot_id: int) -> int:
    """The lot to work on, among the open ones and the one at hand."""
    book = session.current_book()
    lots = {lot.id: lot for lot in (book.lots.get(lot_id), *book.lots.search(open_only=True, limit=40))}
    ids = sorted(lots, reverse=True)
    return st.selectbox(
        "Lot", ids, index=ids.index(lot_id), key=f"pick-lot-{lot_id}",
        format_func=lambda i: f"{lots[i].name} ({lots[i].label}){', closed' if lots[i].closed else ''}",
    )  # fmt: skip


def tell_now(story: LotStory, advice: dict[str, Any], waiting: str) -> str:
    """The panel at the top: closed, the first photo, or the advice."""
    if story.closing is not None:
        return telling.closing_panel(story.closing)
    if not story.photos and not waiting:
        text = "Photograph reference and batch on the card before the first drop."
        return parts.panel("Now", text, ["The first photo says how far apart they are."], "photo")
    return parts.advice_panel(advice, waiting)


def show_refused(story: LotStory) -> None:
    """The photos of the last upload that were not measured, until something else is entered."""
    events, refused = st.session_state.get(f"refused-{story.lot.id}", (0, []))
    if refused and events == len(story.events):
        lines = [parts.flag_line("Not measured", f"{name}: {text}", "refuse") for name, text in refused]
        st.html("".join(lines))


def ask_question(story: LotStory, advice: dict[str, Any]) -> None:
    """A photo that seems older than what was noted before it: two taps, each written down."""
    question = advice.get("question")
    if not question:
        return
    photo = next((entry for entry in story.photos if entry.id == question["entry"]), story.photos[-1])
    action = f"question-{story.lot.id}"
    token = session.token_for(action, photo.id)
    answers = (
        ("Yes, it was before", question["at"], "it was taken before"),
        ("No, it shows the batch as it is", question["stays_at"], "it was taken after"),
    )
    for words, at, reason in answers:
        if st.button(words, width="stretch", key=f"{action}-{at}-{token}"):
            session.act_once(action, partial(_answer_question, photo.id, at, reason), to_top=True)


def _answer_question(photo_id: int, at: str, reason: str, token: str) -> str:
    session.current_book().entries.move(photo_id, at, reason, entered_by=session.entered_by(), token=token)
    return f"The photo stands where it belongs: {reason}."


def show_glance(story: LotStory, advice: dict[str, Any], waiting: str) -> None:
    """How far, which way, how much is left, and what is passed."""
    from colourmatch.workflow.ceilings import ceiling_left

    lot, photos = story.lot, telling.compared_photos(story)
    together = telling.find_combined(story, advice)
    cells = []
    if photos:
        # torn photos say nothing together: the last one is shown, and the sentence below
        shown = together if together and (together["agree"] or together["retake"]) else None
        seen, whose = shown or photos[-1].measurement.to_json(), telling.describe_photos(shown)
        far = advice.get("now") or seen["delta_e_2000"]
        under = f"{parts.judge(far, lot.tolerance)}; CIEDE2000 with its 95 % interval"
        if far is not seen["delta_e_2000"]:
            alone = "together" if shown else "alone"
            under += f", from all photos. {whose.capitalize()} {alone}: {parts.show_interval(seen['delta_e_2000'])}"
        heading = f"How far, {whose}" if waiting else "How far"
        cells.append(parts.cell(heading, parts.show_interval(far), under))
        cells.append(
            parts.cell("Which way", seen["difference"]["text"], f"the batch against the reference, {whose}")
        )
    elif advice.get("now"):
        words = (
            f"{parts.judge(advice['now'], lot.tolerance)}; CIEDE2000 with its 95 % interval, from all photos"
        )
        cells.append(parts.cell("How far", parts.show_interval(advice["now"]), words))
    used, left = story.state().total_mg_per_l(), ceiling_left(story)
    cells.append(parts.ceiling_cell(used, lot.ceiling_mg_per_l, left, lot.jurisdiction))
    st.html(parts.glance(cells))
    if lot.target_lab is not None:
        st.html(parts.line(f"Tinted to {tell_target(story)}."))
    if together and not together["agree"]:
        st.html(parts.flag_line("Doubtful", together["text"], "warn"))
    if story.photos:
        show_flags(last_photo(story).measurement, advice.get("text") or "")
    for one in (advice.get("amounts") or {}, *(advice.get("surprises") or ())):
        if one.get("text"):
            st.html(parts.flag_line("Strength", one["text"], "warn"))


def show_actions(story: LotStory, advice: dict[str, Any]) -> None:
    """Write down what went in otherwise than advised, and close the lot."""
    if story.lot.closed or not session.may_enter():
        return
    st.header("Write down what went in")
    if blends_back(advice):
        ask_other_entries(story, (advice.get("rescue") or {}).get("untinted_ml"))
    serving.ask_other_stock(story, advice)
    record_anything(story, advice)
    ask_correction(story)


def blends_back(advice: dict[str, Any]) -> bool:
    """Whether blending back is what is left to do: past the match, and no other stock brings it nearer."""
    return advice.get("reason") == "past" and not advice.get("other_stocks")


def take_photos(story: LotStory, answer: Answer, upload: Any, places: Places) -> None:
    """Measure and keep new photos one by one; a refused one is named and not kept.

    upload: where the field stands, which is the one button of the bar while a photo is what is asked for.
    """
    lot, place = story.lot, f"lot-{story.lot.id}"
    with places.forms:
        st.header("Next photo" if story.photos else "First photo")
        view = ask_view(story)
        camera = st.container()
        st.page_link(pages.find_page("picker"), label="No card in the photo? Mark white and liquids on it")
    with upload:
        files = upload_photos(
            place, "Photos of reference and batch", camera=camera, bare=answer.state == "photo"
        )
    if not files:
        return
    places.picture.html(draw_measuring(files[0][0]))
    places.answer.html(draw_answer(answer, old=True))
    from colourmatch.workflow.lot import record_photos

    refused, kept = [], 0
    with session.failures_shown():
        for number, (data, name) in enumerate(files):
            if number:
                places.picture.html(draw_measuring(data))
            found = record_photos(
                session.current_book(), lot.id, [(data, name)], entered_by=session.entered_by(), view=view
            )[0]
            if found.get("error"):
                refused.append((name, found["error"]))
            elif found.get("repeated"):
                refused.append(
                    (name, "It is in this lot already and is not counted again. Take a new photo.")
                )
            else:
                kept += 1
        st.session_state[f"refused-{lot.id}"] = (len(story.events) + kept, refused)
        clear_upload(place)
        session.go_to_top()
        if kept > 1:  # of one the bar says so
            session.notify(f"{kept} photos are measured and kept.")
        st.rerun()


def ask_view(story: LotStory) -> dict[str, float | None]:
    """Depth and dilution of the next photos where they are not as in the last one."""
    from colourmatch.workflow.lot import view_of_photos

    now = view_of_photos(story)
    key = f"view-{story.lot.id}-{telling.newest_id(story, PhotoEntry, AsideEntry, AmendmentEntry)}"
    with st.expander(f"{tell_glass(now.depth_mm, now.dilution)}. Thinned otherwise?"):
        st.write("Both glasses alike, the blank is water. It holds for the photos from now on.")
        left, right = st.columns(2)
        depth = left.number_input(
            "Depth in the glass, mm", value=now.depth_mm, min_value=1.0, max_value=200.0, step=1.0, format="%g",
            key=f"{key}-depth",
        )  # fmt: skip
        dilution = right.number_input(
            "1 part made up to", value=now.dilution, min_value=1.0, max_value=1000.0, step=1.0, format="%g",
            key=f"{key}-dilution",
        )  # fmt: skip
    return {
        "depth_mm": depth if depth != now.depth_mm else None,
        "dilution": dilution if dilution != now.dilution else None,
    }


def show_last_photo(story: LotStory, advice: dict[str, Any]) -> None:
    """The photo with what was found on it, and the colours side by side."""
    if not story.photos:
        return
    left, right = st.columns(2, gap="large")
    last = photo = last_photo(story)
    with right:
        st.header("The photo")
        if len(story.photos) > 1:
            names = telling.name_photos(story)
            names[last.id] += " (the last)"
            newest = list(names)[::-1]
            chosen = st.selectbox(
                "Photo",
                newest,
                newest.index(last.id),
                format_func=names.__getitem__,
                key=f"pick-photo-{last.id}",
            )
            photo = next(entry for entry in story.photos if entry.id == chosen)
        if photo.aside is not None:
            st.write(f"This photo is {parts.plain(tell_aside(photo.aside))}")
        show_photo(photo)
    with left:
        st.header("The colours")
        is_last = photo.id == last.id and not telling.describe_since_photo(story)
        seen = is_last and is_as_set(story, photo.measurement)
        show_swatches(photo.measurement, next_step(story, advice) if seen else None)


def is_as_set(story: LotStory, measurement: Measurement) -> bool:
    """Whether a photo shows the liquids as deep and thinned as the lot has them: what is expected holds for those."""
    from colourmatch.workflow.fitting import photo_view

    return photo_view(story.lot, measurement) == photo_view(story.lot, None)


def last_photo(story: LotStory) -> PhotoEntry:
    """The last photo of the match that counts; those after the closing tell of keeping, and stand under Lots."""
    match = [photo for photo in story.photos if photo.purpose == "match"]
    return ([photo for photo in match if photo.aside is None] or match or list(story.photos))[-1]


def next_step(story: LotStory, advice: dict[str, Any]) -> dict[str, Any]:
    """The advice where it is to add something that can still be added, else nothing."""
    return advice if advice.get("action") == "add" and not story.lot.closed else {}


def show_photo(photo: PhotoEntry) -> None:
    """A kept photo from the store beside the book."""
    if photo.stored_name is None:
        st.html(parts.empty("This reading came without a picture."))
        return
    path = session.current_book().photo_store.path(photo.stored_name)
    show_picture(path, photo.measurement, photo.original_name or "photo")


def show_charts(story: LotStory, advice: dict[str, Any]) -> None:
    """The way of the batch towards the reference, and what further drops would do."""
    photos = telling.alike_photos(story)
    step = next_step(story, advice)
    measured = [photo.measurement for photo in photos.values()]
    seen = step if measured and is_as_set(story, measured[-1]) else None
    path = plots.trace_path(measured, seen, list(photos))
    if path is None:
        return
    key = (
        session.book_location(),
        tuple(photo.id for photo in photos.values()),
        str((path.predicted, path.predicted_covariance)),
    )
    st.header("The way to the reference")
    right, left = st.columns(2, gap="large")
    with left:
        draw(
            draw_once(("ab", *key), lambda: plots.draw_ab(path)),
            "ab",
            "a* and b* of the batch photo by photo, and of the reference",
        )
    with right:
        figure = draw_once(("lightness", *key), lambda: plots.draw_lightness(path))
        draw(figure, "lightness", "L* against chroma photo by photo")
    st.caption(
        "Each photo's difference is drawn from the last reading of the reference. Numbers are photos; a ring holds "
        "the batch against the reference with 95 %, the dotted one what is expected after this step."
        + (
            " Photos set aside or thinned otherwise than the last one are left out."
            if len(photos) < max(photos)
            else ""
        )
    )


def show_curve(story: LotStory, advice: dict[str, Any]) -> None:
    """What further drops would do."""
    if not advice.get("curve") or story.lot.closed or not story.photos:
        return
    st.header("What further drops would do")
    doses = {dose["stock"]: dose["drops"] for dose in next_step(story, advice).get("doses") or ()}
    curve = advice["curve"]
    told = (curve, doses.get(curve["stock"]), story.lot.tolerance)
    figure = draw_once(("curve", str(told)), lambda: plots.draw_curve(*told))
    draw(figure, "curve", "expected difference against further drops")


@st.cache_resource(show_spinner=False, max_entries=48)
def draw_once(key: tuple[Any, ...], _draw: Callable[[], Any]) -> Any:
    """A figure that is drawn again only for other data; `key` holds all that it shows."""
    return _draw()


def draw(figure: Any, name: str, words: str) -> None:
    """A chart, with words for those who do not see it."""
    st.plotly_chart(figure, config=plots.CONFIG, key=f"chart-{name}", alt=words)


def show_history(story: LotStory, advice: dict[str, Any], waiting: str) -> None:
    """Everything that happened, and what else can be written down."""
    st.header("History")
    st.html(
        telling.tell_story(story, session.shows_us())
        if story.events
        else parts.empty("Nothing happened yet.")
    )
    if not session.may_enter():
        return
    st.text_input(
        "Your name or initials (optional)", key="who", max_chars=120, persist_state="session",
        help="Written beside what you enter from now on.",
    )  # fmt: skip
    if story.lot.closed:  # else it stands under what was tapped
        ask_correction(story)
    ask_aside(story)
    ask_amendment(story)
    ask_choice(story)
    if story.lot.closed:
        return
    if not blends_back(advice):
        ask_other_entries(story)
    ask_closing(story, advice)


if __name__ == "__main__":
    show()
