"""A lot in which something goes wrong by hand: what is asked, what an answer writes, and how the lot goes on."""

from __future__ import annotations

import pytest
from known_lot import Bench

from colourmatch.errors import InputError
from colourmatch.measurement import Measurement
from colourmatch.workflow.answering import answer_question
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.lot import advise_lot, record_photos


def exchange(made: Bench, photo):
    """The photo with its glasses the other way round."""
    measured = made.known[photo[0]].to_json()
    spots = measured["spots"]
    spots["reference"], spots["batch"] = spots["batch"], spots["reference"]
    made.known[photo[0]] = Measurement.from_json(measured)
    return photo


def dose(made: Bench) -> int:
    """A photo, and the drops that it advises."""
    return made.shoot()["advice"]["doses"][0]["drops"]


@pytest.fixture
def swapped(bench):
    """A lot whose second photo shows the glasses the other way round."""
    made = bench()
    made.add(dose(made))
    seen = record_photos(made.book, made.lot, [exchange(made, made.draw())])[0]
    return made, seen


def test_exchanged_glasses_are_asked_about_and_yes_reads_the_photo_so(swapped):
    made, seen = swapped
    advice, question = seen["advice"], seen["advice"]["question"]
    assert (advice["action"], advice["reason"]) == ("rephotograph", "photo") and advice["text"] == question[
        "text"
    ]
    assert question["sure"] and [(c["code"], c["about"]) for c in question["causes"]] == [
        ("glasses-swapped", seen["entry"])
    ]
    assert advise_lot(made.book, made.lot)["question"] == question
    with pytest.raises(InputError, match="--cause glasses-swapped"):
        answer_question(made.book, made.lot, yes=True, cause="dose-amount")
    entry = answer_question(made.book, made.lot, yes=True, token="t")
    assert entry.kind == "answer" and entry.yes
    assert answer_question(made.book, made.lot, yes=True, token="t").id == entry.id
    after = advise_lot(made.book, made.lot)
    assert after["question"] is None and after["action"] == "add" and not after["surprises"]
    with pytest.raises(InputError, match="Nothing is asked"):
        answer_question(made.book, made.lot, yes=False)
    read = made.book.lots.story(made.lot).photos[-1]
    assert read.exchanged
    before = made.known[max(made.known, key=list(made.known).index)]
    assert read.measurement.spots["batch"].lab == pytest.approx(before.spots["reference"].lab)
    assert made.follow()["reason"] == "matched"


def test_no_is_kept_and_not_asked_again(swapped):
    made, seen = swapped
    entry = answer_question(made.book, made.lot, yes=False, entered_by="MK")
    assert entry.cause == ("glasses-swapped", seen["entry"]) and not entry.yes and entry.entered_by == "MK"
    asked = advise_lot(made.book, made.lot)["question"]
    assert asked is None or "glasses-swapped" not in {cause["code"] for cause in asked["causes"]}
    assert not made.book.lots.story(made.lot).photos[-1].exchanged


def test_twice_the_first_dose_looks_like_a_stock_of_twice_its_label(bench):
    made = bench()
    first = dose(made)
    made.add(2 * first)
    story = made.book.lots.story(made.lot)
    shown = made.draw()
    made.book.additions.correct(
        story.additions[0].id, drops=first, reason="noted"
    )  # what went in stays twice that
    advice = record_photos(made.book, made.lot, [shown])[0]["advice"]
    assert advice["question"] is None and advice["surprises"]
    assert advice["stocks_learnt"][0]["strength_factor"] == pytest.approx(2, rel=0.15)


def miss_second(made: Bench, factor: float):
    """A lot whose second dose went in `factor` times; the drops that were noted of it, and the advice that follows."""
    made.add(dose(made))
    drops = dose(made)
    shown = max(round(factor * drops), 0)
    if shown:
        made.add(shown)
    photo = made.draw()
    if shown:
        entry = made.book.lots.story(made.lot).additions[-1]
        made.book.additions.correct(entry.id, drops=drops, reason="as it was noted")
    else:
        made.add(drops)
    return drops, record_photos(made.book, made.lot, [photo])[0]["advice"]


def test_a_dose_that_went_in_twice_is_found_and_written_as_it_was(bench):
    made = bench()
    drops, advice = miss_second(made, 2.5)
    causes = {cause["code"]: cause for cause in advice["question"]["causes"]}
    assert causes["dose-amount"]["part"] == pytest.approx(2.5, rel=0.2)
    entry = answer_question(made.book, made.lot, yes=True, cause="dose-amount", entered_by="MK")
    assert entry.kind == "addition" and entry.quantity == pytest.approx(2.5 * drops, rel=0.2) and entry.reason
    assert advise_lot(made.book, made.lot)["question"] is None


def test_a_dose_that_never_went_in_is_one_of_two_and_a_second_photo_tells(bench):
    made = bench()
    _, advice = miss_second(made, 0)
    codes = {cause["code"] for cause in advice["question"]["causes"]}
    assert "dose-missing" in codes and not advice["question"]["sure"]
    first = made.book.lots.story(made.lot).additions[-1]
    again = make_again(made, first.id)
    assert again["question"]["sure"] and again["question"]["code"] == "dose-missing"
    entry = answer_question(made.book, made.lot, yes=True)
    assert entry.void and not made.book.lots.story(made.lot).additions[1:]


def make_again(made: Bench, without: int):
    """The advice after another photo of the lot as it is without an addition that was noted."""
    kept = made.book.lots.story(made.lot).additions[-1]
    assert kept.id == without
    gone = made.book.additions.correct(without, void=True, reason="for the photo")
    photo = made.draw()
    made.book.additions.correct(gone.id, drops=kept.quantity, reason="as it was noted")
    return record_photos(made.book, made.lot, [photo])[0]["advice"]


def test_what_was_dosed_from_another_bottle_is_named_and_corrected(bench):
    made = bench()
    made.book.stocks.add("blue", "E133", 1.0)
    made.add(dose(made))
    drops = dose(made)
    made.book.volumes.take_sample(made.lot, 20)  # thins nothing
    entry = made.book.additions.add(made.lot, "blue", drops=drops)
    photo = made.draw()
    made.book.additions.correct(entry.id, stock="red", drops=drops, reason="as it was noted")
    advice = record_photos(made.book, made.lot, [photo])[0]["advice"]
    question = advice["question"]
    assert question["sure"] and (question["code"], question["causes"][0]["stock"]) == ("other-bottle", "blue")
    done = answer_question(made.book, made.lot, yes=True)
    advice = advise_lot(made.book, made.lot)
    assert done.stock == "blue" and advice["question"] is None
    ml = advice["rescue"]["set_aside_ml"]
    assert advice["reason"] == "past" and ml > 450
    made.book.volumes.take_sample(made.lot, ml)
    made.book.volumes.add_untinted(made.lot, ml)
    assert made.book.lots.story(made.lot).state().total_mg_per_l() < 0.5 * advice["used_mg_per_l"]


def test_more_colour_than_the_ceiling_by_the_photos_is_said(bench):
    made = bench(ceiling_mg_per_l=30, factor=2.0)
    made.shoot()
    made.add(20)
    made.shoot()
    made.add(20)  # 22 mg/l by the label, 44 in truth
    advice = made.shoot()["advice"]
    assert advice["amounts"]["by_photos_mg_per_l"]["low"] > 30
    told = describe_lot(made.book, made.lot)
    assert [one["code"] for one in told["warnings"]] == ["ceiling-by-photos"]
