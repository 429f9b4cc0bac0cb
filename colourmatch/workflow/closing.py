"""Ends a lot: its final figures, what it taught about its stocks, and the way of a trial back into its batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Unpack

import numpy as np

from colourmatch.advice import Advice, StockLearnt
from colourmatch.book.checks import check_outcome
from colourmatch.book.entries import ClosingEntry, LotStory, VolumeEntry
from colourmatch.book.lot_book import LotBook
from colourmatch.book.transactions import By, part_of
from colourmatch.errors import ClosedError, QuestionError
from colourmatch.facts import K_95
from colourmatch.records import Record, kept, pick
from colourmatch.workflow.ceilings import passed_ceilings
from colourmatch.workflow.fitting import LEAST_LEARNT_SD, usable_photos
from colourmatch.workflow.lot import advise_whole
from colourmatch.workflow.trials import open_trials

#: What the record says of a lot that ended unseen.
UNSEEN = "Closed without a photo of its last state."


class Closed(Record):
    """How a lot ended: its final advice, the ceilings that it passed, of each trial that is still open a sentence."""

    lot: int = kept()
    closed: bool = kept()
    outcome: str = kept()
    text: str = kept()
    against: str = kept()
    advice: Advice = kept(Advice.from_json)
    warnings: Sequence[Mapping[str, str]] = kept()
    open_trials: Mapping[int, str] = kept(
        write=lambda texts: [{"lot": lot, "text": text} for lot, text in texts.items()]
    )


def close_lot(
    book: LotBook,
    lot: int | str,
    reason: str | None = None,
    text: str = "",
    *,
    sure: bool = False,
    **by: Unpack[By],
) -> Closed:
    """Close a lot: keep its final figures, and what it taught about its stocks as the next lot's starting point.

    The same call again with its `token` closes nothing twice. ClosedError when the lot is closed already; QuestionError for
    a reason that the advice contradicts (`Advice.contradict`), or for none while a question is open, unless `sure` says
    that it is meant.
    """
    story = book.lots.story(lot)
    photos = usable_photos(story)
    known = book.entries.with_token(story.lot.id, by.get("token"))
    if isinstance(known, ClosingEntry):
        # the advice of now may be another; what was not said is as it was entered
        advice, reason, text = known.final or Advice(), reason or known.outcome, text or known.text
    else:
        advice = advise_whole(book, story)
    outcome = reason or (advice.reason if advice.action == "stop" else "stopped by the maker")
    words = text or (advice.text if advice.action == "stop" else "")
    if not advice.state_photographed:
        words = f"{words.removesuffix(UNSEEN).strip()} {UNSEEN}".strip()
    is_asked = not (sure or known or story.lot.closed)
    if is_asked and advice.question and reason is None and advice.action != "stop":
        raise QuestionError(
            f"A question is open: {advice.question.text} Answer it with colourmatch lot answer {story.lot.id} --yes, or "
            "--no; or close the lot all the same with a --reason, such as 'given up'."
        )
    if is_asked and (said := advice.contradict(check_outcome(outcome))):
        raise QuestionError(
            f"The advice is not {outcome} but: {said} Follow it, or close the lot all the same with --sure."
        )
    entry = book.lots.close(story.lot.id, outcome, words, advice, **by)
    advice = entry.final or advice
    if len(photos) >= 2:
        _learn(book, story, advice.stocks_learnt, {"token": by.get("token")})
    still = open_trials(book, story.lot.id, closed=True)
    told = pick(entry, "outcome", "text", "against") | {"advice": advice, "warnings": passed_ceilings(story)}
    return Closed(story.lot.id, True, **told, open_trials=still)


def _learn(book: LotBook, story: LotStory, taught: Sequence[StockLearnt], by: By) -> None:
    """Keep what a lot taught of the strengths and bands of the stocks that it was dosed with."""
    dosed, shelf = {dose.stock for dose in story.additions}, book.stocks.all()
    for k, learnt in enumerate(taught):
        if learnt.stock not in dosed:
            continue
        sd = max(float(np.log(learnt.high / learnt.low)) / (2 * K_95), LEAST_LEARNT_SD)
        said, once = (learnt.strength_factor, sd, story.lot.id), part_of(by, f"learnt-{k}")
        moved = learnt.shift_nm
        shift = (moved.value, (moved.high - moved.low) / (2 * K_95)) if moved else None
        stock = book.stocks.learn(learnt.stock, *said, shift=shift, **once)
        # what was thinned from it is as strong, unless its own drops say more
        for thin in shelf:
            if thin.diluted_from_id == stock.id and thin.name not in dosed and thin.strength_rel_sd > sd:
                book.stocks.learn(thin.id, *said, shift=shift, **part_of(once, str(thin.id)))


def finish_trial(book: LotBook, trial: int | str, **by: Unpack[By]) -> VolumeEntry:
    """Close a trial, keep what it taught of its stocks, and pour the rest of it back into its batch."""
    head = book.lots.get(trial)
    if head.trial_of is not None and not head.closed:
        if book.lots.get(head.trial_of).closed:
            raise ClosedError(
                f"Lot {head.trial_of}, from which this trial was taken, is closed: nothing is poured back into it. "
                f"Close the trial, lot {head.id}, by itself."
            )
        close_lot(book, head.id, "trial", f"Poured back into lot {head.trial_of}.", **part_of(by, "close"))
    return book.trials.pour_back(head.id, **by)
