"""Puts entries of a lot right: one tap that takes one back, figures of its head, photos set aside; the book keeps both."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial

import streamlit as st

from colourmatch.book import entries as kinds
from colourmatch.errors import InputError
from colourmatch.screens import fields, html, lot_words, session
from colourmatch.screens.photo_view import show_thumbnail
from colourmatch.screens.recording import list_shelf
from colourmatch.words.entries import tell_aside, tell_dose, tell_entry
from colourmatch.words.figures import begin
from colourmatch.workflow.log import can_take_back, take_back


def ask_amendment(story: kinds.LotStory) -> None:
    """The form; only what was changed is written."""
    lot, act = story.lot, fields.act_on(story, "amend", kinds.AmendmentEntry)
    with st.expander("Put figures of the lot right", expanded=act.is_typed()):
        st.write("The new figure counts for the whole lot, as if it had been given at its beginning.")
        words = "Stocks, the main one first"
        stocks = st.multiselect(words, list_shelf(story), default=list(lot.stocks), key=act.key("stocks"))
        called = {"volume_ml": "Batch at the beginning, ml"}
        typed = {"stocks": stocks} | fields.ask_head(act, fields.FIGURES, lot, lot.label_lines, called)
        reason = st.text_input("Reason", key=act.key("reason"), placeholder="mistyped")

        def amend(token: str) -> str:
            now = {name: getattr(lot, name) for name in typed} | {"stocks": list(lot.stocks)}
            changes = {name: value for name, value in typed.items() if value != now[name]}
            if not changes:
                raise InputError("No figure was changed. Change what is wrong first.")
            session.current_book().lots.amend(lot.id, reason, **session.by(token), **changes)
            return "The figures of the lot are put right."

        act.offer("Write it down", amend, "write")


def ask_aside(story: kinds.LotStory) -> None:
    """Sets a photo that lies apart aside, or takes it back; both are written down with the reason."""
    if not story.photos:
        return
    act = fields.act_on(story, "aside", kinds.PhotoEntry, kinds.AsideEntry)
    with st.expander("Set a photo aside", expanded=act.is_typed()):
        st.write(
            "A photo that went wrong is left out of all that is said of the lot. It stays on record, and can be taken back."
        )
        names = dict(reversed(lot_words.name_photos(story).items()))
        chosen = fields.pick_one("Which photo", names, act.key("which"))
        photo = next(entry for entry in story.photos if entry.id == chosen)
        show_thumbnail(photo)
        back = photo.aside is not None
        if back:
            st.write(f"It is {html.plain(tell_aside(photo.aside))}")
        hint = "it was all right" if back else "a lamp shone in"
        why = st.text_input("Why", key=act.key("why", chosen), placeholder=hint)

        def write(token: str) -> str:
            book, by = session.current_book(), session.by(token)
            book.photos.set_aside(story.lot.id, photo.id, why, back=back, **by)
            return "The photo counts again." if back else "The photo is set aside."

        act.offer("Take it back" if back else "Set it aside", write, "write", to_top=True)


# ---- taking back -------------------------------------------------------------------------------------------------

#: The reason that stands beside what was taken back.
UNDONE, TAKEN_BACK = "undone right after it was entered", "taken back in the history"
#: So many entries of a history are shown unfolded.
NEWEST = 12
#: For how long the end of a lot is taken back with one tap.
FRESH = timedelta(hours=1)


def tell_newest(story: kinds.LotStory, *, undoable: bool = True) -> None:
    """What was just done, in one place: beside the tap that takes it back where there is one.

    undoable: else the last act was another one, a photo that was refused, and the entry before is not offered.
    """
    act = fields.act_on(story, "undo")  # a tap on an older one is answered too
    words = name_newest(story) if undoable else ""
    if said := session.take_notices(of_entry=not words):
        st.html(f'<p class="cm cm-said" role="status">{html.as_html(" ".join(said))}</p>')
    if words:
        newest = story.events[-1]
        dose = isinstance(newest, kinds.AdditionEntry) or getattr(newest, "kind", "") == "untinted"
        done = " written" if dose else " measured" if isinstance(newest, kinds.PhotoEntry) else ""
        other = newest.entered_by if newest.entered_by != session.entered_by() else None
        label = html.plain(f"{begin(words)}{done}{f' by {other}' if other else ''}.")
        back = partial(_take_back, story, newest, UNDONE, words)
        act.offer(f"{label} Undo", back, to_top=True, icon=":material/undo:")


def show_history(story: kinds.LotStory) -> None:
    """Every entry, the newest first, each with the tap that takes it back where it still says what holds."""
    rows = lot_words.tell_rows(story)
    entries = list(reversed(story.events))
    _show_rows(story, entries[:NEWEST], rows)
    if older := entries[NEWEST:]:
        with st.expander(f"{len(older)} older", on_change="rerun") as folded:
            if folded.open:
                _show_rows(story, older, rows)


def _show_rows(story: kinds.LotStory, entries: list[kinds.LotEntry], rows: dict[int, str]) -> None:
    act, medium = fields.act_on(story, "back"), lot_words.medium_of(story)
    for entry in entries:
        with st.container(horizontal=True, vertical_alignment="center", key=f"cm-entry-{entry.id}"):
            st.html(rows[entry.id])
            if session.may_enter() and can_take_back(story, entry):
                back = partial(_take_back, story, entry, TAKEN_BACK, tell_entry(entry, medium))
                act.offer("Undo", back, entry.id, to_top=True, type="tertiary", width="content")


def _take_back(story: kinds.LotStory, entry: kinds.LotEntry, reason: str, words: str, token: str) -> str:
    take_back(session.current_book(), story, entry, reason, **session.by(token))
    return f"Taken back: {words}."


def name_newest(story: kinds.LotStory) -> str:
    """The newest entry in words where one tap can take it back, else nothing.

    A correction is put right as such; what a trial took along or brought back is one of several entries.
    """
    newest = story.events[-1] if story.events else None
    photos = lot_words.name_each_photo(story)
    if isinstance(newest, kinds.AsideEntry):
        if newest.reason == UNDONE:
            return ""
        return f"{photos[newest.photo_entry_id]} {'counts again' if newest.back else tell_aside(None)}"
    if newest is None or newest.replaces_id is not None or newest.reason:
        return ""
    if isinstance(newest, kinds.AdditionEntry):
        return tell_dose(newest)
    if isinstance(newest, kinds.ClosingEntry):  # later the lot is opened again with a reason
        is_fresh = datetime.now(UTC) - datetime.fromisoformat(newest.created_at) < FRESH
        return "lot finished" if is_fresh else ""
    of_trial = getattr(newest, "trial_lot_id", None) is not None
    if isinstance(newest, (kinds.AnswerEntry, kinds.VolumeEntry)) and not of_trial:
        return tell_entry(newest, lot_words.medium_of(story))
    return photos[newest.id] if isinstance(newest, kinds.PhotoEntry) else ""
