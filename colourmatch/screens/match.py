"""The main page: one answer with its picture, its scale and its act; everything else lies under one fold."""

from __future__ import annotations

from typing import Any

import streamlit as st

from colourmatch.advice import Advice
from colourmatch.book.entries import AmendmentEntry, AsideEntry, LotStory, PhotoEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import is_example
from colourmatch.screens import drafts, html, lot_words, pages, recording, session
from colourmatch.screens.amending import tell_newest
from colourmatch.screens.drawing import draw_measuring, draw_pair
from colourmatch.screens.fields import act_on, ask_number, pick_one
from colourmatch.screens.match_details import last_photo, show_details, show_numbers
from colourmatch.screens.photo_view import count_kept, end_upload, show_photo, show_refused, upload_photos
from colourmatch.words.advice import PASSED
from colourmatch.words.figures import tell_ml
from colourmatch.words.looks import tell_glass
from colourmatch.workflow.again import FirstDose, begin_with, find_first_dose
from colourmatch.workflow.ceilings import passed_ceilings
from colourmatch.workflow.lot import Thinning, advise_lot, find_thinning, record_photos, view_of_photos

_NO_LOT = (
    "Here a lot is matched: each photo of reference and batch gives the difference and the next step. "
    "Begin a lot under Set up, or open the example."
)


def show() -> None:
    lot_id = session.chosen_lot_id()
    if lot_id is None:
        st.title("Match")
        session.show_notices()
        st.html(html.empty(_NO_LOT))
        with st.container(horizontal=True):
            pages.offer_own_lot()
            if st.button("To the start, with the example lot", key="to-start"):
                st.switch_page(pages.find_page("start"))
        return
    story = pick_story(lot_id)
    waiting = lot_words.describe_since_photo(story)
    advice = find_advice(story)
    thinning = find_thinning(story)
    answer = lot_words.find_answer(story, advice, waiting, thinning)
    with st.container(key="cm-match"):
        left, right = st.container(key="cm-left"), st.container(key="cm-details")
    with left:
        recording.show_trial_head(story)
        picture = show_pair(story, changed=bool(waiting))
        block = st.html(lot_words.draw_answer(answer))
        show_place(story, advice, waiting)
        # photos that were not measured are named until something else is entered
        place = f"lot-{story.lot.id}"
        events, kept, wrong = st.session_state.get(f"refused-at-{place}", (0, 0, False))
        named = events == len(story.events) and show_refused(place, "Not measured", again=True)
        if story.lot.closed and story.lot.trial_of is None:
            pages.lead_on(story)
    with right:
        fold = st.expander("Details", expanded=is_typing(story))
    with fold:
        show_numbers(story, advice, waiting)
        forms = st.container()
    with left:
        upload = show_bar(story, advice, answer, undoable=kept or not named, again=named and wrong) or forms
        if session.may_enter() and not story.lot.closed:
            take_photos(story, answer, thinning, picture=picture, block=block, forms=forms, upload=upload)
    with fold:
        if (question := advice.question) and answer.state != "question" and session.may_enter():
            recording.ask_causes(story, question)
        show_details(story, advice)


def pick_story(lot_id: int) -> LotStory:
    """The quiet line at the top: the lot and its volume; a tap offers the others."""
    known = session.current_book().lots
    story = known.story(lot_id)
    lots = {lot.id: lot for lot in (story.lot, *known.search(open_only=True, limit=40))}
    names = {
        number: f"{lot.name} ({lot.label}){', closed' if lot.closed else ''}"
        for number, lot in sorted(lots.items(), reverse=True)
    }
    volume = tell_ml(story.state().volume_ml, session.shows_us())
    with st.container(key="cm-lot", gap=None):
        st.html('<h1 class="cm-unseen">Match</h1>')
        with st.popover(f"{html.plain(story.lot.name)}, {volume}", width="stretch"):
            chosen = pick_one("Lot", names, f"pick-lot-{lot_id}", index=list(names).index(lot_id))
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


def show_pair(story: LotStory, *, changed: bool) -> Any:
    """Both glasses of the last photo, and over them the tap that shows it whole; the place of the picture."""
    photo = last_photo(story)
    with st.container(key="cm-pair"):
        # an st.empty() would be seen before it is filled
        place = st.html(draw_pair(story, photo, changed=changed))
        if photo is not None and st.button("Whole photo", key=f"whole-photo-{photo.id}"):
            st.dialog("The last photo", width="large")(show_photo)(photo)
    return place


def show_place(story: LotStory, advice: Advice, waiting: str) -> None:
    """Where the batch stands, drawn; and what nobody should pass over."""
    if place := lot_words.find_place(story, advice, waiting):
        way, now, expected = place
        lot = story.lot
        st.html(lot_words.draw_scale(way, now, lot.tolerance, expected=expected, closed=lot.closed))
    lines = [html.flag_line("Too much", PASSED, "refuse")] if passed_ceilings(story) else []
    if advice.problem:
        lines.append(html.flag_line("Note", html.split_sentence(advice.problem)[0]))
    if lines:
        st.html("".join(lines))


