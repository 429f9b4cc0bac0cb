"""Draws of a posterior: a linear problem, whose answer is known in closed form, and even samples."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from colourmatch.liquid.sampling import descend, share_out, stratified_normal

RNG = np.random.default_rng(8)
SD = np.array([0.5, 2.0, 1.0, 3.0, 0.8])


def line_up(design: np.ndarray, seen: np.ndarray):
    """Whitened residuals of a linear model, for draws with targets (D, R) of their own."""

    def residuals(at, who):
        return at @ design.T - seen[who], np.repeat(design[None], len(at), axis=0)

    return residuals


@pytest.mark.parametrize("rows", [3, 9])  # fewer rows than unknowns, and more
def test_a_linear_descent_ends_at_the_closed_form(rows):
    design, seen, mean = RNG.normal(size=(rows, 5)), RNG.normal(size=(2, rows)), RNG.normal(size=(2, 5))
    found = descend(line_up(design, seen), mean, (mean, np.tile(SD, (2, 1))), 60)
    precision = design.T @ design + np.diag(SD**-2)
    for k in range(2):
        wanted = np.linalg.solve(precision, design.T @ seen[k] + mean[k] / SD**2)
        assert_allclose(found.at[k], wanted, atol=1e-2)  # it stands still where a step gains less than 0.01
        cost = ((design @ wanted - seen[k]) ** 2).sum() + (((wanted - mean[k]) / SD) ** 2).sum()
        assert found.cost[k] == pytest.approx(cost, abs=1e-3)


@pytest.mark.parametrize("rows", [3, 9])
def test_evidence_of_a_linear_model_is_that_of_its_normal_distribution(rows):
    """Laplace's approximation is exact here: the data are normal with covariance I + A S S A'."""
    design, seen = RNG.normal(size=(rows, 5)), RNG.normal(size=(1, rows))
    expected = []
    priors = [(np.zeros((1, 5)), SD[None]), (np.ones((1, 5)), 2 * SD[None])]
    for mean, sd in priors:
        cov = np.eye(rows) + (design * sd**2) @ design.T
        off = seen[0] - design @ mean[0]
        expected.append(-0.5 * off @ np.linalg.solve(cov, off) - 0.5 * np.linalg.slogdet(cov)[1])
    found = [descend(line_up(design, seen), p[0], p, 60).log_evidence()[0] for p in priors]
    assert_allclose(found, expected, atol=1e-3)


def test_jittered_descents_have_the_scatter_of_the_posterior():
    count, design, seen = 4000, RNG.normal(size=(4, 5)), RNG.normal(size=4)
    target = seen + stratified_normal(RNG, count, 4)
    prior = stratified_normal(RNG, count, 5) * SD
    at = descend(line_up(design, target), np.zeros((count, 5)), (prior, np.tile(SD, (count, 1))), 60).at
    cov = np.linalg.inv(design.T @ design + np.diag(SD**-2))
    scale = np.sqrt(np.diag(cov))
    # the covariance of 4000 draws is good to 1/sqrt(4000) = 1.6 % of the scales
    assert_allclose(np.cov(at.T) / np.outer(scale, scale), cov / np.outer(scale, scale), atol=0.07)
    assert_allclose(at.mean(axis=0) / scale, cov @ design.T @ seen / scale, atol=0.05)


def test_a_draw_that_stands_still_leaves_the_others_their_steps():
    """One starts at its least, the other far away on a curve; both end at the least."""

    def residuals(at, _who):
        return np.exp(at) - 3.0, np.exp(at)[..., None]

    start = np.array([[np.log(3.0)], [-2.0]])
    found = descend(residuals, start, (np.zeros((2, 1)), np.full((2, 1), 1e3)), 60)
    assert_allclose(found.at, np.log(3.0), atol=1e-3)


@pytest.mark.parametrize("chance", [[1.0], [0.5, 0.3, 0.2], [0.0, 0.004, 0.996], [0.25] * 4])
def test_each_kind_gets_its_share_to_within_one_draw(chance):
    got = np.bincount(share_out(np.array(chance), 160), minlength=len(chance))
    assert got.sum() == 160
    assert (np.abs(got - 160 * np.array(chance)) < 1).all()
