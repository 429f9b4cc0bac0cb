"""The advice in words; what may have gone wrong: every cause has a question, a clause, a reason, and an answer."""

from dataclasses import replace

import pytest

from colourmatch.advice import Advice, Dose, DoseInAll
from colourmatch.colour.difference import Figure
from colourmatch.words import advice, doubts

NOW = {"value": 1.2, "low": 0.6, "high": 1.9}


def test_a_chance_a_cost_and_what_is_missing_are_said_only_where_there_are_some():
    assert "chance" not in advice.tell_matched(NOW, 1.5, None)
    assert "is within is 62 %" in advice.tell_matched(NOW, 1.5, 0.62)
    near = advice.tell_nearest(["red", "gold"], NOW, 0.5, None, stalled=False)
    assert near == "This is the nearest that red and gold can come: 1.2 (0.6 to 1.9). Stop here."
    for tolerance, stays in ((0.5, "stays"), (1.0, "may stay")):
        said = advice.tell_nearest(["red"], NOW, tolerance, "paler", stalled=True)
        assert said.endswith(f" What {stays} different: paler.")
    assert "nearer" not in advice.tell_ceiling_stop(None, NOW, 0.0)
    assert "ceiling of 60 mg/l" in advice.tell_ceiling_stop(60.0, NOW, 0.8)


def test_one_state_of_the_batch_has_one_figure():
    reached, after = Figure(1.0, 0.4, 1.9), Figure(1.2, 0.3, 2.2)
    known = Advice(now=Figure(**NOW), reachable=reached, predicted=after, doses=(Dose("red", 14, 0.7, 4.0),))
    for in_all, best in ((14.2, after), (20.0, reached)):
        step = replace(known, action="add", to_match=(DoseInAll("red", in_all, 9.0, 30.0),))
        assert advice.find_best(step) == best
    stopped = replace(known, action="stop", reason="nearest", doses=())
    assert advice.find_best(stopped) == stopped.now
    past = replace(stopped, reason="past")
    assert [[name for name, _ in advice.tell_grounds(one, 1.5) if name == "at best"] for one in (stopped, past)] == [
        ["at best"],
        [],
    ]


def test_untinted_batch_and_strengths_are_told_as_a_maker_reads_them():
    assert advice.tell_rescue(0) == "" and "about 280 ml" in advice.tell_rescue(284.4)
    assert advice.tell_past(NOW).count("1.2 (0.6 to 1.9)") == 1
    assert "about 280 ml" in advice.tell_before_blending("Stop.", ["Gold first."], 284.4, NOW)
    assert "about half as strong" in advice.tell_surprise("red", 0.52, 0.4, 0.6, less=True)
    assert "about 0.7 times as strong" in advice.tell_surprise("red", 0.71, 0.6, 0.8, less=True)
    said = advice.tell_surprise("red", 2.1, 1.8, 2.4, less=False)
    assert "twice" in said and "more went in" in said


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
