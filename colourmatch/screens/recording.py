"""The forms of the main page: what went in, corrections, samples, notes, closing; each tap counts once."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any, Literal

import streamlit as st

from colourmatch.book.entries import AdditionEntry, LotStory, contradict
from colourmatch.book.example import leave_out_example
from colourmatch.errors import InputError
from colourmatch.screens import drafts, session
from colourmatch.screens import html as parts
from colourmatch.screens import lot_words as telling
from colourmatch.screens.answer import quantity_of
from colourmatch.words.doubts import YES
from colourmatch.words.entries import tell_dose, tell_entry
from colourmatch.words.figures import tell_amount
from colourmatch.words.outcomes import OUTCOMES
from colourmatch.workflow.answering import answer_question
from colourmatch.workflow.ceilings import describe_state
from colourmatch.workflow.trials import open_trials

_UNITS = {"drops": "drops", "ml": "ml", "grams": "grams"}
_OTHERS = ("Sample taken", "Blended back", "Note")
_FORMATS: dict[str, Any] = {
    "drops": {"step": 1.0, "format": "%g"},
    "ml": {"step": 0.05, "format": "%g"},
    "grams": {"step": 0.01, "format": "%g"},
}


def write_addition(story: LotStory, stock: str, unit: str, quantity: float | None, token: str) -> str:
    """Write an addition into the book; the sentence that says so."""
    if quantity is None:
        raise InputError("The amount is missing or below 0. Give it in drops, ml or grams.")
    entry = session.current_book().additions.add(story.lot.id, stock, **{unit: quantity}, **session.by(token))
    return f"{tell_dose(entry)} written down."


def record_advised(story: LotStory, advice: dict[str, Any]) -> None:
    """A row a dose: minus, the number, plus, and the button for when it is in."""
    for stock in story.lot.stocks:  # a tap on what is advised no longer is answered too
        _dose_token(story, stock)
    doses = telling.doses_of(advice)
    for dose in doses:
        record_dose(story, dose, alone=len(doses) == 1)


def record_dose(story: LotStory, dose: dict[str, Any], *, alone: bool) -> None:
    """The row of one dose, which names its stock where it is not the only one."""
    stock, (amount, unit) = dose["stock"], quantity_of(dose)
    action, token = f"dose-{story.lot.id}-{stock}", _dose_token(story, stock)
    with st.container(horizontal=True, vertical_alignment="bottom", key=f"cm-dose-{stock}"):
        quantity = st.number_input(
            f"{unit.capitalize()} of {parts.plain(stock)}", value=float(amount), min_value=0.0,
            label_visibility="collapsed", key=f"{action}-amount-{token}", width=190, **_FORMATS[unit],
        )  # fmt: skip
        words = "Added" if alone else f"Added {parts.plain(stock)}"
        if st.button(words, type="primary", width="stretch", key=f"{action}-{token}"):
            session.act_once(
                action, lambda token: write_addition(story, stock, unit, quantity, token), to_top=True
            )


def _dose_token(story: LotStory, stock: str) -> str:
    return session.token_for(f"dose-{story.lot.id}-{stock}", telling.newest_id(story))


def record_anything(story: LotStory, advice: dict[str, Any]) -> None:
    """Any other amount of any stock on the shelf."""
    book = session.current_book()
    names = list(
        dict.fromkeys(
            [
                *story.lot.stocks,
                *(stock.name for stock in leave_out_example(book.stocks.all(), story.lot.stocks)),
            ]
        )
    )
    advised = {dose["stock"]: dose for dose in telling.doses_of(advice)}
    action = f"addition-{story.lot.id}"
    token = session.token_for(action, telling.newest_id(story))
    with st.expander("Another amount went in", expanded=drafts.holds(token)):
        stock = st.selectbox("Stock", names, key=f"{action}-stock-{token}")
        unit = st.segmented_control(
            "Counted in", list(_UNITS), default="drops", required=True, key=f"{action}-unit-{token}"
        )
        default = (advised.get(stock) or {}).get(unit)
        quantity = st.number_input(
            f"How many {_UNITS[unit]}", value=None if default is None else float(default), min_value=0.0,
            key=f"{action}-amount-{unit}-{stock}-{token}", **_FORMATS[unit],
        )  # fmt: skip
        if st.button("Write it down", key=f"{action}-write-{token}", width="stretch"):
            session.act_once(
                action, lambda token: write_addition(story, stock, unit, quantity, token), to_top=True
            )


def ask_correction(story: LotStory) -> None:
    """Undo an addition, or put its amount right; the first entry stays readable."""
    additions = {entry.id: entry for entry in reversed(story.additions)}
    if not additions:
        return
    action = f"correct-{story.lot.id}"
    token = session.token_for(action, telling.newest_id(story, AdditionEntry))
    with st.expander("Correct an addition", expanded=drafts.holds(token)):
        st.write("Nothing is rubbed out: the correction is written beside the entry, with its reason.")
        chosen = st.selectbox(
            "Which", list(additions), key=f"{action}-which-{token}",
            format_func=lambda i: telling.describe_with_time(additions[i]),
        )  # fmt: skip
        unit = additions[chosen].unit
        what = st.segmented_control(
            "What was wrong", ["It never went in", "The amount"], default="It never went in", required=True,
            key=f"{action}-what-{chosen}-{token}",
        )  # fmt: skip
        amount = None
        if what == "The amount":
            amount = st.number_input(
                f"What really went in, {_UNITS[unit]}", value=None, min_value=0.0,
                key=f"{action}-amount-{chosen}-{token}", **_FORMATS[unit],
            )  # fmt: skip
        reason = st.text_input(
            "Reason", key=f"{action}-reason-{chosen}-{token}", placeholder="tapped by mistake"
        )

        def correct(token: str) -> str:
            if what == "The amount" and amount is None:
                raise InputError("The amount is missing. Give what really went in.")
            change = {"void": True} if what != "The amount" else {unit: amount}
            session.current_book().additions.correct(chosen, reason=reason, **session.by(token), **change)
            return "The correction is written down."

        if st.button("Write the correction", key=f"{action}-write-{token}", width="stretch"):
            session.act_once(action, correct, to_top=True)


def ask_other_entries(story: LotStory, untinted_ml: float | None = None) -> None:
    """Samples, untinted batch blended back, notes; `untinted_ml` is what was advised to blend back."""
    lot_id = story.lot.id
    newest, tokens = telling.newest_id(story), []
    for kind in _OTHERS:  # an amount is of the batch as it is now, a note is not
        tokens.append(session.token_for(f"other-{lot_id}-{kind}", None if kind == "Note" else newest))
    # While a note is being written it stays in sight.
    choice = session.token_for(f"others-{lot_id}", None if drafts.holds(tokens[-1]) else newest)
    unfolded = untinted_ml is not None or any(map(drafts.holds, [choice, *tokens]))
    with st.expander("Sample, blending back, note", expanded=unfolded):
        what = st.segmented_control(
            "What", _OTHERS, default=_OTHERS[0 if untinted_ml is None else 1], required=True,
            key=f"other-what-{lot_id}-{untinted_ml}-{choice}",
        )  # fmt: skip
        action = f"other-{lot_id}-{what}"
        token = session.token_for(action)
        if what == "Note":
            text = st.text_area("Note", key=f"{action}-text-{token}")
        else:
            ml = st.number_input(
                "How many ml",
                value=None,
                placeholder="" if untinted_ml is None else f"about {tell_amount(untinted_ml)} advised",
                min_value=0.0,
                step=5.0,
                format="%g",
                key=f"{action}-ml-{token}",
            )
        back = what == "Sample taken" and st.checkbox(
            "It went back into the batch whole", key=f"{action}-back-{token}"
        )
        if what == "Sample taken":
            st.caption("A sample that stood on the bench is not poured back.")

        def write(token: str) -> str:
            book, by = session.current_book(), session.by(token)
            st.session_state.pop(f"token-others-{lot_id}", None)
            if what == "Note":
                book.entries.add_note(lot_id, text, **by)
                return "The note is written down."
            if ml is None:
                raise InputError("The amount is missing. Give it in ml.")
            if what == "Sample taken":
                book.volumes.take_sample(lot_id, ml, returned=back, **by)
                return "The sample is written down."
            book.volumes.add_untinted(lot_id, ml, **by)
            return "The untinted batch is written down. Photograph again."

        if st.button("Write it down", key=f"{action}-write-{token}", width="stretch"):
            session.act_once(action, write, to_top=what != "Note")


def finish_lot(story: LotStory, advice: dict[str, Any]) -> None:
    """One tap that closes the lot for the reason that is advised; tell_newest() offers to open it again."""
    action, reason = f"finish-{story.lot.id}", advice.get("reason")
    token = session.token_for(action, telling.newest_id(story))
    if reason not in OUTCOMES:
        return
    for left in open_trials(session.current_book(), story.lot.id):
        st.html(parts.flag_line("Trial", left["text"]))

    def finish(token: str) -> str:
        from colourmatch.workflow.closing import close_lot

        close_lot(session.current_book(), story.lot.id, reason, "", **session.by(token))
        return f"Lot {story.lot.name} is finished."

    words = f"Finish the lot: {OUTCOMES[reason][:1].lower()}{OUTCOMES[reason][1:]}"
    if st.button(words, type="primary", width="stretch", key=f"{action}-{token}"):
        session.act_once(action, finish, to_top=True)


def record_untinted(story: LotStory, ml: float, *, fills_up: bool = False) -> None:
    """Untinted batch that is poured in: minus, the advised ml, plus, and the button for when it is in.

    fills_up: as much of the batch was set aside before.
    """
    action = f"untinted-{story.lot.id}"
    token = session.token_for(action, telling.newest_id(story))
    with st.container(horizontal=True, vertical_alignment="bottom", key="cm-dose-untinted"):
        amount = st.number_input(
            "ml of untinted batch", value=ml, min_value=0.0, step=5.0, format="%g",
            label_visibility="collapsed", key=f"{action}-amount-{token}", width=190,
        )  # fmt: skip

        def blend(token: str) -> str:
            if amount is None:
                raise InputError("The amount is missing. Give it in ml.")
            volumes = session.current_book().volumes
            if fills_up:
                volumes.take_sample(story.lot.id, amount, **session.by(f"{token}-out"))
            volumes.add_untinted(story.lot.id, amount, **session.by(token))
            return "The untinted batch is written down. Photograph again."

        words = "Filled up" if fills_up else "Blended back"
        if st.button(words, type="primary", width="stretch", key=f"{action}-{token}"):
            session.act_once(action, blend, to_top=True)


def ask_cause(story: LotStory, cause: Mapping[str, Any], *, main: bool = True) -> None:
    """The two answers to whether something went wrong by hand (`answer.ask`); each is written down once.

    main: whether they are the act of the page.
    """
    action = f"question-{story.lot.id}-{cause['code']}-{cause['about']}"
    token = session.token_for(action, telling.newest_id(story))

    def write(yes: bool, token: str) -> str:
        entry = answer_question(
            session.current_book(), story.lot.id, yes=yes, cause=cause["code"], **session.by(token)
        )
        return f"{tell_entry(entry, telling.medium_of(story, session.shows_us()))}."

    for yes, label in ((True, YES[cause["code"]]), (False, "No")):
        kind: Literal["primary", "secondary"] = "primary" if yes and main else "secondary"
        if st.button(label, type=kind, width="stretch", key=f"{action}-{yes}-{token}"):
            session.act_once(action, partial(write, yes), to_top=True)


def ask_causes(story: LotStory, question: Mapping[str, Any]) -> None:
    """The causes that are named while the page's answer is another, each with its two answers."""
    for cause in question["causes"]:
        st.html(parts.flag_line("Perhaps", cause["text"]))
        with st.container(horizontal=True, key=f"cm-cause-{cause['code']}-{cause['about']}"):
            ask_cause(story, cause, main=False)


