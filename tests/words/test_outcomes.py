"""Why a lot was closed, in words."""

from __future__ import annotations

import pytest

from colourmatch.book.checks import STOPS
from colourmatch.words.entries import OUTCOMES, split_closing, tell_closing


@pytest.mark.parametrize(
    ("outcome", "text", "parts"),
    [
        ("matched", "Matched: the difference is 0.4. Stop here.", ("Matched.", "The difference is 0.4. Stop here.")),
        ("given up", "dropped the jug", ("Given up.", "Dropped the jug")),
        ("banana", "Banana: it is ripe.", ("Banana.", "It is ripe.")),
        ("past", "", ("Past the match.", "")),
    ],
)  # fmt: skip
def test_a_closing_says_its_reason_once(outcome: str, text: str, parts: tuple[str, str]) -> None:
    assert split_closing(outcome, text) == parts


def test_own_words_are_named_as_such() -> None:
    assert tell_closing("banana", "") == "Closed, in your own words: Banana."
    assert tell_closing("past", "", "The advice was another: add.") == (
        "Closed: Past the match. The advice was another: add."
    )
    assert set(STOPS) < set(OUTCOMES)
