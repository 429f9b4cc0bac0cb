"""Strengths against the purity criteria, shapes against their tables, how a colourant is found; Beer-Lambert by hand."""

import re

import numpy as np
import pytest
from numpy.testing import assert_allclose

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.errors import InputError, NotFoundError
from colourmatch.facts import read_rows
from colourmatch.liquid.colourants import custom_colourant, find_colourant, list_colourants, shape_for
from colourmatch.liquid.model import View, absorbance_to_lab, base_shapes

#: Purity criteria as they were found in a text, Regulation (EU) No 231/2012: wavelength of the peak, E 1 % in 1 cm.
FOUND = {row["fact"].removeprefix("spec "): row["found"] for row in read_rows("law_checked.csv")}
CHECKED = [(number, re.search(r"([\d.]+) nm; E1% (\d+)", found)) for number, found in FOUND.items()]
PURITY = [(number, float(said[1]), float(said[2])) for number, said in CHECKED if said]


@pytest.mark.parametrize(("e_number", "peak_nm", "e1pct"), PURITY)
def test_strength_and_peak_are_those_of_the_purity_criteria(e_number, peak_nm, e1pct):
    colourant = find_colourant(e_number)
    assert (colourant.peak_nm, colourant.e1pct_1cm) == (peak_nm, e1pct) and len(PURITY) == 14
    # E 1 % of 540: 1 mg/l gives 0.054 per cm. A shape measured in water peaks where it was measured, up to 6 nm off.
    own = colourant.e1pct_1cm / 10000 * shape_for(e_number, peak_nm)
    assert own == pytest.approx(e1pct / 10000, rel=0.013)
    assert 0.99 * e1pct / 10000 < colourant.absorptivity().max() <= e1pct / 10000 * (1 + 1e-9)


@pytest.mark.parametrize(
    ("e_number", "nm", "measured"),
    # Read off the measurements that calibration/shapes.csv names; what a sum of bands leaves stands there.
    [
        ("E129", (420, 460, 500, 540, 560, 600), (0.27, 0.49, 0.985, 0.755, 0.285, 0.005)),
        ("E102", (400, 440, 460, 480, 500), (0.84, 0.97, 0.71, 0.36, 0.06)),
        ("E133", (420, 560, 600, 620, 640, 660), (0.08, 0.14, 0.43, 0.85, 0.84, 0.22)),
        ("E122", (420, 460, 480, 540, 580), (0.302, 0.595, 0.806, 0.8, 0.215)),
        ("E162", (420, 460, 480, 540, 580), (0.264, 0.475, 0.648, 0.978, 0.422)),
        ("E100", (400, 420, 460, 480), (0.71, 0.987, 0.572, 0.149)),
        ("E141", (380, 420, 620, 660), (0.547, 0.35, 0.217, 0.046)),
    ],
)
def test_shape_is_as_measured(e_number, nm, measured):
    misfit = next(float(r["largest_misfit"]) for r in read_rows("shapes.csv") if r["e_number"] == e_number)
    assert_allclose(shape_for(e_number, nm), measured, atol=misfit + 0.003)


def test_measured_shapes_name_their_source_and_stand_at_the_peak_in_water():
    # erythrosine in ethanol: half as high at 516 and 547 nm round 535; in water it peaks at 526
    shape = shape_for("E127", np.arange(480.0, 580.0))
    over_half = np.arange(480.0, 580.0)[shape > 0.5]
    assert shape.argmax() + 480 == 526 and 24 < over_half[-1] - over_half[0] < 32
    assert all(row["source"] and row["status"] and row["medium"] for row in read_rows("shapes.csv"))
    fitted = {row["e_number"] for row in read_rows("bands.csv") if row["status"] == "fitted"}
    assert fitted == {row["e_number"] for row in read_rows("shapes.csv")}
    # no spectrum of a natural colour is made up: it is measured, or starts from that of another
    for name in ("E120", "E163", "E160c", "spirulina", "safflower", "gardenia yellow", "gardenia blue"):
        assert find_colourant(name).shape_is_taught


@pytest.mark.parametrize("e_number", ["E110", "E123", "E124", "E120"])
def test_dyes_without_a_measurement_are_allura_red_moved_in_wavenumber(e_number):
    colourant = find_colourant(e_number)
    assert colourant.shape_status == "estimated from E129"
    nm = np.arange(420.0, 660.0, 3)
    moved = 1e7 / (1e7 / nm - 1e7 / colourant.peak_nm + 1e7 / 504)
    assert_allclose(shape_for(e_number, nm), shape_for("E129", moved), atol=1e-12)


def test_every_shape_is_high_where_the_table_says_and_stays_between_0_and_1():
    fine = np.arange(380.0, 780.0, 0.1)
    for colourant in list_colourants():
        assert colourant.shape.shape == (81,)
        assert_allclose(colourant.shape, shape_for(colourant.e_number))
        assert (colourant.shape >= 0).all()
        if colourant.e_number.startswith("E150"):
            continue
        shape = shape_for(colourant.e_number, fine)
        assert shape_for(colourant.e_number, colourant.peak_nm) > 0.98
        assert shape.max() == pytest.approx(1, abs=1e-4)


@pytest.mark.parametrize("e_number, a610_of_1_g_per_l", [("E150a", 0.035), ("E150c", 0.17), ("E150d", 0.25)])
def test_caramel_is_an_exponential_through_its_absorbance_at_610(e_number, a610_of_1_g_per_l):
    caramel = find_colourant(e_number)
    per_g_per_l = 1000 * caramel.absorptivity()
    assert per_g_per_l[WAVELENGTHS_NM == 610] == pytest.approx(a610_of_1_g_per_l)
    assert_allclose(np.diff(np.log(per_g_per_l)), np.diff(np.log(per_g_per_l))[0])
    assert caramel.to_be_learnt


