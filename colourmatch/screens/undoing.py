"""One tap that takes an entry of a lot back, the newest in the bar and each in the history; the book keeps both."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial

import streamlit as st

from colourmatch.book.entries import (
    AdditionEntry,
    AnswerEntry,
    AsideEntry,
    ClosingEntry,
    LotEntry,
    LotStory,
    PhotoEntry,
    VolumeEntry,
)
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import session
from colourmatch.words.entries import Medium, tell_aside, tell_dose, tell_entry
from colourmatch.words.figures import begin
from colourmatch.workflow.taking_back import can_take_back, take_back

#: The reason that stands beside what was taken back.
UNDONE, TAKEN_BACK = "undone right after it was entered", "taken back in the history"
#: So many entries of a history are shown unfolded.
NEWEST = 12
#: For how long the end of a lot is taken back with one tap.
FRESH = timedelta(hours=1)


def tell_newest(story: LotStory) -> None:
    """What was just done, in one place: beside the tap that takes it back where there is one."""
    action, words = f"undo-{story.lot.id}", name_newest(story)
    token = session.token_for(action, telling.newest_id(story))  # a tap on an older one is answered too
    if said := session.take_notices(of_entry=not words):
        st.html(f'<p class="cm cm-said" role="status">{parts.as_html(" ".join(said))}</p>')
    if words and st.button(
        f"{parts.plain(_written(story, words))} Undo",
        key=f"{action}-{token}",
        icon=":material/undo:",
        width="stretch",
    ):

        def undo(token: str) -> str:
            take_back(session.current_book(), story, story.events[-1], UNDONE, **session.by(token))
            return f"Taken back: {words}."

        session.act_once(action, undo, to_top=True)


def show_history(story: LotStory) -> None:
    """Every entry, the newest first, each with the tap that takes it back where it still says what holds."""
    rows = telling.tell_rows(story, session.shows_us())
    entries = list(reversed(story.events))
    _show_rows(story, entries[:NEWEST], rows)
    if older := entries[NEWEST:]:
        with st.expander(f"{len(older)} older", on_change="rerun") as folded:
            if folded.open:
                _show_rows(story, older, rows)


def _show_rows(story: LotStory, entries: list[LotEntry], rows: dict[int, str]) -> None:
    action = f"back-{story.lot.id}"
    token = session.token_for(action, telling.newest_id(story))
    for entry in entries:
        with st.container(horizontal=True, vertical_alignment="center", key=f"cm-entry-{entry.id}"):
            st.html(rows[entry.id])
            if not (session.may_enter() and can_take_back(story, entry)):
                continue
            if st.button("Undo", key=f"{action}-{entry.id}-{token}", type="tertiary"):
                session.act_once(action, partial(_take_back, story, entry), to_top=True)


def _take_back(story: LotStory, entry: LotEntry, token: str) -> str:
    """One entry of the history taken back; the sentence that says so."""
    words = tell_entry(entry, telling.medium_of(story, session.shows_us()))
    take_back(session.current_book(), story, entry, TAKEN_BACK, **session.by(token))
    return f"Taken back: {words}."


def _written(story: LotStory, words: str) -> str:
    """The newest entry as the sentence that says it is written down, and by whom where that is somebody else."""
    newest = story.events[-1]
    dose = isinstance(newest, AdditionEntry) or getattr(newest, "kind", "") == "untinted"
    done = " written" if dose else " measured" if isinstance(newest, PhotoEntry) else ""
    other = newest.entered_by if newest.entered_by != session.entered_by() else None
    return f"{begin(words)}{done}{f' by {other}' if other else ''}."


def name_newest(story: LotStory) -> str:
    """The newest entry in words where one tap can take it back, else nothing.

    A correction is put right as such; what a trial took along or brought back is one of several entries.
    """
    newest = story.events[-1] if story.events else None
    photos = telling.name_each_photo(story)
    if isinstance(newest, AsideEntry):
        if newest.reason == UNDONE:
            return ""
        return f"{photos[newest.photo_entry_id]} {'counts again' if newest.back else tell_aside(None)}"
    if newest is None or newest.replaces_id is not None or newest.reason:
        return ""
    if isinstance(newest, AdditionEntry):
        return tell_dose(newest)
    if isinstance(newest, ClosingEntry):
        return "lot finished" if _is_fresh(newest) else ""
    if isinstance(newest, AnswerEntry):
        return tell_entry(newest, telling.medium_of(story))
    if isinstance(newest, VolumeEntry) and newest.trial_lot_id is None:
        return tell_entry(newest, Medium(us=session.shows_us()))
    return photos[newest.id] if isinstance(newest, PhotoEntry) else ""


def _is_fresh(entry: ClosingEntry) -> bool:
    """Whether a closing is so new that one tap takes it back; later the lot is opened again with a reason."""
    return datetime.now(UTC) - datetime.fromisoformat(entry.created_at) < FRESH
