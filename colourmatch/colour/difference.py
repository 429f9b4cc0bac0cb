"""CIEDE2000, its parts and its interval; it knows Lab values and covariances, not where they come from.

Source of the formula: Sharma, Wu, Dalal (2005), "The CIEDE2000 color-difference formula: implementation notes,
supplementary test data, and mathematical observations", Color Res. Appl. 30(1), 21-30, doi:10.1002/col.20070.
ISO/CIE 11664-6. Differences of arrays are scikit-image's. Own code are the parts with their signs and the metric, which
no library gives and of which a reading takes its interval: without scikit-image, whose import takes 0.23 s of
processor time beside a whole reading's 0.4 s. The tests compare all with the published pairs and with colour-science.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from colourmatch.facts import K_95
from colourmatch.records import Array, Record, decimals, kept

_POW25_7 = 25.0**7


def ciede2000_parts(lab1: ArrayLike, lab2: ArrayLike) -> Array:
    """Weighted lightness, chroma and hue parts and the rotation term, shape (..., 4): dL'/SL, dC'/SC, dH'/SH, RT.

    Signs are those of lab2 minus lab1. CIEDE2000 squared = dL^2 + dC^2 + dH^2 + RT dC dH.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(lab1, float), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(lab2, float), -1, 0)
    mean_c7 = (0.5 * (np.hypot(a1, b1) + np.hypot(a2, b2))) ** 7
    g = 0.5 * (1 - np.sqrt(mean_c7 / (mean_c7 + _POW25_7)))
    a1p, a2p = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = np.hypot(a1p, b1), np.hypot(a2p, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1p)) % 360, np.degrees(np.arctan2(b2, a2p)) % 360
    grey = c1 * c2 == 0
    dh = np.where(grey, 0.0, (h2 - h1 + 180) % 360 - 180)
    # hues exactly opposite each other: the last bit of an arctangent must not decide which way round is shorter
    opposite = np.abs(np.abs(h2 - h1) - 180) < 1e-9
    dh = np.where(opposite & ~grey, np.copysign(180.0, h2 - h1), dh)
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh) / 2)
    far = (np.abs(h1 - h2) > 180) & ~opposite
    mean_h = np.where(grey, h1 + h2, np.where(far, (h1 + h2 + np.where(h1 + h2 < 360, 360, -360)) / 2, (h1 + h2) / 2))
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    rad = np.radians(mean_h)
    t = (
        1
        - 0.17 * np.cos(rad - np.pi / 6)
        + 0.24 * np.cos(2 * rad)
        + 0.32 * np.cos(3 * rad + np.radians(6))
        - 0.20 * np.cos(4 * rad - np.radians(63))
    )
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    c7 = mean_c**7
    r_t = -np.sin(np.radians(60 * np.exp(-(((mean_h - 275) / 25) ** 2)))) * 2 * np.sqrt(c7 / (c7 + _POW25_7))
    return np.stack(np.broadcast_arrays((l2 - l1) / s_l, (c2 - c1) / s_c, d_hue / s_h, r_t), axis=-1)


def ciede2000(lab1: ArrayLike, lab2: ArrayLike) -> Array:
    """CIEDE2000 between Lab arrays that broadcast together, shape (...,); kL = kC = kH = 1.

    Two of the pairs of Sharma, Wu, Dalal 2005, table 1:

    >>> round(float(ciede2000([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485])), 4)
    2.0425
    >>> round(float(ciede2000([50.0, 2.5, 0.0], [73.0, 25.0, -18.0])), 4)
    27.1492
    """
    from skimage.color import deltaE_ciede2000

    one, two = np.asarray(lab1, float), np.asarray(lab2, float)
    if one.ndim != two.ndim:
        one, two = np.broadcast_arrays(one, two)
    length = np.asarray(deltaE_ciede2000(one, two), float)
    opposite = _nearly_opposite(one, two)
    if opposite.any():
        one, two = np.broadcast_arrays(one, two)
        length[opposite] = np.linalg.norm(metric_vector(one[opposite], two[opposite]), axis=-1)
    return length


