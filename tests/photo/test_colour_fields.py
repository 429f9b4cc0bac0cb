"""The colour fields of card 2: told from card 1 by its markers, found where the glass shows them, read as they are."""

from dataclasses import replace
from functools import cache

import drawn
import numpy as np
import pytest
from drawn import Light, Phone, Pose, Scene, drink_transmittance, render_photo
from drawn.camera import camera_matrix
from drawn.inks import vary_inks
from drawn.materials import paper_reflectance, printed_fields
from drawn_card import to_jpeg

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.colour.spectra import integration_weights, read_illuminant
from colourmatch.errors import PhotoError
from colourmatch.measurement import Measurement
from colourmatch.photo.card import read_card
from colourmatch.photo.locate import find_card
from colourmatch.photo.measure import measure_photo

POSE = Pose(fill=0.9, rotation_degrees=1.0, width_px=1512, height_px=1134)
PHONE = Phone(exposure=0.62, gamut="p3")
PRINTER = drawn.Printer(inks=vary_inks(np.random.default_rng(11)))
RED = drink_transmittance({"E129": 41.0}, caramel_a610=0.015, yellow_a430=0.33, dilution=5)
OTHER = drink_transmittance({"E124": 47.0}, caramel_a610=0.015, yellow_a430=0.37, dilution=5)
SHIFTS = {"reference": (1.4, -0.8), "batch": (-1.2, 1.0), "blank": (0.6, 0.0)}
SCENES = {
    "plain": Scene(reference=RED, batch=OTHER),
    "shifted": Scene(reference=RED, batch=OTHER, view_shift_mm=SHIFTS, view_size=1.04),
    "lit": Scene(reference=RED, batch=OTHER, glints=(drawn.Glint("batch", -10, -5, radius_mm=2.2),)),
    "aside": Scene(reference=RED, batch=OTHER, offsets_mm={"batch": (9.5, 0)}),
}


@cache
def shoot(name: str) -> drawn.Rendered:
    return render_photo(SCENES[name], PHONE, Light(), POSE, seed=4, printer=PRINTER)


@cache
def taken(name: str) -> tuple[Measurement, float]:
    rendered = shoot(name)
    return read(rendered), rendered.truth["delta_e_2000"]


def read(rendered: drawn.Rendered) -> Measurement:
    return measure_photo(to_jpeg(rendered.rgb, rendered.gamut, quality=92))


def true_values(spot: str, liquid: np.ndarray) -> np.ndarray:
    """Fields of one spot as the camera reads them over paper, linear Display P3, (6, 3), what is outside cut off."""
    light = read_illuminant() * paper_reflectance()
    sensor = drawn.sensor_curves(PHONE.sensor)
    seen = (liquid**2 * printed_fields(PRINTER, spot) * light) @ sensor / (light @ sensor)
    return np.maximum(seen @ camera_matrix(PHONE, read_illuminant()).T, 0.0)


def test_the_cards_are_told_apart_by_their_markers():
    assert taken("plain")[0].card.version == 2
    one, two = render_photo(SCENES["plain"], PHONE, Light(), POSE, seed=1), shoot("plain")
    assert (find_card(one.rgb).card.version, find_card(two.rgb).card.version) == (1, 2)
    half = two.rgb.shape[0] // 2
    with pytest.raises(PhotoError) as both:
        find_card(np.concatenate([one.rgb[:half], two.rgb[half:]]))
    assert both.value.code == "two-cards"


@pytest.mark.parametrize("name", ["plain", "shifted"])
def test_fields_are_read_where_the_bottom_shows_them(name):
    made, _ = taken(name)
    for spot, liquid in (("reference", RED), ("batch", OTHER), ("blank", np.ones(81))):
        fields = made.spots[spot].fields
        assert [one.seen for one in fields.values()] == [True] * 6
        values = np.array([one.rgb for one in fields.values()]) / made.tone.white
        # what the surface's veil and the tones leave is common to all of them
        assert values == pytest.approx(true_values(spot, liquid), abs=0.03)


@pytest.mark.parametrize("name", ["plain", "shifted", "lit", "aside"])
def test_difference_and_colours_lie_where_they_are_said_to(name):
    made, true = taken(name)
    found = made.delta_e_2000
    assert found.low <= true <= found.high
    assert found.high - found.low < 3
    for spot, liquid in (("reference", RED), ("batch", OTHER)):
        off = made.spots[spot].lab - drawn.lab_relative_to_water(liquid)
        assert (np.abs(off) < 2.5 * made.spots[spot].lab_sd).all()
    seen = sum(one.seen for one in made.spots["batch"].fields.values())
    assert 0 < seen < 6 if name == "aside" else seen >= 5, "what a glass that stands aside loses is fields"


def test_greys_that_are_not_grey_are_told():
    tinted = replace(PRINTER, cast=0.35)
    made = read(render_photo(SCENES["plain"], PHONE, Light(), POSE, seed=4, printer=tinted))
    assert "greys-tinted" in {f.code for f in made.quality}
    assert "greys-tinted" not in {f.code for f in taken("plain")[0].quality}


def test_fields_lie_in_the_ring_and_leave_a_gap():
    card = read_card(2)
    assert sorted(card.marker_centres_mm) == [6, 7, 8, 9, 10, 11]
    outlines = [card.field_outline_mm("batch", field.name) for field in card.fields]
    assert len(outlines) == 6
    for outline in outlines:
        away = np.linalg.norm(outline - np.array(card.spots["batch"]), axis=1)
        assert (away.min(), away.max()) == pytest.approx((card.fields_inner_mm, card.fields_outer_mm))
    between = np.linalg.norm(outlines[0][:, None] - outlines[1][None], axis=-1).min()
    assert between == pytest.approx(card.fields_gap_mm, abs=0.02)


def test_liquids_of_one_dye_match_in_every_light_and_those_of_two_part():
    """CIE 015:2018, 9.2: the special metamerism index for a change of illuminant, from the spectra themselves."""
    paler = drink_transmittance({"E129": 37.0}, caramel_a610=0.015, yellow_a430=0.33, dilution=5)
    dyes = {"E122": 17.0, "E102": 19.0, "E110": 12.0}
    mixed = drink_transmittance(dyes, caramel_a610=0.012, yellow_a430=0.12, dilution=5)
    for batch in (paler, mixed):
        scene = replace(SCENES["plain"], batch=batch)
        made = read(render_photo(scene, PHONE, Light(), POSE, seed=4, printer=PRINTER))
        apart = []
        for lamp in ("D65", "A"):
            weights = integration_weights(lamp)
            apart += [xyz_to_lab(liquid**2 @ weights, weights.sum(axis=0)) for liquid in (RED, batch)]
        change = (apart[3] - apart[2]) - (apart[1] - apart[0])
        middle = (apart[0] + apart[1]) / 2
        true = float(ciede2000(middle - change / 2, middle + change / 2))
        assert made.metamerism.low - 0.3 <= true <= made.metamerism.high + 0.3
