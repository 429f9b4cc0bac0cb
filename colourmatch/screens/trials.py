"""Trials of a lot: take a measured part, see what it says for the batch, pour it back; the book does the sums."""

from __future__ import annotations

import streamlit as st

from colourmatch.book.entries import LotStory
from colourmatch.errors import InputError
from colourmatch.screens import html as parts
from colourmatch.screens import pages, session
from colourmatch.screens.fields import Act, act_on, ask_number
from colourmatch.screens.recording import check_ml
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
    st.html(parts.flag_line("Trial", f"This is a trial of {name} (lot {parent}). {told.text}"))
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
        st.html(parts.line(trial.text))
        if st.button(f"Open the trial, lot {trial.lot}", key=f"trial-open-{trial.lot}"):
            pages.go_to_lot("match", trial.lot)
    if not story.lot.closed and session.may_enter():
        ask_trial(story)


def ask_trial(story: LotStory) -> None:
    """Take a measured part of the batch."""
    act = act_on(story, "trial")
    with st.expander("Try it on a small part first", expanded=act.is_typed()):
        st.write(
            "Measure 50 or 100 ml of the batch into a clean jug and tint that first. The trial has its own page, drops "
            "and photos; the dose found there is scaled to the batch. The batch shrinks by what you take, until it is "
            "poured back."
        )
        ml = ask_number(st, "Taken for the trial, ml", act.key("ml"), 100.0, None, 2e6, 50.0)
        if st.button("Take the trial", key=act.key("take"), width="stretch"):
            begin_trial(story, ml, act)


def begin_trial(story: LotStory, ml: float | None, act: Act) -> None:
    """Write the trial down and go to it."""
    with session.failures_shown():
        trial = session.current_book().trials.take(story.lot.id, check_ml(ml), **session.by(act.token))
        st.session_state.pop(f"token-{act.name}", None)
        session.notify(f"The trial of {ml:g} ml is taken. Its drops and photos are written down here.")
        pages.go_to_lot("match", trial.id)


def ask_pouring_back(story: LotStory) -> None:
    """Close a trial and pour it back into its batch; it asks once more."""
    told = describe_trials(session.current_book(), story)[0]
    parent = told.of_lot
    if not session.may_enter() or told.poured_back or session.current_book().lots.get(parent).closed:
        return
    act = act_on(story, "pour-back")
    with st.expander("Pour the trial back into the batch"):
        st.write(
            f"{tell_ml(told.volume_ml, session.shows_us())} go back into lot {parent}, their colour with them, and the "
            "trial is closed. Only what was kept clean and undiluted goes back: a glass that stood on the bench does "
            "not. Write such a glass down as a sample first."
        )
        clean = st.checkbox("It was kept clean and undiluted", key=act.key("clean"))

        def pour(token: str) -> str:
            if not clean:
                raise InputError(
                    'Tick "It was kept clean and undiluted", or leave the trial out of the batch.'
                )
            finish_trial(session.current_book(), story.lot.id, **session.by(token))
            return f"The trial is closed and poured back into lot {parent}. Photograph the batch."

        act.offer("Pour it back", pour, "do")
