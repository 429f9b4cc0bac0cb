"""A photo's measurement: whatever any book holds of one is read, and written again as it stood."""

import json
import pickle
from typing import Any

import numpy as np
import pytest

from colourmatch.measurement import CalibrationNamed, Colour, Measurement, SpotColour
from colourmatch.photo.measure import measure_or_refuse
from colourmatch.photo.rectangles import measure_rectangles

#: As the first books wrote one: no tones, no parts of doubt, no white of the card, flags without a severity.
OLD: dict[str, Any] = {
    "photo": "a.jpg",
    "quality": [{"code": "glare", "text": "Reflections."}],
    "spots": {"reference": {"lab": [60, 40.5, 30], "lab_sd": [1, 1, 2]}, "batch": None},
    "delta_e_2000": {"value": 3.25, "low": None, "high": 4},
    "weather": {"sun": True},
}
COV = [[0.1, 0.0, 0.0], [0.0, 0.2, 0.0], [0.0, 0.0, None]]
CORRECTED: dict[str, Any] = {
    "photo": "b.jpg",
    "error": None,
    "card": {"version": 1, "markers": 6, "reprojection_mm": 0.05, "tilt_degrees": 2.0, "px_per_mm": 9.1},
    "spots": {
        "batch": {
            "lab": [1.0, 2.0, 3.0],
            "clarity": None,
            "lab_covariance": COV,
            "as_read": {"lab": [1.5, 2.0, 3.0], "lab_sd": [1.0, 1.0, 1.0], "lab_covariance": COV},
            "toned": {"lab": [1.2, 2.0, 3.0], "lab_covariance": COV},
        }
    },
    "uncertainty": {"photo": COV, "scene": COV, "phone": COV},
    "calibration": {"entry": 4, "phone": "A phone", "light": "window", "kind": "matrix"},
    "card_profile": {"name": "kitchen", "entries": [1, 2]},
    "tone": {"terms": [0.0], "greys": [[0.5, 0.9], None], "known_map": []},
    "as_read": {"delta_e_2000": {"value": 1.0, "low": 0.5, "high": 2.0}, "difference": {"seen": True}},
    "view": {"dilution": 15.0},
    "spot": "batch",
}


def back(data: dict[str, Any]) -> dict[str, Any]:
    """Data through a record and JSON text, as the book keeps it."""
    found: dict[str, Any] = json.loads(json.dumps(Measurement.from_json(data).to_json(), allow_nan=False))
    return found


@pytest.mark.parametrize("data", [OLD, CORRECTED, {}, {"calibration": None, "spots": {}}, {"a": 1}])
def test_what_any_book_holds_comes_back_as_it_was(data):
    assert back(data) == data


def test_what_is_called_the_reading_comes_from_the_pixels_in_records_of_all_versions(drawn_photos):
    made = measure_or_refuse(drawn_photos[0])
    batch = made.spots["batch"]
    assert batch is not None and batch.plain is not None
    assert made.reading("batch").lab == pytest.approx(batch.plain.lab, abs=0.01)
    # before, what phones have in common was taken out of it
    old = made.having(spots={**made.spots, "batch": batch.having(plain=Colour(batch.plain.lab + 2))})
    assert old.reading("batch").lab == pytest.approx(batch.plain.lab, abs=0.01)
    bare = made.having(tone=None)
    assert bare.reading("batch").lab.tolist() == batch.plain.lab.tolist()


def test_photos_of_the_card_of_rectangles_and_refused_ones_come_back(drawn_photos):
    made = measure_or_refuse(drawn_photos[0])
    data = made.to_json()
    assert back(data) == data and Measurement.from_json(data) == made
    assert data["error"] is None and data["tone"] and "calibration" not in data
    assert pickle.loads(pickle.dumps(made)) == made  # read by several processes
    assert made.having(phone="Another") != made
    boxes = ((10, 10, 60, 60), (100, 10, 60, 60), (200, 10, 60, 60))
    refused = measure_or_refuse(b"no photo", "x.jpg")
    assert refused.refused and back(refused.to_json()) == refused.to_json()
    assert list(refused.to_json()["spots"].values()) == [None, None, None]
    made = measure_rectangles(drawn_photos[0], *boxes).to_json()
    assert back(made) == made and made["card"] is None and made["rectangles"]["batch"] == [200, 10, 60, 60]


def test_an_old_reading_has_its_covariance_and_what_is_set_is_written():
    reference = Measurement.from_json(OLD).spots["reference"]
    assert reference is not None and reference.finite
    assert np.diag(reference.covariance).tolist() == [1, 1, 4]
    assert Measurement.from_json(OLD).uncorrected("reference").lab.tolist() == [60, 40.5, 30]
    corrected = Measurement.from_json(CORRECTED)
    batch = corrected.spots["batch"]
    assert batch is not None and not batch.finite
    assert corrected.uncorrected("batch").lab.tolist() == [1.2, 2, 3]
    with pytest.raises(ValueError, match="nothing stood on the blank spot"):
        corrected.reading("blank")
    old = Measurement.from_json(OLD)
    assert "calibration" not in old.to_json()
    assert old.having(calibration=None).to_json()["calibration"] is None
    named = CalibrationNamed(entry=1, phone="p", light="l", kind="matrix")
    assert old.having(calibration=named).to_json() == OLD | {"calibration": named.to_json()}
    assert "tones" not in named.to_json() and named.having(tones="photo").to_json()["tones"] == "photo"
    assert "as_read" not in SpotColour(lab=np.ones(3)).to_json()
    assert Colour(np.ones(3)).to_json() == {"lab": [1, 1, 1]}
