"""The advice: whether to add, how much, or to stop and why, in numbers and in a sentence.

Acceptance follows JCGM 106:2012 (The role of measurement uncertainty in conformity assessment), 8.3.2: "matched" needs
the difference under the tolerance with 95 % probability. When no drop can improve what is seen any more, what is more
likely decides (8.2, simple acceptance on the probability of being within), and the chance is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import Interval, describe_difference
from colourmatch.dosing.plan import (
    MOST_DROPS,
    MOST_OF_BATCH,
    PASSED_CHANCE,
    Line,
    passing_limit,
    plan_line,
    safe_step,
)
from colourmatch.dosing.problem import PATIENCE, REPEATABILITY, Problem, expect_draws
from colourmatch.dosing.rescue import LIKELY_NEARER, Rescue, find_rescue
from colourmatch.words.figures import tell_drops, tell_interval

Array = NDArray[np.float64]

#: Inside the tolerance a step must promise at least this part of it.
WORTH_INSIDE = 0.25
#: A dose of more than this part of the batch is not advised at all: the stock is too weak for the work.
DROWNED = 0.15
#: Between these chances of being within the tolerance a second photo of the same state is asked for before a stop.
CONFIRM = (0.15, 0.9)
#: From this chance on a batch that no drop can improve is within the tolerance rather than over it.
LIKELY = 0.5
#: From this chance on it is within the tolerance for certain (the guard band).
SURE = 0.95
#: A step that is not worth it on average is tried all the same when its chance of a gain that a photo shows is this.
PROMISING = 0.12
#: A ceiling is named as the reason when it costs at least this many CIEDE2000.
CEILING_COST = 0.3
#: Labels and photos are both told of what is in the batch when they differ by more than this part.
AMOUNTS_APART = 0.1


@dataclass(frozen=True)
class Dose:
    """An addition of one stock: whole drops and the millilitres and mg per litre of batch that they are."""

    stock: str
    drops: int
    ml: float
    mg_per_l: float

    def to_json(self) -> dict[str, Any]:
        """One entry of `doses`."""
        return {
            "stock": self.stock,
            "drops": self.drops,
            "ml": round(self.ml, 3),
            "mg_per_l": round(self.mg_per_l, 3),
        }


@dataclass(frozen=True)
class Advice:
    """What to do now; see design section 5 for `action` and `reason`.

    now: the difference of the batch as its photos show it, None while none shows it as it is; expected: what it should
    be then. surely_short: even at the best dose the lot's stocks stay over the tolerance, with 95 % probability.
    amounts: the colour in the batch by labels and by photos; surprises: stocks whose strength is not that of the label.
    """

    action: str
    reason: str
    text: str
    doses: tuple[Dose, ...] = ()
    now: Interval | None = None
    predicted: Interval | None = None
    to_match: tuple[dict[str, Any], ...] = ()
    reachable: Interval | None = None
    ceiling_left_mg_per_l: float | None = None
    used_mg_per_l: float | None = None
    ceiling_mg_per_l: float | None = None
    ceiling_cost: float | None = None
    missing: str | None = None
    predicted_lab: dict[str, list[float]] | None = None
    predicted_covariance: list[list[float]] | None = None
    curve: dict[str, Any] | None = None
    rescue: Rescue | None = None
    problem: str | None = None
    chance_within_tolerance: float | None = None
    surely_short: bool = False
    stocks_learnt: tuple[dict[str, Any], ...] = field(default_factory=tuple)
    state_photographed: bool = True
    expected: Interval | None = None
    amounts: dict[str, Any] | None = None
    surprises: tuple[dict[str, Any], ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The advice object of the command line."""
        return {
            "action": self.action,
            "reason": self.reason,
            "text": self.text,
            "doses": [d.to_json() for d in self.doses],
            "now": self.now.to_json() if self.now else None,
            "predicted": {"delta_e_2000": self.predicted.to_json()} if self.predicted else None,
            "to_match": list(self.to_match),
            "reachable_delta_e_2000": round(self.reachable.value, 2) if self.reachable else None,
            "reachable": self.reachable.to_json() if self.reachable else None,
            "ceiling_left_mg_per_l": _round(self.ceiling_left_mg_per_l, 2),
            "used_mg_per_l": _round(self.used_mg_per_l, 2),
            "ceiling_mg_per_l": self.ceiling_mg_per_l,
            "ceiling_cost_delta_e_2000": _round(self.ceiling_cost, 2),
            "missing": self.missing,
            "predicted_lab": self.predicted_lab,
            "predicted_covariance": self.predicted_covariance,
            "curve": self.curve,
            "rescue": self.rescue.to_json() if self.rescue else None,
            "problem": self.problem,
            "chance_within_tolerance": _round(self.chance_within_tolerance, 3),
            "stocks_learnt": list(self.stocks_learnt),
            "state_photographed": self.state_photographed,
            "expected": {"delta_e_2000": self.expected.to_json()} if self.expected else None,
            "amounts": self.amounts,
            "surprises": list(self.surprises),
        }


