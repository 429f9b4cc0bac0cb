"""The forms of the main page: what went in, corrections, samples, notes, trials, closing; each tap counts once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import streamlit as st

from colourmatch.advice import Advice, Cause, Dose, Question
from colourmatch.book.additions import make_dose
from colourmatch.book.entries import AdditionEntry, LotStory
from colourmatch.book.naming import leave_out_example
from colourmatch.errors import InputError
from colourmatch.screens import html, lot_words, pages, session
from colourmatch.screens.fields import Act, act_on, ask_number, begin_act, choose_one, pick_one
from colourmatch.words.doubts import YES
from colourmatch.words.entries import OUTCOMES, tell_dose, tell_entry
from colourmatch.words.figures import tell_amount, tell_ml, tell_quantity
from colourmatch.workflow.ceilings import would_pass
from colourmatch.workflow.closing import close_lot, finish_trial
from colourmatch.workflow.lot import answer_question
from colourmatch.workflow.trials import describe_trials, open_trials

_OTHERS = ("Sample taken", "Blended back", "Note")
#: What a dose is measured in -> the step of its field.
_STEPS = {"drops": 1.0, "ml": 0.05, "grams": 0.01}
_BLENDED = "The untinted batch is written down. Photograph again."


def write_addition(story: LotStory, stock: str, unit: str, quantity: float | None, token: str) -> str:
    """Write an addition into the book; the sentence that says so. One that would pass a ceiling is asked about first."""
    book = session.current_book()
    if quantity and (passed := would_pass(story, make_dose(book.stocks.get(stock), unit, quantity))):
        what = f"With {tell_quantity(quantity, unit)} of {stock} a ceiling is passed: {passed}"
        session.ask(token, f"{what} Put the number right, or tap again if so much went in.")
    entry = book.additions.add(story.lot.id, stock, **{unit: quantity}, **session.by(token))
    return f"{tell_dose(entry)} written down."


def record_advised(story: LotStory, doses: Sequence[Dose]) -> None:
    """A row a dose: minus, the number, plus, and the button for when it is in."""
    # a tap on what is advised no longer is answered too
    acts = {stock: act_on(story, "dose", of=stock) for stock in story.lot.stocks}
    for dose in doses:
        stock, (amount, unit) = dose.stock, dose.amount
        name, act = html.plain(stock), acts.get(stock) or act_on(story, "dose", of=stock)
        write = partial(write_addition, story, stock, unit)
        words = f"{unit.capitalize()} of {name}", "Added" if len(doses) == 1 else f"Added {name}"
        record_amount(act, words, (float(amount), _STEPS[unit]), write, f"cm-dose-{stock}")


def record_amount(
    act: Act,
    words: tuple[str, str],
    amount: tuple[float, float],
    write: Callable[..., str],
    key: str,
    label: str = "collapsed",
) -> None:
    """Minus, the amount, plus, and the button; words: of the field and the button; amount: what is advised, and a step;
    label: whether the field's words are "visible"."""
    with st.container(horizontal=True, vertical_alignment="bottom", key=key):
        given = ask_number(
            st, words[0], act.key("amount"), amount[0], None, None, amount[1], label_visibility=label, width=190
        )  # fmt: skip
        act.offer(words[1], lambda token: write(given, token), to_top=True, type="primary")


def record_untinted(story: LotStory, ml: float, *, fills_up: bool = False) -> None:
    """Untinted batch that is poured in; fills_up: as much of the batch was set aside before."""

    def blend(amount: float, token: str) -> str:
        volumes = session.current_book().volumes
        if fills_up:
            volumes.take_sample(story.lot.id, amount, **session.by(f"{token}-out"))
        volumes.add_untinted(story.lot.id, amount, **session.by(token))
        return _BLENDED

    words = "Untinted batch, ml", "Filled up" if fills_up else "Blended back"
    record_amount(act_on(story, "untinted"), words, (ml, 5.0), blend, "cm-dose-untinted", "visible")


def list_shelf(story: LotStory) -> list[str]:
    """The stocks of a lot, then those on the shelf besides."""
    shelf = leave_out_example(session.current_book().stocks.all(), story.lot.stocks)
    return list(dict.fromkeys([*story.lot.stocks, *(stock.name for stock in shelf)]))


def record_anything(story: LotStory, advice: Advice) -> None:
    """Any other amount of any stock on the shelf."""
    advised = {dose.stock: dose for dose in advice.steps}
    act = act_on(story, "addition")
    with st.expander("Another amount went in", expanded=act.is_typed()):
        stock = st.selectbox("Stock", list_shelf(story), key=act.key("stock"))
        unit = choose_one("Counted in", _STEPS, act.key("unit"))
        default = getattr(advised.get(stock), unit, None)
        quantity = ask_number(
            st, f"How many {unit}", act.key("amount", unit, stock), None if default is None else float(default),
            None, None, _STEPS[unit],
        )  # fmt: skip
        write = partial(write_addition, story, stock, unit, quantity)
        act.offer("Write it down", write, "write", to_top=True)


