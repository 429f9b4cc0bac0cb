"""The one answer of a lot in the fewest words: its state, what to do, why it ends, and where the batch stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from colourmatch.words.figures import PAGES, begin, tell_amount, tell_number

#: The word of each state of a lot.
STATES = {"add": "Add", "photo": "Photo", "stop": "Stop", "question": "Question", "closed": "Finished"}
FIRST_PHOTO, NEXT_PHOTO, ANOTHER_PHOTO = (
    "Lay the card, photograph",
    "Stir, wait, photograph",
    "Photograph again",
)
#: With the parts of water to one of what stands in the glasses.
THIN_PHOTO = "Thin both 1+{}, photograph"
PASSED = "a ceiling is passed. Details say which."
_WHY = {"matched": "It matches.", "ceiling": "It is at your ceiling.", "past": "It is past the match."}


def tell_why(reason: str, stocks: Sequence[str], untinted_ml: float = 0.0, *, fills_up: bool = False) -> str:
    """Why a lot is to stop, in about five words; untinted_ml: what is to be blended back, or to fill up with.

    >>> tell_why("nearest", ["red"]), tell_why("past", ["red"], 250)
    ('As near as red comes.', 'Past: blend back 250 ml.')
    """
    if reason == "past" and untinted_ml > 0:
        act = "Spoilt: set aside and fill up" if fills_up else "Past: blend back"
        return f"{act} {tell_amount(untinted_ml)} ml."
    if reason == "nearest":
        return f"As near as {' and '.join(stocks)} {'comes' if len(stocks) == 1 else 'come'}."
    return _WHY.get(reason, "Nothing more goes in.")


def tell_either(question: str) -> str:
    """The two causes that a further photo tells apart, without what to do about it."""
    return question.partition(" Stir,")[0]


def tell_place(way: str, now: Mapping[str, float], tolerance: float, *, expected: bool = False) -> str:
    """Where the batch is and where it is good, for a maker; expected: no photo shows it yet.

    >>> tell_place("less red, paler", {"value": 3.46, "low": 2.8, "high": 4.1}, 1.5)
    'Less red, paler: 3.5 now, good from 1.5.'
    >>> tell_place("", {"value": 0.62, "low": 0.2, "high": 1.8}, 1.5, expected=True)
    'About 0.6 now, good from 1.5.'
    """
    far = tell_far(now)
    far = f"about {far}" if expected else far
    text = f"{way}: {far}" if way else far
    return f"{begin(text)} now, good from {tolerance:g}."


def tell_far(now: Mapping[str, float]) -> str:
    """A difference as one figure; one whose interval reaches 0 by its upper end.

    >>> tell_far({"value": 3.46, "low": 2.8, "high": 4.1}), tell_far({"value": 0.3, "low": 0.0, "high": 0.4})
    ('3.5', 'at most 0.4')
    """
    if float(tell_number(now["low"])) == 0:
        return f"at most {tell_number(now['high'], 1, PAGES)}"
    return tell_number(now["value"], 1, PAGES)