def ask_for_photo(text: str) -> Advice:
    """The advice when there is nothing to go by yet, or the photo cannot be trusted."""
    return Advice("rephotograph", "photo", text)


def advise_unseen(problem: Problem, left_ml: Mapping[str, float]) -> Advice:
    """What to do while no photo shows the batch as it is: finish the step that was advised, or photograph.

    left_ml: what is left of that step, by stock. It is neither matched nor past nor at its nearest before it was seen.
    """
    if not problem.fit.success:
        return replace(_ask_again(), state_photographed=False)
    nothing = np.zeros((1, len(problem.stocks)))
    step = Advice(
        "rephotograph",
        "photo",
        "Stir, wait for the bubbles to clear, photograph again.",
        state_photographed=False,
        expected=expect_draws(problem.difference(*problem.after(nothing))[:, 0]),
        **_held(problem),
    )
    ml = np.array([left_ml.get(stock.name, 0.0) for stock in problem.stocks])
    drops = {k: int(ml[k] / stock.drop_ml + 0.5) for k, stock in enumerate(problem.stocks)}
    doses = count_doses(problem, _under_ceiling(problem, drops))
    if doses:
        text = f"Add the rest of the step: {_describe(doses)}. Then stir, wait for the bubbles to clear, photograph."
        return replace(with_doses(problem, replace(step, action="add", reason="step"), doses), text=text)
    if not problem.keeps_ceiling(_ml_of(problem, {k: 1 for k in problem.open_stocks[:1]})):
        return replace(
            step, text="Add no more: the ceiling leaves no room for another drop. Stir, and photograph."
        )
    return step


def _ask_again() -> Advice:
    return ask_for_photo(
        "The photos of this lot contradict each other. Check the additions entered, then photograph both glasses "
        "again in steady light."
    )


def advise(problem: Problem) -> Advice:
    """Plan the next step, or stop; the ceiling is never passed by any dose advised.

    No stop rests on photos that are in doubt but the one at the ceiling, which no better photo changes; and a photo that
    is asked for anyway is to be the better one.
    """
    advice = _plan(problem)
    if (
        problem.doubt is None
        or advice.action == "add"
        or advice.reason == "ceiling"
        or not problem.fit.success
    ):
        return advice
    text = f"Photograph once more before you stop: this photo alone does not decide it. {problem.doubt}"
    return replace(advice, action="rephotograph", reason="photo", text=text)