def ask_closing(story: LotStory, advice: dict[str, Any], *, unfolded: bool = False) -> None:
    """Close the lot with its reason; it asks once more, and again when the reason goes against the advice."""
    action = f"close-{story.lot.id}"
    token = session.token_for(action, telling.newest_id(story))
    no_choice = (
        {"stopped by the maker"} if story.lot.trial_of is not None else {"stopped by the maker", "trial"}
    )
    reasons = [reason for reason in OUTCOMES if reason not in no_choice]
    stop = advice.get("action") == "stop" and advice.get("reason") in reasons
    with st.expander("Close the lot", expanded=unfolded):
        st.write("A closed lot takes no more additions. It still takes corrections, notes and rechecks.")
        for left in open_trials(session.current_book(), story.lot.id):
            st.html(parts.flag_line("Trial", left["text"]))
        reason = st.selectbox(
            "Why", reasons, index=reasons.index(advice["reason"]) if stop else None, placeholder="Choose",
            format_func=OUTCOMES.__getitem__, key=f"{action}-reason-{token}",
        )  # fmt: skip
        text = st.text_input("In your words (optional)", key=f"{action}-text-{token}")
        if said := contradict(reason or "", describe_state(story) | advice):
            st.html(parts.flag_line("Advice", f"It is another: {said}"))
        sure = st.checkbox("Close it for good", key=f"{action}-sure-{reason if said else ''}-{token}")

        def close(token: str) -> str:
            from colourmatch.workflow.closing import close_lot

            if reason is None or not sure:
                raise InputError('Choose why, and tick "Close it for good".')
            close_lot(
                session.current_book(), story.lot.id, reason, text,
                sure=bool(said), **session.by(token),
            )  # fmt: skip
            return f"Lot {story.lot.name} is closed."

        if st.button("Close the lot", key=f"{action}-do-{token}", width="stretch"):
            session.act_once(action, close)
