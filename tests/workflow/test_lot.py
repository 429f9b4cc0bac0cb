"""The work on a lot from photo to closing: invented measurements, and photos whose truth is known."""

import json
from functools import cache

import numpy as np
import pytest
from known_liquids import VIEW, look
from known_lot import REFERENCE, make_view_photo

from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import ciede2000
from colourmatch.errors import ClosedError, InputError, NotFoundError
from colourmatch.liquid.model import View
from colourmatch.measurement import Measurement
from colourmatch.paper.sheet import tell_history
from colourmatch.paper.sheet_colour import see_photos
from colourmatch.simulate.kitchen import Kitchen, take_photo
from colourmatch.workflow import fitting
from colourmatch.workflow import lot as work
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.describing import describe_lot
from colourmatch.workflow.lot import advise_lot, record_photos
from colourmatch.workflow.photo_colours import final_photos, views_of

pytestmark = pytest.mark.usefixtures("as_noted")  # what goes wrong by hand is tested in test_doubts.py


EMPTY = {"code": "channel-empty", "severity": "warn", "text": "Thin both."}


HAZE = {"code": "haze", "severity": "warn", "text": "The batch is hazy. Filter it first."}


def test_a_photo_is_recorded_with_its_advice_and_a_refused_one_is_not(bench):
    made = bench(ceiling_mg_per_l=60)
    result = made.shoot()
    stored = made.story.photos
    assert [p.id for p in stored] == [result["entry"]] and result["lot"] == made.lot
    assert stored[0].advice.to_json() == json.loads(json.dumps(result["advice"], allow_nan=False))
    assert made.advice() == result["advice"]
    assert result["advice"]["action"] == "add" and result["advice"]["doses"]
    assert result["advice"]["label"].startswith("Colour: ") and result["advice"]["cautions"]
    made = bench()
    shots = [made.draw(refused="No card was found."), made.draw()]
    refused, good = (one.to_json() for one in record_photos(made.book, made.lot, shots))
    assert refused["error"] == "No card was found."
    assert refused["entry"] is None and refused["advice"] is None
    assert [p.id for p in made.story.photos] == [good["entry"]]


def test_photos_of_one_state_are_combined_until_something_goes_in(bench):
    made = bench()
    assert made.shoot()["advice"]["combined"]["photos"] == ["Photo 1"]
    made.keep(without=("batch",))
    together = made.shoot()["advice"]["combined"]
    assert together["photos"] == ["Photo 1", "Photo 3"] and together["agree"]
    made.book.volumes.take_sample(made.lot, 20)  # changes no colour
    assert len(made.advice()["combined"]["photos"]) == 2
    made.add(5)
    assert made.advice()["combined"] is None
    assert made.shoot()["advice"]["combined"]["photos"] == ["Photo 4"]


def test_photos_that_disagree_make_the_advice_less_sure_and_one_is_named(bench):
    calm, torn = bench(), bench()
    for made in (calm, torn):
        made.add(60)
        made.keep()
        made.keep()
    steady, advice = calm.shoot()["advice"], torn.shoot(off=3)["advice"]
    assert advice["combined"]["agree"] is False and advice["combined"]["retake"] == "Photo 3"
    assert "Photo 3 disagrees" in advice["combined"]["text"] and advice["action"] != "rephotograph"
    wide, narrow = [a["now"]["high"] - a["now"]["low"] for a in (advice, steady)]
    assert wide > 1.5 * narrow
    assert steady["combined"]["agree"]


def test_two_photos_that_disagree_ask_for_a_third_and_for_what_was_not_written_down(bench):
    made = bench()
    made.keep()
    advice = made.shoot(off=8)["advice"]
    assert (advice["action"], advice["reason"], advice["doses"]) == ("rephotograph", "photo", [])
    assert "Take a third" in advice["text"] and "write it down first" in advice["text"]
    assert advice["combined"]["agree"] is False and advice["ceiling_mg_per_l"] is None
    assert made.shoot()["advice"]["action"] == "add"
    assert made.advice()["combined"]["retake"] == "Photo 2"


def test_the_same_photo_twice_is_recorded_once(bench):
    made = bench()
    photo = made.draw()
    first, again = (one.to_json() for one in record_photos(made.book, made.lot, [photo, photo]))
    assert len(made.story.photos) == 1
    assert again["entry"] == first["entry"] and again["repeated"] is True
    same = made.record(photo, dilution=5, depth_mm=10)
    assert same["entry"] == first["entry"]
    with pytest.raises(InputError, match=r"10 mm deep, 1 part made up to 5[.] If that is wrong, set it "):
        made.record(photo, dilution=15)
    assert again["advice"] == first["advice"] and again["delta_e_2000"] == first["delta_e_2000"]
    with pytest.raises(InputError, match="dilution"):
        made.record(made.draw(), dilution=0.5)
    assert len(made.story.photos) == 1