def _plan(problem: Problem) -> Advice:
    if not problem.fit.success:
        return _ask_again()
    line = plan_line(problem)
    rescue = find_rescue(problem)
    facts = _facts(problem, line, rescue)
    doses = _round_down(problem, line)
    gain = float(line.mean[0] - line.mean[line.best])
    inside = _within(facts, SURE)
    # past the best, and not within the tolerance all the same
    back = None if _within(facts) else rescue
    if back is not None and back.surely_past and gain < REPEATABILITY:
        return _stop_past(facts)
    less = back is not None and back.chance_nearer > LIKELY_NEARER
    unsure = CONFIRM[0] < facts["chance_within_tolerance"] < CONFIRM[1]
    asked = problem.photos_of_state > 1 or problem.fit.photos >= PATIENCE
    if gain < REPEATABILITY and unsure and not line.bound and not asked:
        return Advice(
            "rephotograph",
            "photo",
            "Very near. Pour both glasses afresh to equal height and photograph once more, to be sure before you stop.",
            **facts,
        )
    worth = max(REPEATABILITY, WORTH_INSIDE * problem.tolerance) if inside else REPEATABILITY
    if less and not asked:
        return _which_way(facts)
    if problem.stalled or less:
        return _stop_here(problem, line, facts)
    if gain < worth:
        tried_out = inside or line.bound or problem.fit.photos >= PATIENCE
        trying = () if tried_out else _explore(problem, line)
        if trying:
            return _add(problem, line, trying, facts)
        return _stop_here(problem, line, facts)
    weak = _too_weak(problem, line)
    if weak is not None and float(line.ml[line.best] @ problem.growth) > DROWNED * problem.state.volume_ml:
        return Advice("stop", "nearest", weak, problem=weak, **facts)
    if doses:
        return _add(problem, line, doses, facts)
    return _without_safe_drop(problem, line, facts)


# ---- numbers ---------------------------------------------------------------------------------------------------


def _within(facts: dict[str, Any], chance: float = LIKELY) -> bool:
    """Whether the batch is within the tolerance with at least this chance: rather than over it when none is given."""
    return bool(facts["chance_within_tolerance"] >= chance)


def _facts(problem: Problem, line: Line, rescue: Rescue | None) -> dict[str, Any]:
    now = line.difference[:, 0]
    return {
        "now": problem.interval(*problem.after(line.ml[:1])),
        "reachable": expect_draws(line.difference[:, line.best]),
        # of a reading: the scatter of the draws alone keeps two alike liquids apart
        "surely_short": problem.interval(*problem.after(line.ml[[line.best]])).low > problem.tolerance,
        "chance_within_tolerance": float((now <= problem.tolerance).mean()),
        "to_match": _to_match(problem, line),
        "ceiling_cost": line.free_gain if line.bound else None,
        "missing": _missing(problem, line),
        "curve": _curve(problem, line),
        "rescue": rescue if rescue is not None and rescue.surely_past else None,
        **_held(problem),
    }


def _held(problem: Problem) -> dict[str, Any]:
    """What is in the batch, by the labels and by what the photos taught, and the room that it leaves."""
    factors = np.quantile(problem.fit.strength_factors, (0.5, 0.025, 0.975), axis=0)
    learnt = tuple(
        {"stock": s.name}
        | dict(zip(("strength_factor", "low", "high"), map(_three_digits, figures), strict=True))
        for s, *figures in zip(problem.stocks, *factors, strict=True)
    )
    return {
        "ceiling_left_mg_per_l": problem.ceiling_left(),
        "used_mg_per_l": problem.limit_base_mg_per_l(),
        "ceiling_mg_per_l": problem.ceiling_mg_per_l,
        "stocks_learnt": learnt,
        "amounts": _amounts(problem),
        "surprises": tuple(_surprises(problem, learnt)),
    }


def _three_digits(value: float) -> float:
    return round(float(value), 3)


def _amounts(problem: Problem) -> dict[str, Any]:
    """Colour in the batch, mg/l: by the labels, and as the photos tell the stocks' strengths."""
    state = problem.state
    by_labels = state.total_mg_per_l()
    own = np.array([state.concentration_mg_per_l(s.name) for s in problem.stocks])
    seen = expect_draws(by_labels + (problem.fit.strength_factors - 1) @ own).to_json()
    apart = abs(seen["value"] - by_labels) > AMOUNTS_APART * by_labels
    text = f"By the labels {by_labels:.1f} mg/l of colour are in, by the photos {tell_interval(seen)}."
    return {
        "by_labels_mg_per_l": round(by_labels, 3),
        "by_photos_mg_per_l": seen,
        "text": text if apart else None,
    }


