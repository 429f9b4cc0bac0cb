"""Trials: what was taken and poured back by hand sums, the dose scaled by volume, and both lots kept as they were."""

import io
import json
from copy import copy

import pytest
from known_lot import Bench
from raw_books import export_text

from colourmatch.book.entries import CARRIED
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.errors import ClosedError, InputError, NotFoundError
from colourmatch.workflow.closing import UNSEEN, finish_trial
from colourmatch.workflow.trials import Trial, describe_trials, scale_doses


@pytest.fixture
def parent(book: LotBook) -> int:
    """A batch of a litre to be tinted with two stocks."""
    book.stocks.add("red", "E129", 1.0, drop_ml=0.05)
    book.stocks.add("gold", "E102", 0.5, drop_ml=0.04, made_in="batch")
    conditions = {"conditions": [{"name": "long", "depth_mm": 60}]}
    return book.lots.begin(
        "Bitter", 1000, ["red", "gold"], ceiling_mg_per_l=60, dilution=5, jurisdiction="EU", serving=conditions,
        already_mg_per_l=4, already_colourant="E163", target_lab=(60, 40, 30),
    ).id  # fmt: skip


def test_a_trial_is_a_lot_of_its_own_that_names_its_batch(book, parent):
    trial = book.trials.take(parent, 100, entered_by="MK")
    head = book.lots.get(parent)
    assert (trial.trial_of, trial.volume_ml, trial.name) == (parent, 100, "Bitter, trial of 100 ml")
    same = ("stocks", "ceiling_mg_per_l", "depth_mm", "dilution", "tolerance", "already_mg_per_l",
            "already_colourant", "jurisdiction", "target_lab", "serving")  # fmt: skip
    assert all(getattr(trial, name) == getattr(head, name) for name in same)
    (taken,) = book.lots.story(parent).effective
    assert (taken.kind, taken.ml, taken.trial_lot_id, taken.entered_by) == ("sample", 100, trial.id, "MK")
    assert book.lots.story(parent).state().volume_ml == 900
    assert [lot.id for lot in book.trials.of(parent)] == [trial.id] and book.archive.check() == []


def test_seven_drops_in_100_ml_are_63_in_900(book, parent):
    trial = book.trials.take(parent, 100)
    book.additions.add(trial.id, "red", drops=7)
    (told,) = describe_trials(book, book.lots.story(parent))
    (dose,) = told.doses
    assert (dose.trial_drops, dose.drops) == (7, 63)
    # Half a drop in 7, 5 % / sqrt(7) and twice 1.5 % of volume: 7.7 %, 95 % of it is 15 %.
    assert (dose.low, dose.high) == (53, 73)
    assert told.text == (
        f"Trial of 100 ml (lot {trial.id}), no photo yet: 7 drops of red there are 63 (53 to 73) in the 900 ml of "
        "the batch. Put in the lower figure first (53 of red), then photograph the batch."
    )
    # The same colour in a litre as in the trial, by hand: 3.5 mg in 100.35 ml.
    book.additions.add(parent, "red", drops=63)
    batch, small = book.lots.story(parent).state(), book.lots.story(trial.id).state()
    assert small.concentration_mg_per_l("red") == pytest.approx(34.88, abs=5e-3)
    assert batch.concentration_mg_per_l("red") == pytest.approx(small.concentration_mg_per_l("red"))
    # a sample in the trial and a second stock keep the concentration too
    book.volumes.take_sample(trial.id, 20)
    book.additions.add(trial.id, "gold", drops=10)
    for dose in scale_doses(book.lots.story(trial.id), book.lots.story(parent).state()):
        if dose.ml:
            book.additions.add(parent, dose.stock, ml=dose.ml)
    batch, small = book.lots.story(parent).state(), book.lots.story(trial.id).state()
    for name in ("red", "gold"):
        wanted = small.concentration_mg_per_l(name)
        assert batch.concentration_mg_per_l(name) == pytest.approx(wanted, rel=1e-3)
    (now,) = describe_trials(book, book.lots.story(parent))
    assert {dose.drops for dose in now.doses} == {0} and "holds as much in a litre already" in now.text
    assert describe_trials(book, book.lots.story(trial.id)) == [now]
    assert Trial.from_json(json.loads(json.dumps(now.to_json()))) == now


