"""One tap that takes back the newest entry of a lot; the book keeps both entries, and nothing else is undone here."""

from __future__ import annotations

import streamlit as st

from colourmatch.book.entries import AdditionEntry, AsideEntry, LotStory, PhotoEntry, VolumeEntry
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens import session
from colourmatch.words.entries import Medium, tell_aside, tell_dose, tell_entry

#: The reason that stands beside what was taken back.
UNDONE = "undone right after it was entered"


def offer_undo(story: LotStory) -> None:
    """The tap, while the newest entry is one that can be taken back."""
    action, words = f"undo-{story.lot.id}", name_newest(story)
    token = session.token_for(action, telling.newest_id(story))  # a tap on an older one is answered too
    if not words or not session.may_enter():
        return
    if st.button(f"Undo: {parts.plain(words)}", key=f"{action}-{token}", icon=":material/undo:"):
        session.act_once(action, lambda token: take_back(story, words, token), to_top=True)


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
    if isinstance(newest, VolumeEntry) and newest.trial_lot_id is None:
        return tell_entry(newest, Medium(us=session.shows_us()))
    return photos[newest.id] if isinstance(newest, PhotoEntry) else ""


def take_back(story: LotStory, words: str, token: str) -> str:
    """Write down that the newest entry never happened, or that its photo does not count; the sentence that says so."""
    book, newest, by = session.current_book(), story.events[-1], session.entered_by()
    if isinstance(newest, AdditionEntry):
        book.additions.correct(newest.id, reason=UNDONE, void=True, entered_by=by, token=token)
    elif isinstance(newest, VolumeEntry):
        book.volumes.correct(newest.id, reason=UNDONE, void=True, entered_by=by, token=token)
    else:
        photo, back = newest.id, False
        if isinstance(newest, AsideEntry):
            photo, back = newest.photo_entry_id, not newest.back
        book.photos.set_aside(story.lot.id, photo, UNDONE, back=back, entered_by=by, token=token)
    return f"Taken back: {words}."