def show_bar(story: LotStory, advice: Advice, answer: lot_words.Answer, *, undoable: bool, again: bool) -> Any:
    """The act of the state within reach of the thumb, above it the way back from the last; where a photo goes, if that is it,
    or again: if the last one was refused."""
    for action in ("finish", "untinted"):  # a tap on what is offered no longer is answered too
        act_on(story, action)
    if not session.may_enter():
        return None
    with st.container(key="cm-bar"):
        tell_newest(story, undoable=undoable)
        recording.record_advised(story, advice.steps if answer.state == "add" else ())
        if answer.state == "question" and advice.question:
            recording.ask_cause(story, advice.question.causes[0])
        elif answer.state == "stop" and (ml := lot_words.untinted_ml(advice)):
            recording.record_untinted(story, ml, fills_up=lot_words.set_aside_ml(advice) > 0)
        elif answer.state == "stop":
            recording.finish_lot(story, advice)
        return st.container(key="cm-shoot") if answer.state == "photo" or again else None


def find_advice(story: LotStory) -> Advice:
    """What to do now: as the last photo says while nothing was entered since, and what lots like it taught before the first."""
    if story.closing is not None:
        return story.closing.final or Advice()
    if (known := lot_words.advice_of_last_photo(story)) is not None:
        return known
    with st.spinner("Working out the next step …"):
        advice = session.compute(story, advise_lot)
        first = session.compute(story, _first_dose)
    return begin_with(advice, first)


def _first_dose(book: LotBook, lot_id: int) -> list[FirstDose]:
    return find_first_dose(book, book.lots.story(lot_id))


def take_photos(
    story: LotStory, answer: lot_words.Answer, thinning: Thinning | None, *, picture: Any, block: Any, forms: Any, upload: Any
) -> None:  # fmt: skip
    """Measure and keep new photos one by one; a refused one is named and not kept.

    picture, block: of the answer, which change meanwhile; forms: of photos; upload: where the field stands.
    """
    lot, place, asked = story.lot, f"lot-{story.lot.id}", upload is not forms
    with forms:
        st.header("Next photo" if story.photos else "First photo")
        view = ask_view(story)
        camera = st.container()
        if not is_example(lot):
            words = "No card in the photo? Mark white and liquids on it"
            st.page_link(pages.find_page("picker"), label=words)
    with upload:
        if thinning:
            words = f"Both are 1 part made up to {thinning.dilution:g} now"
            if st.checkbox(words, True, key=f"thinned-{lot.id}-{lot_words.newest_id(story)}"):
                view["dilution"] = view["dilution"] or thinning.dilution
        if is_example(lot):
            files = take_example(story, view, asked=asked)
        else:
            seen = "the batch" if lot.target_lab is not None else "reference and batch"
            files = upload_photos(place, f"Photos of {seen}", camera=camera, bare=asked)
    if not files:
        return
    block.html(lot_words.draw_answer(answer, old=True))
    with session.failures_shown():
        sent = []
        for file in files:
            picture.html(draw_measuring(file[0]))
            book, by = session.current_book(), session.who_enters()
            sent += record_photos(book, lot.id, [file], entered_by=by, view=view)
        kept = count_kept(sent)
        # after one sent again the advised act stays
        wrong = any(one.note and not one.repeated for one in sent)
        st.session_state[f"refused-at-{place}"] = (len(story.events) + kept, kept, wrong)
        session.go_to_top()
        end_upload(place, files, sent)


def take_example(story: LotStory, view: dict[str, float | None], *, asked: bool) -> list[tuple[bytes, str]]:
    """In the place of a photo of one's own the one that the invented kitchen takes of its batch; asked: it is the act."""
    from colourmatch.demo import take_example_photo

    key = f"example-photo-{story.lot.id}-{lot_words.newest_id(story)}"
    words = "Take the next example photo"
    if st.button(words, type="primary" if asked else "secondary", key=key, width="stretch"):
        with session.failures_shown():
            return [take_example_photo(story, view)]
    return []


def ask_view(story: LotStory) -> dict[str, float | None]:
    """Depth and dilution of the next photos where they are not as in the last one."""
    now = view_of_photos(story)
    key = f"view-{story.lot.id}-{lot_words.newest_id(story, PhotoEntry, AsideEntry, AmendmentEntry)}"
    with st.expander(f"{tell_glass(now.depth_mm, now.dilution)}. Thinned otherwise?"):
        st.write("Both glasses alike, the blank is water. It holds for the photos from now on.")
        left, right = st.columns(2)
        depth = ask_number(left, "Depth in the glass, mm", f"{key}-depth", now.depth_mm, 1.0, 200.0, 1.0)
        dilution = ask_number(right, "1 part made up to", f"{key}-dilution", now.dilution, 1.0, 1000.0, 1.0)
    return {
        "depth_mm": depth if depth != now.depth_mm else None,
        "dilution": dilution if dilution != now.dilution else None,
    }
