"""The light's field from values on a lattice: its algebra against a general library's, and what it says of itself."""

import numpy as np
import pytest
from scipy.linalg import cho_solve

from colourmatch.photo.field import CELL_MM, Likeness, _likelihoods, fit_field, quadratic

BLOCK_MM = (250.0, 180.0)
NOISE = 0.003


def lattice(every: int = 1) -> np.ndarray:
    """Centres of the cells of a block, shape (N, 2)."""
    columns, rows = (np.arange(0, n, every) for n in (50, 36))
    x, y = np.meshgrid(columns, rows)
    return (np.stack([x.ravel(), y.ravel()], axis=1) + 0.5) * CELL_MM


def kernel(points: np.ndarray, amplitude: float = 0.03, length_mm: float = 45.0) -> np.ndarray:
    return Likeness(amplitude, length_mm, np.eye(2)).between(points, points)


def test_the_likelihood_is_that_of_contrasts_free_of_the_trend():
    from scipy.stats import multivariate_normal  # takes long to import

    # Harville 1974 (doi:10.1093/biomet/61.2.383): up to a constant, that of any full set of contrasts
    points = lattice(6)
    basis = quadratic(points, BLOCK_MM)
    logs = np.random.default_rng(2).standard_normal((len(points), 3)) * 0.02
    contrasts = np.linalg.svd(basis)[0][:, 6:]
    kernels = np.stack(
        [kernel(points, a, length) for a, length in ((0.003, 25.0), (0.03, 45.0), (0.1, 80.0))]
    )
    expected = [
        sum(
            multivariate_normal(cov=contrasts.T @ (k + NOISE**2 * np.eye(len(points))) @ contrasts).logpdf(
                one
            )
            for one in (contrasts.T @ logs).T
        )
        for k in kernels
    ]
    found = _likelihoods(kernels, np.hstack([basis, logs]), NOISE)
    assert np.diff(found) == pytest.approx(np.diff(expected), rel=1e-6)


def test_the_field_is_that_of_the_textbook():
    points = lattice()
    rng = np.random.default_rng(3)
    bump = 0.2 * np.tanh((points[:, :1] - 130) / 20)
    logs = np.log([0.6, 0.5, 0.4]) + bump + NOISE * rng.standard_normal((len(points), 3))
    field = fit_field(points, logs, np.ones(len(points), bool), BLOCK_MM)
    alike = field.likeness
    assert not np.allclose(alike.stretch, np.eye(2))  # this light has an edge
    here = {tuple(p): k for k, p in enumerate(points)}
    used = np.array([here[tuple(p)] for p in field.points_mm])
    whole = alike.between(points[used], points[used]) + field.noise**2 * np.eye(len(used))
    factor = np.linalg.cholesky(whole), True
    basis = quadratic(points[used], BLOCK_MM)
    gram = basis.T @ cho_solve(factor, basis)
    trend = np.linalg.solve(gram, basis.T @ cho_solve(factor, logs[used]))
    at = np.array([[45.0, 84.0], [125.0, 84.0], [131.0, 12.0]])
    cross = alike.between(at, points[used])
    expected = quadratic(at, BLOCK_MM) @ trend + cross @ cho_solve(factor, logs[used] - basis @ trend)
    assert np.log(field.at(at)) == pytest.approx(expected, abs=1e-8)
    missing = quadratic(at, BLOCK_MM) - cross @ cho_solve(factor, basis)
    covariance = alike.between(at, at) - cross @ cho_solve(factor, cross.T)
    covariance += missing @ np.linalg.solve(gram, missing.T)
    assert field.covariance(at) == pytest.approx(covariance, rel=1e-5, abs=1e-12)


def shade(points: np.ndarray, rng: np.random.Generator, radius_mm: float) -> np.ndarray:
    """Log light of a lamp of finite width behind a round thing's edge, which crosses the card somewhere."""
    turn, depth, penumbra_mm = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.35), 10 ** rng.uniform(1, 1.8)
    centre = rng.uniform([30, 30], [220, 150]) + radius_mm * np.array([np.cos(turn), np.sin(turn)])
    t = np.clip((np.linalg.norm(points - centre, axis=1) - radius_mm) / penumbra_mm + 0.5, 0, 1)
    return np.log(1 - depth * t * t * (3 - 2 * t))


@pytest.mark.parametrize(
    ("radius_mm", "times", "least_held"), [(1e5, 4.0, 0.85), (300.0, 2.0, 0.8), (60.0, 0.8, 0.7)]
)
def test_the_edge_of_a_shadow_is_followed_under_the_glasses(monkeypatch, radius_mm, times, least_held):
    """The light over two glasses from the paper around them: so many times nearer than with no direction of its own."""
    rng, points = np.random.default_rng(5), lattice()
    glasses = np.array([[65.0, 84.0], [190.0, 84.0]])
    middles = np.vstack([glasses, [[127.0, 84.0]]])
    keep = np.linalg.norm(points[:, None] - middles, axis=-1).min(axis=1) > 32
    errors: dict[bool, list[float]] = {True: [], False: []}
    held = []
    for _ in range(30):
        light = shade(np.vstack([points, glasses]), rng, radius_mm)
        logs = light[: len(points), None] + NOISE * rng.standard_normal((len(points), 3))
        for edges in errors:
            with monkeypatch.context() as patch:
                if not edges:
                    patch.setattr("colourmatch.photo.field._EDGE_LOG", np.inf)
                field = fit_field(points, logs, keep, BLOCK_MM)
            off = float(np.diff(np.log(field.at(glasses))[:, 0])[0] - np.diff(light[len(points) :])[0])
            errors[edges].append(abs(off))
            if edges:
                (a, ab), (_, b) = field.covariance(glasses)
                held.append(abs(off) < 1.96 * np.sqrt(a + b - 2 * ab))
    assert np.median(errors[False]) > times * np.median(errors[True])
    assert np.mean(held) >= least_held