def _surprises(problem: Problem, learnt: tuple[dict[str, Any], ...]) -> Iterator[dict[str, Any]]:
    """Stocks whose strength the photos put outside the 95 % of what was known of it."""
    for known, found in zip(problem.fit.stocks, learnt, strict=True):
        away = np.log(found["strength_factor"]) - known.log_factor
        if abs(away) > 1.96 * known.log_factor_sd and problem.state.mg.get(found["stock"]):
            times = _say_times(found["strength_factor"])
            less = "less" if away < 0 else "more"
            yield found | {
                "text": f"The photos say that {found['stock']} is about {times} as strong as its label "
                f"({found['low']:.2f} to {found['high']:.2f} of it), or that {less} went in than was noted."
            }


def _say_times(factor: float) -> str:
    """A factor in words: "half", "twice", "0.7 times"."""
    near = {0.5: "half", 2.0: "twice", 3.0: "three times"}
    return next(
        (word for value, word in near.items() if abs(factor / value - 1) < 0.1), f"{factor:.1f} times"
    )


def _to_match(problem: Problem, line: Line) -> tuple[dict[str, Any], ...]:
    """Drops of each stock to the best dose: expected, and the 95 % range of where the draws have theirs."""
    low, high = np.quantile(line.draw_best, (0.025, 0.975))
    out = []
    for k in line.used:
        drops = line.ml[:, k] / problem.stocks[k].drop_ml
        out.append(
            {
                "stock": problem.stocks[k].name,
                "drops": round(float(drops[line.free_best])),
                "low": int(drops[int(low)]),
                "high": ceil(float(drops[int(np.ceil(high))])),
            }
        )
    return tuple(out)


def _labs(problem: Problem, line: Line, t: int) -> tuple[Array, Array]:
    view = problem.views[0]
    batch = problem.fit.batch_lab(*problem.after(line.ml[t : t + 1]), view)[:, 0]
    return batch.mean(axis=0), problem.fit.reference_lab(view).mean(axis=0)


def _missing(problem: Problem, line: Line) -> str | None:
    batch, reference = _labs(problem, line, line.best)
    if line.mean[line.best] <= problem.tolerance:
        return None
    return describe_difference(reference, batch)


def _curve(problem: Problem, line: Line) -> dict[str, Any]:
    """Difference against further drops of the stock of which most goes in."""
    k = max(line.used, key=lambda i: line.ml[-1, i] / problem.stocks[i].drop_ml)
    low, middle, high = np.quantile(line.difference, (0.025, 0.5, 0.975), axis=0)
    drops = line.ml[:, k] / problem.stocks[k].drop_ml
    room = problem.room_ml()[k] / problem.stocks[k].drop_ml
    return {
        "stock": problem.stocks[k].name,
        "drops": [round(float(v), 2) for v in drops],
        "delta_e_2000": [round(float(v), 3) for v in middle],
        "low": [round(float(v), 3) for v in low],
        "high": [round(float(v), 3) for v in high],
        "best_drops": round(float(drops[line.best]), 1),
        "ceiling_drops": int(room) if np.isfinite(room) else None,
    }


# ---- doses -----------------------------------------------------------------------------------------------------


def count_doses(problem: Problem, drops: Mapping[int, int]) -> tuple[Dose, ...]:
    """Drops of the problem's stocks, by their index, as doses; none for no drops."""
    ml = np.zeros(len(problem.stocks))
    for k, n in drops.items():
        ml[k] = n * problem.stocks[k].drop_ml
    volume = problem.state.volume_ml + float(ml @ problem.growth)
    return tuple(
        Dose(
            problem.stocks[k].name,
            n,
            float(ml[k]),
            float(ml[k] * problem.stocks[k].mg_per_ml / volume * 1000),
        )
        for k, n in drops.items()
        if n > 0
    )


def _whole_drops(problem: Problem, line: Line, t: int) -> dict[int, int]:
    """Whole drops of each stock up to a point of the line."""
    return {k: int(line.ml[t, k] / problem.stocks[k].drop_ml + 1e-6) for k in line.used}


def _round_down(problem: Problem, line: Line) -> tuple[Dose, ...]:
    """This step in whole drops, never more than the safe step and never past a ceiling; at least one drop in all."""
    drops = _whole_drops(problem, line, line.step)
    # a last step of half a drop or more is a drop when the best dose lies beyond it
    if not any(drops.values()) and line.step:
        k = max(line.used, key=lambda i: line.ml[line.best, i] / problem.stocks[i].drop_ml)
        if (
            line.ml[line.best, k] / problem.stocks[k].drop_ml >= 0.5
            and _chance_passed(problem, line, k) < PASSED_CHANCE
        ):
            drops[k] = 1
    return count_doses(problem, _under_ceiling(problem, drops))