def ask_correction(story: LotStory) -> None:
    """Undo an addition, or put its amount right; the first entry stays readable."""
    additions = {entry.id: entry for entry in reversed(story.additions)}
    if not additions:
        return
    act = act_on(story, "correct", AdditionEntry)
    with st.expander("Correct an addition", expanded=act.is_typed()):
        st.write("Nothing is rubbed out: the correction is written beside the entry, with its reason.")
        names = {key: f"{tell_dose(one)}, {html.show_time(one.created_at)}" for key, one in additions.items()}
        chosen = pick_one("Which", names, act.key("which"))
        unit, amount = additions[chosen].unit, None
        what = choose_one("What was wrong", ["It never went in", "The amount"], act.key("what", chosen))
        if what == "The amount":
            key = act.key("amount", chosen)
            amount = ask_number(st, f"What really went in, {unit}", key, None, None, None, _STEPS[unit])
        reason = st.text_input("Reason", key=act.key("reason", chosen), placeholder="tapped by mistake")

        def correct(token: str) -> str:
            change = {"void": True} if what != "The amount" else {unit: amount}
            session.current_book().additions.correct(chosen, reason=reason, **session.by(token), **change)
            return "The correction is written down."

        act.offer("Write the correction", correct, "write", to_top=True)


def ask_other_entries(story: LotStory, untinted_ml: float | None = None) -> None:
    """Samples, untinted batch blended back, notes; `untinted_ml` is what was advised to blend back."""
    lot_id, newest = story.lot.id, lot_words.newest_id(story)
    # an amount is of the batch as it is now, a note is not; while one is being written it stays in sight
    acts = {kind: begin_act(f"other-{lot_id}-{kind}", newest if kind != "Note" else None) for kind in _OTHERS}
    choice = begin_act(f"others-{lot_id}", None if acts["Note"].is_typed() else newest)
    unfolded = untinted_ml is not None or any(act.is_typed() for act in (choice, *acts.values()))
    with st.expander("Sample, blending back, note", expanded=unfolded):
        default = _OTHERS[0 if untinted_ml is None else 1]
        what = choose_one("What", _OTHERS, f"other-what-{lot_id}-{untinted_ml}-{choice.token}", default)
        act, is_sample = acts[what], what == "Sample taken"
        if what == "Note":
            text = st.text_area("Note", key=act.key("text"))
        else:
            advised = "" if untinted_ml is None else f"about {tell_amount(untinted_ml)} advised"
            ml = ask_number(st, "How many ml", act.key("ml"), None, None, None, 5.0, placeholder=advised)
        back = is_sample and st.checkbox("It went back into the batch whole", key=act.key("back"))
        if is_sample:
            st.caption("A sample that stood on the bench is not poured back.")

        def write(token: str) -> str:
            book, by = session.current_book(), session.by(token)
            st.session_state.pop(f"token-others-{lot_id}", None)
            if what == "Note":
                book.entries.add_note(lot_id, text, **by)
                return "The note is written down."
            if is_sample:
                book.volumes.take_sample(lot_id, ml, returned=back, **by)
                return "The sample is written down."
            book.volumes.add_untinted(lot_id, ml, **by)
            return _BLENDED

        act.offer("Write it down", write, "write", to_top=what != "Note")


def _close(story: LotStory, reason: str, text: str, done: str, token: str, *, sure: bool = False) -> str:
    close_lot(session.current_book(), story.lot.id, reason, text, sure=sure, **session.by(token))
    return f"Lot {story.lot.name} is {done}."


def _show_open_trials(story: LotStory) -> None:
    for left in open_trials(session.current_book(), story.lot.id).values():
        st.html(html.flag_line("Trial", left))


def finish_lot(story: LotStory, advice: Advice) -> None:
    """One tap that closes the lot for the reason that is advised; tell_newest() offers to open it again."""
    act, reason = act_on(story, "finish"), advice.reason
    if reason in OUTCOMES:
        _show_open_trials(story)
        words = f"Finish the lot: {OUTCOMES[reason][:1].lower()}{OUTCOMES[reason][1:]}"
        act.offer(words, partial(_close, story, reason, "", "finished"), to_top=True, type="primary")


