"""The ellipse of an uncertain point: the published factor, its axes, and the share of draws that it holds."""

import numpy as np
import pytest

from colourmatch.colour.ellipse import chroma_covariance, trace_ellipse


def test_the_factor_is_that_of_the_guide():
    """JCGM 102:2011, 6.5.2.2, table 1: k_p = 2.45 for two quantities and p = 95 %."""
    outline = trace_ellipse([0, 0], np.eye(2))
    assert np.linalg.norm(outline, axis=1) == pytest.approx(2.45, abs=0.005)


def test_it_holds_its_share_of_draws():
    cov = np.array([[4.0, 1.5], [1.5, 1.0]])
    draws = np.random.default_rng(1).multivariate_normal([3, -2], cov, 40_000)
    far = np.einsum("ni,ij,nj->n", draws - [3, -2], np.linalg.inv(cov), draws - [3, -2])
    edge = trace_ellipse([3, -2], cov) - [3, -2]
    limit = np.einsum("ni,ij,nj->n", edge, np.linalg.inv(cov), edge)
    assert limit == pytest.approx(limit[0])
    assert np.mean(far <= limit[0]) == pytest.approx(0.95, abs=0.005)


def test_chroma_takes_what_lies_along_the_hue():
    cov = np.diag([1.0, 4.0, 9.0])
    assert chroma_covariance([60, 10, 0], cov) == pytest.approx(np.diag([4.0, 1.0]))
    assert chroma_covariance([60, 0, 10], cov) == pytest.approx(np.diag([9.0, 1.0]))
    assert chroma_covariance([60, 0, 0], cov) == pytest.approx(np.diag([4.0, 1.0]))
