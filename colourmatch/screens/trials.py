"""Trials of a lot: take a measured part, see what it says for the batch, pour it back; the book does the sums."""

from __future__ import annotations

from typing import Any

import streamlit as st

from colourmatch.book.entries import LotStory
from colourmatch.errors import InputError
from colourmatch.screens import drafts, pages, session
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.words.figures import tell_ml
from colourmatch.workflow.closing import finish_trial
from colourmatch.workflow.trials import describe_trials


def show_trial_head(story: LotStory) -> None:
    """On a trial: of which batch it is, and what it says for it."""
    parent = story.lot.trial_of
    if parent is None:
        return
    (told,) = describe_trials(session.current_book(), story)
    name = session.current_book().lots.get(parent).name
    st.html(parts.flag_line("Trial", f"This is a trial of {name} (lot {parent}). {told['text']}"))
    if st.button("To the batch", key=f"trial-parent-{story.lot.id}"):
        pages.go_to_lot("match", parent)


def show_trials(story: LotStory) -> None:
    """The trials of a lot and the form to take one; on a trial, the way back into the batch."""
    if story.lot.trial_of is not None:
        ask_pouring_back(story)
        return
    trials = describe_trials(session.current_book(), story)
    if not trials and story.lot.closed:
        return
    if trials:
        st.header("Trials")
    for trial in trials:
        st.html(parts.line(trial["text"]))
        if st.button(f"Open the trial, lot {trial['lot']}", key=f"trial-open-{trial['lot']}"):
            pages.go_to_lot("match", trial["lot"])
    if not story.lot.closed and session.may_enter():
        ask_trial(story)


def ask_trial(story: LotStory) -> None:
    """Take a measured part of the batch."""
    action = f"trial-{story.lot.id}"
    token = session.token_for(action, telling.newest_id(story))
    with st.expander("Try it on a small part first", expanded=drafts.holds(token)):
        st.write(
            "Measure 50 or 100 ml of the batch into a clean jug and tint that first. The trial has its own page, drops "
            "and photos; the dose found there is scaled to the batch. The batch shrinks by what you take, until it is "
            "poured back."
        )
        ml = st.number_input(
            "Taken for the trial, ml", value=100.0, min_value=0.0, max_value=2e6, step=50.0, format="%g",
            key=f"{action}-ml-{token}",
        )  # fmt: skip
        if st.button("Take the trial", key=f"{action}-take-{token}", width="stretch"):
            begin_trial(story, ml, action)


def begin_trial(story: LotStory, ml: float | None, action: str) -> None:
    """Write the trial down and go to it."""
    with session.failures_shown():
        if ml is None:
            raise InputError("The amount is missing. Give it in ml.")
        trial = session.current_book().trials.take(story.lot.id, ml, **session.by(session.token_for(action)))
        st.session_state.pop(f"token-{action}", None)
        session.notify(f"The trial of {ml:g} ml is taken. Its drops and photos are written down here.")
        pages.go_to_lot("match", trial.id)


def ask_pouring_back(story: LotStory) -> None:
    """Close a trial and pour it back into its batch; it asks once more."""
    told: dict[str, Any] = describe_trials(session.current_book(), story)[0]
    parent = told["of_lot"]
    if not session.may_enter() or told["poured_back"] or session.current_book().lots.get(parent).closed:
        return
    action = f"pour-back-{story.lot.id}"
    token = session.token_for(action, telling.newest_id(story))
    with st.expander("Pour the trial back into the batch"):
        st.write(
            f"{tell_ml(told['volume_ml'], session.shows_us())} go back into lot {parent}, their colour with them, and the "
            "trial is closed. Only what was kept clean and undiluted goes back: a glass that stood on the bench does "
            "not. Write such a glass down as a sample first."
        )
        clean = st.checkbox("It was kept clean and undiluted", key=f"{action}-clean-{token}")

        def pour(token: str) -> str:
            if not clean:
                raise InputError(
                    'Tick "It was kept clean and undiluted", or leave the trial out of the batch.'
                )
            finish_trial(session.current_book(), story.lot.id, **session.by(token))
            return f"The trial is closed and poured back into lot {parent}. Photograph the batch."

        if st.button("Pour it back", key=f"{action}-do-{token}", width="stretch"):
            session.act_once(action, pour)
