"""Several photos of the same two liquids as one difference; it knows what photos said, not their pixels.

Random effects: photos of one state differ by more than their own noise (a glass set down again, a shadow, a reflection),
so that excess is estimated from their scatter and widens the interval. What all photos share (the vessels, this phone's
colour error) does not shrink with their number.
Source: DerSimonian, Laird 1986, Meta-analysis in clinical trials, Controlled Clinical Trials 7, 177-188,
doi:10.1016/0197-2456(86)90046-2, for Lab vectors as Jackson, White, Thompson 2010, Stat. Med. 29, 1282-1297,
doi:10.1002/sim.3602, do: the size from one moment over all directions, to which the scatter seen in each is added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from colourmatch.advice import Together
from colourmatch.colour.difference import Difference, compare_lab, metric_jacobian
from colourmatch.facts import K_95
from colourmatch.measurement import Measurement
from colourmatch.photo.read_colour import SCALE_SD, stretch
from colourmatch.records import Array, rounded

#: Photos are said to disagree when chance alone would scatter them so in less than this part of cases, and one lies this
#: far from the others (CIEDE2000, or this part of the difference itself where that is more). Less is hardly noticed by
#: eye (common practice, no source): it widens the interval all the same, and is no reason to take a photo again.
DISAGREE_CHANCE, DISAGREE_FAR, DISAGREE_PART = 0.01, 1.0, 0.1
#: Rounding of what is kept of a reading (Lab, sd): no photo is surer than this.
_LEAST_SD = 0.02


@dataclass(frozen=True)
class Combined:
    """The difference that several photos give together; between_sd: one photo's scatter beyond its noise, CIEDE2000.

    retake: the photo that lies apart from the others, `apart` CIEDE2000 away, None where none does or where two
    disagree and nothing says which; scatter_lab (3, 3): that scatter in Lab, for one photo.
    """

    photos: tuple[str, ...]
    reference_lab: Array
    batch_lab: Array
    difference: Difference
    between_sd: float
    scatter_lab: Array
    agree: bool
    retake: str | None
    apart: float | None
    text: str

    def record(self) -> Together:
        """The same as it is written."""
        return Together(
            photos=self.photos,
            reference_lab=rounded(self.reference_lab, 3).tolist(),
            batch_lab=rounded(self.batch_lab, 3).tolist(),
            delta_e_2000=self.difference.delta_e_2000.rounded(),
            difference=self.difference,
            between_sd=round(self.between_sd, 3),
            agree=self.agree,
            retake=self.retake,
            apart=None if self.apart is None else round(self.apart, 2),
            text=self.text,
        )


@dataclass(frozen=True)
class _Reading:
    name: str
    reference: Array
    gap: Array
    own: Array
    scene: Array
    phone: Array
    lost: Array


def combine_photos(measurements: Sequence[Measurement], names: Sequence[str] | None = None) -> Combined | None:
    """Combine measurements of one state of the same two liquids.

    Photos that were refused or show one liquid only are passed over; None when none is left. names: what to call the
    photos in words, their file names when None.
    """
    called = names or [m.photo for m in measurements]
    readings = [r for r in map(_read, measurements, called) if r is not None]
    if not readings:
        return None
    reference = np.mean([r.reference for r in readings], axis=0)
    turn = metric_jacobian(reference, reference + np.mean([r.gap for r in readings], axis=0))
    gaps = np.array([r.gap for r in readings])
    own = np.array([r.own + _LEAST_SD**2 * np.eye(3) for r in readings])
    excess, chance = estimate_excess(gaps, own)
    scatter = shape_excess(gaps, own, excess)
    mean, covariance = pool(gaps, own, scatter)
    scene, phone, lost = (np.mean([getattr(r, part) for r in readings], axis=0) for part in ("scene", "phone", "lost"))
    difference = compare_lab(reference, reference + mean, covariance + scene, phone, lost)
    between_sd = float(np.sqrt(np.trace(turn @ scatter @ turn.T)))
    away, others = _find_distances(gaps, own, turn)
    far = max(DISAGREE_FAR, DISAGREE_PART * float(np.linalg.norm(turn @ mean)))
    agree = bool(chance >= DISAGREE_CHANCE or away.max() < far)
    if not agree and not difference.seen:  # torn photos are no proof of equality
        difference = difference.having(text="the photos disagree too much to say")
    worst = int(away.argmax())
    # a photo stands out when the others agree without it; of two nothing says which is off
    odd = not agree and len(readings) > 2 and away[worst] > 3 * others[worst]
    retake = readings[worst].name if odd else None
    apart = float(away[worst]) if odd or (len(readings) == 2 and not agree) else None
    return Combined(
        photos=tuple(r.name for r in readings), reference_lab=reference, batch_lab=reference + mean,
        difference=difference, between_sd=between_sd, scatter_lab=scatter, agree=agree, retake=retake, apart=apart,
        text=_tell(len(readings), agree, retake, apart),
    )  # fmt: skip


def _read(measured: Measurement, name: str) -> _Reading | None:
    reference, batch = measured.spots.get("reference"), measured.spots.get("batch")
    if not reference or not batch:
        return None
    ref, gap, unsure = reference.lab, batch.lab - reference.lab, measured.uncertainty
    if unsure is None:  # a reading from before these were kept apart
        own, none = reference.covariance + batch.covariance, np.zeros((3, 3))
        return _Reading(name, ref, gap, own, none, np.diag((SCALE_SD * stretch(gap)) ** 2), none)
    return _Reading(name, ref, gap, unsure.photo, unsure.scene, unsure.phone, unsure.what_is_lost)


def estimate_excess(vectors: Array, covariances: Array) -> tuple[float, float]:
    """Variance per axis by which vectors (K, N) scatter beyond their covariances (K, N, N), and the chance of as much.

    Moment estimate: Q = sum (v_k - m)' W_k (v_k - m) has mean N (K - 1) + t (tr sum W_k - tr (sum W_k)^-1 sum W_k^2),
    W_k the inverse covariances and m their weighted mean; t is never negative (DerSimonian, Laird 1986, eq. 8, for
    N = 1). The chance is that of Q by noise alone (Cochran 1954, Biometrics 10, 101-129).
    """
    from scipy.special import chdtrc

    count, size = vectors.shape
    if count < 2:
        return 0.0, 1.0
    weights = np.linalg.inv(covariances)
    total = weights.sum(axis=0)
    mean = np.linalg.solve(total, np.einsum("kij,kj->i", weights, vectors))
    off = vectors - mean
    scatter = float(np.einsum("ki,kij,kj->", off, weights, off))
    free = size * (count - 1)
    gain = np.trace(total) - np.trace(np.linalg.solve(total, np.einsum("kij,kjl->il", weights, weights)))
    return max((scatter - free) / float(gain), 0.0), float(chdtrc(free, scatter))


def shape_excess(vectors: Array, covariances: Array, excess: float) -> Array:
    """Covariance (N, N) of the excess: as the vectors lie, and half its mean size more in every direction.

    A few vectors tell a size but hardly a direction, so what they show is eked out by a multiple of the identity (after
    Ledoit, Wolf 2004, J. Multivar. Anal. 88, 365-411, doi:10.1016/S0047-259X(03)00096-4), rather too wide than too
    narrow: scatter in one direction only would else be called too small.
    """
    even = excess * np.eye(vectors.shape[1])
    if excess <= 0:
        return even
    values, axes = np.linalg.eigh(np.atleast_2d(np.cov(vectors.T)) - covariances.mean(axis=0))
    return 0.5 * even + (axes * np.maximum(values, 0)) @ axes.T


def pool(vectors: Array, covariances: Array, excess: Array) -> tuple[Array, Array]:
    """Weighted mean (N,) of vectors (K, N) and its covariance, for 95 % intervals of 1.96 standard deviations.

    The excess is known from few photos only: the covariance is that of a t distribution whose degrees of freedom are
    those of the excess's share of the variance (Welch-Satterthwaite; JCGM 100:2008, G.4.1). excess, shape (N, N).
    """
    from scipy.special import stdtrit

    count, size = vectors.shape
    weights = np.linalg.inv(covariances + excess)
    covariance = np.linalg.inv(weights.sum(axis=0))
    mean = covariance @ np.einsum("kij,kj->i", weights, vectors)
    if not excess.any():
        return mean, covariance
    quiet = np.linalg.inv(np.linalg.inv(covariances).sum(axis=0))
    share = 1 - float(np.trace(quiet) / np.trace(covariance))
    # a direction of its own rests on fewer figures than the size does: the geometric middle of one and all
    free = np.sqrt(size) * (count - 1) / max(share, 1e-3) ** 2
    widen = float(stdtrit(free, 0.975)) / K_95
    return mean, covariance * widen**2


def _find_distances(gaps: Array, own: Array, turn: Array) -> tuple[Array, Array]:
    """How far each photo lies from what all others give together, and their own scatter (sd), CIEDE2000, shape (K,)."""
    away, others = np.zeros(len(gaps)), np.zeros(len(gaps))
    for k in range(len(gaps) if len(gaps) > 1 else 0):
        left = np.arange(len(gaps)) != k
        scatter = shape_excess(gaps[left], own[left], estimate_excess(gaps[left], own[left])[0])
        away[k] = np.linalg.norm(turn @ (gaps[k] - pool(gaps[left], own[left], scatter)[0]))
        others[k] = np.sqrt(np.trace(turn @ scatter @ turn.T))
    return away, others


def _tell(count: int, agree: bool, retake: str | None, apart: float | None) -> str:
    if count == 1:
        return "From one photo; a second of the same glasses shows how far photos repeat."
    if agree:
        return f"{count} photos agree."
    if retake is not None:
        return (
            f"{retake} disagrees: it is {apart:.1f} CIEDE2000 from what the other {count - 1} say together. "
            "Look at it for a shadow or a reflection, and take that one again."
        )
    if count == 2:
        return f"The 2 photos disagree by {apart:.1f} CIEDE2000. Take a third: it shows which one is off."
    return (
        f"The {count} photos scatter more than their noise explains, none more than the others. Pour both glasses "
        "afresh to equal height, keep the light steady and photograph again."
    )
