"""Sample photos, simulated with known spectra (tests/photos/truth.json): each gets what it must get, and a refusal says where it fails."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from known_pictures import to_file
from PIL import Image, ImageEnhance
from processes import run_python

from colourmatch.errors import PhotoError
from colourmatch.photo.card import read_card
from colourmatch.photo.measure import measure_or_refuse, measure_photo

TRUTH = json.loads((Path(__file__).parents[1] / "photos" / "truth.json").read_text())["photos"]
WITH_DIFFERENCE = [name for name in TRUTH if name.startswith(("ladder", "ok", "warn"))]
#: photo -> the reason of its refusal
REFUSED = {
    "bad-blurred.jpg": "blurred",
    "bad-half-card.jpg": "spot-not-in-view",
    "bad-no-card.jpg": "no-card",
}
REFUSED |= {f"bad-{name}": "unreadable" for name in ("truncated.jpg", "empty.jpg", "text.jpg")}


@pytest.fixture(scope="module")
def measured(sample_photos: Path) -> dict[str, Any]:
    """All sample photos by one call, which measures them on all cores; the sound ones make it exit 0."""
    done = run_python("-m", "colourmatch", "measure", "--json", *(sample_photos / name for name in TRUTH))
    assert done.returncode == 0, done.stderr
    photos = json.loads(done.stdout)["photos"]
    assert [photo["photo"] for photo in photos] == list(TRUTH)
    assert all(f"Photo {k} of {len(TRUTH)}" in done.stderr for k in range(1, len(TRUTH) + 1))
    return {photo["photo"]: photo for photo in photos}


@pytest.mark.parametrize("name", WITH_DIFFERENCE)
def test_the_true_difference_lies_inside_the_interval(measured, name):
    figure = measured[name]["delta_e_2000"]
    assert figure["low"] <= TRUTH[name]["delta_e_2000"] <= figure["high"]
    assert measured[name]["error"] is None


@pytest.mark.parametrize("name", [name for name in TRUTH if name.startswith("ladder")])
def test_colours_lie_within_their_uncertainty(measured, name):
    for spot, truth in TRUTH[name]["spots"].items():
        colour = measured[name]["spots"][spot]
        for said, sd, true in zip(colour["lab"], colour["lab_sd"], truth["lab"], strict=True):
            assert abs(said - true) <= 3 * sd  # 3 standard deviations of an absolute colour


def test_a_ladder_of_additions_falls_from_photo_to_photo(measured):
    values = [measured[f"ladder1-{k}.jpg"]["delta_e_2000"]["value"] for k in range(6)]
    assert values == sorted(values, reverse=True)


@pytest.mark.parametrize(("name", "code"), REFUSED.items())
def test_a_photo_that_cannot_be_measured_is_refused_with_its_reason(measured, name, code):
    photo = measured[name]
    refusals = [flag for flag in photo["quality"] if flag["severity"] == "refuse"]
    assert code in {flag["code"] for flag in refusals}
    assert photo["error"] == refusals[0]["text"]
    assert photo["delta_e_2000"] is None and photo["error"].endswith(".")


PHOTOS = Path(__file__).parents[1] / "photos"


def refused(data: bytes) -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        measure_photo(data, "photo.jpg")
    return caught.value


def changed(share: tuple[float, float] = (0.0, 1.0), brightness: float = 1.0) -> bytes:
    """A good photo cut to a share of its width, and darker or brighter."""
    with Image.open(PHOTOS / "ladder1-2.jpg") as photo:
        width, height = photo.size
        part = photo.crop((int(share[0] * width), 0, int(share[1] * width), height))
    return to_file(ImageEnhance.Brightness(part).enhance(brightness), quality=92)


def test_a_card_that_is_cut_off_shows_what_is_missing_along_the_edge():
    error = refused(changed((0.33, 1.0)))
    assert (error.code, error.spot) == ("spot-not-in-view", "reference") and error.seen
    found, faults = set(error.seen.markers), error.seen.faults
    missing = {str(i) for i in read_card().marker_centres_mm} - found
    assert found and set(faults) == {"reference", *(f"square {i}" for i in missing)}
    width, height = error.seen.size
    ring = np.array(faults["reference"])
    assert (ring >= 0).all() and (ring < (width, height)).all()
    assert ring[:, 0].mean() < 0.1 * width  # it lies to the left of what was photographed


@pytest.mark.parametrize(("brightness", "code"), [(0.15, "too-dark"), (3.0, "clipped")])
def test_light_that_hides_the_card_is_drawn_around_the_card(brightness, code):
    error = refused(changed(brightness=brightness))
    assert error.code == code and error.seen
    assert set(error.seen.faults) == {"card"} and len(error.seen.markers) == 6
    (corners,) = error.seen.faults.values()
    squares = np.concatenate([np.array(quad) for quad in error.seen.markers.values()])
    assert (np.array(corners).min(axis=0) <= squares.min(axis=0)).all()
    assert (np.array(corners).max(axis=0) >= squares.max(axis=0)).all()


def test_without_a_card_the_frame_is_named_with_the_squares_that_were_seen():
    error = refused((PHOTOS / "bad-no-card.jpg").read_bytes())
    assert error.seen and set(error.seen.faults) == {"frame"} and error.seen.markers == {}
    photo = Image.open(PHOTOS / "ladder1-2.jpg")
    small = Image.new("RGB", photo.size, (120, 110, 100))
    small.paste(photo.resize((photo.width // 6, photo.height // 6)), (0, 0))
    error = refused(to_file(small, quality=92))
    assert error.code == "card-small" and error.seen and len(error.seen.markers) == 6


def test_a_file_that_is_no_photo_has_nothing_to_draw_and_json_stays_as_it_was():
    assert refused(b"no photo").seen is None
    told = measure_or_refuse(PHOTOS / "bad-half-card.jpg").to_json()
    assert told["drawing"] is None and told["quality"][0]["code"] == "spot-not-in-view"
