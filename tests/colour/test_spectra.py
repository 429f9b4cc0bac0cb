"""Tables against their library, sums against ASTM E308, and spectra of real liquids against printed colours.

The printed colours of liquids were computed at 1 nm from 380 to 780 nm, white of the same sum. The package
sums at 5 nm, so each check is made twice: at 1 nm to the last printed digit, which checks CIELAB and the
spectra, and with the package's own sum, whose step costs what the tolerance says.
"""

import importlib.util
from functools import cache

import numpy as np
import pytest
from known_liquids import beer_shape, nbs_solutions
from make_cie_tables import show_tables
from numpy.testing import assert_allclose
from processes import run_python

from colourmatch.colour import spectra
from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM, integration_weights, name_illuminant, read_illuminant
from colourmatch.facts import find_fact, read_rows
from colourmatch.liquid.colourants import list_colourants

FINE_NM = np.arange(380.0, 781.0)


@cache
def fine_weights(illuminant: str, degrees: int) -> np.ndarray:
    """The same weights at 1 nm from colour-science's tables, shape (401, 3)."""
    colour = spectra._import_colour()
    shape = colour.SpectralShape(380, 780, 1)
    observer = colour.MSDS_CMFS[spectra._OBSERVERS[degrees]].copy().align(shape).values
    product = observer * colour.SDS_ILLUMINANTS[illuminant].copy().align(shape).values[:, None]
    return product / product[:, 1].sum()


def lab_of(transmittance: np.ndarray, weights: np.ndarray) -> np.ndarray:
    return xyz_to_lab(transmittance @ weights, weights.sum(axis=0))


def beer_transmittance(row: dict[str, str], nm: np.ndarray) -> np.ndarray:
    return 10 ** -(float(row["srm"]) / 12.7 * float(row["path_cm"]) * beer_shape(nm))


# Average beer, deLange; ASBC Beer-10; computed at 1 nm. Half a unit of the fourth decimal.
def test_average_beer():
    rows = read_rows("average_beer_lab.csv")
    expected = np.array([[float(row[key]) for key in "Lab"] for row in rows])
    fine = [fine_weights(r["illuminant"], int(r["observer_deg"])) for r in rows]
    got = [lab_of(beer_transmittance(r, FINE_NM), w) for r, w in zip(rows, fine, strict=True)]
    assert len(rows) > 50
    assert_allclose(got, expected, rtol=0, atol=5.1e-5)
    weights = [integration_weights(r["illuminant"], int(r["observer_deg"])) for r in rows]
    got = [lab_of(beer_transmittance(r, WAVELENGTHS_NM), w) for r, w in zip(rows, weights, strict=True)]
    # 5 nm instead of 1 nm: at most 0.015, in b* of illuminant C, whose own table has 5 nm steps
    assert_allclose(got, expected, rtol=0, atol=0.02)


# NBS letter circulars LC 929 (1948) and LC 1017, colour computed; D65; two printed decimals; one of each together.
NBS = [
    ("copper", 1, 2, (97.01, -9.34, -4.93)), ("copper", 4, 2, (90.17, -26.61, -16.05)),
    ("cobalt", 1, 2, (93.69, 13.26, 1.75)), ("cobalt", 4, 2, (79.80, 39.02, 8.41)),
    ("chromate", 1, 2, (99.94, -2.94, 5.68)), ("chromate", 4, 2, (99.79, -9.08, 18.91)),
    ("copper cobalt chromate", 1, 10, (90.27, 2.31, 2.02)),
]  # fmt: skip


@pytest.mark.parametrize(("names", "path_cm", "degrees", "lab"), NBS)
def test_nbs_solutions(names, path_cm, degrees, lab):
    def seen(nm):
        return 10 ** (-path_cm * sum(nbs_solutions(nm)[name] for name in names.split()))

    assert_allclose(lab_of(seen(FINE_NM), fine_weights("D65", degrees)), lab, rtol=0, atol=0.00501)
    # with the package's sum, 5 nm instead of 1 nm: 0.07 where the chromate falls steeply at 390 nm, 0.04 elsewhere
    got = lab_of(seen(WAVELENGTHS_NM), integration_weights("D65", degrees))
    assert_allclose(got, lab, rtol=0, atol=0.08 if names == "chromate" else 0.03 if degrees == 2 else 0.04)


# ASTM E308 whites, XYZ of a perfect diffuser; three decimals in the standard, from 1 nm and 360 nm on.
# The sum at 5 nm from 380 nm is 0.003 off for D65 2 degrees and 0.020 for D65 10 degrees: that is the step.
@pytest.mark.parametrize(
    ("illuminant", "degrees", "white"),
    [
        ("D65", 2, (95.047, 100, 108.883)),
        ("D65", 10, (94.811, 100, 107.304)),
        ("A", 2, (109.850, 100, 35.585)),
    ],
)
def test_whites(illuminant, degrees, white):
    assert_allclose(100 * integration_weights(illuminant, degrees).sum(axis=0), white, rtol=0, atol=0.021)


# What every reading needs at its start is a copy of the library's tables, and nothing else is.
@pytest.mark.parametrize("name", ["cie_observers.csv", "cie_illuminants.csv"])
def test_tables_are_what_the_script_writes_from_colour_science(name):
    assert find_fact(name).read_text(encoding="utf-8") == show_tables()[name]


