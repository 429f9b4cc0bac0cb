"""A photo's own time as evidence: what is asked, what is not, and where the photo then stands."""

from datetime import UTC, datetime, timedelta

import pytest

from colourmatch.measurement import Measurement
from colourmatch.workflow.lot import advise_lot, record_photos
from colourmatch.workflow.photo_colours import is_ahead, moment_of, plausible_moment

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


@pytest.mark.parametrize(
    "minutes, zone, ahead", [(20, "+00:00", True), (5, "+00:00", False), (20, None, False)]
)
def test_a_time_to_come_is_ahead_as_far_as_the_zone_is_known(minutes, zone, ahead):
    local = NOW + timedelta(minutes=minutes)
    shown = local if zone else local.astimezone()
    measured = Measurement(taken_at=f"{shown:%Y:%m:%d %H:%M:%S}", taken_offset=zone)
    assert is_ahead(measured, NOW) == ahead
    assert plausible_moment(measured, NOW) == (None if ahead else moment_of(measured))


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
    return record_photos(made.book, made.lot, [photo])[0].to_json()


def test_a_photo_of_the_state_before_is_asked_about_and_stands_where_it_belongs(dosed):
    made, before = dosed
    asked = send(made, before, **exif(datetime.now(UTC) - timedelta(minutes=3)))
    question = asked["advice"]["question"]
    assert asked["advice"]["action"] == "rephotograph" and question["entry"] == asked["entry"]
    assert question["log_odds"] > 3
    assert advise_lot(made.book, made.lot).to_json()["question"] == question
    made.book.entries.move(asked["entry"], question["at"], "taken before")
    advice = advise_lot(made.book, made.lot).to_json()
    assert advice["question"] is None and not advice["state_photographed"]
    story = made.book.lots.story(made.lot)
    assert not [entry for entry in story.entries_before(story.photos[-1]) if entry.kind == "addition"]


def test_no_is_an_answer_and_is_not_asked_again(dosed):
    made, before = dosed
    asked = send(made, before, **exif(datetime.now(UTC) - timedelta(minutes=3)))
    made.book.entries.move(asked["entry"], asked["advice"]["question"]["stays_at"], "taken after")
    advice = advise_lot(made.book, made.lot).to_json()
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
    kept, ahead = (photo.taken_at for photo in made.book.lots.story(made.lot).photos)
    assert datetime.fromisoformat(kept) == then and ahead is None
