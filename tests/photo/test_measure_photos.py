"""Whole photos with known truth: each sample photo gets what it must get, through the command line.

Truth: tests/photos/truth.json, simulated photos with known spectra; "expect" says what each should get.
"""

import json
from pathlib import Path
from typing import Any

import pytest
from processes import run_python

TRUTH = json.loads((Path(__file__).parents[1] / "photos" / "truth.json").read_text())["photos"]
WITH_DIFFERENCE = [name for name in TRUTH if name.startswith(("ladder", "ok", "warn"))]
#: photo -> codes of which one must be the reason of its refusal
REFUSED = {
    "bad-blurred.jpg": {"blurred"},
    "bad-half-card.jpg": {"spot-not-in-view"},
    "bad-no-card.jpg": {"no-card"},
    "bad-truncated.jpg": {"unreadable"},
    "bad-empty.jpg": {"unreadable"},
    "bad-text.jpg": {"unreadable"},
}


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


@pytest.mark.parametrize(("name", "codes"), REFUSED.items())
def test_a_photo_that_cannot_be_measured_is_refused_with_its_reason(measured, name, codes):
    photo = measured[name]
    refusals = [flag for flag in photo["quality"] if flag["severity"] == "refuse"]
    assert {flag["code"] for flag in refusals} & codes
    assert photo["error"] == refusals[0]["text"]
    assert photo["delta_e_2000"] is None and photo["error"].endswith(".")
