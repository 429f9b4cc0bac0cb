"""Stocks, references, lots and their entries."""

import json
import os
import shutil
import subprocess
import sys
import time
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest
from raw_books import list_changes, write_file

from colourmatch.advice import Advice
from colourmatch.book import lot_book, tables
from colourmatch.book.lot_book import open_book, open_or_read_book, read_book
from colourmatch.errors import BookError, ClosedError, InputError, NotFoundError, PhotoError
from colourmatch.liquid.stock import Stock, weigh_drops
from colourmatch.words.advice import NO_ROOM


def test_stocks_and_lots_are_found_by_name_id_number_and_label(book, lot):
    entry = book.stocks.add("Red № 1", "e129", 1, drop_ml=0.04, notes="made\nin May", entered_by="a")
    assert book.stocks.get("red № 1") == book.stocks.get(entry.id) == entry
    assert book.stocks.get("RED № 1").as_stock() == Stock("Red № 1", "E129", 1.0, 0.04)
    assert entry.notes == "made\nin May" and entry.entered_by == "a"
    with pytest.raises(FrozenInstanceError):
        entry.name = "other"
    other = book.lots.begin("Second", 500, "red", number="2026/14")
    for given in (other.id, str(other.id), "2026/14", f"L{other.id}", "second", " Second "):
        assert book.lots.get(given) == other
    assert (other.label, book.lots.get(lot).label) == ("2026/14", f"L{lot}")
    assert book.lots.get(lot).stocks == ("red", "yellow")


@pytest.mark.parametrize(
    ("unit", "another", "factor"),
    [("drops", False, 1.0), ("drops", True, 1.2 ** (0.2**2 / (0.2**2 + 0.15**2))), ("ml", False, 1.2)],
)
def test_a_weighing_takes_the_drop_out_of_what_drops_taught(book, lot, unit, another, factor):
    """A lot found 1.2 times the label; a weighed drop of 1.2 times the assumed one, with the stock's density, says why."""
    stock = book.stocks.all()[0]
    book.additions.add(lot, stock.name, **{unit: 20})
    book.stocks.learn(stock.id, 1.2, 0.05, lot)
    drop_g = 1.2 * stock.drop_ml * stock.density_g_per_ml
    told = book.stocks.weigh(stock.id, 40, 40 * drop_g, another_dropper=another, token="t")
    assert told.drop_ml == pytest.approx(1.2 * stock.drop_ml, rel=1e-3)
    assert told.strength_factor == pytest.approx(factor, rel=1e-3) and told.learnt_from_lot_id == lot
    again = book.stocks.weigh(stock.id, 40, 40 * drop_g, another_dropper=another, token="t")
    assert again.strength_factor == told.strength_factor


def test_weighing_and_learning_count_from_then_on(book, lot):
    before = book.additions.add(lot, "red", drops=10)
    weighed = book.stocks.weigh("red", 40, 1.6)
    expected = weigh_drops(Stock("red", "E129", 1.0), 40, 1.6)
    assert (weighed.drop_ml, weighed.drop_rel_sd, weighed.weighed) == (*expected, True)
    assert book.stocks.learn("red", 0.9, 0.04, lot).strength_g_per_100ml == pytest.approx(0.9)
    assert book.stocks.learn("red", 0.8, 0.03, lot).strength_g_per_100ml == pytest.approx(0.8)
    after = book.additions.add(lot, "red", drops=10)
    assert (before.ml, after.ml) == (pytest.approx(0.5), pytest.approx(0.4))
    assert after.mg == pytest.approx(4.0)  # by the label, whatever was learnt
    assert book.lots.story(lot).state().mg["red"] == pytest.approx(9.0)
    # by the drop of then
    assert book.additions.correct(before.id, drops=20, reason="x").ml == pytest.approx(1.0)
    spreads = [book.stocks.get("red").as_stock(learnt=learnt).strength_rel_sd for learnt in (True, False)]
    assert spreads == [0.03, 0.2]
    assert list_changes(book, "red") == ["weighed", "learnt", "learnt"]
    reset = book.stocks.reset("red", "made again")
    assert (reset.strength_factor, reset.strength_rel_sd, reset.drop_ml) == (1.0, 0.2, weighed.drop_ml)