def _nearly_opposite(lab1: Array, lab2: Array) -> NDArray[np.bool_]:
    """Where two hues are so nearly opposite that in scikit-image the last bit of an arctangent decides."""
    _, a1, b1 = np.moveaxis(lab1, -1, 0)
    _, a2, b2 = np.moveaxis(lab2, -1, 0)
    return np.asarray(np.abs(a1 * b2 - a2 * b1) < -1e-10 * (a1 * a2 + b1 * b2))


def metric_vector(lab1: Array, lab2: Array) -> Array:
    """A 3-vector whose Euclidean length is CIEDE2000 (the rotation term completed to a square)."""
    d_l, d_c, d_h, r_t = np.moveaxis(ciede2000_parts(lab1, lab2), -1, 0)
    skew = 0.5 * r_t
    return np.stack([d_l, d_c + skew * d_h, d_h * np.sqrt(np.maximum(1 - skew**2, 0.0))], axis=-1)


def metric_jacobian(reference_lab: ArrayLike, batch_lab: ArrayLike) -> Array:
    """Matrix (3, 3) from small Lab differences about the middle of two colours to a vector whose length is CIEDE2000."""
    step = 0.05
    middle = 0.5 * (np.asarray(reference_lab, float) + np.asarray(batch_lab, float))
    return np.stack([metric_vector(middle - e, middle + e) / (2 * step) for e in np.eye(3) * step], axis=-1)


class Figure(Record):
    """A figure with its 95 % interval, mostly CIEDE2000."""

    value: float = kept()
    low: float = kept()
    high: float = kept()

    @property
    def ends(self) -> tuple[float, float, float]:
        """Value, low and high."""
        return self.value, self.low, self.high

    def rounded(self, digits: int = 3) -> Figure:
        """The figure as it is recorded."""
        return Figure(*(round(end, digits) for end in self.ends))


class Difference(Record):
    """A difference in CIELAB, batch minus reference, and in words; seen: whether noise alone would not show as much.

    delta_e_2000: how far it is, as it was computed; a record has it beside this.
    """

    lightness: float = kept(write=decimals(2))
    chroma: float = kept(write=decimals(2))
    hue: float = kept(write=decimals(2))
    seen: bool = kept()
    text: str = kept()
    delta_e_2000: Figure = Figure()

    def turned(self, reference_lab: ArrayLike, batch_lab: ArrayLike) -> Difference:
        """The same difference seen from the other liquid: of these two, now reference and batch."""
        parts = {name: -getattr(self, name) for name in ("lightness", "chroma", "hue")}
        return self.having(**parts, text=describe_difference(reference_lab, batch_lab) if self.seen else self.text)


