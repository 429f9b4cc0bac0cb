"""The way from a spectrum to a colour and to a difference, against measured spectra, cameras and charts from outside."""

import warnings
from functools import cache

import numpy as np
import pytest
from charts import measured_sensors
from known_cameras import weigh_p3
from known_liquids import beer_shape, nbs_solutions
from numpy.testing import assert_allclose

from colourmatch.colour.difference import ciede2000, compare_lab
from colourmatch.colour.spaces import RGB_TO_XYZ, xyz_to_lab
from colourmatch.colour.spectra import WAVELENGTHS_NM, _import_colour, integration_weights
from colourmatch.liquid.model import absorbance_to_lab
from colourmatch.photo.estimate import GlassReading, estimate_pair

CHART = "BabelColor Average"
LIGHTS = ("D50", "D65", "D75", "LED-B3", "LED-B4", "LED-B5", "LED-V2", "LED-B1")


@cache
def chart_spectra() -> np.ndarray:
    """Mean of 30 measured 24-patch charts, 10 nm as published, at 5 nm by Sprague's formula (CIE 167:2005), (24, 81)."""
    colour = _import_colour()
    patches = colour.SDS_COLOURCHECKERS[CHART].values()
    fine = [colour.SpragueInterpolator(p.wavelengths, p.values) for p in patches]
    return np.array([[one(min(nm, 730.0)) for nm in WAVELENGTHS_NM] for one in fine])


def chart_lab(light: str) -> np.ndarray:
    weights = integration_weights(light)
    return xyz_to_lab(chart_spectra() @ weights, weights.sum(axis=0))


def test_a_measured_chart_has_its_published_colours():
    colour = _import_colour()
    chart = colour.CCS_COLOURCHECKERS[CHART]
    published = colour.XYZ_to_Lab(colour.xyY_to_XYZ(list(chart.data.values())), chart.illuminant)
    # x, y and Y have 4 decimals, and the spectra end at 730 nm: 0.12 in b* of the yellow at most
    assert_allclose(chart_lab("D50"), published, rtol=0, atol=0.13)


@pytest.mark.parametrize("light", ["A", "D65", "FL2", "FL11", "LED-B1", "LED-B3"])
def test_a_measured_chart_is_summed_as_by_the_standard(light):
    """ASTM E308 by colour-science at 1 nm: the step of 5 nm costs what the tolerance says."""
    colour = _import_colour()
    lamp, eye = colour.SDS_ILLUMINANTS[light], colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        samples = (*colour.SDS_COLOURCHECKERS[CHART].values(), colour.sd_ones())
        summed = [colour.sd_to_XYZ(sd, cmfs=eye, illuminant=lamp, method="Integration") for sd in samples]
    xyz = np.array(summed) / summed[-1][1]
    assert_allclose(chart_lab(light), xyz_to_lab(xyz[:-1], xyz[-1]), rtol=0, atol=0.1)


@cache
def liquids() -> np.ndarray:
    """Absorbance in 1 cm of the copper, cobalt and chromate solutions of the NBS, and of average beer, (4, 81)."""
    return np.array([*nbs_solutions().values(), beer_shape()])


def test_measured_liquids_and_their_differences_lie_within_the_intervals_on_every_measured_camera():
    rng = np.random.default_rng(5)
    nothing = (np.zeros((3, 3)), np.empty((0, 3)), np.zeros(0, bool), 0, 0, 0, 0)
    held, errors, plain = [], [], []
    for sensor in measured_sensors().values():
        where = []
        for light in LIGHTS:
            for _ in range(12):
                one = rng.gamma(1, 1, 4) * (1.5, 1.5, 0.4, 0.2)
                other = one * np.exp(rng.normal(0, 0.2, 4))
                both = np.array([one, other]) @ liquids()
                true = float(ciede2000(*absorbance_to_lab(both)))
                seen = np.maximum(10 ** (-2 * both) @ weigh_p3(sensor, light), 0.0)
                glasses = [GlassReading(v[None], *nothing) for v in (*seen, np.ones(3))]
                estimate = estimate_pair(*glasses, srgb=False)
                said = compare_lab(*estimate.lab, estimate.own + estimate.scene, estimate.phone).delta_e_2000
                held.append(said.low <= true <= said.high)
                off = estimate.lab - absorbance_to_lab(both)
                spread = np.linalg.solve(estimate.absolute, off[..., None])[..., 0]
                where.extend((off * spread).sum(axis=1) < 7.815)  # chi squared, 3 degrees of freedom, 95 %
                errors.append(abs(said.value - true))
                plain.append(abs(float(ciede2000(*xyz_to_lab(seen @ RGB_TO_XYZ["Display P3"].T))) - true))
        # both of a pair lie off alike: the standard deviation of a share of 0.95 is 0.02
        assert len(where) == 192 and np.mean(where) >= 0.9
    assert len(held) == 672 and np.mean(held) >= 0.92
    # of liquids that are in no world, white alone tells hardly more than a plain reading of a camera without veil and curve
    assert np.quantile(errors, 0.95) < np.quantile(plain, 0.95)