def test_a_name_is_free_again_when_the_stock_is_put_away(book, lot):
    with pytest.raises(InputError, match="on the shelf already"):
        book.stocks.add("RED", "E129", 2)
    old = book.stocks.put_away("red")
    with pytest.raises(ClosedError, match="put away"):
        book.additions.add(lot, "red", drops=1)
    with pytest.raises(ClosedError, match="put away"):
        book.stocks.weigh(old.id, 40, 1.6)
    new = book.stocks.add("red", "E129", 2, diluted_from=old.id)
    assert (book.stocks.get("red").id, new.diluted_from_id) == (new.id, old.id)
    assert [stock.id for stock in book.stocks.all() if stock.name == "red"] == [new.id]
    assert len(book.stocks.all(active_only=False)) == 3


@pytest.mark.both_databases
def test_lists_are_newest_first_searched_and_paged(book, lot):
    names = ["Große Rosé", "100 % bitter", "x_y", "Shrub"]
    ids = [book.lots.begin(name, 500, "red", number=f"N{k}").id for k, name in enumerate(names)]
    book.lots.close(ids[0], "matched")
    assert [one.id for one in book.lots.search()] == [*reversed(ids), lot]
    assert [one.id for one in book.lots.search(limit=2, offset=1)] == [ids[2], ids[1]]
    assert [one.id for one in book.lots.search("GROSSE")] == [ids[0]]
    assert [one.id for one in book.lots.search("0 %")] == [ids[1]]
    assert [one.id for one in book.lots.search("_")] == [ids[2]]
    assert [one.id for one in book.lots.search("n3")] == [ids[3]]
    assert ids[0] not in [one.id for one in book.lots.search(open_only=True)]
    assert (book.lots.count(), book.lots.count(open_only=True), book.lots.count("rosé")) == (5, 4, 1)
    assert book.lots.search("rosé")[0].closed


@pytest.mark.both_databases
def test_amounts_are_kept_as_typed_and_as_millilitres(book, lot):
    book.stocks.add("syrup", "E129", 2, density_g_per_ml=1.25)
    drops, ml = (book.additions.add(lot, "red", **amount) for amount in ({"drops": 12}, {"ml": 0.6}))
    grams = book.additions.add(lot, "syrup", grams=1.25)
    assert (drops.quantity, drops.unit) == (12, "drops") and (drops.ml, drops.mg) == pytest.approx((0.6, 6))
    assert (ml.quantity, ml.unit, ml.mg) == (0.6, "ml", pytest.approx(6))
    assert (grams.unit, grams.ml, grams.mg) == ("grams", pytest.approx(1.0), pytest.approx(20))
    state = book.lots.story(lot).state()
    assert state.volume_ml == pytest.approx(902.2)
    assert state.mg == pytest.approx({"red": 12, "syrup": 20})


def test_each_photo_knows_the_doses_before_it(book, lot, jpeg):
    first = book.additions.add(lot, "red", drops=10)
    measured = {"delta_e_2000": {"value": 3.5, "low": 3, "high": float("nan")}}
    photo = book.photos.add(lot, measured, {"action": "add"}, photo=jpeg)
    second = book.additions.add(lot, "red", drops=5)
    last = book.photos.add(lot, {}, photo=jpeg)
    corrected = book.additions.correct(first.id, drops=11, reason="counted again")
    story = book.lots.story(lot)
    doses = [[e.id for e in story.entries_before(one) if e.kind == "addition"] for one in story.photos]
    assert doses == [[corrected.id], [corrected.id, second.id]]
    assert [entry.id for entry in story.events] == [first.id, photo.id, second.id, last.id, corrected.id]
    assert story.events[0].replaced_by_id == corrected.id
    assert story.state(before=story.photos[0]).mg == pytest.approx({"red": 5.5})
    assert (photo.delta_e_2000, photo.delta_e_2000_high) == (3.5, None)
    assert photo.measurement.delta_e_2000.high is None and photo.advice.to_json() == {"action": "add"}
    assert {stock.name for stock in story.stock_entries} == {"red", "yellow"}