def test_poured_back_its_colour_comes_in_with_it(book, parent, tmp_path):
    trial = book.trials.take(parent, 100).id
    book.additions.add(trial, "red", drops=7)
    entry = book.trials.pour_back(trial, token="back")
    assert book.trials.pour_back(trial, token="back").id == entry.id
    state = book.lots.story(parent).state()
    assert state.volume_ml == pytest.approx(1000.35) and state.mg["red"] == pytest.approx(3.5)
    assert state.already_mg_per_l == pytest.approx(4 * 1000 / 1000.35)
    (addition,) = book.lots.story(parent).additions
    assert (addition.quantity, addition.unit) == (7, "drops")
    assert addition.reason == f"came back with the trial, lot {trial}"
    assert (entry.kind, entry.ml, entry.trial_lot_id) == ("poured-back", 100, trial)
    with pytest.raises(InputError, match="was poured back into lot"):
        book.trials.pour_back(trial)
    (told,) = describe_trials(book, book.lots.story(parent))
    # 34.88 mg/l in 1000.35 ml need 34.89 mg and a little for the water that comes along; 3.5 are in.
    assert told.poured_back and told.doses[0].drops == 63
    assert book.archive.check() == []
    # a glass that was not poured back stays out
    trial = book.trials.take(parent, 100).id
    before = book.lots.story(trial).state().mg["red"] + book.lots.story(parent).state().mg["red"]
    book.additions.add(trial, "red", drops=10)
    book.volumes.take_sample(trial, 50.25)
    assert finish_trial(book, trial, token="f").id == finish_trial(book, trial, token="f").id
    kept = book.lots.story(parent).state()
    assert kept.volume_ml == pytest.approx(1000.35 + 0.5 - 50.25) and kept.mg["red"] < before + 5
    closing = book.lots.story(trial).closing
    assert closing is not None and closing.outcome == "trial"
    assert closing.text.startswith(f"Poured back into lot {parent}.") and closing.text.endswith(UNSEEN)
    assert book.lots.closed() == [], "a trial is not a lot among lots"
    with open_book(tmp_path / "other.sqlite") as other:
        other.archive.import_json(io.StringIO(export_text(book)))
        assert other.lots.story(parent).state() == kept and len(other.trials.of(parent)) == 2


def test_a_trial_of_a_tinted_batch_begins_with_its_colour(book, parent):
    book.additions.add(parent, "red", drops=40)
    book.additions.add(parent, "gold", drops=25)
    before = book.lots.story(parent).state()
    trial = book.trials.take(parent, 50).id
    small, rest = book.lots.story(trial).state(), book.lots.story(parent).state()
    assert small.volume_ml == pytest.approx(50) and rest.volume_ml == pytest.approx(before.volume_ml - 50)
    assert small.already_mg_per_l == pytest.approx(before.already_mg_per_l)
    for name in ("red", "gold"):
        assert small.concentration_mg_per_l(name) == pytest.approx(before.concentration_mg_per_l(name))
    assert {entry.reason for entry in book.lots.story(trial).additions} == {CARRIED}
    (told,) = describe_trials(book, book.lots.story(parent))
    assert told.doses == () and told.text.endswith("nothing was dosed in it yet.")
    book.additions.add(trial, "red", drops=1)
    (dose,) = describe_trials(book, book.lots.story(parent))[0].doses
    assert (dose.stock, dose.trial_drops, dose.drops) == ("red", 1, 19)
    # One drop is half a drop unsure at best: the range says so.
    assert dose.low == 0 and dose.high > 35
    book.trials.pour_back(trial)
    after = book.lots.story(parent).state()
    assert after.mg["red"] == pytest.approx(before.mg["red"] + 0.5)
    assert after.volume_ml == pytest.approx(before.volume_ml + 0.05)


def test_a_batch_put_right_later_tells_what_its_trial_must_be_put_right_to(book, parent):
    entry = book.additions.add(parent, "red", drops=40)
    trial = book.trials.take(parent, 100).id
    assert describe_trials(book, book.lots.story(parent))[0].corrected == ()
    again = book.additions.correct(entry.id, drops=20, reason="counted again")
    (wrong,) = describe_trials(book, book.lots.story(parent))[0].corrected
    # By hand: 20 drops of 0.05 ml at 10 mg a ml are 10 mg in 1001 ml, of which the trial took a tenth.
    assert wrong.mg == pytest.approx(100 * 10 / 1001, abs=1e-3) and wrong.stock == "red"
    assert f"Put its entry {wrong.entry} right, to 0.0999 ml." in wrong.text
    assert wrong.text in describe_trials(book, book.lots.story(trial))[0].text
    book.additions.correct(wrong.entry, ml=0.0999, reason="the batch was put right")
    (told,) = describe_trials(book, book.lots.story(parent))
    # what came along is not counted as dosed in the trial, put right or not
    assert told.corrected == () and told.doses == ()
    book.additions.correct(again.id, void=True, reason="it was the other lot")
    assert "it did not happen" in describe_trials(book, book.lots.story(parent))[0].corrected[0].text


