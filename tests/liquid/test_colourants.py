"""Strengths against the purity criteria, shapes against their tables, and how a colourant is found."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from colourmatch.colour.spectra import WAVELENGTHS_NM
from colourmatch.errors import InputError, NotFoundError
from colourmatch.facts import read_rows
from colourmatch.liquid.colourants import custom_colourant, find_colourant, list_colourants, shape_at

# E 1 %, 1 cm and wavelength of the peak: purity criteria, Regulation (EU) No 231/2012; seen.
PURITY = [
    ("E102", 426, 530), ("E104", 411, 865), ("E110", 485, 555), ("E122", 516, 510), ("E123", 520, 440),
    ("E124", 505, 430), ("E127", 526, 1100), ("E129", 504, 540), ("E131", 638, 2000), ("E132", 610, 480),
    ("E133", 630, 1630), ("E142", 632, 1720), ("E151", 570, 530), ("E162", 535, 1120),
]  # fmt: skip


@pytest.mark.parametrize(("e_number", "peak_nm", "e1pct"), PURITY)
def test_strength_and_peak_are_those_of_the_purity_criteria(e_number, peak_nm, e1pct):
    colourant = find_colourant(e_number)
    assert (colourant.peak_nm, colourant.e1pct_1cm) == (peak_nm, e1pct)
    # E 1 % of 540: 1 mg/l gives 0.054 per cm. On the 5 nm grid the peak may fall between two points.
    assert colourant.e1pct_1cm / 10000 * shape_at(find_colourant(e_number), peak_nm) == pytest.approx(
        e1pct / 10000, rel=1e-9
    )
    assert 0.99 * e1pct / 10000 < colourant.absorptivity().max() <= e1pct / 10000 * (1 + 1e-9)


def test_one_mg_per_litre_of_allura_red_gives_0_054():
    assert np.interp(504, WAVELENGTHS_NM, find_colourant("E129").absorptivity()) == pytest.approx(
        0.054, abs=5e-4
    )


@pytest.mark.parametrize("e_number", ["E129", "E102", "E133"])
def test_measured_shape_goes_through_its_table(e_number):
    rows = read_rows("shapes.csv")
    nm, shape = (np.array([float(row[key]) for row in rows]) for key in ("nm", e_number))
    assert_allclose(shape_at(find_colourant(e_number), nm), shape, atol=1e-12)
    assert (shape_at(find_colourant(e_number), [705.0, 780.0]) == 0).all()


@pytest.mark.parametrize("e_number", ["E110", "E122", "E123", "E124"])
def test_other_azo_dyes_are_allura_red_moved_in_wavenumber(e_number):
    colourant = find_colourant(e_number)
    assert colourant.shape_status == "estimated from E129"
    nm = np.arange(420.0, 660.0, 3)
    moved = 1e7 / (1e7 / nm - 1e7 / colourant.peak_nm + 1e7 / 504)
    assert_allclose(
        shape_at(find_colourant(e_number), nm), shape_at(find_colourant("E129"), moved), atol=1e-12
    )


def test_every_shape_peaks_where_the_table_says_and_stays_between_0_and_1():
    fine = np.arange(380.0, 780.0, 0.1)
    for colourant in list_colourants():
        assert colourant.shape.shape == (81,)
        assert_allclose(colourant.shape, shape_at(colourant, WAVELENGTHS_NM))
        assert (colourant.shape >= 0).all()
        if colourant.e_number.startswith("E150"):
            continue
        shape = shape_at(colourant, fine)
        assert fine[shape.argmax()] == pytest.approx(colourant.peak_nm, abs=0.2)
        assert shape.max() == pytest.approx(1, abs=1e-5)


def test_shapes_between_table_points_are_monotone():
    shape = shape_at(find_colourant("E129"), np.arange(504.0, 700.0, 0.5))
    assert (np.diff(shape) <= 1e-12).all()


@pytest.mark.parametrize(
    ("e_number", "a610_of_1_g_per_l"), [("E150a", 0.035), ("E150c", 0.17), ("E150d", 0.25)]
)
def test_caramel_is_an_exponential_through_its_absorbance_at_610(e_number, a610_of_1_g_per_l):
    caramel = find_colourant(e_number)
    per_g_per_l = 1000 * caramel.absorptivity()
    assert per_g_per_l[WAVELENGTHS_NM == 610] == pytest.approx(a610_of_1_g_per_l)
    assert_allclose(np.diff(np.log(per_g_per_l)), np.diff(np.log(per_g_per_l))[0])
    assert caramel.to_be_learnt


def test_caramel_classes_stay_in_the_published_range():
    for row in read_rows("caramel.csv"):
        assert 0.01 <= float(row["a610_low"]) <= float(row["a610_default"]) <= float(row["a610_high"]) <= 0.60
        assert 0.007 <= float(row["k_per_nm"]) <= 0.017


def test_smaller_acceptable_daily_intake_counts():
    assert find_colourant("E124").adi_mg_per_kg == 0.7
    assert find_colourant("E131").adi_mg_per_kg == 5
    assert find_colourant("E162").adi_mg_per_kg is None


def test_every_shape_says_where_it_comes_from():
    known = {"measured", "derived", "estimated from E129", "from memory", "analytic"}
    assert {colourant.shape_status for colourant in list_colourants()} == known
    assert find_colourant("E129").shape_status == "measured"
    assert find_colourant("E127").shape_status == "from memory"


@pytest.mark.parametrize(
    ("text", "e_number"),
    [
        ("E129", "E129"), ("e129", "E129"), ("129", "E129"), (" e 129 ", "E129"), ("E-129", "E129"),
        ("Allura Red AC", "E129"), ("allura red", "E129"), ("red no. 40", "E129"),
        ("FD&C Blue No. 1", "E133"),
        ("anthocyanin", "E163"), ("rubine", "E122"), ("Ponceau", "E124"), ("tartrazine", "E102"), ("carmine", "E120"), ("caramel", "E150"), ("e150D", "E150d"),
    ],
)  # fmt: skip
def test_colourant_is_found_by_number_or_name(text, e_number):
    assert find_colourant(text).e_number == e_number


def test_shapes_cannot_be_changed_by_a_caller():
    with pytest.raises(ValueError, match="read-only"):
        find_colourant("E129").shape[0] = 5


def test_unknown_bottle_starts_from_the_nearest_and_is_found_again_by_its_code():
    bottle = custom_colourant("supermarket red", 510, 200)
    assert bottle.to_be_learnt and bottle.name == "supermarket red"
    assert bottle.adi_mg_per_kg is None and "estimated" in bottle.shape_status
    again = find_colourant(bottle.e_number)
    assert again.e_number == bottle.e_number
    assert_allclose(again.absorptivity(), bottle.absorptivity())
    assert WAVELENGTHS_NM[bottle.shape.argmax()] == 510
    assert bottle.absorptivity().max() == pytest.approx(0.02)


def test_unknown_bottle_like_a_known_colourant_keeps_its_shape():
    bottle = custom_colourant("red", "E129")
    assert_allclose(bottle.shape, find_colourant("E129").shape)
    assert bottle.e1pct_1cm == 540 and bottle.e_number == "custom:E129:540"
    assert find_colourant("custom:allura red:100").e1pct_1cm == 100


def test_unknown_name_lists_near_ones():
    for limited in (
        "E100",
        "e 100",
        "E160e",
    ):  # a law on file names them, nothing is known of what they absorb
        with pytest.raises(
            NotFoundError, match=r"stands in the limits of the law.*--colourant custom with --like"
        ):
            find_colourant(limited)
    with pytest.raises(NotFoundError, match=r'no colourant "alura red"\. Near ones: E129 Allura red AC'):
        find_colourant("alura red")
    with pytest.raises(NotFoundError, match="Near ones: E102 Tartrazine, E104"):
        find_colourant("")


def test_name_that_fits_several_asks_for_the_number():
    with pytest.raises(NotFoundError, match=r'"red" fits several colourants: .*E129.*Give the E number'):
        find_colourant("red")


@pytest.mark.parametrize(
    "code", ["custom:300", "custom:900", "custom:505:0", "custom:505:nan", "custom:505:x"]
)
def test_impossible_bottle_is_refused(code):
    with pytest.raises(InputError, match="must"):
        find_colourant(code)
