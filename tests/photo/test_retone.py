"""Readings under another tone curve: one curve put in and taken out is none, a photo's own record, a phone found again."""

import json
from dataclasses import replace

import numpy as np
import pytest
from drawn import save_photo
from drawn.demo import draw_demo_photo

from colourmatch.colour.spaces import RGB_TO_XYZ, decode_srgb, encode_srgb, xyz_to_lab
from colourmatch.measurement import ToneRecord
from colourmatch.photo.card import read_card
from colourmatch.photo.measure import measure_photo
from colourmatch.photo.retone import GreySteps, Readings
from colourmatch.photo.tone import bend, curve_of
from colourmatch.simulate.kitchen import Kitchen

TO_XYZ = RGB_TO_XYZ["Display P3"]
TRUE = np.array([[0.9, 0.3, 0.2], [0.7, 0.5, 0.1]])
PAPER, WATER, VEIL = 0.7, 0.9, 0.002
#: An S that is a cubic, and a printer that prints what it is told.
PLAIN = (0.0, 1.0, 0.0)


def record(s_shape: float, lift: float, taken_out: tuple[float, float] = (0.0, 0.0)) -> ToneRecord:
    """A photo by a phone of this curve, whose own fit took another one out: paper, water and greys."""

    def see(linear: np.ndarray) -> np.ndarray:
        return decode_srgb(bend(encode_srgb(np.asarray(linear, float)), s_shape, lift))

    nominal = np.array([step.reflectance for step in read_card().greys])
    paper = see(np.full(nominal.shape, PAPER))
    greys = np.column_stack([see((nominal * (1 - VEIL) + VEIL) * PAPER) / paper, paper])
    level = np.full(3, _take_out(see(np.array(PAPER)), taken_out))
    white = _take_out(see((np.full(3, WATER) * (1 - VEIL) + VEIL) * PAPER), taken_out) / level
    white = (white - VEIL) / (1 - VEIL)
    spots = {spot: level for spot in ("reference", "batch", "blank")}
    return ToneRecord(np.array([*taken_out, 1.0, VEIL, 0.0]), white, spots, greys, None, TO_XYZ)


def read(tone: ToneRecord, s_shape: float, lift: float) -> np.ndarray:
    """Lab of the true liquids as that photo gives them."""
    out, taken_out = [], (tone.terms[0], tone.terms[1])
    for rgb in TRUE:
        raised = (rgb * WATER * (1 - VEIL) + VEIL) * PAPER
        seen = _take_out(decode_srgb(bend(encode_srgb(raised), s_shape, lift)), taken_out)
        relative = (seen / tone.paper["batch"] - VEIL) / (1 - VEIL) / tone.white
        out.append(xyz_to_lab(TO_XYZ @ relative))
    return np.array(out)


def _take_out(linear: np.ndarray, curve: tuple[float, float]) -> np.ndarray:
    return decode_srgb(np.interp(encode_srgb(linear), curve_of(*curve), np.linspace(0, 1, 513)))


@pytest.mark.parametrize("taken_out", [(0.0, 0.0), (0.1, 0.01)])
@pytest.mark.parametrize("curve", [(0.0, 0.0), (0.25, 0.04), (-0.1, 0.02)])
def test_the_phones_own_curve_gives_the_true_colours_whatever_was_taken_out(curve, taken_out):
    tone = record(*curve, taken_out)
    lab = read(tone, *curve)
    xyz = Readings([tone, tone], ["batch", "reference"], lab).xyz(np.array([*curve, *PLAIN]))
    assert xyz == pytest.approx(TRUE @ TO_XYZ.T, abs=2e-3)


def test_greys_lie_on_the_phones_own_curve_and_off_another():
    steps = GreySteps([record(0.25, 0.04)])
    curves = ([0.25, 0.04, 0, 1.0, 0.0], [0.0, 0.0, 0, 1.0, 0.0])
    own, other = (steps.missed(np.array(terms)) for terms in curves)
    assert np.abs(own).max() < 2e-3
    assert np.abs(other).max() > 0.1


def test_a_measurement_keeps_its_tones(tmp_path):
    found = measure_photo(save_photo(draw_demo_photo(Kitchen(), 3), tmp_path / "one.jpg")).to_json()
    tone = ToneRecord.from_json(json.loads(json.dumps(found))["tone"])
    assert tone.known is None
    assert np.isfinite(tone.greys).all() and set(tone.paper) == {"reference", "batch", "blank"}
    lab = np.array([found["spots"][spot]["lab"] for spot in ("reference", "batch")])
    again = Readings([tone, tone], ["reference", "batch"], lab).xyz(np.array([*tone.terms[:2], *PLAIN]))
    assert xyz_to_lab(again) == pytest.approx(lab, abs=0.02)


def test_known_greys_take_out_what_the_curve_leaves():
    """The phone's own curve is not told; greys known to 1 % and beside the liquids make up for most of it."""
    curve = (0.25, 0.04)
    tone = record(*curve)
    nominal = np.array([step.reflectance for step in read_card().greys])
    known = replace(tone, known=np.column_stack([nominal, np.full(nominal.shape, 0.01)]))
    lab, true = read(tone, *curve), TRUE @ TO_XYZ.T
    wrong = np.array([0.1, 0.0, *PLAIN])
    found = [Readings([one], ["batch"], lab[:1]).xyz(wrong)[0] for one in (tone, known)]
    off, left = np.abs(np.log(found / true[0])).max(axis=1)
    assert left < 0.35 * off