def _under_ceiling(problem: Problem, drops: Mapping[int, int]) -> dict[int, int]:
    """As many of these drops of each stock as the ceilings leave room for."""
    kept = dict(drops)
    while any(kept.values()) and not problem.keeps_ceiling(_ml_of(problem, kept)):
        k = max(kept, key=lambda i: kept[i])
        kept[k] -= 1
    return kept


def _explore(problem: Problem, line: Line) -> tuple[Dose, ...]:
    """A step whose expected gain is small but whose chance of a clear one is not, and which risks little.

    The expected difference is flat where the draws disagree on where the best lies; what they then say is that a step
    teaches more than a stop. Only as far as the chance of passing the best stays small, and only when it can be seen.
    """
    # colour cannot be taken out again: not where it is expected to look worse than now
    mean = line.mean
    inside = [t for t in range(1, len(mean)) if mean[t] <= mean[0] and problem.keeps_ceiling(line.ml[t])]
    step = safe_step(problem, line.difference, line.draw_best, max(inside, default=0))
    gains = line.difference[:, 0] - line.difference[:, step]
    if (gains > REPEATABILITY).mean() < PROMISING:
        return ()
    drops = _whole_drops(problem, line, step)
    return count_doses(problem, drops) if problem.keeps_ceiling(_ml_of(problem, drops)) else ()


def _ml_of(problem: Problem, drops: dict[int, int]) -> list[float]:
    return [drops.get(k, 0) * s.drop_ml for k, s in enumerate(problem.stocks)]


def _chance_passed(problem: Problem, line: Line, k: int) -> float:
    """Chance that one drop of a stock ends beyond passing_limit."""
    after = problem.difference(*problem.after(np.array([_ml_of(problem, {k: 1})])))[:, 0]
    beyond = line.ml[line.draw_best, k] < problem.stocks[k].drop_ml
    return float(((after > passing_limit(problem, line.difference, line.draw_best)) & beyond).mean())


# ---- the sentences ---------------------------------------------------------------------------------------------


def _describe(doses: tuple[Dose, ...]) -> str:
    parts = []
    for dose in doses:
        if dose.drops > MOST_DROPS:
            parts.append(f"{dose.ml:.2f} ml of {dose.stock} ({tell_drops(dose.drops)})")
        else:
            parts.append(f"{tell_drops(dose.drops)} of {dose.stock}")
    return " and ".join(parts)


def _add(problem: Problem, line: Line, doses: tuple[Dose, ...], facts: dict[str, Any]) -> Advice:
    step = Advice("add", "step", "", problem=_too_weak(problem, line), **facts)
    return with_doses(problem, step, doses)


def with_doses(problem: Problem, step: Advice, doses: tuple[Dose, ...]) -> Advice:
    """The same advice to add, with these doses: what to do in words, and what is then expected."""
    ml = np.zeros((1, len(problem.stocks)))
    for k, stock in enumerate(problem.stocks):
        ml[0, k] = sum(d.ml for d in doses if d.stock == stock.name)
    after = problem.after(ml)
    view = problem.shown or problem.views[0]
    batch, reference = problem.fit.batch_lab(*after, view)[:, 0], problem.fit.reference_lab(view)
    labs = {
        "batch": [round(float(v), 2) for v in batch.mean(axis=0)],
        "reference": [round(float(v), 2) for v in reference.mean(axis=0)],
    }
    scatter = np.cov((batch - reference)[1:].T)  # as in compare_draws: the first draw is the most probable
    return replace(
        step,
        text=f"Add {_describe(doses)}, stir, wait for the bubbles to clear, photograph again.",
        doses=doses,
        predicted=expect_draws(problem.difference(*after)[:, 0]),
        predicted_lab=labs,
        predicted_covariance=[[round(float(v), 4) for v in row] for row in scatter],
    )


