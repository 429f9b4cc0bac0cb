"""CIEDE2000 against the published pairs and two libraries, its interval against simulation, its words and its ellipse."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import ncx2

from colourmatch.colour import difference
from colourmatch.colour.difference import ciede2000, compare_lab, estimate_length, metric_vector
from colourmatch.colour.ellipse import chroma_covariance, trace_ellipse
from colourmatch.colour.spectra import _import_colour
from colourmatch.facts import read_rows


def published_pairs() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = read_rows("ciede2000_34_pairs.csv")
    first, second = (np.array([[float(r[f"{c}{n}"]) for c in "Lab"] for r in rows]) for n in (1, 2))
    return first, second, np.array([float(row["dE00"]) for row in rows])


def random_labs(count: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(11)
    first = rng.uniform([0, -100, -100], [100, 100, 100], (count, 3))
    return first, first + rng.normal(0, 15, (count, 3))


# Sharma, Wu, Dalal 2005, table 1; seen. Half a unit of the last printed digit.
def test_published_pairs():
    first, second, expected = published_pairs()
    assert len(expected) == 34
    assert_allclose(ciede2000(first, second), expected, rtol=0, atol=5e-5)
    assert_allclose(ciede2000(second, first), expected, rtol=0, atol=5e-5)


# The same table, pairs 13 and 14: hues exactly opposite each other. An arctangent that rounds its last bit another
# way (it depends on the processor and on numpy's version) must not give the neighbouring pair's 4.7461.
def test_exactly_opposite_hues_do_not_hang_on_the_last_bit():
    first, second = np.array([50, -0.001, 2.49]), np.array([50, 0.001, -2.49])
    # the red axis moves the hue by a few of an arctangent's last bits, which scikit-image alone takes for 4.7461
    moved = second + np.linspace(-2e-13, 2e-13, 41)[:, None, None] * np.eye(3)[1:]
    assert_allclose(ciede2000(first, moved), 4.8045, rtol=0, atol=5e-5)
    assert_allclose(ciede2000(moved, first), 4.8045, rtol=0, atol=5e-5)
    assert abs(ciede2000(first, second) - 4.8045) < 5e-5


def test_agrees_with_colour_science():
    colour = _import_colour()
    first, second = random_labs(1000)
    assert_allclose(ciede2000(first, second), colour.delta_E(first, second, method="CIE 2000"), atol=1e-9)


# The metric is own code, the difference a library's: published pairs, opposite hues and greys with both.
def test_the_metric_is_as_long_as_the_difference():
    first, second, expected = published_pairs()
    assert_allclose(np.linalg.norm(metric_vector(first, second), axis=-1), expected, rtol=0, atol=5e-5)
    first, second = random_labs(1000)
    first[:50, 1:] = 0
    lengths = np.linalg.norm(metric_vector(first, second), axis=-1)
    assert_allclose(lengths, ciede2000(first, second), atol=1e-9)


# Length of Gaussian noise with standard deviation 1 on three axes: mean 1.60, 95th percentile 2.80; computed
# (mean of the Maxwell distribution, 2 sqrt(2 / pi)).
def test_noise_alone_reads_as_zero_and_far_below_it_is_no_proof():
    seen_at_median = estimate_length([1.5, 0, 0], np.eye(3))
    assert (seen_at_median.value, seen_at_median.low) == (0, 0)
    assert estimate_length([2.80, 0, 0], np.eye(3)).low == 0
    assert estimate_length([3.5, 0, 0], np.eye(3)).low > 0
    lengths = np.linalg.norm(np.random.default_rng(3).standard_normal((200, 3)), axis=1)
    values = [estimate_length([length, 0, 0], np.eye(3)).value for length in lengths]
    assert np.median(values) < 0.5 < np.median(lengths)
    lucky = estimate_length([0.01, 0.0, 0.0], np.eye(3))
    assert lucky.value == 0 and lucky.low == 0
    assert lucky.high > 1.0, "the noise alone is 1.6 on average"


@pytest.mark.parametrize("true_length", [0.5, 4.0])
def test_interval_covers_the_truth(true_length):
    # 250 draws with unequal noise. At 95 % coverage the share has a standard deviation of 1.4 %; 3.5 of them.
    covariance = np.array([[1.0, 0.3, 0.0], [0.3, 0.6, -0.2], [0.0, -0.2, 0.8]])
    rng = np.random.default_rng(int(10 * true_length))
    direction = np.array([0.6, -0.64, 0.48])
    seen = true_length * direction + rng.multivariate_normal(np.zeros(3), covariance, 250)
    intervals = np.array([[i.low, i.value, i.high] for i in (estimate_length(v, covariance) for v in seen)])
    covered = (intervals[:, 0] <= true_length) & (true_length <= intervals[:, 2])
    assert covered.mean() >= 0.95 - 3.5 * 0.014
    assert (np.diff(intervals, axis=1) >= 0).all()


def test_compare_gives_the_signed_parts_of_cielab():
    reference, batch = np.array([70.0, 46.0, 35.0]), np.array([77.0, 25.0, 18.0])
    result = compare_lab(reference, batch, 0.01 * np.eye(3))
    assert result.lightness == pytest.approx(7)
    assert result.chroma == pytest.approx(np.hypot(25, 18) - np.hypot(46, 35))
    parts = np.square([result.lightness, result.chroma, result.hue])
    assert parts.sum() == pytest.approx(((batch - reference) ** 2).sum())
    assert result.hue < 0, "from 37 to 36 degrees is clockwise"
    assert result.seen
    assert result.delta_e_2000.low < float(ciede2000(reference, batch)) < result.delta_e_2000.high
    assert set(result.text.split(", ")) == {"paler", "less red"}


@pytest.mark.parametrize(
    ("reference", "batch", "text"),
    [
        ([60, 50, 35], [70, 50, 35], "paler"),
        ([60, 50, 35], [50, 50, 35], "darker"),
        ([60, 50, 35], [60, 30, 21], "less red"),
        ([60, 50, 35], [60, 70, 49], "more red"),
        ([70, 0, 60], [70, 0, 30], "less yellow"),
        ([60, 50, 35], [60, 44, 42.3], "turned towards orange"),
        ([60, 50, 35], [60, 57, 20], "turned towards pink"),
        ([100, 0, 0], [80, 40, 30], "more red, darker"),
    ],
)
def test_words(reference, batch, text):
    assert difference.describe_difference(reference, batch) == text


def test_hue_names_go_round_the_circle():
    angles = [0, 35, 60, 90, 120, 180, 250, 310, 350, 360, -10]
    names = [
        "pink", "red", "orange", "yellow", "green", "blue-green", "blue", "purple", "pink", "pink", "pink",
    ]  # fmt: skip
    assert [difference.name_hue(angle) for angle in angles] == names


@pytest.mark.parametrize("vector", [(1.0, 0.0, 2.0), (0.0, 0.0, 4.0), (0.2, 0.1, 9.0)])
def test_interval_covers_the_truth_where_one_direction_is_lost(vector):
    """A strong red whose b* cannot be seen, but for a spread of 5."""
    rng = np.random.default_rng(5)
    reference, noise, lost = np.array([60.0, 60.0, 20.0]), 0.01 * np.eye(3), np.diag([0.0, 0.0, 25.0])
    truth = float(ciede2000(reference, reference + vector))
    covered = 0
    for _ in range(300):
        seen = reference + vector + rng.normal(0, (0.1, 0.1, 5.0))
        found = compare_lab(reference, seen, noise, lost=lost).delta_e_2000
        covered += found.low <= truth <= found.high
    assert covered / 300 > 0.93


def test_what_is_lost_in_one_direction_leaves_the_others_as_they_are_seen():
    reference, batch, noise = [60.0, 0.0, 0.0], [63.0, 0.0, 0.0], 0.01 * np.eye(3)
    plain = compare_lab(reference, batch, noise).delta_e_2000
    found = compare_lab(reference, batch, noise, lost=np.diag([0.0, 0.0, 25.0])).delta_e_2000
    assert (found.value, found.low) == pytest.approx((plain.value, plain.low), abs=1e-6)
    assert found.high > np.hypot(plain.value, 5.0)
    nothing = compare_lab(reference, batch, noise, lost=np.zeros((3, 3))).delta_e_2000
    assert nothing == plain


@pytest.mark.parametrize("length", [0.0, 0.4, 3.0])
def test_a_length_that_is_known_as_normal_ends_where_the_noncentral_chi_square_says(length):
    """SciPy's distribution of the squared length (Patnaik 1949, Biometrika 36, 202, from memory)."""
    sd = 0.3
    low, high = difference.bound_length([length, 0.0, 0.0], np.eye(3) * sd**2)
    point = ncx2.ppf(0.975 if low > 0 else 0.95, 3, (length / sd) ** 2)
    assert high == pytest.approx(sd * np.sqrt(point), rel=0.02)
    assert (low > 0) == (length > 1)