def test_photos_of_several_dilutions_are_learnt_from_together(bench):
    made = bench()
    strong = make_view_photo(made, 1.0)
    first = made.record(strong, dilution=1)
    assert first["view"] == {"dilution": 1.0}
    thin = made.record(make_view_photo(made, 5.0), dilution=5)
    assert thin["view"] == {"dilution": 5.0}
    # two looks at one liquid: what is left to add is the same as by the thin one alone
    alone = bench().shoot()["advice"]
    (both,), (one,) = thin["advice"]["to_match"], alone["to_match"]
    assert both["low"] <= one["drops"] <= both["high"] and thin["advice"]["action"] == "add"
    assert thin["advice"]["combined"]["photos"] == ["Photo 2"]


def test_a_dilution_holds_for_later_photos_and_one_too_strong_is_to_be_thinned(bench):
    made = bench()
    assert made.shoot()["view"] is None and work.view_of_photos(made.story) == VIEW
    made.record(make_view_photo(made, 10.0), dilution=10, depth_mm=None)
    assert work.view_of_photos(made.story) == View(10, 10)
    later = made.record(make_view_photo(made, 10.0))
    assert later["view"] == {"dilution": 10.0}
    assert later["advice"]["combined"]["photos"] == ["Photo 2", "Photo 3"]
    made = bench()
    result = made.shoot(quality=[EMPTY], rgb=[0.9, 0.03, 0.2])
    # absorbance 1.52 in the strongest channel: 1+2 brings it to 0.5, and 5 parts become 15
    said = " That is 1 part made up to 15 in all: say so with the next photo."
    assert result["quality"][0]["text"] == EMPTY["text"] + said


def test_no_stop_rests_on_doubtful_photos_alone_but_the_third_has_to_do(bench):
    made = bench()
    made.add(72)
    lamp = {"severity": "warn", "text": "Move the lamp."}
    full, glare = ({"code": code} | lamp for code in ("channel-full", "glare"))
    for doubtful in (full, glare):
        sure = made.shoot(quality=[doubtful], rgb=[0.9, 0.4, 0.4])["advice"]
        assert (sure["action"], sure["reason"], sure["doses"]) == ("rephotograph", "photo", [])
        assert sure["text"].startswith("Photograph once more before you stop: ")
        assert " Move the lamp." in sure["text"] and sure["now"]["value"] < 1
    assert made.shoot(quality=[glare])["advice"]["action"] == "stop"
    full = bench(ceiling_mg_per_l=20)
    full.add(36)
    advice = full.shoot(quality=[glare])["advice"]
    assert (advice["action"], advice["reason"]) == ("stop", "ceiling"), "a full ceiling needs no better photo"


@pytest.mark.parametrize(
    ("drops", "stuck", "stalled"), [((4,) * 3, True, False), ((4,) * 4, True, True), ((8,) * 5, False, False)]
)
def test_steps_that_bring_it_no_nearer_are_noticed(bench, drops, stuck, stalled):
    made = bench(ceiling_mg_per_l=200)
    made.keep(stuck=stuck)
    for count in drops:
        made.add(count)
        made.keep(stuck=stuck)
    assert fitting.steps_stalled(made.story, fitting.usable_photos(made.story)) is stalled


def test_what_the_last_photo_does_not_show_is_asked_for(bench):
    made = bench(ceiling_mg_per_l=60)
    told = describe_lot(made.book, made.lot)
    json.dumps(told, allow_nan=False)
    assert told["events"] == [] and told["photos"] == []
    assert told["advice"]["text"].startswith("Photograph reference and batch")
    unseen = "No reference was seen yet. Photograph the reference beside the batch once."
    for how, text in (({"without": ("reference",)}, unseen), ({"quality": [HAZE]}, HAZE["text"])):
        advice = made.shoot(**how)["advice"]
        assert (advice["action"], advice["reason"], advice["text"]) == ("rephotograph", "photo", text)
        assert advice["doses"] == [] and advice["ceiling_left_mg_per_l"] in (None, 60)
    assert made.shoot()["advice"]["action"] == "add"
    assert made.shoot(without=("reference",))["advice"]["action"] == "add"
    result = made.shoot(without=("batch",))
    assert result["advice"]["action"] == "rephotograph" and result["advice"]["doses"] == []
    assert result["advice"]["text"].startswith("No glass of the batch was found on the last photo.")
    # it is kept, and the photos with a batch still count
    assert result["entry"] is not None and made.advice()["action"] == "add"