def _too_weak(problem: Problem, line: Line) -> str | None:
    thinning = float(line.ml[line.best] @ problem.growth)
    if thinning <= MOST_OF_BATCH * problem.state.volume_ml:
        return None
    return (
        f"The whole dose would be {thinning:.0f} ml and thin the batch by "
        f"{100 * thinning / problem.state.volume_ml:.0f} %. Make a stronger stock, or make it up in the batch itself."
    )


def _without_safe_drop(problem: Problem, line: Line, facts: dict[str, Any]) -> Advice:
    """More colour would help, yet no whole drop is safe: the ceiling, a stock too strong, or doubt."""
    k = max(line.used, key=lambda i: line.ml[line.best, i] / problem.stocks[i].drop_ml)
    stock = problem.stocks[k]
    if not problem.keeps_ceiling(_ml_of(problem, {k: 1})):
        return _stop_ceiling(problem, line, facts)
    best_drops = line.ml[line.best, k] / stock.drop_ml
    if best_drops < 1.5:
        fold = max(2, ceil(4 / max(best_drops, 0.1)))
        text = (
            f"One drop of {stock.name} would pass the match. Dilute the stock {fold}-fold (1 part made up to {fold} "
            f"parts with {'the batch' if stock.made_in == 'batch' else 'water'}), enter it as a new stock, and go on "
            "with that; or stop here."
        )
        if _within(facts):
            return _stop_here(problem, line, facts)
        return Advice("stop", "nearest", text, problem=text, **facts)
    if _chance_passed(problem, line, k) < 4 * PASSED_CHANCE:
        return _add(problem, line, count_doses(problem, {k: 1}), facts)
    return _which_way(facts)


def _which_way(facts: dict[str, Any]) -> Advice:
    return Advice(
        "rephotograph",
        "photo",
        "It is not certain enough which way to go. Photograph both glasses again, freshly poured to equal height, so "
        "that the next step is safe.",
        **facts,
    )


def _stop_here(problem: Problem, line: Line, facts: dict[str, Any]) -> Advice:
    now: Interval = facts["now"]
    within = _within(facts)
    if line.bound and line.free_gain >= CEILING_COST and not within:
        return _stop_ceiling(problem, line, facts)
    shown = tell_interval(now.to_json())
    if within:
        text = f"Matched: the difference is {shown}, tolerance {problem.tolerance:g}. Stop here."
        if not _within(facts, SURE):
            chance = f"{100 * facts['chance_within_tolerance']:.0f} %"
            text += f" The chance that it is within is {chance}; no drop can improve it by more than a photo can show."
        return Advice("stop", "matched", text, **facts)
    names = " and ".join(s.name for s in problem.stocks)
    left = f" What stays different: {facts['missing']}." if facts["missing"] else ""
    why = " The last steps brought it no nearer." if problem.stalled else ""
    return Advice(
        "stop",
        "nearest",
        f"This is the nearest that {names} can come: {shown}.{why} Stop here.{left}",
        **facts,
    )


def _stop_ceiling(problem: Problem, line: Line, facts: dict[str, Any]) -> Advice:
    now: Interval = facts["now"]
    limit = f" of {problem.ceiling_mg_per_l:g} mg/l" if problem.ceiling_mg_per_l is not None else ""
    cost = f" More colour would come about {line.free_gain:.1f} nearer." if line.free_gain else ""
    text = (
        f"Stop: the ceiling{limit} leaves no room for another drop. The difference is "
        f"{tell_interval(now.to_json())}.{cost}"
    )
    return Advice("stop", "ceiling", text, **facts)


def _stop_past(facts: dict[str, Any]) -> Advice:
    return Advice("stop", "past", say_past(facts["now"], facts["rescue"]), **facts)


def say_past(now: Interval, rescue: Rescue) -> str:
    """That the batch is past its match, and how to bring it back."""
    text = f"Stop: the batch is past the match by now, the difference is {tell_interval(now.to_json())}. {rescue.text}"
    if rescue.untinted_ml > 0:
        text += f" That should bring it to {tell_interval(rescue.predicted.to_json())}."
    return text


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), digits)
