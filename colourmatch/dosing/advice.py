"""The advice: whether to add, how much, or to stop and why, in numbers and in a sentence.

Acceptance follows JCGM 106:2012 (The role of measurement uncertainty in conformity assessment): when no drop can improve
what is seen any more, what is more likely decides whether it is "matched" (8.2, simple acceptance on the probability of
being within), and the chance is given unless it is 95 % or more (8.3.2, guard band).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import ceil
from typing import Any

import numpy as np

from colourmatch.advice import Advice, Dose, Rescue
from colourmatch.dosing.advice_facts import SURE, gather_facts, gather_held, is_within
from colourmatch.dosing.doses import (
    chance_passed,
    count_doses,
    explore,
    keep_under_ceiling,
    ml_of,
    round_down,
    warn_of_weight,
)
from colourmatch.dosing.doubt import FAR
from colourmatch.dosing.plan import MOST_OF_BATCH, PASSED_CHANCE, Line, plan_line
from colourmatch.dosing.problem import PATIENCE, REPEATABILITY, Problem, expect_draws
from colourmatch.dosing.rescue import LIKELY_NEARER, find_filling_up, find_rescue, is_past
from colourmatch.words import advice as words
from colourmatch.words.figures import tell_interval

#: Inside the tolerance a step must promise at least this part of it.
WORTH_INSIDE = 0.25
#: A dose of more than this part of the batch is not advised at all: the stock is too weak for the work.
DROWNED = 0.15
#: Between these chances of being within the tolerance a second photo of the same state is asked for before a stop.
CONFIRM = (0.15, 0.9)
#: A ceiling is named as the reason when it costs at least this many CIEDE2000.
CEILING_COST = 0.3
#: A dose that brings this many times what blending back would is added, though some less of what is in were nearer as well.
MORE_THAN_THINNING = 2.0


def ask_for_photo(text: str) -> Advice:
    """The advice when there is nothing to go by yet, or the photo cannot be trusted."""
    return Advice(action="rephotograph", reason="photo", text=text)


def advise_unseen(problem: Problem, left_ml: Mapping[str, float]) -> Advice:
    """What to do while no photo shows the batch as it is: finish the step that was advised, or photograph.

    left_ml: what is left of that step, by stock. It is neither matched nor past nor at its nearest before it was seen.
    """
    if not problem.fit.success:
        return replace(ask_for_photo(words.CONTRADICT), state_photographed=False)
    nothing = np.zeros((1, len(problem.stocks)))
    step = _decide(
        gather_held(problem),
        "rephotograph",
        "photo",
        words.STIR,
        state_photographed=False,
        expected=expect_draws(problem.difference(*problem.after(nothing))[:, 0]),
    )
    drops = {k: int(left_ml.get(s.name, 0.0) / s.drop_ml + 0.5) for k, s in enumerate(problem.stocks)}
    doses = count_doses(problem, keep_under_ceiling(problem, drops))
    if doses:
        return with_doses(problem, replace(step, action="add", reason="step"), doses, words.REST_OF_STEP)
    if not problem.keeps_ceiling(ml_of(problem, {k: 1 for k in problem.open_stocks[:1]})):
        return replace(step, text=words.NO_ROOM)
    return step


def advise(problem: Problem) -> Advice:
    """Plan the next step, or stop; the ceiling is never passed by any dose advised.

    No stop rests on photos that are in doubt but the one at the ceiling, which no better photo changes; and a photo that
    is asked for anyway is to be the better one.
    """
    advice = _plan(problem)
    far = advice.reason in ("nearest", "past") and advice.problem is None and problem.fit.photos == 1
    if advice.action == "stop" and far:
        assert advice.now is not None
        if advice.now.value > FAR * problem.tolerance:
            return _decide(advice, "rephotograph", "photo", words.LOOK_AT_THE_GLASSES)
    stands = advice.action == "add" or advice.reason == "ceiling"
    if problem.doubt is None or stands or not problem.fit.success:
        return advice
    return _decide(advice, "rephotograph", "photo", words.DOUBT.format(problem.doubt))


def _plan(problem: Problem) -> Advice:
    if not problem.fit.success:
        return ask_for_photo(words.CONTRADICT)
    line = plan_line(problem)
    rescue = find_rescue(problem)
    facts = gather_facts(problem, line, rescue)
    doses = round_down(problem, line)
    gain = float(line.mean[0] - line.mean[line.best])
    inside = is_within(facts, SURE)
    filling = find_filling_up(problem, line, rescue)
    if filling is not None:
        return _stop_spoilt(facts, filling)
    # past the best, and not within the tolerance all the same
    back = None if is_within(facts) else rescue
    if is_past(back) and gain < REPEATABILITY:
        return stop_past(facts)
    thinner = 0.0 if back is None else float(line.mean[0]) - back.predicted.value
    less = back is not None and back.chance_nearer > LIKELY_NEARER and gain < MORE_THAN_THINNING * thinner
    unsure = CONFIRM[0] < (facts.chance_within_tolerance or 0.0) < CONFIRM[1]
    asked = problem.photos_of_state > 1 or problem.fit.photos >= PATIENCE
    if gain < REPEATABILITY and unsure and not line.bound and not asked:
        return _decide(facts, "rephotograph", "photo", words.VERY_NEAR)
    worth = max(REPEATABILITY, WORTH_INSIDE * problem.tolerance) if inside else REPEATABILITY
    if less and not asked:
        return _decide(facts, "rephotograph", "photo", words.WHICH_WAY)
    if problem.stalled or less:
        return _stop_here(problem, line, facts)
    if gain < worth:
        tried_out = inside or line.bound or problem.fit.photos >= PATIENCE
        trying = () if tried_out else explore(problem, line)
        if trying:
            return _add(problem, line, trying, facts)
        return _stop_here(problem, line, facts)
    weak = _too_weak(problem, line)
    if weak is not None and float(line.ml[line.best] @ problem.growth) > DROWNED * problem.state.volume_ml:
        return _decide(facts, "stop", "nearest", weak, problem=weak)
    if doses:
        return _add(problem, line, doses, facts)
    return _without_safe_drop(problem, line, facts)


def _decide(facts: Advice, action: str, reason: str, text: str, finding: str = "", **more: Any) -> Advice:
    return replace(facts, action=action, reason=reason, text=text, finding=finding, **more)


def _tell_doses(sentence: str, doses: tuple[Dose, ...]) -> str:
    """A step's sentence with its doses, and what is to be said of a weight."""
    parts, warnings = [], []
    for dose in doses:
        assert dose.measured is not None
        parts.append(dose.text)
        warnings.append(warn_of_weight(dose.measured))
    return " ".join([sentence.format(" and ".join(parts)), *filter(None, warnings)])


