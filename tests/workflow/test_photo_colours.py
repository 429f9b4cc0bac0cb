"""Figures of a story: what a photo shows, when it was taken, doses and their spread."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from colourmatch.measurement import Measurement
from colourmatch.photo.read_colour import SCALE_SD
from colourmatch.workflow import photo_colours
from colourmatch.workflow.closing import UNSEEN, close_lot
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.photo_colours import Seen, final_photos, moment_of, see_photo, step_left_ml, time_of

COV = (np.eye(3) * 0.04).tolist()


def measured(batch: Any = (70, 40, 30), **more: Any) -> dict[str, Any]:
    spots = {"reference": (76, 45, 31), "batch": batch}
    doubt = {"lab_sd": (2, 2, 2), "lab_covariance": COV}
    return {"spots": {name: {"lab": lab} | doubt for name, lab in spots.items()}, **more}


def seen(gap: Any, variance: float = 1.0, camera: str = "A") -> Seen:
    zero = np.zeros(3)
    return Seen(1, datetime(2026, 1, 1, tzinfo=UTC), camera, zero, np.array(gap, float), np.eye(3) * variance)


def test_a_photo_shows_batch_minus_reference_at_the_time_of_its_clock(book, lot):
    found = see_photo(book.photos.add(lot, measured()))
    assert found.gap.tolist() == [-6, -5, -1]
    assert found.covariance == pytest.approx(np.eye(3) * 0.08)
    assert see_photo(book.photos.add(lot, measured((float("nan"), 1, 1)))) is None
    assert see_photo(book.photos.add(lot, {})) is None
    plain = measured()
    for spot in plain["spots"].values():
        del spot["lab_covariance"]
    assert see_photo(book.photos.add(lot, plain)).covariance == pytest.approx(np.eye(3) * 8)  # from lab_sd
    past = book.photos.add(lot, measured(taken_at="2020:03:04 05:06:07"))
    ahead = book.photos.add(lot, measured(taken_at="2099:03:04 05:06:07"))
    clock, told_at = "2020:03:04 05:06:07", datetime(2021, 1, 1, tzinfo=UTC)
    told = book.photos.add(lot, measured(taken_at=clock), taken_at=told_at)
    assert time_of(past).year == 2020 and time_of(told).year == 2021
    assert time_of(ahead) == datetime.fromisoformat(ahead.created_at)


def test_photos_before_a_dose_do_not_show_the_finished_batch(book, lot):
    book.photos.add(lot, measured())
    dose = book.additions.add(lot, "red", drops=2)
    after = book.photos.add(lot, measured())
    book.volumes.take_sample(lot, 10)  # takes nothing from the colour
    assert [p.id for p in final_photos(book.lots.story(lot))] == [after.id]
    book.additions.correct(dose.id, void=True, reason="it never went in")
    assert len(final_photos(book.lots.story(lot))) == 2
    book.volumes.add_untinted(lot, 10)
    assert final_photos(book.lots.story(lot)) == ()


def test_a_mean_weighs_by_certainty_and_a_phone_scales_the_change():
    gap, covariance = photo_colours.mean_gap([seen([1, 0, 0], 1.0), seen([4, 0, 0], 2.0)])
    assert gap == pytest.approx([2, 0, 0]) and covariance == pytest.approx(np.eye(3) * 2 / 3)
    assert photo_colours.phone_covariance(seen([9, 0, 0]), seen([9, 0, 0])) == pytest.approx(np.zeros((3, 3)))
    other = photo_colours.phone_covariance(seen([9, 0, 0]), seen([9, 0, 0], camera="B"))
    assert np.sqrt(other[1, 1]) == pytest.approx(SCALE_SD[1] * 9 * (1 + 9 / 60) * np.sqrt(2))


def test_doses_are_summed_by_stock_with_the_spread_of_label_and_drop(book, lot):
    book.additions.add(lot, "red", drops=20)
    book.additions.add(lot, "red", ml=1.0)
    book.additions.add(lot, "yellow", drops=10)
    red, yellow = photo_colours.read_doses(book.lots.story(lot))
    assert (red.ml, red.drops, yellow.drops) == (2.0, None, 10)
    assert red.mg_per_l == pytest.approx(20 / 902 * 1000)
    # half of it was counted
    assert red.mg_per_l_sd == pytest.approx(red.mg_per_l * np.hypot(0.2, 0.5 * 0.15))
    both = np.hypot(red.mg_per_l_sd, yellow.mg_per_l_sd)
    assert photo_colours.total_sd([red, yellow]) == pytest.approx(both)
    bare = book.lots.story(book.lots.begin("x", 100, "red").id)
    assert photo_colours.read_doses(bare) == () and photo_colours.total_sd(()) == 0


NOW = datetime(2026, 11, 29, 12, 0, tzinfo=UTC)


def exif(moment: datetime) -> dict[str, str]:
    return {"taken_at": f"{moment:%Y:%m:%d %H:%M:%S}", "taken_offset": "+00:00"}


@pytest.mark.parametrize(
    "text, offset, hour",
    [("2026:11:25 07:14:39", "+01:00", 6), ("2026:11:25 07:14:39", "-05:00", 12), ("rubbish", None, None)],
)
def test_a_time_with_its_offset(text, offset, hour):
    moment = moment_of(Measurement(taken_at=text, taken_offset=offset))
    assert (moment and moment.hour) == hour
    local = datetime(2026, 11, 25, 7, 14, 39).astimezone()
    assert moment_of(Measurement(taken_at="2026:11:25 07:14:39")) == local


@pytest.mark.parametrize("minutes, zone, ahead", [(20, "+00:00", True), (5, "+00:00", False), (20, None, False)])
def test_a_time_to_come_is_ahead_as_far_as_the_zone_is_known(minutes, zone, ahead):
    local = NOW + timedelta(minutes=minutes)
    shown = local if zone else local.astimezone()
    measured = Measurement(taken_at=f"{shown:%Y:%m:%d %H:%M:%S}", taken_offset=zone)
    assert photo_colours.is_ahead(measured, NOW) == ahead
    assert photo_colours.plausible_moment(measured, NOW) == (None if ahead else moment_of(measured))


@pytest.fixture
def dosed(bench):
    """A lot with a photo, and the step that was advised written down as if some minutes had passed."""
    made = bench()
    drops = made.shoot()["advice"]["doses"][0]["drops"]
    before = made.draw()
    made.add(drops)
    return made, before


def send(made, photo, **said):
    made.known[photo[0]] = made.known[photo[0]].having(**said)
    return made.record(photo)


def test_a_photo_of_the_state_before_is_asked_about_and_stands_where_it_belongs(dosed):
    made, before = dosed
    asked = send(made, before, **exif(datetime.now(UTC) - timedelta(minutes=3)))
    question = asked["advice"]["question"]
    assert asked["advice"]["action"] == "rephotograph" and question["entry"] == asked["entry"]
    assert question["log_odds"] > 3
    assert made.advice()["question"] == question
    made.book.entries.move(asked["entry"], question["at"], "taken before")
    advice = made.advice()
    assert advice["question"] is None and not advice["state_photographed"]
    story = made.story
    assert not [entry for entry in story.entries_before(story.photos[-1]) if entry.kind == "addition"]


def test_no_is_an_answer_and_is_not_asked_again(dosed):
    made, before = dosed
    asked = send(made, before, **exif(datetime.now(UTC) - timedelta(minutes=3)))
    made.book.entries.move(asked["entry"], asked["advice"]["question"]["stays_at"], "taken after")
    advice = made.advice()
    # none of the dose shows all the same: what else it may be is asked instead
    assert "photo-before-addition" not in {one["code"] for one in advice["question"]["causes"]}
    assert advice["state_photographed"]


def test_a_photo_that_shows_the_step_is_not_asked_about_though_it_was_tapped_late(dosed):
    made, _ = dosed
    told = send(made, made.draw(), **exif(datetime.now(UTC) - timedelta(minutes=3)))
    assert told["advice"]["question"] is None


@pytest.mark.parametrize(("minutes", "older"), [(2, False), (None, True)])
def test_a_photo_of_the_state_before_may_be_older_unless_its_time_says_no(dosed, minutes, older):
    made, before = dosed
    said = {} if minutes is None else exif(datetime.now(UTC) + timedelta(minutes=minutes))
    codes = {one["code"] for one in send(made, before, **said)["advice"]["question"]["causes"]}
    assert ("photo-before-addition" in codes) is older and (older or "dose-missing" in codes)


def test_a_photo_keeps_its_own_time_and_one_from_the_future_is_said(bench):
    made = bench()
    then = (datetime.now(UTC) - timedelta(days=2)).replace(microsecond=0)
    send(made, made.draw(), **exif(then))
    told = send(made, made.draw(), **exif(datetime.now(UTC) + timedelta(days=40)))
    assert "clock-ahead" in [flag["code"] for flag in told["quality"]]
    kept, ahead = (photo.taken_at for photo in made.story.photos)
    assert datetime.fromisoformat(kept) == then and ahead is None


@pytest.fixture
def begun(bench):
    """A lot after its first photo, and the drops that were advised."""
    made = bench()
    advice = made.shoot()["advice"]
    return made, advice["doses"][0]["drops"]


def test_a_part_of_the_step_leaves_the_rest_of_it(begun):
    made, drops = begun
    made.add(drops - 5)
    advice = made.advice()
    assert (advice["action"], advice["reason"]) == ("add", "step")
    assert [dose["drops"] for dose in advice["doses"]] == [5]
    assert advice["now"] is None and advice["expected"]["delta_e_2000"]["value"] > 0
    assert len(photo_colours.since_photo(made.story).changes) == 1


@pytest.mark.parametrize("more", [0, 1, 60])
def test_a_step_that_is_in_asks_for_a_photo(begun, more):
    made, drops = begun
    made.add(drops + more)
    advice = made.advice()
    assert (advice["action"], advice["reason"], advice["doses"]) == ("rephotograph", "photo", [])
    assert not advice["state_photographed"] and advice["rescue"] is None and advice["to_match"] == []


def test_whatever_else_went_in_ends_the_step(begun):
    made, drops = begun
    made.book.stocks.add("gold", "E102", 0.5)
    made.add(drops - 5)
    made.book.additions.add(made.lot, "gold", drops=1)
    assert step_left_ml(made.story) == {}
    assert made.advice()["action"] == "rephotograph"


def test_a_sample_and_a_note_leave_the_step_and_a_changed_figure_ends_it(begun):
    made, drops = begun
    made.add(drops - 5)
    made.book.volumes.take_sample(made.lot, 10)
    made.book.entries.add_note(made.lot, "stirred")
    assert step_left_ml(made.story) == {"red": pytest.approx(5 * 0.05)}
    made.book.lots.amend(made.lot, "measured again", volume_ml=950)
    assert step_left_ml(made.story) == {}


def test_nothing_but_a_photo_says_that_it_is_matched(begun):
    """Step upon step without a photo: neither matched nor nearest nor past is said, however far it goes."""
    made, _ = begun
    for drops in (20, 20, 15, 20, 10, 10):
        made.add(drops)
        advice = made.advice()
        assert advice["action"] != "stop" and advice["now"] is None
    told = close_lot(made.book, made.lot)
    assert told.outcome == "stopped by the maker" and told.text.endswith(UNSEEN)
    kept = describe_lot(made.book, made.lot)
    assert kept["advice"]["now"] is None and kept["closing"]["text"].endswith(UNSEEN)
