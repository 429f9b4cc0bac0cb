"""Figures of a story: what a photo shows, when it was taken, doses and their spread."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from colourmatch.book.lot_book import LotBook
from colourmatch.photo.read_colour import SCALE_SD
from colourmatch.workflow.photo_colours import (
    Seen,
    final_photos,
    mean_gap,
    phone_covariance,
    read_doses,
    see_photo,
    time_of,
    total_sd,
)

COV = (np.eye(3) * 0.04).tolist()


def measured(batch: Any = (70, 40, 30), **more: Any) -> dict[str, Any]:
    spots = {"reference": (76, 45, 31), "batch": batch}
    return {
        "spots": {k: {"lab": v, "lab_sd": (2, 2, 2), "lab_covariance": COV} for k, v in spots.items()},
        **more,
    }


def seen(gap: Any, variance: float = 1.0, camera: str = "A") -> Seen:
    zero = np.zeros(3)
    return Seen(1, datetime(2026, 1, 1, tzinfo=UTC), camera, zero, np.array(gap, float), np.eye(3) * variance)


def test_a_photo_shows_batch_minus_reference(book: LotBook, lot: int) -> None:
    found = see_photo(book.photos.add(lot, measured()))
    assert found.gap.tolist() == [-6, -5, -1]
    assert found.covariance == pytest.approx(np.eye(3) * 0.08)


def test_a_colour_that_is_not_known_is_not_seen(book: LotBook, lot: int) -> None:
    assert see_photo(book.photos.add(lot, measured((float("nan"), 1, 1)))) is None
    assert see_photo(book.photos.add(lot, {})) is None
    plain = measured()
    for spot in plain["spots"].values():
        del spot["lab_covariance"]
    assert see_photo(book.photos.add(lot, plain)).covariance == pytest.approx(np.eye(3) * 8)  # from lab_sd


def test_the_time_of_a_photo_is_that_of_its_clock_when_it_can_be(book: LotBook, lot: int) -> None:
    past = book.photos.add(lot, measured(taken_at="2020:03:04 05:06:07"))
    ahead = book.photos.add(lot, measured(taken_at="2099:03:04 05:06:07"))
    told = book.photos.add(
        lot, measured(taken_at="2020:03:04 05:06:07"), taken_at=datetime(2021, 1, 1, tzinfo=UTC)
    )
    assert time_of(past).year == 2020 and time_of(told).year == 2021
    assert time_of(ahead) == datetime.fromisoformat(ahead.created_at)


def test_photos_before_a_dose_do_not_show_the_finished_batch(book: LotBook, lot: int) -> None:
    book.photos.add(lot, measured())
    dose = book.additions.add(lot, "red", drops=2)
    after = book.photos.add(lot, measured())
    book.volumes.take_sample(lot, 10)  # takes nothing from the colour
    assert [p.id for p in final_photos(book.lots.story(lot))] == [after.id]
    book.additions.correct(dose.id, void=True, reason="it never went in")
    assert len(final_photos(book.lots.story(lot))) == 2
    book.volumes.add_untinted(lot, 10)
    assert final_photos(book.lots.story(lot)) == ()


def test_a_mean_weighs_photos_by_their_certainty() -> None:
    gap, covariance = mean_gap([seen([1, 0, 0], 1.0), seen([4, 0, 0], 2.0)])
    assert gap == pytest.approx([2, 0, 0]) and covariance == pytest.approx(np.eye(3) * 2 / 3)


def test_one_phone_scales_the_change_and_two_phones_each_their_own() -> None:
    assert phone_covariance(seen([9, 0, 0]), seen([9, 0, 0])) == pytest.approx(np.zeros((3, 3)))
    other = phone_covariance(seen([9, 0, 0]), seen([9, 0, 0], camera="B"))
    assert np.sqrt(other[1, 1]) == pytest.approx(SCALE_SD[1] * 9 * (1 + 9 / 60) * np.sqrt(2))


def test_doses_are_summed_by_stock_with_the_spread_of_label_and_drop(book: LotBook, lot: int) -> None:
    book.additions.add(lot, "red", drops=20)
    book.additions.add(lot, "red", ml=1.0)
    book.additions.add(lot, "yellow", drops=10)
    red, yellow = read_doses(book.lots.story(lot))
    assert (red.ml, red.drops, yellow.drops) == (2.0, None, 10)
    assert red.mg_per_l == pytest.approx(20 / 902 * 1000)
    assert red.mg_per_l_sd == pytest.approx(
        red.mg_per_l * np.hypot(0.2, 0.5 * 0.15)
    )  # half of it was counted
    assert total_sd([red, yellow]) == pytest.approx(np.hypot(red.mg_per_l_sd, yellow.mg_per_l_sd))
    assert read_doses(book.lots.story(book.lots.begin("x", 100, "red").id)) == () and total_sd(()) == 0
