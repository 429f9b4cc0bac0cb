"""One tap that takes back the newest entry of a lot; the book keeps both entries, and nothing else is undone here."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import streamlit as st

from colourmatch.book.entries import (
    AdditionEntry,
    AnswerEntry,
    AsideEntry,
    ClosingEntry,
    LotStory,
    PhotoEntry,
    VolumeEntry,
)
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import session
from colourmatch.words.entries import Medium, tell_aside, tell_dose, tell_entry
from colourmatch.words.figures import begin

#: The reason that stands beside what was taken back.
UNDONE = "undone right after it was entered"
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
        session.act_once(action, lambda token: take_back(story, words, token), to_top=True)


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


def take_back(story: LotStory, words: str, token: str) -> str:
    """Write down that the newest entry never happened, or that its photo does not count; the sentence that says so."""
    book, newest, by = session.current_book(), story.events[-1], session.entered_by()
    if isinstance(newest, AdditionEntry):
        book.additions.correct(newest.id, reason=UNDONE, void=True, entered_by=by, token=token)
    elif isinstance(newest, VolumeEntry):
        book.volumes.correct(newest.id, reason=UNDONE, void=True, entered_by=by, token=token)
    elif isinstance(newest, AnswerEntry):
        code, about = newest.cause
        book.entries.answer(story.lot.id, code, about, None, reason=UNDONE, entered_by=by, token=token)
    elif isinstance(newest, ClosingEntry):
        book.lots.reopen(story.lot.id, UNDONE, entered_by=by, token=token)
    else:
        photo, back = newest.id, False
        if isinstance(newest, AsideEntry):
            photo, back = newest.photo_entry_id, not newest.back
        book.photos.set_aside(story.lot.id, photo, UNDONE, back=back, entered_by=by, token=token)
    return f"Taken back: {words}."
