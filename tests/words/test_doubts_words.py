"""What may have gone wrong, in words: every cause has a question, a clause, a reason, and an answer."""

import pytest

from colourmatch.words import doubts

CODES = (
    "glasses-swapped", "thinned-unequally", "reference-paler", "dose-amount", "dose-missing", "not-stirred",
    "photo-before-addition", "other-bottle", "label", "other-photo",
)  # fmt: skip


@pytest.mark.parametrize("code", CODES)
def test_every_cause_is_told_in_three_ways_and_answered_in_two(code):
    about = {"photo": "photo 3", "dose": "20 drops of red", "instead": "40 drops", "part": 2.0}
    told = doubts.tell_cause(code, stock="red", other="gold", **about)
    assert told.question[0].isupper() and told.question[-1] in ".?"
    assert not told.clause[0].isupper() and told.clause[-1] != "." and told.reason
    yes, no, back = (doubts.tell_answer(code, "photo 3", yes) for yes in (True, False, None))
    assert yes.startswith("Photo 3: ") and len({yes, no, back}) == 3
    # the button answers the question beside it, whose other answer is No
    assert doubts.YES[code].partition(",")[0] == "Yes"


@pytest.mark.parametrize(
    "part, words",
    [(2.05, "about twice"), (0.52, "about half"), (0.63, "about 63 % of"), (1.4, "about 1.4 times")],
)
def test_a_part_of_a_dose_as_a_maker_says_it(part, words):
    told = doubts.tell_cause("dose-amount", photo="photo 2", part=part)
    assert words in told.clause and words in told.question.lower()


def test_a_part_is_one_of_the_dose_that_was_noted():
    told = doubts.tell_cause("dose-amount", photo="photo 2", dose="40 drops of red", part=0.55)
    assert told.clause == "about 55 % of the 40 drops of red went in"