def test_d65_and_2_degrees_are_read_without_colour_science():
    code = (
        "import sys; from colourmatch.colour import spectra; spectra.integration_weights(); "
        "assert spectra.name_illuminant('d65') == 'D65'; print(*sys.modules)"
    )
    done = run_python("-c", code, check=True)
    assert not {"colour", "scipy", "skimage"} & {name.split(".")[0] for name in done.stdout.split()}


def test_colour_science_comes_in_silence_and_leaves_nothing_behind():
    code = (
        "import sys; from colourmatch.colour.spectra import read_illuminant; read_illuminant('A'); import colour; "
        "print(colour.get_domain_range_scale()); print(*sys.modules)"
    )
    done = run_python("-c", code, check=True)
    scale, modules = done.stdout.splitlines()
    assert (done.stderr, scale) == ("", "reference")
    held = [name for name in modules.split() if name.split(".")[0] == "matplotlib"]
    assert not held or importlib.util.find_spec("matplotlib"), "a stand-in for a library that is not there"


# CIE 015:2018: chromaticity of the illuminants, 2 degrees; four decimals, seen through a library. The sum at 5 nm
# from 380 nm on moves the narrow lines of FL11 most. A colour temperature is a glowing body under 5000 K, daylight from
# there on (CIE 13.3-1995): A is 2856 K, D65 is 6504 K.
@pytest.mark.parametrize(
    ("typed", "xy", "within"),
    [("D50", (0.3457, 0.3585), 2e-4), ("D75", (0.2990, 0.3149), 2e-4), ("C", (0.3101, 0.3162), 2e-4),
     ("FL2", (0.3721, 0.3751), 2e-4), ("FL11", (0.3805, 0.3769), 2e-4), ("LED-B1", (0.4560, 0.4078), 2e-4),
     ("LED-B5", (0.3118, 0.3236), 2e-4), ("HP1", (0.5330, 0.4150), 2e-4), ("2856 K", (0.44758, 0.40745), 1e-4),
     ("6504K", (0.31272, 0.32903), 1e-4)],
)  # fmt: skip
def test_chromaticities_of_lights(typed, xy, within):
    white = integration_weights(name_illuminant(typed)).sum(axis=0)
    assert_allclose(white[:2] / white.sum(), xy, rtol=0, atol=within)


def test_colour_temperatures_are_kept_one_way_and_illuminant_a_is_planck():
    assert {name_illuminant(typed) for typed in ("2700K", "2700 k", " 2700.0 K ")} == {"2700 K"}
    assert_allclose(read_illuminant("4999 K"), spectra.planck_spectrum(4999))
    assert_allclose(read_illuminant("5000 K"), spectra.daylight_spectrum(5000))
    # CIE 015:2018: 100 at 560 nm, c2 1.435e-2 and 2848 K, that is 2848 * 1.4388 / 1.435 = 2855.5 K here.
    # it is given with six digits
    assert_allclose(read_illuminant("A"), 100 * spectra.planck_spectrum(2848 * 1.4388 / 1.435), rtol=5e-6)


@pytest.mark.parametrize("power", range(4))
def test_sums_every_10_nm_are_exact_for_cubics_but_at_both_ends(power):
    """Lagrange's interpolation between four neighbours is exact up to the third power (theorem)."""
    weights = integration_weights("D65")
    weights[[1, -2]] = 0.0  # between the outermost three it is of the second power
    values = ((WAVELENGTHS_NM - 580) / 200) ** power
    found = values[spectra.EVERY_10_NM] @ spectra.weights_at_10_nm(weights)
    assert_allclose(found, values @ weights, atol=1e-12)


@pytest.mark.parametrize(("illuminant", "tolerance"), [("D65", 0.05), ("A", 0.05), ("LED-B3", 0.2)])
def test_colours_of_dyes_summed_every_10_nm_are_those_of_every_5_nm(illuminant, tolerance):
    weights = integration_weights(illuminant)
    for dye in list_colourants():
        for absorbance in (0.1, 0.5, 1.0):
            seen = 10.0 ** (-2 * absorbance * dye.shape)
            coarse = lab_of(seen[spectra.EVERY_10_NM], spectra.weights_at_10_nm(weights))
            assert np.abs(coarse - lab_of(seen, weights)).max() < tolerance, (dye.name, absorbance)


def test_unknown_light_observer_or_temperature_is_the_callers_mistake():
    with pytest.raises(ValueError, match=r"illuminant must be one of A, .* got 'moon'"):
        read_illuminant("moon")
    for typed in ("999 K", "25001 K"):
        with pytest.raises(ValueError, match="colour temperature must be 1000 to 25000 K"):
            name_illuminant(typed)
    with pytest.raises(ValueError, match="kelvin must be 4000 to 25000, got 3999"):
        spectra.daylight_spectrum(3999)
    with pytest.raises(ValueError, match="got 'nm'"):
        read_illuminant("nm")
    with pytest.raises(ValueError, match="degrees must be 2 or 10, got 5"):
        spectra.read_observer(5)
    with pytest.raises(ValueError, match="kelvin must be 1000 to 30000, got 10"):
        spectra.planck_spectrum(10)