def test_caramel_classes_stay_in_the_published_range_and_share_one_intake():
    for row in read_rows("caramel.csv"):
        assert 0.01 <= float(row["a610_low"]) <= float(row["a610_default"]) <= float(row["a610_high"]) <= 0.60
        assert 0.007 <= float(row["k_per_nm"]) <= 0.017
    # EFSA Journal 2011;9(3):2004: 300 for all, of which E150c 100; JECFA Monographs 11 (2011): b 160, c and d 200.
    codes = ("E150", "E150a", "E150b", "E150c", "E150d")
    assert [find_colourant(code).adi_mg_per_kg for code in codes] == [100, 300, 160, 100, 200]
    assert find_colourant("E124").adi_mg_per_kg == 0.7
    assert find_colourant("E131").adi_mg_per_kg == 5
    assert find_colourant("E162").adi_mg_per_kg is None


@pytest.mark.parametrize(
    ("text", "e_number"),
    [
        ("E129", "E129"), ("e129", "E129"), ("129", "E129"), (" e 129 ", "E129"), ("E-129", "E129"),
        ("Allura Red AC", "E129"), ("allura red", "E129"), ("red no. 40", "E129"),
        ("FD&C Blue No. 1", "E133"),
        ("anthocyanin", "E163"), ("rubine", "E122"), ("Ponceau", "E124"), ("tartrazine", "E102"), ("carmine", "E120"), ("caramel", "E150"), ("e150D", "E150d"),
        ("curcumin", "E100"), ("paprika", "E160c"), ("Spirulina", "spirulina"), ("gardenia blue", "gardenia-blue"), ("E155", "E155"),
    ],
)  # fmt: skip
def test_colourant_is_found_by_number_or_name(text, e_number):
    assert find_colourant(text).e_number == e_number


def test_unknown_bottle_starts_from_the_nearest_and_is_found_again_by_its_code():
    bottle = custom_colourant("supermarket red", 510, 200)
    assert bottle.to_be_learnt and bottle.name == "supermarket red"
    assert bottle.adi_mg_per_kg is None and "estimated" in bottle.shape_status
    again = find_colourant(bottle.e_number)
    assert again.e_number == bottle.e_number
    assert_allclose(again.absorptivity(), bottle.absorptivity())
    assert_allclose(shape_for(bottle.e_number), bottle.shape)
    assert WAVELENGTHS_NM[bottle.shape.argmax()] == 510
    assert bottle.absorptivity().max() == pytest.approx(0.02, rel=1e-3)
    like = custom_colourant("red", "E129")
    assert_allclose(like.shape, find_colourant("E129").shape)
    assert like.e1pct_1cm == 540 and like.e_number == "custom:E129:540"


#: Of what a law on file names, nothing may be known of what it absorbs.
OF_THE_LAW = r"stands in the limits of the law.*--colourant custom with --like"
REFUSED = [
    ("E153", NotFoundError, OF_THE_LAW), ("e 140", NotFoundError, OF_THE_LAW), ("E160d", NotFoundError, OF_THE_LAW),
    ("alura red", NotFoundError, r'no colourant "alura red"\. Near ones: E129 Allura red AC'),
    ("", NotFoundError, "Near ones: E102 Tartrazine, E104"),
    ("red", NotFoundError, r'"red" fits several colourants: .*E129.*Give the E number'),
    ("custom:300", InputError, "must"), ("custom:900", InputError, "must"), ("custom:505:0", InputError, "must"),
    ("custom:505:nan", InputError, "must"), ("custom:505:x", InputError, "must"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "error", "words"), REFUSED)
def test_a_name_that_means_none_or_several_is_refused_with_near_ones(name, error, words):
    with pytest.raises(error, match=words):
        find_colourant(name)


@pytest.mark.parametrize(
    ("absorbance", "illuminant", "lightness", "within"),
    # By hand: A = 0.5 a pass, 10^(-2 * 0.5) = 0.1 everywhere, and L* = 116 * 0.1^(1/3) - 16 = 37.8424.
    [(0.5, "D65", 37.8424, 5e-5), (0.0, "D65", 100, 1e-9), (0.0, "A", 100, 1e-9), (0.0, "LED-B3", 100, 1e-9)],
)
def test_half_absorbance_seen_twice_is_a_tenth_and_water_is_white(absorbance, illuminant, lightness, within):
    lab = absorbance_to_lab(np.full(81, absorbance), illuminant)
    assert_allclose(lab, [lightness, 0, 0], rtol=0, atol=within)


def test_natural_shapes_are_smooth_and_of_size_one():
    shapes = base_shapes()
    assert shapes.ndim == 2 and shapes.shape[1] == len(WAVELENGTHS_NM)
    assert (shapes >= 0).all()
    near_peak = shapes[:, (WAVELENGTHS_NM >= 430)].max(axis=1)
    assert_allclose(near_peak, 1, atol=0.02)
    assert np.linalg.matrix_rank(shapes) == len(shapes)  # none is a mixture of the others


@pytest.mark.parametrize(
    ("name", "value"),
    [("depth_mm", -3), ("depth_mm", 0), ("dilution", 0.5), ("weight", 0), ("depth_mm", float("nan"))],
)
def test_impossible_view_is_the_callers_mistake(name, value):
    with pytest.raises(ValueError, match=rf"depth_mm > 0, .* are needed, got View.*{name}={value}"):
        View(**{name: value})