def test_beside_an_entered_target_the_estimate_of_the_batch_counts(bench):
    """What one phone makes of the batch alone is no difference from a colour that no phone has seen."""
    said = []
    for read in (0, 8):
        made = bench(target_lab=tuple(REFERENCE))
        made.add(72)  # the reference's 40 mg/l
        photo = made.draw(without=("reference",))
        measured = made.known[photo[0]].to_json()
        batch = measured["spots"]["batch"]
        plain = np.add(batch["lab"], [0, -read, read]).tolist()
        batch["plain"] = {"lab": plain, "lab_covariance": batch["lab_covariance"]}
        made.known[photo[0]] = Measurement.from_json(measured)
        said.append(made.record(photo)["advice"]["now"]["value"])
    assert said[1] == pytest.approx(said[0], abs=1e-6)


def test_the_match_is_judged_where_it_is_drunk(bench):
    glass = {"conditions": [{"name": "6 cm glass", "depth_mm": 60, "dilution": 1}]}
    at_photo, in_glass = bench(), bench(serving=glass)
    assert [v.depth_mm for v in views_of(at_photo.book.lots.get(at_photo.lot))] == [10]
    views = views_of(in_glass.book.lots.get(in_glass.lot))
    assert [(v.name, v.depth_mm, v.dilution) for v in views] == [("6 cm glass", 60, 1)]
    deep, shallow = in_glass.shoot(), at_photo.shoot()
    assert deep["advice"]["now"] != shallow["advice"]["now"]
    # colours that stand beside the photo are those of the photo's look, wherever the match is judged
    for result in (deep, shallow):
        told = result["advice"]["predicted_lab"]["reference"]
        assert told == pytest.approx(result["spots"]["reference"]["lab"], abs=6)


def test_an_addition_put_right_after_the_photos_counts_where_it_stood(bench):
    scene, told = bench(), []
    shots = [scene.draw()]
    scene.add(40)
    shots += [scene.draw(), scene.draw(off=0.1)]
    for entered in (40, 10):
        made = bench()
        record_photos(made.book, made.lot, shots[:1])
        dose = made.book.additions.add(made.lot, "red", drops=entered)
        record_photos(made.book, made.lot, shots[1:])
        if entered != 40:
            made.book.additions.correct(dose.id, drops=40, reason="counted again")
        told.append(made.advice())
    assert told[0]["combined"]["photos"] == ["Photo 2", "Photo 3"]
    assert told[0] == told[1]


def test_closing_keeps_the_outcome_and_what_the_stock_taught(bench):
    made = bench(factor=1.15)
    advice = made.follow()
    held = {"E129": 1.15 * made.story.state().colourant_mg_per_l("E129")}
    assert ciede2000(look(held, made.story.state().base_share), REFERENCE) < 1
    closed = close_lot(made.book, made.lot)
    assert closed.closed is True and closed.outcome == "matched" and closed.text == advice["text"]
    stock = made.book.stocks.get("red")
    assert stock.learnt_from_lot_id == made.lot
    assert stock.strength_factor == pytest.approx(1.15, rel=0.07)
    assert fitting.LEAST_LEARNT_SD <= stock.strength_rel_sd < 0.1
    told = describe_lot(made.book, made.lot)
    assert told["closed"] is True and told["closing"]["outcome"] == "matched"
    with pytest.raises(ClosedError):
        close_lot(made.book, made.lot)
    # What this lot learnt is where the next one starts: its first prediction is nearer.
    later = bench(factor=1.15)
    first = later.shoot()["advice"]
    assert first["stocks_learnt"][0]["strength_factor"] == pytest.approx(stock.strength_factor, rel=0.03)
    drops = 40 * 0.9 / (0.5 * 1.15)
    assert first["to_match"][0]["drops"] == pytest.approx(drops, rel=0.15)


def test_what_a_lot_teaches_of_a_stock_holds_for_what_was_thinned_from_it_before(bench):
    made = bench(factor=1.15)
    made.book.stocks.dilute("red", 10, "red thin")
    made.book.stocks.add("red too", "E129", 1.0)
    made.follow()
    close_lot(made.book, made.lot)
    red, thin, other = (made.book.stocks.get(name) for name in ("red", "red thin", "red too"))
    assert (thin.strength_factor, thin.strength_rel_sd) == (red.strength_factor, red.strength_rel_sd)
    assert thin.strength_g_per_100ml == pytest.approx(red.strength_g_per_100ml / 10)
    assert other.strength_factor == 1


def test_nothing_is_learnt_of_a_stock_that_did_not_go_in(bench):
    made = bench()
    made.keep()
    made.keep()
    close_lot(made.book, made.lot, "given up", "another day")
    assert made.book.stocks.get("red").learnt_from_lot_id is None
    assert describe_lot(made.book, made.lot)["closing"]["text"] == "another day"