def _add(problem: Problem, line: Line, doses: tuple[Dose, ...], facts: Advice) -> Advice:
    step = _decide(facts, "add", "step", "", problem=_too_weak(problem, line))
    return with_doses(problem, step, doses)


def with_doses(problem: Problem, step: Advice, doses: tuple[Dose, ...], sentence: str = words.STEP) -> Advice:
    """The same advice to add, with these doses: what to do in words, and what is then expected."""
    ml = np.array([[sum(d.ml for d in doses if d.stock == stock.name) for stock in problem.stocks]], float)
    after = problem.after(ml)
    view = problem.shown or problem.views[0]
    batch, reference = problem.batch_lab(ml, view)[:, 0], problem.fit.reference_lab(view)
    labs = {
        "batch": [round(float(v), 2) for v in batch.mean(axis=0)],
        "reference": [round(float(v), 2) for v in reference.mean(axis=0)],
    }
    scatter = np.cov((batch - reference)[1:].T)  # as in compare_draws: the first draw is the most probable
    return replace(
        step,
        text=_tell_doses(sentence, doses),
        doses=doses,
        predicted=expect_draws(problem.difference(*after)[:, 0]),
        predicted_lab=labs,
        predicted_covariance=[[round(float(v), 4) for v in row] for row in scatter],
    )


