"""The demonstration: an invented lot played to the stop, and the example lot that is played in the app."""

import contextlib
import io
import json

import numpy as np
import pytest
from drawn.card import spot_centre
from drawn.demo import REFERENCE_MG_PER_L, draw_demo_photo
from PIL import Image

from colourmatch.book.lot_book import open_book
from colourmatch.book.naming import EXAMPLE_NUMBER, EXAMPLE_STOCK, is_example
from colourmatch.cli import run
from colourmatch.demo import MOST_PHOTOS, begin_example, take_example_photo
from colourmatch.errors import InputError
from colourmatch.simulate import kitchen as simulated
from colourmatch.simulate.kitchen import Kitchen, take_photo, true_difference
from colourmatch.workflow.lot import record_photos


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
    batch = Kitchen().add_drops(20).add_drops(20)
    poured = batch.take_sample(100)
    assert (poured.dye_mg_per_l, poured.base_share) == pytest.approx((batch.dye_mg_per_l, batch.base_share))
    assert poured.volume_ml == pytest.approx(batch.volume_ml - 100)
    # 40 drops of 0.05 ml x 0.96 with 10 mg/ml x 0.92 are 1.92 ml and 17.664 mg.
    assert (batch.volume_ml, batch.dye_mg) == (pytest.approx(901.92), pytest.approx(17.664))
    assert batch.base_share == pytest.approx(900 / 901.92)


def test_it_ends_near_the_reference_and_teaches_what_the_next_lot_starts_from(played):
    book, data, told, folder = played
    story = book.lots.story(data["lot"])
    assert story.closing is not None and story.closing.outcome in ("matched", "nearest")
    photos = sorted(folder.glob("demo-*.jpg"))
    assert 2 <= len(photos) <= MOST_PHOTOS and len(story.photos) == len(photos)
    assert data["photos"] == list(map(str, photos)) and all(path.name in told for path in photos)
    assert f"Lot {data['lot']} is closed" in told and data["story"]["closed"] is True
    batch = Kitchen().add_drops(sum(entry.quantity for entry in story.additions))
    # Never past the match by what an eye sees: 5 % of the dose is about half a CIEDE2000 here.
    assert 0.85 * REFERENCE_MG_PER_L < batch.dye_mg_per_l < 1.05 * REFERENCE_MG_PER_L
    stock = book.stocks.get("demo red")
    true = simulated.TRUE_STRENGTH * simulated.TRUE_DROP
    assert abs(stock.strength_factor - true) < 3 * stock.strength_rel_sd
    assert stock.strength_rel_sd < stock.label_strength_rel_sd


@pytest.fixture
def book(tmp_path):
    with open_book(tmp_path / "book.sqlite") as opened:
        yield opened


def photograph(book, lot, **view):
    return record_photos(book, lot, [take_example_photo(book.lots.story(lot), view)], view=view)[0].to_json()


@pytest.mark.parametrize("kitchen", [Kitchen(), Kitchen().add_drops(85), Kitchen().add_drops(200).add_untinted(300)])
def test_a_photo_made_of_one_with_water_is_as_a_drawn_one(kitchen):
    """Within what two JPEGs and the noise of each leave, in the glasses and beside them."""
    made = Image.open(io.BytesIO(take_photo(kitchen, 1)))
    drawn = draw_demo_photo(kitchen, 1, width_px=made.width)
    off = np.asarray(made).astype(int) - drawn.rgb
    assert np.abs(off).mean() < 2
    for spot in ("reference", "batch"):
        across, down = drawn.view.to_pixels(spot_centre(spot)).round().astype(int)
        assert np.abs(off[down - 20 : down + 20, across - 20 : across + 20].mean(axis=(0, 1))).max() < 1
    assert true_difference(kitchen) == pytest.approx(drawn.truth["delta_e_2000"])
    assert sum(path.stat().st_size for path in simulated.SHIPPED.iterdir()) < 2_000_000


def test_a_wrong_turn_is_photographed_as_it_is(book):
    lot = begin_example(book)
    book.additions.add(lot, EXAMPLE_STOCK, drops=120)
    seen = photograph(book, lot)
    truth = true_difference(Kitchen().add_drops(120))
    assert seen["delta_e_2000"]["low"] < truth < seen["delta_e_2000"]["high"]
    assert seen["advice"]["reason"] == "past"
    book.volumes.add_untinted(lot, 300)
    seen = photograph(book, lot)
    truth = true_difference(Kitchen().add_drops(120).add_untinted(300))
    assert seen["delta_e_2000"]["low"] < truth < seen["delta_e_2000"]["high"]


def test_by_syringe_goes_in_what_was_measured_and_a_stock_of_ones_own_does_not(book):
    lot = begin_example(book)
    book.additions.add(lot, EXAMPLE_STOCK, ml=2)
    exact = take_photo(Kitchen().add_stock(2), 1)
    assert take_example_photo(book.lots.story(lot))[0] == exact
    book.stocks.add("red", "E129", 1.0)
    book.additions.add(lot, "red", drops=1)
    with pytest.raises(InputError, match="has no red"):
        take_example_photo(book.lots.story(lot))


def test_a_finished_example_is_followed_by_a_new_one(book):
    lot = begin_example(book)
    assert begin_example(book) == lot and book.lots.get(lot).number == EXAMPLE_NUMBER
    book.lots.close(lot, "given up")
    book.stocks.add("red", "E129", 1.0)
    book.lots.begin("for example", 900, ["red"])
    again = begin_example(book)
    assert again != lot and is_example(book.lots.get(again)) and begin_example(book) == again
