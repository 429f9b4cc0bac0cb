"""What an advice says, from the names, drops and figures that it holds, and the one answer of a lot in the fewest words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from colourmatch.words import figures
from colourmatch.words.figures import Figure, jug_ml, tell_interval

STIR = "Stir, wait for the bubbles to clear, photograph again."
NO_ROOM = "Add no more: the ceiling leaves no room for another drop. Stir, and photograph."
CONTRADICT = (
    "The photos of this lot contradict each other. Check the additions entered, set photos aside that you do not trust, "
    "then photograph both glasses again in steady light."
)
LOOK_AT_THE_GLASSES = (
    "Before you stop: do the glasses stand the right way round, and are both thinned alike? Pour both afresh and "
    "photograph again."
)
#: A step to add, and what is left of one, from its doses in words.
STEP = "Add {}, stir, wait for the bubbles to clear, photograph again."
REST_OF_STEP = "Add the rest of the step: {}. Then stir, wait for the bubbles to clear, photograph."
#: The first step of a lot like earlier ones, and what it rests on: their labels, a stock, and its whole dose.
FIRST_STEP = "Pour {} first, stir, and photograph."
TAUGHT = "As lot {} taught, the whole dose of {} will be {}."
#: From the whole dose in ml and the percentage by which it thins the batch.
TOO_WEAK = (
    "The whole dose would be {}{:.0f} ml, {:.0f} % of the batch. "
    "Make a stronger stock, or make it up in the batch itself."
)
#: Colour that no further drop undoes, from the difference now and the nearest it would come.
SPOILT = (
    "Stop: there is colour in the batch that no further drop undoes; the difference is {}, and would "
    "come no nearer than {}."
)
#: The kind of colour that no stock has, and what it would reach.
MISSING_KIND = "Something {} is missing: with it about {} could be reached. None of your stocks brings that."
#: The colour in the batch where labels, mg/l, and photos differ.
AMOUNTS = "By the labels {:.1f} mg/l of colour are in, by the photos {}."
#: What blending back should bring a batch to, and what can be reached once it was filled up.
BROUGHT_TO, FROM_THERE = "That should bring it to {}.", "From there {} can be reached."
#: That no stop rests on a doubtful photo, and what to do about it.
DOUBT = "Photograph once more before you stop: this photo alone does not decide it. {}"
VERY_NEAR = "Very near. Pour both glasses afresh to equal height and photograph once more, to be sure before you stop."
WHICH_WAY = (
    "It is not certain enough which way to go. Photograph both glasses again, freshly poured to equal height, so "
    "that the next step is safe."
)


def tell_thinning(parts: int, dilution: float) -> str:
    """That liquids are too strong to be read well; parts of water to one, and what that makes in all.

    >>> tell_thinning(3, 4.0).partition(". ")[0]
    'So strong a colour is read badly'
    """
    return (
        f"So strong a colour is read badly. Thin both glasses 1+{parts} with water and photograph again. "
        f"{tell_in_all(dilution)}"
    )


def tell_in_all(dilution: float) -> str:
    """What 1 part is made up to after it was thinned once more."""
    return f"That is 1 part made up to {dilution:g} in all: say so with the next photo."


def tell_uncounted(stock: str, drops: int, ml: float) -> str:
    """A dose of more drops than anybody counts.

    >>> tell_uncounted("gold", 200, 10.0)
    '10.00 ml of gold (200 drops)'
    """
    return f"{ml:.2f} ml of {stock} ({figures.tell_drops(drops)})"


def tell_too_strong(stock: str, fold: int, made_in: str) -> str:
    """That one drop of a stock may pass the match, and how to thin it."""
    return (
        f"One drop of {stock} may pass the match. Dilute the stock {fold}-fold (1 part made up to {fold} "
        f"parts with {'the batch' if made_in == 'batch' else 'water'}), enter it as a new stock, and go on "
        "with that; or stop here."
    )


def tell_matched(now: Figure, tolerance: float, chance: float | None) -> str:
    """A match; chance: that it is within the tolerance, None where that is sure."""
    text = f"Matched: the difference is {tell_interval(now)}, tolerance {tolerance:g}. Stop here."
    if chance is None:
        return text
    return (
        f"{text} The chance that it is within is {100 * chance:.0f} %; no drop can improve it by more than a photo "
        "can show."
    )


def _tell_stays(reached: Figure, tolerance: float) -> str:
    """That something stays different; an interval of what is reached that begins within the tolerance does not say so."""
    return "stays" if _is_over(reached, tolerance) else "may stay"


def _is_over(reached: Figure, tolerance: float) -> bool:
    """Whether a difference is surely over the tolerance."""
    return bool(figures.ends_of(reached)[1] > tolerance)


#: Where nothing helps though nothing was noted.
UNNOTED = " If colour went in already, write it down."


def tell_nearest(stocks: Sequence[str], now: Figure, tolerance: float, missing: str | None, *, stalled: bool) -> str:
    """The nearest that stocks can come, and what stays different."""
    left = f" What {_tell_stays(now, tolerance)} different: {missing}." if missing else ""
    why = " The last steps brought it no nearer." if stalled else ""
    return f"This is the nearest that {' and '.join(stocks)} can come: {tell_interval(now)}.{why} Stop here.{left}"


def tell_ceiling_stop(
    ceiling_mg_per_l: float | None, now: Figure, nearer: float, *, place: str = "", fits: bool = False
) -> str:
    """The stop at a ceiling, or where a place is named at a limit of its law; nearer: what more colour would bring, CIEDE2000;
    fits: whether a drop still has room, too little to be seen."""
    limit = f"the ceiling of {ceiling_mg_per_l:g} mg/l" if ceiling_mg_per_l is not None else "the ceiling"
    limit = f"a limit of {place}" if place else limit
    cost = f" More colour would come about {nearer:.1f} nearer." if nearer else ""
    room = "too little room to come nearer" if fits else "no room for another drop"
    return f"Stop: {limit} leaves {room}. The difference is {tell_interval(now)}.{cost}"


def tell_room(left_mg_per_l: float) -> str:
    """What may still go in."""
    return f"The ceiling leaves {left_mg_per_l:.3g} mg/l."


def tell_past(now: Figure, *, short: bool = False) -> str:
    """That the batch is past its match; short: past the nearest, where its stocks come to no match."""
    what = "the nearest its stocks can come" if short else "the match by now"
    return f"Stop: the batch is past {what}, the difference is {tell_interval(now)}."


def tell_rescue(untinted_ml: float) -> str:
    """How much untinted batch to blend back, nothing for none; two figures, as a jug can be read."""
    if untinted_ml <= 0:
        return ""
    return f"Blend back about {jug_ml(untinted_ml):g} ml of untinted batch, stir, and photograph again."


def tell_filling_up(ml: float) -> str:
    """How much of the batch untinted batch takes the place of."""
    amount = f"{jug_ml(ml, at_most=True):g} ml"
    return (
        f"Set {amount} of it aside, fill up with {amount} of untinted batch, stir, and photograph again. If none is left, "
        "this batch stays as it is."
    )


def tell_before_blending(
    start: str, hints: Iterable[str], untinted_ml: float, left: Figure, *, fills_up: bool = False
) -> str:
    """A batch past its match that another colour would help more than blending back, or filling up, does."""
    act = "Filling up with" if fills_up else "Blending back"
    return (
        f"{start} {' '.join(hints)} {act} about {jug_ml(untinted_ml, at_most=fills_up):g} ml of untinted batch alone would "
        f"leave {tell_interval(left)}: decide on the colour before you blend."
    )


def tell_held_back(doses: Iterable[tuple[str, float]], reachable: Figure, other: str) -> str:
    """The stop before doses of (stock, drops) that would be too much once another colour goes in."""
    alone = " and ".join(f"{figures.tell_drops(drops)} of {stock}" for stock, drops in doses)
    return (
        f"Stop here for now. Another {alone} would come to about {tell_interval(reachable)}, but be too much once "
        f"{other} goes in."
    )


def tell_other_stock(
    stock: str, drops: float, rest: Iterable[tuple[str, int]], reachable: Figure, instead_of: float
) -> str:
    """What a stock on the shelf would bring, with doses of (stock, drops) beside it."""
    others = " and ".join(f"{count} of {name}" for name, count in rest)
    return (
        f"With {stock} from your shelf as well, about {tell_interval(reachable)} could be reached instead of "
        f"{instead_of:.1f}: about {figures.tell_drops(drops)} of it{f', and {others}' if others else ''}."
    )


def tell_surprise(stock: str, factor: float, low: float, high: float, *, less: bool) -> str:
    """A stock whose strength is not that of its label; less: than was expected."""
    near = {0.5: "half", 2.0: "twice", 3.0: "three times"}
    times = next((word for value, word in near.items() if abs(factor / value - 1) < 0.1), f"{factor:.1f} times")
    return (
        f"The photos say that {stock} is about {times} as strong as its label ({low:.2f} to {high:.2f} of it), or that "
        f"{'less' if less else 'more'} went in than was noted."
    )


def tell_grounds(
    advice: Any, tolerance: float, *, closed: bool = False, signs: figures.Signs = figures.PLAIN
) -> Iterator[tuple[str, str]]:
    """What an advice rests on, each with its name: ("then", "CIEDE2000 2.1 (1.2 to 3.0)"); of a closed lot how it ended."""

    def tell(figure: Figure) -> str:
        return f"CIEDE2000 {tell_interval(figure, signs=signs)}"

    adds = advice.action == "add" and not closed
    if advice.expected and not closed:
        yield "expected", f"{tell(advice.expected)}: no photo shows the batch as it is"
    if advice.now:
        yield "ended at" if closed else "now", f"{tell(advice.now)}, by all photos of the lot"
    if adds and advice.predicted:
        yield "then", tell(advice.predicted)
    for dose in advice.to_match if adds else ():
        if dose.drops is not None:
            # Where a ceiling comes first, these drops are no advice: they must not read like one.
            held = "" if advice.ceiling_cost is None else ", but a ceiling comes first"
            most = advice.curve.ceiling_drops if advice.curve and advice.curve.stock == dose.stock else None
            if held and most is not None:
                held += f", at {figures.tell_drops(most)}"
            drops = figures.tell_drops(round(dose.drops), (dose.low, dose.high))
            amount = dose.measured.text if dose.measured else f"{drops} of {dose.stock}"
            yield "in all", f"{amount} to the nearest point{held}"
    if advice.ceiling_left_mg_per_l is not None:
        # of a plan without a reading a bottle may be stronger than its label says
        cautious = "should a bottle be stronger than its label" if advice.expected else "by the labels"
        known = "by the stricter of labels and photos" if advice.now else cautious
        yield "ceiling", f"{figures.tell_left(advice.ceiling_left_mg_per_l)}, {known}"
    # there is nothing left to reach, or blending back undoes more than drops do
    if advice.reason not in ("matched", "past") and (best := find_best(advice)):
        promised = advice.action != "rephotograph"  # a wish for a better photo promises nothing
        stays = f": it {_tell_stays(best, tolerance)} {advice.missing}"
        yield "at best", f"{tell(best)}{stays if advice.missing and promised else ''}"


def find_best(advice: Any) -> Figure | None:
    """How near the stocks come: the figure of the batch now, or after the step, where that is the nearest point itself."""
    best: Figure | None = advice.now if advice.action == "stop" else None
    wanted = {dose.stock: round(dose.drops) for dose in advice.to_match if dose.drops}
    steps = {dose.stock: round(dose.drops) for dose in advice.doses if dose.drops}
    if steps and steps == wanted:
        best = advice.predicted
    return best or advice.reachable


# ---- the one answer ----------------------------------------------------------------------------------------------

#: The word of each state of a lot.
STATES = {"add": "Add", "photo": "Photo", "stop": "Stop", "question": "Question", "closed": "Finished"}
FIRST_PHOTO = "Lay the card, photograph"
NEXT_PHOTO = "Stir, wait, photograph"
ANOTHER_PHOTO = "Photograph again"
#: With the parts of water to one of what stands in the glasses.
THIN_PHOTO = "Thin both 1+{}, photograph"
PASSED = "a ceiling is passed. Details say which."
_WHY = {"matched": "It matches.", "ceiling": "It is at the ceiling.", "past": "It is past the match."}


def tell_why(
    reason: str, stocks: Sequence[str], untinted_ml: float = 0.0, *, fills_up: bool = False, missing: str = ""
) -> str:
    """Why a lot is to stop, in a few words; untinted_ml: what is to be blended back, or to fill up with; missing: what
    would bring it nearer.

    >>> tell_why("nearest", ["red"], missing="something yellow"), tell_why("past", ["red"], 250)
    ('As near as red comes. Something yellow is missing.', 'Past: blend back 250 ml of untinted batch.')
    >>> tell_why("past", ["red"], missing="something yellow")
    'Past the nearest that red comes. Something yellow is missing.'
    """
    lacks = tell_lack(missing)
    named = f"{' and '.join(stocks)} {'comes' if len(stocks) == 1 else 'come'}"
    if reason == "past" and untinted_ml > 0:
        act = "Spoilt: set {} aside, fill up with" if fills_up else "Past: blend back {} of"
        return f"{act.format(f'{figures.tell_amount(untinted_ml)} ml')} untinted batch."
    if reason == "nearest":
        return f"As near as {named}.{lacks}"
    if reason == "past" and missing:
        return f"Past the nearest that {named}.{lacks}"
    return _WHY.get(reason, "Nothing more goes in.")


def tell_lack(missing: str) -> str:
    """What no stock of the lot brings, as a further sentence; nothing for nothing."""
    return f" {figures.begin(missing)} is missing." if missing else ""


def tell_step(stock: str, best: Figure | None, tolerance: float, missing: str) -> str:
    """Of what a step is, and how near it comes at best where that is surely no match; best: CIEDE2000.

    >>> tell_step("red", {"value": 11.7, "low": 9.2, "high": 15.2}, 1.5, "something orange")
    'of red, then stir. At best 11.7 (9.2 to 15.2). Something orange is missing.'
    >>> tell_step("red", {"value": 0.7, "low": 0.2, "high": 1.8}, 1.5, "")
    'of red, then stir'
    """
    step = f"of {stock}, then stir" if stock else "then stir"
    if not best or not _is_over(best, tolerance):
        return step
    return f"{step}. At best {tell_interval(best)}.{tell_lack(missing)}"


def tell_place(way: str, now: Figure, tolerance: float, *, expected: bool = False, closed: bool = False) -> str:
    """Where the batch is, or was when it was closed, and where it is good, for a maker; expected: no photo shows it yet.

    >>> tell_place("less red, paler", {"value": 3.46, "low": 2.8, "high": 4.1}, 1.5)
    'Less red, paler: 3.5 now, good up to 1.5.'
    >>> tell_place("", {"value": 0.62, "low": 0.2, "high": 1.8}, 1.5, expected=True)
    'About 0.6 now, good up to 1.5.'
    """
    far = tell_far(now)
    far = f"about {far}" if expected else far
    text = f"{way}: {far}" if way else far
    return f"{figures.begin(text)} {'when closed' if closed else 'now'}, good up to {tolerance:g}."


def tell_far(now: Figure) -> str:
    """A difference as one figure; one whose interval reaches 0 by its upper end.

    >>> tell_far({"value": 3.46, "low": 2.8, "high": 4.1}), tell_far({"value": 0.3, "low": 0.0, "high": 0.4})
    ('3.5', 'at most 0.4')
    """
    value, low, high = (figures.tell_number(end, 1, figures.PAGES) for end in figures.ends_of(now))
    return f"at most {high}" if low == "0.0" else value