def test_what_cannot_be_is_refused(book, parent):
    trial = book.trials.take(parent, 100).id
    with pytest.raises(InputError, match=r"too small to count drops in\. Take 50 or 100 ml"):
        book.trials.take(parent, 2)
    with pytest.raises(InputError, match="cannot be taken from 900 ml"):
        book.trials.take(parent, 900)
    with pytest.raises(InputError, match=f"Take the next one from its batch, lot {parent}"):
        book.trials.take(trial, 50)
    with pytest.raises(InputError, match="is no trial"):
        book.trials.pour_back(parent)
    with pytest.raises(NotFoundError):
        book.trials.take(99, 100)
    assert book.lots.story(parent).state().volume_ml == 900
    book.lots.close(parent, "matched")
    with pytest.raises(ClosedError):
        book.trials.take(parent, 100)
    with pytest.raises(ClosedError, match=f"Close the trial, lot {trial}, by itself"):
        finish_trial(book, trial)
    assert not book.lots.get(trial).closed


def test_a_corrected_amount_keeps_the_trial_and_a_void_one_was_never_taken(book, parent):
    trial = book.trials.take(parent, 100).id
    (taken,) = book.lots.story(parent).effective
    corrected = book.volumes.correct(taken.id, ml=102, reason="read again")
    assert corrected.trial_lot_id == trial and book.lots.story(parent).state().volume_ml == 898
    book.volumes.correct(corrected.id, void=True, reason="another batch")
    (told,) = describe_trials(book, book.lots.story(parent))
    assert told.taken_ml is None and book.lots.story(parent).state().volume_ml == 1000


def try_out(made: Bench, drops: tuple[int, ...]) -> int:
    """A trial of 100 ml, photographed before and after each addition; its lot."""
    trial = copy(made)
    trial.lot = made.book.trials.take(made.lot, 100).id
    trial.keep()
    for count in drops:
        trial.add(count)
        trial.keep()
    return trial.lot


def strength_learnt(advice: dict) -> tuple[float, float]:
    """Middle of a lot's first strength factor, and the width of its interval as part of it."""
    (one,) = advice["stocks_learnt"]
    return one["strength_factor"], (one["high"] - one["low"]) / one["strength_factor"]


@pytest.mark.usefixtures("as_noted")
def test_what_a_trial_taught_of_a_stock_is_where_its_batch_starts(bench):
    made = bench(factor=0.7)  # the stock is weaker than its label, or the dropper's drops are smaller
    unknown, wide = strength_learnt(made.shoot()["advice"])
    trial = try_out(made, (4, 4))
    finish_trial(made.book, trial)
    stock = made.book.stocks.get("red")
    assert stock.learnt_from_lot_id == trial and stock.strength_factor == pytest.approx(0.7, rel=0.12)
    told = made.shoot()["advice"]
    learnt, width = strength_learnt(told)
    assert learnt == pytest.approx(0.7, rel=0.1) and abs(unknown - 0.7) > 0.15
    assert width < wide / 2
    # The dose is that of a stock of this strength: 40 mg/l in 900 ml are 72 drops of the label's.
    still = 72 / 0.7 - made.story.state().mg["red"] / 0.5
    assert told["to_match"][0]["low"] < still < told["to_match"][0]["high"]


def test_a_trial_with_one_photo_teaches_nothing(bench):
    made = bench(factor=0.7)
    trial = copy(made)
    trial.lot = made.book.trials.take(made.lot, 100).id
    trial.add(4)
    trial.keep()
    trial.add(1)
    (told,) = describe_trials(made.book, made.story)
    assert "no photo since its last dose" in told.text and "lower figure" not in told.text
    finish_trial(made.book, trial.lot)
    assert made.book.stocks.get("red").learnt_from_lot_id is None
