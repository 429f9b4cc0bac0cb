"""Odd photos of the card: two cards side by side, the card on a screen, a card that was printed too small."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from colourmatch.demo import Kitchen, draw_demo_photo
from colourmatch.photo.measure import Measurement, measure_or_refuse
from colourmatch.simulate import Glass


def measure(rgb: np.ndarray) -> Measurement:
    out = io.BytesIO()
    Image.fromarray(np.clip(rgb, 0, 255).astype(np.uint8)).save(out, "JPEG", quality=92)
    return measure_or_refuse(out.getvalue())


@pytest.fixture(scope="module")
def demo_rgb() -> np.ndarray:
    return draw_demo_photo(Kitchen(), 1).rgb


def test_two_cards_side_by_side_are_refused(demo_rgb):
    result = measure(np.concatenate([demo_rgb, demo_rgb], axis=0))
    assert result.refused is not None and result.quality[0].code in ("two-cards", "card-crumpled")
    assert "second card" in result.refused or "Leave only one" in result.refused


@pytest.mark.parametrize("contrast", [0.05, 0.2])
def test_a_card_on_a_screen_is_refused_or_its_doubt_is_said(demo_rgb, contrast):
    """A screen shines: its pixels beat with the camera's (a moire of bands), and its black is grey."""
    rows, cols = np.mgrid[: demo_rgb.shape[0], : demo_rgb.shape[1]]
    bands = np.stack([np.sin(cols / 6.3 + rows / 47 + k * 2.1) for k in range(3)], axis=-1)
    shown = (demo_rgb * 0.88 + 18) * (1 + contrast * bands)
    before, result = measure(demo_rgb), measure(shown)
    if result.refused is None:
        found, true = result.to_json()["delta_e_2000"], before.to_json()["delta_e_2000"]
        assert result.quality or found["low"] <= true["value"] <= found["high"]
    else:
        assert result.refused.endswith(".")


def test_a_card_printed_at_97_percent_changes_no_colour_only_the_size_of_the_glass(demo_rgb, monkeypatch):
    """All is measured in the card's own millimetres: a smaller card is the same card with a larger glass on it."""
    import colourmatch.simulate as simulate

    true_size = measure(demo_rgb)
    scene = simulate.Scene
    larger = replace(Glass(), inner_radius_mm=Glass().inner_radius_mm / 0.97, wall_mm=Glass().wall_mm / 0.97)
    monkeypatch.setattr(simulate, "Scene", lambda **given: scene(glass=larger, **given))
    small_print = measure(draw_demo_photo(Kitchen(), 1).rgb)
    assert small_print.refused is None
    one, other = (result.to_json()["delta_e_2000"] for result in (true_size, small_print))
    assert one["low"] <= other["value"] <= one["high"] and other["low"] <= one["value"] <= other["high"]
    for spot in ("reference", "batch"):
        gap = np.abs(np.array(true_size.spots[spot].lab) - small_print.spots[spot].lab)
        assert (gap < 1.0).all()