@cache
def _normal_draws(count: int = 4000) -> Array:
    half = np.random.default_rng(20051).standard_normal((count // 2, 3))
    return np.concatenate([half, -half])


def _see_noise(vector: Array, covariance: ArrayLike) -> tuple[Array, Array]:
    """Draws of the noise (3,) of a covariance (3, 3): its part along the vector, and the square of its length."""
    values, axes = np.linalg.eigh(np.asarray(covariance, float))
    noise = _normal_draws() * np.sqrt(np.maximum(values, 0.0)) @ axes.T
    length = float(np.linalg.norm(vector))
    return noise @ (vector / length if length > 1e-9 else axes[:, -1]), (noise**2).sum(axis=1)


def _find_length(share: float, length: float, along: Array, square: Array) -> float:
    """The true length whose seen length lies under `length` in this share of the draws, to a millionth; 0 where none does."""
    low, high = 0.0, length + 6 * float(np.sqrt(square.mean())) + 1e-6
    first = int(share * (len(square) - 1))
    while high - low > 1e-6:
        middle = (low + high) / 2
        seen = middle**2 + 2 * middle * along + square
        # the quantile lies between two draws: which side of it the length is on, their number mostly tells
        under = np.count_nonzero(seen < length**2) - 1
        if under > first or (under == first and np.quantile(seen, share) < length**2):
            low = middle
        else:
            high = middle
    return low


def estimate_length(vector: ArrayLike, covariance: ArrayLike) -> Figure:
    """Length of a vector seen with Gaussian noise: median-unbiased value and 95 % interval, both corrected for noise.

    Noise only ever lengthens a short vector. For a true length d along the seen direction the seen length is
    |d u + e|, e ~ N(0, covariance); value, low and high are the d for which the seen length is at its median, its
    97.5 % and its 2.5 % point (Neyman's construction). vector shape (3,), covariance shape (3, 3).

    A length of 0.3 seen with a noise of 0.2 in every direction may be none at all; one of 3 is nearly as seen:

    >>> estimate_length([0.3, 0.0, 0.0], np.eye(3) * 0.2**2).rounded().to_json()
    {'value': 0.0, 'low': 0.0, 'high': 0.613}
    >>> estimate_length([3.0, 0.0, 0.0], np.eye(3) * 0.2**2).rounded().to_json()
    {'value': 2.986, 'low': 2.593, 'high': 3.375}
    """
    vector = np.asarray(vector, float)
    seen = float(np.linalg.norm(vector))
    along, square = _see_noise(vector, covariance)
    # a length seen far below the noise is luck and no proof of equality: the upper end is that of a usual one
    # (power-constrained limit; Cowan, Cranmer, Gross, Vitells 2011, arXiv:1105.3166)
    usual = max(seen, float(np.sqrt(np.median(square))))
    ends = ((0.5, seen), (0.975, seen), (0.025, usual))
    return Figure(*(_find_length(share, length, along, square) for share, length in ends))


def bound_length(vector: ArrayLike, covariance: ArrayLike) -> tuple[float, float]:
    """95 % interval of the length of a vector that is known as normal, mean (3,) and covariance (3, 3).

    The low end is that of a reading (`estimate_length`): 0 where equality is not excluded. The high end is the 95 % point
    of the length where the interval begins at 0, else the 97.5 % point.

    >>> bound_length([0.3, 0.0, 0.0], np.eye(3) * 0.2**2)[0]
    0.0
    """
    mean, cov = np.asarray(vector, float), np.asarray(covariance, float)
    length, (along, square) = float(np.linalg.norm(mean)), _see_noise(mean, cov)
    low = _find_length(0.975, length, along, square)
    lengths = np.sqrt(np.maximum(length**2 + 2 * length * along + square, 0.0))
    return low, float(np.quantile(lengths, 0.975 if low > 0 else 0.95))


def compare_lab(
    reference_lab: ArrayLike,
    batch_lab: ArrayLike,
    covariance: ArrayLike,
    unknown: ArrayLike | None = None,
    lost: ArrayLike | None = None,
) -> Difference:
    """Difference of one batch from one reference.

    covariance, shape (3, 3), is that of (batch minus reference) in Lab from noise, which remains when both are equal;
    unknown, shape (3, 3), what phone, lamp and spectra leave unknown of it: it widens the interval and does not correct
    the value; lost, shape (3, 3), of what neither reading holds (a channel at the end of
    its range): the difference may be longer by it, and nothing speaks for its part of the length. Lightness, chroma and
    hue parts are plain CIELAB (hue as the signed length dH*), so that they can be read off a plot.
    """
    ref, bat = np.asarray(reference_lab, float), np.asarray(batch_lab, float)
    jacobian = metric_jacobian(ref, bat)
    vector = metric_vector(ref, bat)
    noise = jacobian @ np.asarray(covariance, float) @ jacobian.T
    interval = estimate_length(vector, noise)
    seen = interval.low > 0
    if unknown is not None:
        interval = _widen(interval, vector, jacobian @ np.asarray(unknown, float) @ jacobian.T)
    if lost is not None and np.any(lost):
        interval = _allow_lost(interval, vector, jacobian @ np.asarray(lost, float) @ jacobian.T)
    c_ref, c_bat = np.hypot(*ref[1:]), np.hypot(*bat[1:])
    d_l, d_c = bat[0] - ref[0], c_bat - c_ref
    d_h = np.sign(ref[1] * bat[2] - ref[2] * bat[1]) * np.sqrt(
        max(float(((bat[1:] - ref[1:]) ** 2).sum() - d_c**2), 0.0)
    )
    text = describe_difference(ref, bat) if seen else "no difference seen"
    return Difference(float(d_l), float(d_c), float(d_h), seen, text, interval)


def _widen(interval: Figure, vector: Array, unknown: Array) -> Figure:
    """The interval with what phone, lamp and spectra leave unknown of the difference, joined in quadrature each way.

    unknown, shape (3, 3): its covariance; what counts is its part along the difference.
    """
    length = float(np.linalg.norm(vector))
    if length < 1e-6:
        return interval
    along = K_95 * float(np.sqrt(max(float(vector @ unknown @ vector), 0.0))) / length
    down, up = np.hypot(interval.value - interval.low, along), np.hypot(interval.high - interval.value, along)
    low = max(float(interval.value - down), 0.0) if interval.low > 0 else 0.0
    return Figure(interval.value, low, float(interval.value + up))


def _allow_lost(interval: Figure, vector: Array, lost: Array) -> Figure:
    """The interval where a part of the difference could not be seen, of covariance lost (3, 3).

    Each axis of the ellipsoid of what is lost may be shorter or longer by 1.96 of its standard deviations: both ends of
    the interval move by what that makes of the length.
    """
    variances, axes = np.linalg.eigh(lost)
    along, reach = np.abs(vector @ axes), K_95 * np.sqrt(np.maximum(variances, 0.0))
    length = float(np.linalg.norm(vector))
    down = length - float(np.linalg.norm(np.maximum(along - reach, 0.0)))
    up = float(np.linalg.norm(along + reach)) - length
    return Figure(interval.value, max(interval.low - down, 0.0), interval.high + up)


_HUE_NAMES = (
    (20, "pink"), (50, "red"), (75, "orange"), (105, "yellow"), (150, "green"), (215, "blue-green"),
    (290, "blue"), (335, "purple"), (360, "pink"),
)  # fmt: skip


def name_hue(angle_degrees: float) -> str:
    """A plain word for a CIELAB hue angle (common practice, no source; red is near 40, yellow near 90 degrees)."""
    angle = angle_degrees % 360
    return next(word for limit, word in _HUE_NAMES if angle <= limit)


def describe_difference(reference_lab: ArrayLike, batch_lab: ArrayLike) -> str:
    """The batch against the reference in words, largest part first, parts under a third of the largest left out.

    Lightness: "paler" or "darker". Chroma: "less red" or "more red", by the reference's own hue. Hue: "turned
    towards orange", by the next hue name in that direction. Source of the weights: the CIEDE2000 parts.

    >>> describe_difference([77.0, 44.5, 29.9], [80.1, 37.8, 24.2])
    'less red, paler'
    """
    ref, bat = np.asarray(reference_lab, float), np.asarray(batch_lab, float)
    d_l, d_c, d_h, _ = ciede2000_parts(ref, bat)
    strong = ref if np.hypot(*ref[1:]) >= np.hypot(*bat[1:]) else bat
    angle = float(np.degrees(np.arctan2(strong[2], strong[1])))
    parts = [
        (abs(d_l), "paler" if d_l > 0 else "darker"),
        (abs(d_c), ("more " if d_c > 0 else "less ") + name_hue(angle)),
        (abs(d_h), "turned towards " + _next_hue(angle, 1 if d_h > 0 else -1)),
    ]
    parts.sort(key=lambda part: -part[0])
    return ", ".join(word for size, word in parts if size >= parts[0][0] / 3)


def _next_hue(angle: float, turn: int) -> str:
    """The first hue name other than its own met when turning from an angle (+1 counter-clockwise, -1 clockwise)."""
    own = name_hue(angle)
    return next(word for k in range(1, 360) if (word := name_hue(angle + turn * k)) != own)
