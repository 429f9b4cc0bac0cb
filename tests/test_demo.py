"""The demonstration: an invented lot played to the stop, and the example lot that the app opens."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path

import pytest

from colourmatch.book.additions import Additions
from colourmatch.book.lot_book import open_book
from colourmatch.cli import run
from colourmatch.demo import (
    EXAMPLE_NUMBER,
    MOST_PHOTOS,
    REFERENCE_MG_PER_L,
    TRUE_DROP,
    TRUE_STRENGTH,
    Kitchen,
    make_example,
)
from colourmatch.workflow.lot import advise_lot


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """One demonstration by the command line: its book, JSON, the story on stderr, the folder it kept."""
    folder = tmp_path_factory.mktemp("demo") / "kept"
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        assert run(["demo", "--keep", str(folder), "--json"]) == 0
    with open_book(folder / "demo.sqlite") as book:
        yield book, json.loads(out.getvalue()), err.getvalue(), folder


def test_drops_make_what_they_truly_are():
    kitchen = Kitchen().add_drops(20).add_drops(20)
    poured = kitchen.take_sample(100)
    assert (poured.dye_mg_per_l, poured.base_share) == pytest.approx(
        (kitchen.dye_mg_per_l, kitchen.base_share)
    )
    assert poured.volume_ml == pytest.approx(kitchen.volume_ml - 100)
    # 40 drops of 0.05 ml x 0.96 with 10 mg/ml x 0.92 are 1.92 ml and 17.664 mg.
    assert (kitchen.volume_ml, kitchen.dye_mg) == (pytest.approx(901.92), pytest.approx(17.664))
    assert kitchen.base_share == pytest.approx(900 / 901.92)


def test_it_ends_with_a_stop_near_the_reference(played):
    book, data, _, folder = played
    story = book.lots.story(data["lot"])
    assert story.closing is not None and story.closing.outcome in ("matched", "nearest")
    photos = sorted(folder.glob("demo-*.jpg"))
    assert 2 <= len(photos) <= MOST_PHOTOS and len(story.photos) == len(photos)
    kitchen = Kitchen().add_drops(sum(entry.quantity for entry in story.additions))
    # Never past the match by what an eye sees: 5 % of the dose is about half a CIEDE2000 here.
    assert 0.85 * REFERENCE_MG_PER_L < kitchen.dye_mg_per_l < 1.05 * REFERENCE_MG_PER_L


def test_the_next_lot_starts_from_what_this_one_learnt(played):
    stock = played[0].stocks.get("demo red")
    truth = TRUE_STRENGTH * TRUE_DROP
    assert abs(stock.strength_factor - truth) < 3 * stock.strength_rel_sd
    assert stock.strength_rel_sd < stock.label_strength_rel_sd


def test_the_story_names_its_photos_and_sums_up(played):
    _, data, told, folder = played
    assert data["photos"] == [str(path) for path in sorted(folder.glob("*.jpg"))]
    assert all(Path(path).name in told for path in data["photos"])
    assert f"Lot {data['lot']} is closed" in told and "Colour: Allura red AC (E129)" in told
    assert data["story"]["closed"] is True


def test_an_example_cut_short_is_finished_and_then_left_as_it_is(tmp_path, monkeypatch):
    def fail(*_args, **_settings):
        raise RuntimeError("the power fails")

    with open_book(tmp_path / "book.sqlite") as book:
        with monkeypatch.context() as patch, pytest.raises(RuntimeError):
            patch.setattr(Additions, "add", fail)
            make_example(book)
        lot = make_example(book)
        story = book.lots.story(lot)
        assert [entry.kind for entry in story.events] == ["photo", "addition", "photo", "addition", "photo"]
        assert story.lot.number == EXAMPLE_NUMBER and not story.lot.closed
        assert advise_lot(book, lot)["action"] == "add"
        assert make_example(book) == lot
        assert len(book.lots.story(lot).events) == len(story.events)


def test_a_folder_that_cannot_be_is_refused(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert run(["demo", "--keep", str(tmp_path / "file" / "inside")]) == 2
    assert "Give another one." in capsys.readouterr().err
