"""What the greys of one printed card really reflect: entered, or read off photos beside a grey of known reflectance.

A printer bends greys, a phone bends tones; in one photo of the card alone the two can hardly be separated. A grey card
of known reflectance in the photo pins the phone's curve, so that the printed greys come out with a small uncertainty.
Several photos are joined by their weights, wider where they disagree (Birge 1932, doi:10.1103/PhysRev.40.207). It knows
the card and no book; whose card it is is kept elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from colourmatch.errors import InputError, PhotoError
from colourmatch.photo.card import Card, read_card
from colourmatch.photo.field import LightField
from colourmatch.photo.flat import flatten_card, mask_paper
from colourmatch.photo.light import fit_light
from colourmatch.photo.load import Photo, load_photo
from colourmatch.photo.locate import CardPose, find_card
from colourmatch.photo.tone import KnownGreys, KnownLevel, ToneCurve, fit_curve, read_against_paper
from colourmatch.records import Array, Record, kept, numbers, rounded, written

#: A photographer's grey card and office paper (common practice, no source): reflectance and its standard deviation.
GREY_CARD, GREY_CARD_SD = 0.18, 0.006
PAPER, PAPER_SD = 0.88, 0.02
#: Readings of one patch in one photo, and what remains of a veil (sd, of the reflectance's log and of paper).
_READ_LOG, _VEIL = 0.006, 0.004
#: How far off the card's block a grey card may lie: further away the light on it is a guess.
_FARTHEST_MM = 40.0
#: Half the side of the square that is read on the middle ring.
_ON_RING_MM = 8.0
#: Of a reflectance that was typed without its spread.
ENTERED_LOG_SD = 0.02


class GreysReading(Record):
    """The greys of a card as one photo or one entry tells them, in the order of `Card.greys`; NaN where not seen.

    reflectance is relative to the bare paper, log_sd of its natural log; told says how it became known.
    """

    reflectance: Array = kept(numbers, write=written(rounded, 5))
    log_sd: Array = kept(numbers, write=written(rounded, 5))
    told: Mapping[str, Any] = kept(default=dict)


def enter_greys(values: Sequence[float], sd: float | None = None, card: Card | None = None) -> GreysReading:
    """Measured reflectances relative to the bare paper: six steps from the lightest, or all twelve, top row first.

    sd: standard deviation of each, in the same units as the values. InputError says what is wrong with them.
    """
    card = card or read_card()
    count = len(card.top_greys)
    given = np.array([float(v) for v in values])
    if given.size not in (count, 2 * count):
        raise InputError(
            f"{given.size} greys were given. Give {count}, from the lightest to the darkest, or all {2 * count} with "
            "the top row first."
        )
    if not np.all(np.isfinite(given)) or given.min() <= 0.001 or given.max() >= 1:
        raise InputError(
            "A grey reflects between 0.001 and 1 of what the bare paper does. Divide each reading by that of the "
            "paper, such as 0.74,0.49,0.36,0.21,0.11,0.05."
        )
    if any(np.any(np.diff(row) >= 0) for row in given.reshape(-1, count)):
        raise InputError("The greys do not fall from the lightest to the darkest. Check their order.")
    if sd is not None and not 0 < sd < 0.2:
        raise InputError(f"The spread of the greys is {sd:g}. Give a standard deviation such as 0.005.")
    every = np.tile(given, 2) if given.size == count else given
    spread = np.full(every.size, ENTERED_LOG_SD) if sd is None else np.maximum(sd / every, 0.002)
    return GreysReading(every, spread, {"how": "entered", "sd": sd})


def read_greys(
    source: Path | str | bytes,
    grey: tuple[int, int, int, int] | None = None,
    *,
    reflectance: tuple[float, float] = (GREY_CARD, GREY_CARD_SD),
    paper: tuple[float, float] = (PAPER, PAPER_SD),
    name: str | None = None,
) -> GreysReading:
    """Read the printed greys off a photo with a grey of known reflectance in it.

    grey: x, y, width, height of the known grey in pixels of the upright photo; None when it lies on the middle ring.
    reflectance and paper: value and standard deviation. PhotoError or InputError says what to do when it cannot be read.
    """
    _check_level(reflectance, "grey card")
    _check_level(paper, "paper")
    photo = load_photo(source, name)
    pose = find_card(photo.rgb)
    card = pose.card
    flat, _ = flatten_card(photo, pose, card)
    light = fit_light(flat, mask_paper(card, flat.px_per_mm), pose.markers)
    if grey is None:
        centre = np.array(card.spots["batch"])
        patch = flat.decode(*flat.crop(card.spots["batch"], _ON_RING_MM)).reshape(-1, 3).astype(float)
    else:
        centre, patch = _cut_patch(photo, (pose, card), grey)
    level = _to_level(patch, (centre, light), (reflectance, paper))
    curve = fit_curve(flat, level=level)
    if not curve.fitted:
        raise PhotoError(
            "Too few grey squares of the card can be seen. Take everything off them and photograph again.",
            "greys-hidden",
        )
    nominal, values, papers, places = read_against_paper(flat.redecoded(curve.table(photo.profile.decode_table)))
    found, spread = np.full(len(card.greys), np.nan), np.full(len(card.greys), np.nan)
    for n, place in enumerate(places):
        value = float(curve.take_veil(values[n]).mean())
        if abs(np.log(max(value, 1e-4) / nominal[n])) > 0.6:  # something lies over it
            continue
        found[place], spread[place] = value, _spread_of(curve, value, papers[n])
    if np.isfinite(found).sum() < 6:
        raise PhotoError(
            "Too few grey squares of the card can be read. Photograph it in even light with nothing on them.",
            "greys-hidden",
        )
    told = {
        "how": "photo",
        "photo": photo.name,
        "phone": photo.phone,
        "grey_card": [float(v) for v in reflectance],
        "paper": [float(v) for v in paper],
        "grey_relative": round(level.reflectance, 4),
        "s_shape": round(float(curve.terms[0]), 3),
    }
    return GreysReading(found, spread, told)


def combine_readings(readings: Sequence[GreysReading]) -> tuple[KnownGreys, float]:
    """The weighted mean of readings of one card, and how much they disagree (Birge ratio, 1 and less is agreement).

    Photos beside one grey card share that card's own error, which no number of them takes away. ValueError for none.
    """
    if not readings:
        raise ValueError("combine_readings needs at least one reading")
    logs = np.log(np.array([one.reflectance for one in readings]))
    sds = np.array([one.log_sd for one in readings])
    shared = min((_shared_sd(one) for one in readings), default=0.0)
    own = np.sqrt(np.maximum(sds**2 - shared**2, 0.002**2))
    weight = np.where(np.isfinite(logs), 1 / own**2, 0.0)
    total = np.maximum(weight.sum(axis=0), 1e-12)
    mean = (np.where(np.isfinite(logs), logs, 0) * weight).sum(axis=0) / total
    seen = np.isfinite(logs).sum(axis=0)
    off = (np.where(np.isfinite(logs), logs - mean, 0) ** 2 * weight).sum()
    freedom = float(np.maximum(seen - 1, 0).sum())
    ratio = float(np.sqrt(off / freedom)) if freedom else 1.0
    log_sd = np.sqrt(max(ratio, 1.0) ** 2 / total + shared**2)
    return _fill_unseen(mean, log_sd, seen), ratio


def _fill_unseen(mean: Array, log_sd: Array, seen: NDArray[np.int_]) -> KnownGreys:
    """Greys that no reading saw take their twin's value in the other row, and a wider spread."""
    half = len(mean) // 2
    for place in np.flatnonzero(seen == 0):
        twin = (place + half) % len(mean)
        mean[place] = mean[twin] if seen[twin] else np.log(read_card().greys[place].reflectance)
        log_sd[place] = np.hypot(log_sd[twin], 0.02) if seen[twin] else 0.2
    return KnownGreys(np.exp(mean), log_sd)


