"""The face for Python, against what the command line says of the same photo and lots of known truth."""

from pathlib import Path

import pytest
from known_liquids import look
from processes import run_python

import colourmatch
from colourmatch.errors import PhotoError

PHOTOS = Path(__file__).parent / "photos"


def reading(drops: int, lab_sd: float = 0.1) -> colourmatch.Reading:
    """900 ml with so many drops of 0.5 mg, against 40 mg/l."""
    held = drops * 0.5 / (0.9 + drops * 5e-5)
    return colourmatch.Reading(drops, look({"E129": 40}), look({"E129": held}), lab_sd)


STOCK = {"colourant": "E129", "strength_g_per_100ml": 1.0, "volume_ml": 900, "dilution": 5, "tolerance": 1.0}


def test_a_photo_is_measured_as_the_command_line_does():
    found = colourmatch.measure(PHOTOS / "ladder1-3.jpg")
    shown = found.to_json()["delta_e_2000"]
    assert shown["low"] < 5.12 < shown["high"]  # the truth of that sample photo
    with pytest.raises(PhotoError):
        colourmatch.measure(PHOTOS / "bad-no-card.jpg")


def test_a_published_pair_and_advice_from_the_first_step_to_the_stop():
    """Sharma, Wu, Dalal 2005, doi:10.1002/col.20070, table 1, pair 17, to what the metric of small differences keeps."""
    found = colourmatch.compare([50.0, 2.5, 0.0], [50.0, 3.1736, 0.5854])
    assert found.delta_e_2000.value == pytest.approx(1.0, abs=0.01)
    first = colourmatch.advise([reading(0)], **STOCK)
    assert first.action == "add" and 20 < first.doses[0].drops < 73
    end = [reading(0), reading(40), reading(72), reading(72)]
    assert colourmatch.advise(end, **STOCK).reason == "matched"


def test_importing_it_costs_nothing():
    code = "import sys, colourmatch; print(*sorted({'numpy', 'cv2', 'dataclasses'} & sys.modules.keys()))"
    done = run_python("-c", code, check=True)
    assert done.stdout.split() == []
