"""What went in since the last photo, what is left of its step, and what is advised while no photo shows the batch."""

import pytest

from colourmatch.workflow.closing import UNSEEN, close_lot
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.lot import advise_lot
from colourmatch.workflow.photo_colours import since_photo, step_left_ml


@pytest.fixture
def begun(bench):
    """A lot after its first photo, and the drops that were advised."""
    made = bench()
    advice = made.shoot()["advice"]
    return made, advice["doses"][0]["drops"]


def story(made):
    return made.book.lots.story(made.lot)


def test_a_part_of_the_step_leaves_the_rest_of_it(begun):
    made, drops = begun
    made.add(drops - 5)
    advice = advise_lot(made.book, made.lot).to_json()
    assert (advice["action"], advice["reason"]) == ("add", "step")
    assert [dose["drops"] for dose in advice["doses"]] == [5]
    assert advice["now"] is None and advice["expected"]["delta_e_2000"]["value"] > 0
    assert len(since_photo(story(made)).changes) == 1


@pytest.mark.parametrize("more", [0, 1, 60])
def test_a_step_that_is_in_asks_for_a_photo(begun, more):
    made, drops = begun
    made.add(drops + more)
    advice = advise_lot(made.book, made.lot).to_json()
    assert (advice["action"], advice["reason"], advice["doses"]) == ("rephotograph", "photo", [])
    assert not advice["state_photographed"] and advice["rescue"] is None and advice["to_match"] == []


def test_whatever_else_went_in_ends_the_step(begun):
    made, drops = begun
    made.book.stocks.add("gold", "E102", 0.5)
    made.add(drops - 5)
    made.book.additions.add(made.lot, "gold", drops=1)
    assert step_left_ml(story(made)) == {}
    assert advise_lot(made.book, made.lot).to_json()["action"] == "rephotograph"


def test_a_sample_and_a_note_leave_the_step_and_a_changed_figure_ends_it(begun):
    made, drops = begun
    made.add(drops - 5)
    made.book.volumes.take_sample(made.lot, 10)
    made.book.entries.add_note(made.lot, "stirred")
    assert step_left_ml(story(made)) == {"red": pytest.approx(5 * 0.05)}
    made.book.lots.amend(made.lot, "measured again", volume_ml=950)
    assert step_left_ml(story(made)) == {}


def test_nothing_but_a_photo_says_that_it_is_matched(begun):
    """Step upon step without a photo: neither matched nor nearest nor past is said, however far it goes."""
    made, _ = begun
    for drops in (20, 20, 15, 20, 10, 10):
        made.add(drops)
        advice = advise_lot(made.book, made.lot).to_json()
        assert advice["action"] != "stop" and advice["now"] is None
    told = close_lot(made.book, made.lot)
    assert told.outcome == "stopped by the maker" and told.text.endswith(UNSEEN)
    kept = describe_lot(made.book, made.lot)
    assert kept["advice"]["now"] is None and kept["closing"]["text"].endswith(UNSEEN)
