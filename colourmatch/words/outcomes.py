"""Why a lot was closed, in words."""

from __future__ import annotations

from colourmatch.words.figures import begin

#: The reasons that the tool knows, as books hold them; others are the maker's own words.
OUTCOMES = {
    "matched": "Matched",
    "nearest": "The nearest its stocks can come",
    "ceiling": "The ceiling is reached",
    "past": "Past the match",
    "given up": "Given up",
    "trial": "A trial, done",
    "stopped by the maker": "Stopped by the maker",
}


def split_closing(outcome: str, text: str) -> tuple[str, str]:
    """Why a lot was closed, and what was said of it without saying that again.

    >>> split_closing("matched", "Matched: the difference is 0.4. Stop here.")
    ('Matched.', 'The difference is 0.4. Stop here.')
    """
    why, said = OUTCOMES.get(outcome, begin(outcome)), text.strip()
    for start in (f"{why}:", f"{outcome}:", f"{why}.", f"{outcome}."):
        if said.casefold().startswith(start.casefold()):
            said = said[len(start) :].strip()
    return f"{why}.", begin(said)


def tell_closing(outcome: str, text: str, against: str = "") -> str:
    """The end of a lot in one line; `against`: what the advice had said instead."""
    start = "Closed:" if outcome in OUTCOMES else "Closed, in your own words:"
    return " ".join(part for part in (start, *split_closing(outcome, text), against) if part)