def _shared_sd(reading: GreysReading) -> float:
    told = reading.told
    if told.get("how") != "photo":
        return 0.0
    return float(np.hypot(told["grey_card"][1] / told["grey_card"][0], told["paper"][1] / told["paper"][0])) * 0.7


def _check_level(given: tuple[float, float], what: str) -> None:
    value, sd = given
    if not 0.02 <= value <= 1 or not 0 < sd < 0.5 * value:
        raise InputError(
            f"The reflectance of the {what} is {value:g} +-{sd:g}. Give a part of 1, such as 0.18 for a grey card of "
            "18 % and 0.88 for paper."
        )


def _cut_patch(photo: Photo, place: tuple[CardPose, Card], grey: tuple[int, int, int, int]) -> tuple[Array, Array]:
    """Where on the card a rectangle of the photo lies, in mm, and its linear pixels (N, 3)."""
    pose, card = place
    x, y, w, h = grey
    height, width = photo.rgb.shape[:2]
    if x < 0 or y < 0 or x + w > width or y + h > height or w * h < 100:
        raise InputError(
            f"The rectangle of the grey card does not lie in the photo of {width} by {height} pixels, or is too small."
        )
    centre = _to_mm(pose, x + w / 2, y + h / 2)
    outside = np.maximum(np.maximum(-centre, centre - np.array(card.block_mm)), 0)
    if float(np.linalg.norm(outside)) > _FARTHEST_MM:
        raise InputError(
            "The grey card lies too far from the printed card: the light there is not known. Lay it on one of the "
            "rings or close beside the card."
        )
    return centre, photo.to_linear(photo.rgb[y : y + h, x : x + w]).reshape(-1, 3).astype(float)


def _to_level(
    patch: Array,
    place: tuple[Array, LightField],
    given: tuple[tuple[float, float], tuple[float, float]],
) -> KnownLevel:
    """The known grey against the paper's light where it lies."""
    centre, light = place
    (reflectance, reflectance_sd), (paper, paper_sd) = given
    middle = np.median(patch, axis=0)
    ratio = middle / light.at(centre[None])[0]
    relative = reflectance / paper
    if np.ptp(np.log(np.maximum(ratio, 1e-4))) > 0.2 or abs(np.log(ratio.mean() / relative)) > 1.0:
        raise InputError(
            f"What lies there is no neutral grey of {100 * reflectance:.0f} %. Lay the grey card on the middle ring, or "
            "check its rectangle, in pixels of the upright photo."
        )
    light_sd = float(np.sqrt(max(light.covariance(centre[None])[0, 0], 0.0)))
    log_sd = float(np.sqrt((reflectance_sd / reflectance) ** 2 + (paper_sd / paper) ** 2 + light_sd**2 + _READ_LOG**2))
    return KnownLevel(float(middle.mean()), float(light.at(centre[None])[0].mean()), relative, log_sd)


def _to_mm(pose: CardPose, x: float, y: float) -> Array:
    point = np.linalg.inv(pose.to_px) @ np.array([x, y, 1.0])
    return np.asarray(point[:2] / point[2], float)


def _spread_of(curve: ToneCurve, value: float, paper: ArrayLike) -> float:
    """Standard deviation of a grey's log: what the curve leaves open, the patch's reading, the veil."""
    shifts = curve.shifts(np.full(3, value), np.asarray(paper, float))
    open_ = float(np.linalg.norm(shifts, axis=0).mean()) / value
    return float(np.sqrt(open_**2 + _READ_LOG**2 + (_VEIL / value) ** 2))