def ask_closing(story: LotStory, advice: Advice) -> None:
    """Close the lot with its reason; it asks once more, and again when the reason goes against the advice."""
    act = act_on(story, "close")
    no_choice = {"stopped by the maker"} | (set() if story.lot.trial_of is not None else {"trial"})
    names = {reason: words for reason, words in OUTCOMES.items() if reason not in no_choice}
    advised = advice.reason if advice.action == "stop" else None
    with st.expander("Close the lot"):
        st.write("A closed lot takes no more additions. It still takes corrections, notes and rechecks.")
        _show_open_trials(story)
        index = list(names).index(advised) if advised in names else None
        reason = pick_one("Why", names, act.key("reason"), index=index, placeholder="Choose")
        text = st.text_input("In your words (optional)", key=act.key("text"))
        if said := advice.contradict(reason or ""):
            st.html(html.flag_line("Advice", f"It is another: {said}"))
        sure = st.checkbox("Close it for good", key=act.key("sure", reason if said else ""))

        def close(token: str) -> str:
            if reason is None or not sure:
                raise InputError('Choose why, and tick "Close it for good".')
            return _close(story, reason, text, "closed", token, sure=bool(said))

        act.offer("Close the lot", close, "do")


def ask_cause(story: LotStory, cause: Cause, *, main: bool = True) -> None:
    """The two answers to whether something went wrong by hand; each is written down once.

    main: whether they are the act of the page.
    """
    act = act_on(story, "question", of=f"{cause.code}-{cause.about}")

    def write(yes: bool, token: str) -> str:
        book, by = session.current_book(), session.by(token)
        entry = answer_question(book, story.lot.id, yes=yes, cause=cause.code, **by)
        return f"{tell_entry(entry, lot_words.medium_of(story))}."

    for yes, label in ((True, YES[cause.code]), (False, "No")):
        kind = "primary" if yes and main else "secondary"
        act.offer(label, partial(write, yes), yes, to_top=True, type=kind)


def ask_causes(story: LotStory, question: Question) -> None:
    """The causes that are named while the page's answer is another, each with its two answers."""
    for cause in question.causes:
        st.html(html.flag_line("Perhaps", cause.text))
        with st.container(horizontal=True, key=f"cm-cause-{cause.code}-{cause.about}"):
            ask_cause(story, cause, main=False)


# ---- trials ------------------------------------------------------------------------------------------------------


def show_trial_head(story: LotStory) -> None:
    """On a trial: of which batch it is, and what it says for it."""
    parent = story.lot.trial_of
    if parent is None:
        return
    (told,) = describe_trials(session.current_book(), story)
    name = session.current_book().lots.get(parent).name
    st.html(html.flag_line("Trial", f"This is a trial of {name} (lot {parent}). {told.text}"))
    if st.button("To the batch", key=f"trial-parent-{story.lot.id}"):
        pages.go_to_lot("match", parent)


def show_trials(story: LotStory) -> None:
    """The trials of a lot and the form to take one; on a trial, the way back into the batch."""
    if story.lot.trial_of is not None:
        ask_pouring_back(story)
        return
    trials = describe_trials(session.current_book(), story)
    if trials:
        st.header("Trials")
    for told in trials:
        st.html(html.line(told.text))
        if st.button(f"Open the trial, lot {told.lot}", key=f"trial-open-{told.lot}"):
            pages.go_to_lot("match", told.lot)
    if story.lot.closed or not session.may_enter():
        return
    act = act_on(story, "trial")
    with st.expander("Try it on a small part first", expanded=act.is_typed()):
        st.write(
            "Measure 50 or 100 ml of the batch into a clean jug and tint that first. The trial has its own page, drops "
            "and photos; the dose found there is scaled to the batch. The batch shrinks by what you take, until it is "
            "poured back."
        )
        ml = ask_number(st, "Taken for the trial, ml", act.key("ml"), 100.0, None, 2e6, 50.0)
        if st.button("Take the trial", key=act.key("take"), width="stretch"):
            with session.failures_shown():
                book = session.current_book()
                trial = book.trials.take(story.lot.id, ml, **session.by(act.token))
                st.session_state.pop(f"token-{act.name}", None)
                session.notify(f"The trial of {ml:g} ml is taken. Its drops and photos are written down here.")
                pages.go_to_lot("match", trial.id)


def ask_pouring_back(story: LotStory) -> None:
    """Close a trial and pour it back into its batch; it asks once more."""
    book = session.current_book()
    told = describe_trials(book, story)[0]
    parent = told.of_lot
    if not session.may_enter() or told.poured_back or book.lots.get(parent).closed:
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
                raise InputError('Tick "It was kept clean and undiluted", or leave the trial out of the batch.')
            finish_trial(book, story.lot.id, **session.by(token))
            return f"The trial is closed and poured back into lot {parent}. Photograph the batch."

        act.offer("Pour it back", pour, "do")