def test_a_photo_set_aside_is_left_out_of_the_fit_and_counts_again_when_taken_back(bench):
    made = bench()
    made.keep()
    made.add(20)
    right = made.shoot()["advice"]
    wrong = made.shoot(off=6)
    torn = made.advice()
    assert torn["now"] != right["now"]
    done = made.book.photos.set_aside(made.lot, wrong["entry"], "a lamp shone in", entered_by="MK")
    assert (done.photo_entry_id, done.back, done.reason) == (wrong["entry"], False, "a lamp shone in")
    assert made.advice() == right
    story = made.story
    assert [photo.aside for photo in story.photos] == [None, None, "a lamp shone in"]
    assert len(story.counting_photos) == 2
    told = describe_lot(made.book, made.lot)
    assert [photo["set_aside"] for photo in told["photos"]] == [None, None, "a lamp shone in"]
    assert told["events"][-1]["text"].startswith(f"The photo of entry {wrong['entry']} is set aside")
    made.book.photos.set_aside(made.lot, "photo-2.png", "it was all right", back=True)
    assert made.advice() == torn
    assert made.book.archive.check() == []


def test_what_cannot_be_set_aside_is_told(bench):
    made = bench()
    made.keep()
    photo = made.story.photos[0].id
    addition = made.book.additions.add(made.lot, "red", drops=3).id
    with pytest.raises(NotFoundError, match=rf"has no photo {addition}\. .*by entry: {photo} \(photo-0"):
        made.book.photos.set_aside(made.lot, addition, "wrong")
    with pytest.raises(InputError, match="counts as it is"):
        made.book.photos.set_aside(made.lot, photo, "wrong", back=True)
    with pytest.raises(InputError, match="needs its reason"):
        made.book.photos.set_aside(made.lot, photo, " ")
    first = made.book.photos.set_aside(made.lot, photo, "a shadow", token="once")
    assert made.book.photos.set_aside(made.lot, photo, "a shadow", token="once") == first
    with pytest.raises(InputError, match=r"is set aside already: a shadow"):
        made.book.photos.set_aside(made.lot, photo, "again")
    assert made.advice()["action"] == "rephotograph"


def test_a_closed_lot_is_told_without_a_photo_set_aside(bench):
    made = bench()
    made.keep()
    made.keep(off=6)
    wrong = made.story.photos[-1].id
    made.book.lots.close(made.lot, "matched")
    made.book.photos.set_aside(made.lot, wrong, "a lamp shone in")
    assert [photo.id for photo in final_photos(made.story)] == [wrong - 1]
    assert len(see_photos(made.story)) == 1
    lines = [f"{text} {remark}" for _, text, remark in tell_history(made.story, None)]
    assert sum("set aside: a lamp shone in" in line for line in lines) == 1
    assert lines[-1].endswith(" is set aside a lamp shone in")


draw = cache(take_photo)


@pytest.fixture
def lot(book: LotBook) -> int:
    book.stocks.add("red", "E129", 1.0)
    return book.lots.begin("cordial", 900, ["red"], ceiling_mg_per_l=60).id


def shoot(book: LotBook, lot: int, number: int, dilution: float) -> dict:
    photo = draw(Kitchen(), number, dilution=dilution), f"{number}.jpg"
    return record_photos(book, lot, [photo], view={"dilution": dilution})[0].to_json()["advice"]


@pytest.mark.parametrize(
    ("dilution", "parts", "then"),
    # who cannot thin is not asked again; equal parts can be too little: the interval of the whole dose is twice as wide
    [(1.0, 4, 4.0), (1.0, 4, 1.0), (2.0, 6, 6.0)],
)
def test_water_is_asked_for_once_and_then_the_drops_are_told(book, lot, dilution, parts, then):
    asked = shoot(book, lot, 1, dilution)
    assert (asked["action"], asked["reason"], asked["doses"]) == ("rephotograph", "photo", [])
    assert f"1+{parts / dilution - 1:g} with water" in asked["text"]
    assert f"made up to {parts} in all" in asked["text"]
    assert advise_lot(book, lot).to_json()["text"] == asked["text"]
    assert shoot(book, lot, 2, then)["action"] == "add"


def test_after_a_drop_and_for_a_noted_colour_it_is_not_asked(book, lot):
    book.additions.add(lot, "red", drops=5)
    noted = book.lots.begin("shrub", 900, ["red"], target_lab=(60, 45, 30)).id
    asked = [advise_lot(book, one).text for one in (lot, noted)]
    assert [text.startswith("Photograph reference and batch") for text in asked] == [True, False]
    assert asked[1].startswith("Photograph the batch beside the card, with water")
    for one in (lot, noted):
        assert "with water" not in shoot(book, one, 1, 1.0)["text"]