def _too_weak(problem: Problem, line: Line) -> str | None:
    thinning = float(line.ml[line.best] @ problem.growth)
    if thinning <= MOST_OF_BATCH * problem.state.volume_ml:
        return None
    # at the end of what is searched the best lies further on
    more = "more than " if line.best == len(line.ml) - 1 else ""
    return words.TOO_WEAK.format(more, thinning, 100 * thinning / problem.state.volume_ml)


def _without_safe_drop(problem: Problem, line: Line, facts: Advice) -> Advice:
    """More colour would help, yet no whole drop is safe: the ceiling, a stock too strong, or doubt."""
    k = max(line.used, key=lambda i: line.ml[line.best, i] / problem.stocks[i].drop_ml)
    stock = problem.stocks[k]
    if not problem.keeps_ceiling(ml_of(problem, {k: 1})):
        return _stop_ceiling(problem, line, facts)
    best_drops = line.ml[line.best, k] / stock.drop_ml
    if best_drops < 1.5:
        fold = max(2, ceil(4 / max(best_drops, 0.1)))
        text = words.tell_too_strong(stock.name, fold, stock.made_in)
        if is_within(facts):
            return _stop_here(problem, line, facts)
        return _decide(facts, "stop", "nearest", text, problem=text)
    if chance_passed(problem, line, k) < 4 * PASSED_CHANCE:
        return _add(problem, line, count_doses(problem, {k: 1}), facts)
    return _decide(facts, "rephotograph", "photo", words.WHICH_WAY)


def _stop_here(problem: Problem, line: Line, facts: Advice) -> Advice:
    assert facts.now is not None
    within = is_within(facts)
    if line.bound and line.free_gain >= CEILING_COST and not within:
        return _stop_ceiling(problem, line, facts)
    if within:
        chance = None if is_within(facts, SURE) else facts.chance_within_tolerance
        text = words.tell_matched(facts.now, problem.tolerance, chance)
        return _decide(facts, "stop", "matched", text)
    names = [stock.name for stock in problem.stocks]
    text = words.tell_nearest(names, facts.now, problem.tolerance, facts.missing, stalled=problem.stalled)
    if not any(problem.state.mg.values()):
        text += words.UNNOTED
    return _decide(facts, "stop", "nearest", text)


def _stop_ceiling(problem: Problem, line: Line, facts: Advice) -> Advice:
    assert facts.now is not None
    k, own = line.used[0], replace(problem, jurisdiction=None)
    place = problem.jurisdiction if problem.room_ml()[k] < own.room_ml()[k] else None
    fits = problem.keeps_ceiling(ml_of(problem, {k: 1}))
    text = words.tell_ceiling_stop(problem.ceiling_mg_per_l, facts.now, line.free_gain, place=place or "", fits=fits)
    return _decide(facts, "stop", "ceiling", text)


def _stop_spoilt(facts: Advice, rescue: Rescue) -> Advice:
    assert facts.now is not None and facts.reachable is not None
    said = words.SPOILT.format(tell_interval(facts.now), tell_interval(facts.reachable))
    text = f"{said} {rescue.text} {words.FROM_THERE.format(tell_interval(rescue.predicted))}"
    return _decide(facts, "stop", "past", text, finding=said, rescue=rescue)


def stop_past(facts: Advice) -> Advice:
    """The stop of a batch that is past its match, and how to bring it back."""
    assert facts.now is not None and facts.rescue is not None
    said, rescue = words.tell_past(facts.now), facts.rescue
    brought = words.BROUGHT_TO.format(tell_interval(rescue.predicted)) if rescue.untinted_ml > 0 else ""
    text = " ".join(filter(None, (said, rescue.text, brought)))
    return _decide(facts, "stop", "past", text, finding=said)