def test_the_story_can_be_told_as_of_a_time(book, lot):
    first = book.additions.add(lot, "red", drops=10)
    time.sleep(0.002)
    book.additions.correct(first.id, drops=20, reason="two tens")
    book.lots.amend(lot, "mistyped", volume_ml=1000)
    book.lots.close(lot, "matched")
    then = book.lots.story(lot, at=first.created_at)
    assert (then.state().mg, then.lot.volume_ml, then.lot.closed) == ({"red": pytest.approx(5)}, 900, False)
    now = book.lots.story(lot)
    assert (now.state().mg, now.lot.volume_ml, now.lot.closed) == ({"red": pytest.approx(10)}, 1000, True)


def test_void_and_repeated_corrections(book, lot):
    first = book.additions.add(lot, "red", drops=10)
    second = book.additions.correct(first.id, ml=1, reason="a pipette")
    with pytest.raises(InputError, match=f"Correct entry {second.id} instead"):
        book.additions.correct(first.id, drops=1, reason="again")
    other = book.additions.correct(second.id, stock="yellow", reason="the other bottle")
    assert (other.stock, other.quantity, other.unit) == ("yellow", 1, "ml")
    third = book.additions.correct(other.id, drops=4, reason="counted")
    assert book.lots.story(lot).state().mg == pytest.approx({"yellow": 2.0})
    assert book.additions.correct(third.id, void=True, reason="never happened").void
    assert book.lots.story(lot).state().mg == {}
    with pytest.raises(InputError, match="reason"):
        book.additions.correct(third.id, drops=1, reason=" ")
    with pytest.raises(NotFoundError, match="no entry 99999"):
        book.additions.correct(99999, drops=1, reason="x")
    sample = book.volumes.take_sample(lot, 10)
    with pytest.raises(InputError, match="sample"):
        book.additions.correct(sample.id, drops=1, reason="x")


def test_no_more_is_taken_than_there_is(book, lot):
    book.volumes.take_sample(lot, 180)
    with pytest.raises(InputError, match=r"cannot be taken"):
        book.volumes.take_sample(lot, 5000)
    with pytest.raises(InputError, match=r"cannot be taken"):
        book.lots.amend(lot, "x", volume_ml=100)
    assert len(book.lots.story(lot).events) == 1


def test_a_closed_lot_takes_corrections_notes_and_rechecks_but_no_dose(book, lot, jpeg):
    dose = book.additions.add(lot, "red", drops=10)
    closing = book.lots.close(lot, "matched", "looks right", {"text": "Stop.", "lab": [60, 40, 30]})
    assert book.lots.story(lot).closing == closing
    assert closing.final.to_json() == {"text": "Stop.", "lab": [60, 40, 30]}
    for refused in (
        lambda: book.additions.add(lot, "red", drops=1),
        lambda: book.volumes.take_sample(lot, 1),
        lambda: book.volumes.add_untinted(lot, 1),
        lambda: book.photos.add(lot, {}, photo=jpeg),
        lambda: book.lots.close(lot, "again"),
    ):
        with pytest.raises(ClosedError, match=r"was closed on \d{4}-\d\d-\d\d"):
            refused()
    book.additions.correct(dose.id, drops=9, reason="miscounted")
    assert list(book.photo_store.names()) == []
    book.entries.add_note(lot, "still bright")
    assert book.photos.add(lot, {}, purpose="recheck").purpose == "recheck"
    assert book.lots.get(lot).closed


def test_head_amendments_count_for_the_whole_lot(book, lot):
    changes = {"ceiling_mg_per_l": 40, "stocks": ["yellow"], "target_lab": (1, 2, 3), "serving": {"ml": 60}}
    book.lots.amend(lot, "lower ceiling", **changes)
    book.lots.amend(lot, "no ceiling", ceiling_mg_per_l=None)
    head = book.lots.get(lot)
    assert (head.ceiling_mg_per_l, head.stocks) == (None, ("yellow",))
    assert (head.target_lab, head.serving) == ((1, 2, 3), {"ml": 60})
    assert book.lots.search()[0] == head
    second = book.lots.begin("Second", 900, "yellow").id
    book.additions.add(second, "red", drops=3)
    assert book.lots.stories([second, lot]) == [book.lots.story(second), book.lots.story(lot)]
    with pytest.raises(ValueError, match="changes must be among"):
        book.lots.amend(lot, "x", trial_of=1)
    with pytest.raises(InputError, match="dilution"):
        book.lots.amend(lot, "x", dilution=0)