def test_the_ellipse_has_its_factor_and_chroma_lies_along_the_hue():
    """JCGM 102:2011, 6.5.2.2, table 1: k_p = 2.45 for two quantities and p = 95 %."""
    outline = trace_ellipse([0, 0], np.eye(2))
    assert np.linalg.norm(outline, axis=1) == pytest.approx(2.45, abs=0.005)
    cov = np.diag([1.0, 4.0, 9.0])
    assert chroma_covariance([60, 10, 0], cov) == pytest.approx(np.diag([4.0, 1.0]))
    assert chroma_covariance([60, 0, 10], cov) == pytest.approx(np.diag([9.0, 1.0]))
    assert chroma_covariance([60, 0, 0], cov) == pytest.approx(np.diag([4.0, 1.0]))


def test_it_holds_its_share_of_draws():
    cov = np.array([[4.0, 1.5], [1.5, 1.0]])
    draws = np.random.default_rng(1).multivariate_normal([3, -2], cov, 40_000)
    far = np.einsum("ni,ij,nj->n", draws - [3, -2], np.linalg.inv(cov), draws - [3, -2])
    edge = trace_ellipse([3, -2], cov) - [3, -2]
    limit = np.einsum("ni,ij,nj->n", edge, np.linalg.inv(cov), edge)
    assert limit == pytest.approx(limit[0])
    assert np.mean(far <= limit[0]) == pytest.approx(0.95, abs=0.005)
