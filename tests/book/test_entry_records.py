"""What speaks against the reason that a lot is closed for."""

import pytest

from colourmatch.advice import Advice
from colourmatch.book.entries import contradict
from colourmatch.words.advice import NO_ROOM

ADD = {"action": "add", "reason": "step", "text": "Add 20 drops of red."}


@pytest.mark.parametrize(
    ("outcome", "advice", "said"),
    [
        ("ceiling", {"ceiling_left_mg_per_l": 15.7}, "The ceiling leaves 15.7 mg/l."),
        ("ceiling", ADD | {"ceiling_left_mg_per_l": 15.7}, "The ceiling leaves 15.7 mg/l. Add 20 drops of red."),
        ("ceiling", {"ceiling_left_mg_per_l": 0.0}, ""),
        ("ceiling", {"ceiling_left_mg_per_l": 0.2, "text": NO_ROOM}, NO_ROOM),
        ("ceiling", {"ceiling_left_mg_per_l": 0.2, "reason": "ceiling", "text": "Stop."}, ""),
        ("matched", ADD | {"ceiling_left_mg_per_l": 15.7}, ADD["text"]),
        ("given up", ADD | {"ceiling_left_mg_per_l": 15.7}, ""),
        ("ceiling", None, ""),
    ],
)  # fmt: skip
def test_a_reason_is_held_against_the_advice_and_the_room(outcome, advice, said):
    assert contradict(outcome, None if advice is None else Advice.from_json(advice)) == said