def test_a_resubmitted_photo_is_recognised(book, lot, jpeg):
    assert book.photos.find(jpeg) is None
    first = book.photos.add(lot, {}, photo=jpeg, original_name="IMG_1.JPG")
    book.photos.add(lot, {}, photo=jpeg)
    assert book.photos.find(jpeg, lot) == first
    assert first.original_name == "IMG_1.JPG"
    assert book.photo_store.path(first.stored_name or "").read_bytes()[:2] == b"\xff\xd8"
    assert len(list(book.photo_store.names())) == 1
    with pytest.raises(PhotoError, match="no JPEG"):
        book.photos.add(lot, {}, photo=b"hello")


#: What is asked of a book and its lot -> the error, and what it says.
REFUSALS = [
    (lambda b, n: b.stocks.get("rde"), NotFoundError, r"no stock 'rde'\. Near it: red\. Add one with: colourmatch stock add"),
    (lambda b, n: b.lots.get("aperitiv"), NotFoundError, r"Near it: Aperitif.*lot list"),
    (lambda b, n: b.lots.get("26-014"), NotFoundError, r"no lot '26-014'\. Near it: 26-041 \(Cordial\)\."),
    (lambda b, n: b.lots.get(99999), NotFoundError, "no lot '99999'"),
    (lambda b, n: b.lots.get("9" * 30), NotFoundError, "no lot"),
    (lambda b, n: b.additions.correct(10**12, drops=1, reason="x"), NotFoundError, "no entry"),
    (lambda b, n: b.lots.search(limit=-1), ValueError, "must not be negative"),
    (lambda b, n: b.references.get("none"), NotFoundError, "no reference"),
    (lambda b, n: b.stocks.add("x", "E999", 1), NotFoundError, r"E999|colourant"),
    (lambda b, n: b.additions.add(n, "red", ml=901), InputError, r"more than the whole batch of 900 ml"),
    (lambda b, n: b.additions.add(n, "red", drops=1, ml=1), InputError, "Give the amount once"),
    (lambda b, n: b.additions.add(n, "red"), InputError, "Give the amount once"),
    (lambda b, n: b.additions.add(n, "red", drops=0), InputError, r"drops must be from 0.1"),
    (lambda b, n: b.lots.begin("x", 900, []), InputError, "at least one stock"),
    (lambda b, n: b.entries.add_note(n, "  "), InputError, "note is empty"),
    (lambda b, n: b.photos.add(n, {}, purpose="other"), ValueError, "purpose must be one of"),
]  # fmt: skip


@pytest.mark.parametrize(("act", "error", "words"), REFUSALS)
def test_refusals_say_what_to_do(book, lot, act, error, words):
    book.lots.begin("Cordial", 900, "red", number="26-041")
    with pytest.raises(error, match=words):
        act(book, lot)
    assert book.lots.story(lot).events == ()


ROOT = Path(__file__).parents[2]


LOOK = """
import json, sys
from colourmatch.errors import ColourMatchError
from colourmatch.book.lot_book import read_book
try:
    with read_book(sys.argv[1]) as book:
        print(json.dumps({"stocks": [stock.name for stock in book.stocks.all()], "note": book.note}))
except ColourMatchError as error:
    print(json.dumps({"error": error.text}))
"""


def make_book(folder: Path) -> Path:
    path = folder / "book.sqlite"
    with open_book(path) as book:
        book.stocks.add("red", "E129", 1.0)
    return path


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def look_without_the_right_to_write(path: Path) -> dict:
    """What a reader sees who may not write into the folder; root has to lay that right down first."""
    path.chmod(0o444)
    path.parent.chmod(0o555)
    call = [sys.executable, "-c", LOOK, str(path)]
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("root may write everywhere, and setpriv is not there to lay that down")
        call = ["setpriv", "--bounding-set", "-dac_override", *call]
    try:
        surroundings = os.environ | {"PYTHONPATH": str(ROOT)}
        done = subprocess.run(call, capture_output=True, text=True, timeout=600, env=surroundings)
    finally:
        path.parent.chmod(0o755)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("empty_file", [False, True])
def test_a_book_that_is_not_there_is_empty_and_stays_away(tmp_path, empty_file):
    path = tmp_path / "deep" / "book.sqlite"
    if empty_file:
        path.parent.mkdir()
        path.touch()
    with read_book(path) as book:
        assert (book.stocks.all(), book.lots.search(), book.place) == ([], [], str(path))
        assert book.note.startswith(f"There is no lot book at {path} yet. The first entry makes it")
        with pytest.raises(BookError, match="may only be read here"):
            book.stocks.add("red", "E129", 1.0)
    with pytest.raises(BookError, match=r"There is no lot book at .* yet\. Give another place with --book"):
        read_book(path, needed=True)
    assert names(path.parent if empty_file else tmp_path) == ({path.name} if empty_file else set())
    assert not empty_file or path.stat().st_size == 0


def test_a_book_is_read_as_ever_where_it_may_be_written_and_nothing_else_is(tmp_path):
    with read_book(make_book(tmp_path), needed=True) as book:
        assert [stock.name for stock in book.stocks.all()] == ["red"] and book.note == ""
    (tmp_path / "text").write_text("no database, but long enough to be read")
    with pytest.raises(BookError, match="is not a lot book"):
        read_book(tmp_path / "text")
    with pytest.raises(BookError, match="is a folder"):
        read_book(tmp_path)


def test_a_book_that_may_only_be_read_is_read_and_nothing_is_written_beside_it(tmp_path):
    path = make_book(tmp_path)
    before = names(tmp_path)
    seen = look_without_the_right_to_write(path)
    assert seen["stocks"] == ["red"]
    assert seen["note"] == f"The lot book {path} may only be read here: nothing can be entered."
    assert names(tmp_path) == before


def test_entries_of_a_log_that_cannot_be_read_there_are_not_passed_over(tmp_path):
    own, copied = tmp_path / "own", tmp_path / "copied"
    own.mkdir()
    copied.mkdir()
    path = make_book(own)
    with open_book(path) as book:
        book.stocks.add("crimson", "E129", 1.0)
        for name in ("book.sqlite", "book.sqlite-wal"):  # as a copy of a disk in use has them
            shutil.copy(own / name, copied / name)
    seen = look_without_the_right_to_write(copied / "book.sqlite")
    if "error" in seen:
        assert "holds entries in book.sqlite-wal that cannot be read where nothing may" in seen["error"]
    else:
        assert seen["stocks"] == ["crimson", "red"]


def test_another_version_that_may_only_be_read_says_what_to_do(tmp_path):
    path = make_book(tmp_path)
    words = f"brought to version {tables.VERSION}. Copy it to a folder of your own"
    for version, said in (("0001", words), ("9999", "Update colourmatch")):
        path.chmod(0o644)
        with write_file(path) as connection:
            connection.execute("UPDATE alembic_version SET version_num = ?", (version,))
        assert said in look_without_the_right_to_write(path)["error"]


def test_what_may_not_be_written_is_opened_to_read_and_all_else_to_write(tmp_path, monkeypatch):
    path = make_book(tmp_path)
    with open_or_read_book(path) as book:
        assert not book.read_only and book.stocks.add("blue", "E133", 1.0).id
    state = lot_book.tell_state(path)
    assert state is None  # it may be written: there is no need to look whether others did
    monkeypatch.setattr(lot_book, "may_write", lambda path: False)
    with open_or_read_book(path) as book:
        assert book.read_only and "may only be read" in book.note
        with pytest.raises(BookError, match="may only be read here"):
            book.stocks.add("green", "E142", 1.0)
    before = lot_book.tell_state(path)
    with open_book(path) as book:
        book.stocks.add("green", "E142", 1.0)
    assert before != lot_book.tell_state(path)
    assert lot_book.tell_state(tmp_path / "none.sqlite") is None


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
    ],
)  # fmt: skip
def test_a_reason_is_held_against_the_advice_and_the_room(outcome, advice, said):
    assert Advice.from_json(advice).contradict(outcome) == said
