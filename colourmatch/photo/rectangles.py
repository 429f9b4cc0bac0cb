"""Readings from rectangles on any photo, with any white or grey card and any vessels; no printed card is looked for.

What the printed card would check is not known here: how evenly the light falls, how the phone bends tones, what the
vessels reflect, how much liquid the light passes. Each is an error of known size instead, and the interval holds it.
Light passes a bottle seen from the side once, a glass over paper twice; a colour relative to white is read the same
way in both, so the path matters only to whoever asks what a drop does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.errors import InputError, PhotoError
from colourmatch.facts import read_rows
from colourmatch.measurement import SPOTS, Drawing, Measurement, Pair, record_difference
from colourmatch.photo.estimate import Estimate, estimate_bare
from colourmatch.photo.load import Photo, load_photo
from colourmatch.photo.measure import FROM_FILE, parts_of_water, refuse
from colourmatch.photo.opencv import cv2
from colourmatch.photo.quality import UNLIKE_THE_REST, Flag, flag
from colourmatch.photo.read_colour import (
    ReadColour,
    lost_between,
    place_ends,
    propagate,
    tell_estimated,
    tone_covariance,
)
from colourmatch.photo.spot import END_SHARE, HIGH_CODE, LOW_CODE
from colourmatch.records import Array, pick

Rectangle = tuple[float, float, float, float]

#: Light between two places half a picture apart (natural log, sd), common to the channels and of each alone; it grows
#: with the root of the distance. With the printed card the light is measured instead (common practice, no source).
UNEVEN_LOG, UNEVEN_COLOUR_LOG = 0.03, 0.008
#: What the vessels reflect (part of white, sd), and one alone: the same glass in the same room reflects much the same. How far
#: two vessels called equal differ in the length of liquid that light passes (part, sd). Common practice, no source.
VESSEL_WHITE, VESSEL_APART, PATH_PART = 0.01, 0.004, 0.03
#: A white or grey card: its level and its cast, channel by channel (natural log, sd): common practice, no source.
WHITE_LEVEL_LOG, WHITE_CAST_LOG = 0.03, 0.01
#: Slope of the light over the white that is reported: it may be this far off at a liquid (natural log).
_SLOPE_TOLD = 0.10
#: A rectangle needs at least this many pixels of the working picture, and a white this code in its strongest channel.
_FEWEST_PIXELS, _DARK_CODE = 60, 40
_LEAST_REFLECTANCE = 0.02
_NAMES = ("red", "green", "blue")


@dataclass(frozen=True)
class _Area:
    """What one rectangle holds: mean light (3,), covariance (3, 3), and the slope of its log per full pixel.

    slope (2, 3) along x and y, slope_cov (2, 3, 3) of each; tones (1 + K, 3): log of that light over what the file's encoding
    says, and per standard deviation of the photo's tone curve; empty, full: channels at an end of the range.
    """

    centre: Array
    value: Array
    covariance: Array
    slope: Array
    slope_cov: Array
    tones: Array
    codes: Array
    glints: float
    empty: NDArray[np.bool_]
    full: NDArray[np.bool_]


def measure_rectangles(
    source: Path | str | bytes,
    white: Rectangle,
    reference: Rectangle | None = None,
    batch: Rectangle | None = None,
    name: str | None = None,
    *,
    white_reflectance: float = 1.0,
) -> Measurement:
    """Measure the liquids in rectangles against a white or grey one, each (x, y, width, height) in full-size pixels.

    Pixels count from the top left of the photo as it is shown (turned upright). white_reflectance, 0.02 to 1: 0.18 for
    the usual grey card; 1 gives colours relative to the card itself. InputError for rectangles that are outside the
    photo, too small, uneven or overlapping, or when neither liquid is given; PhotoError for a photo that cannot be read.
    """
    liquids = {n: r for n, r in (("reference", reference), ("batch", batch)) if r is not None}
    if not liquids:
        raise InputError("Give a rectangle for the reference or for the batch, or for both.")
    if not _LEAST_REFLECTANCE <= white_reflectance <= 1:
        raise InputError(
            f"The reflectance of the white or grey card is {white_reflectance:g}. Give a part of 1: "
            "0.18 for the usual grey card, 1 for white."
        )
    photo = load_photo(source, name)
    drawn = {"white": white, **liquids}
    for what, rectangle in drawn.items():
        _check_place(photo, rectangle, what)
    _check_overlap(drawn)
    base = _read(photo, white, "white")
    _check_white(base)
    areas = {spot: _read(photo, rectangle, spot) for spot, rectangle in liquids.items()}
    levels = np.array([area.value for area in areas.values()])
    relative = levels / base.value * white_reflectance
    _check_brightness(list(areas), relative @ photo.profile.to_xyz[1])
    light = _light_covariance(base, list(areas.values()), photo)
    own, scene = _covariances(base, list(areas.values()), relative, light, white_reflectance)
    total = own + scene
    spots = {}
    jacobians = []
    for k, (spot, area) in enumerate(areas.items()):
        at = slice(3 * k, 3 * k + 3)
        spots[spot], jacobian = _to_colour(photo, base, area, (relative[k], total[at, at]))
        jacobians.append(jacobian)
    estimate = estimate_bare(*(relative[[0, -1]] @ photo.profile.to_p3.T), srgb=photo.profile.name == "sRGB")
    # what pixels, light, vessels and tones leave unsure comes beside what phone and lamp do
    beside = np.array([c.covariance + c.tone_shifts.T @ c.tone_shifts for c in spots.values()])
    spots = tell_estimated(spots, estimate.lab, estimate.absolute + beside[[0, -1]])
    return Measurement(
        photo=photo.name, **pick(photo, *FROM_FILE), profile=photo.profile.name,
        quality=tuple(_flags(photo, base, areas, spots, light)),
        spots={n: spots[n].record() if n in spots else None for n in SPOTS}, **_compare(spots, jacobians, (own, scene), estimate),
        drawing=Drawing(list(photo.full_size), windows={n: _outline(r) for n, r in drawn.items()}),
        rectangles={n: [float(v) for v in r] for n, r in drawn.items()}
        | {"white_reflectance": float(white_reflectance)},
    )  # fmt: skip


def measure_rectangles_or_refuse(
    source: Path | str | bytes, rectangles: Mapping[str, object], name: str | None = None
) -> Measurement:
    """As `measure_rectangles`, with a refusal as a result; rectangles: its arguments by name."""
    try:
        return measure_rectangles(source, name=name, **rectangles)  # type: ignore[arg-type]
    except (InputError, PhotoError) as error:
        return refuse(name or (Path(source).name if not isinstance(source, bytes) else "photo"), error)


# ---- pixels ------------------------------------------------------------------------------------------------------


def _check_place(photo: Photo, rectangle: Rectangle, what: str) -> None:
    x, y, w, h = (float(v) for v in rectangle)
    width, height = photo.full_size
    if not all(np.isfinite(v) for v in (x, y, w, h)) or w <= 0 or h <= 0:
        raise InputError(f"The {what} rectangle needs x, y, width and height, the last two above 0.")
    if x < 0 or y < 0 or x + w > width or y + h > height:
        raise InputError(
            f"The {what} rectangle lies outside the photo, which is {width} x {height} pixels. Draw it inside."
        )


def _check_overlap(drawn: Mapping[str, Rectangle]) -> None:
    for (one, (ax, ay, aw, ah)), (other, (bx, by, bw, bh)) in combinations(drawn.items(), 2):
        if min(ax + aw, bx + bw) > max(ax, bx) and min(ay + ah, by + bh) > max(ay, by):
            raise InputError(
                f"The {one} and the {other} rectangle overlap. Draw each on its own even part of the photo."
            )


@cache
def expect_tones() -> Array:
    """How much more light a code stands for than its encoding says, natural log, (1 + K, 256): mean, then components.

    Cameras raise the contrast of what they write and bend its bright end softly towards full: a white is brighter than its
    file says, and a shadow too. A component is one standard deviation long and common to a photo: principal components of
    measured curves and of none (tests/bench/derive_tone_prior.py).
    """
    rows = read_rows("tone_curves.csv")
    codes, *columns = (np.array([float(row[name]) for row in rows]) for name in rows[0])
    return np.array([np.interp(np.arange(256), codes, column) for column in columns])


def _read(photo: Photo, rectangle: Rectangle, what: str) -> _Area:
    """Mean, covariance and slope of a rectangle, reflections left out."""
    x, y, w, h = (float(v) for v in rectangle)
    scale = photo.full_scale
    rows = slice(int(np.ceil(y / scale - 0.5)), int(np.floor((y + h) / scale + 0.5)))
    cols = slice(int(np.ceil(x / scale - 0.5)), int(np.floor((x + w) / scale + 0.5)))
    codes = photo.rgb[rows, cols]
    if codes.size < 3 * _FEWEST_PIXELS or min(codes.shape[:2]) < 4:
        raise InputError(f"The {what} rectangle is too small. Draw it larger, well inside the even part of the colour.")
    tones = np.zeros((1, 256)) if photo.profile.raw else expect_tones()
    linear = np.asarray(photo.to_linear(codes) * np.exp(tones[0])[codes], float)
    clean = _leave_out_reflections(linear, what)
    kept = codes[clean].astype(float)
    mean = linear[clean].mean(axis=0)
    places, blocks = _block_means(linear, clean)
    slope, slope_cov = _fit_slope(places * scale, blocks)
    # a part of a code is common to a smooth area: rounding to 8 bits
    floor = (0.15 / 255 * 2.2 * np.maximum(mean, 0.02)) ** 2
    spread = np.cov(blocks.T) / len(blocks) if len(blocks) > 3 else np.diag((0.02 * mean) ** 2)
    at_end = np.array([(kept <= 0).mean(axis=0), (kept >= 255).mean(axis=0)]) > END_SHARE
    return _Area(
        centre=np.array([x + w / 2, y + h / 2]), value=mean, covariance=spread + np.diag(floor), slope=slope,
        slope_cov=slope_cov, tones=np.array([np.interp(kept.mean(axis=0), np.arange(256), tone) for tone in tones]),
        codes=kept.mean(axis=0), glints=1 - float(clean.mean()),
        empty=(kept.mean(axis=0) < LOW_CODE) | at_end[0], full=(kept.mean(axis=0) > HIGH_CODE) | at_end[1],
    )  # fmt: skip


def _leave_out_reflections(linear: Array, what: str) -> NDArray[np.bool_]:
    """Pixels near the median in every channel; what lies apart in patches goes with a rim of its own."""
    flat = linear.reshape(-1, 3)
    middle = np.median(flat, axis=0)
    spread = 1.4826 * np.median(np.abs(flat - middle), axis=0)
    odd = (np.abs(linear - middle) > np.maximum(4.5 * spread, 0.03 * middle + 0.003)).any(axis=-1)
    patches = cv2.morphologyEx(np.asarray(odd, np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    clean = cv2.dilate(patches, np.ones((3, 3), np.uint8)) == 0
    if clean.mean() < 0.4 or (spread > 0.25 * middle + 0.02).any():
        raise InputError(
            f"The {what} rectangle is not one even colour. Draw it inside the liquid, away from edges and reflections."
            if what != "white"
            else "The white rectangle is not one even colour. Draw it on bare white or grey, away from edges and print."
        )
    return np.asarray(clean)


def _block_means(linear: Array, clean: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Centres (N, 2) in working pixels from the middle and mean values (N, 3) of up to 4 by 4 blocks."""
    places, means = [], []
    height, width = clean.shape
    for r in np.array_split(np.arange(height), min(4, height // 2)):
        for c in np.array_split(np.arange(width), min(4, width // 2)):
            inside = clean[r][:, c]
            if inside.mean() >= 0.3:
                places.append([c.mean() - (width - 1) / 2, r.mean() - (height - 1) / 2])
                means.append(linear[r][:, c][inside].mean(axis=0))
    return np.array(places), np.array(means)


def _fit_slope(places: Array, blocks: Array) -> tuple[Array, Array]:
    """Slope (2, 3) of the log of block means over their places, and its covariance (2, 3, 3), by least squares."""
    if len(places) < 6 or np.ptp(places, axis=0).min() <= 0:
        return np.zeros((2, 3)), np.zeros((2, 3, 3))
    design = np.column_stack([np.ones(len(places)), places])
    logs = np.log(np.maximum(blocks, 1e-5))
    fit, *_ = np.linalg.lstsq(design, logs, rcond=None)
    rest = logs - design @ fit
    noise = rest.T @ rest / (len(places) - 3)
    unit = np.diag(np.linalg.inv(design.T @ design))[1:]
    return fit[1:], unit[:, None, None] * noise


# ---- what is not known -------------------------------------------------------------------------------------------


def _light_covariance(base: _Area, areas: list[_Area], photo: Photo) -> Array:
    """Covariance (3 S, 3 S) of the log of the light at each liquid over that at the white.

    Two parts. The white's own slope carried on to the liquid: nobody knows whether it goes on, ends or turns (a card
    may lean, a lamp may hang between), so its square counts as a variance and the value is left alone. And a field
    whose difference between two places has a variance that grows with their distance (linear variogram: Matheron 1963,
    Principles of geostatistics, Economic Geology 58, 1246-1266), which makes liquids close together share their error.
    """
    away = np.array([area.centre - base.centre for area in areas])
    half = 0.5 * float(np.hypot(*photo.full_size))
    slopes = np.einsum("ic,jd->icjd", base.slope, base.slope)
    for axis in (0, 1):
        slopes[axis, :, axis, :] += base.slope_cov[axis]
    far = np.linalg.norm(away, axis=1)
    between = np.linalg.norm(away[:, None] - away[None], axis=-1)
    field = 0.5 * (far[:, None] + far[None] - between) / half
    channels = UNEVEN_LOG**2 + UNEVEN_COLOUR_LOG**2 * np.eye(3)
    carried = np.einsum("si,icjd,tj->sctd", away, slopes, away)
    size = 3 * len(areas)
    return (carried + np.einsum("st,cd->sctd", field, channels)).reshape(size, size)


def _covariances(
    base: _Area, areas: list[_Area], relative: Array, light: Array, reflectance: float
) -> tuple[Array, Array]:
    """Covariances (3 S, 3 S) of the liquids' linear values relative to white: of this photo's pixels, of the scene.

    Card, light and vessels stay from photo to photo of a scene. The white's part is shared by both liquids.
    """
    size = len(areas)
    flat = relative.ravel()
    scale = reflectance / base.value
    own = np.tile(base.covariance / np.outer(base.value, base.value), (size, size)) * np.outer(flat, flat)
    card = WHITE_LEVEL_LOG**2 + WHITE_CAST_LOG**2 * np.eye(3)
    scene = (light + np.tile(card, (size, size))) * np.outer(flat, flat) + VESSEL_WHITE**2
    for k, area in enumerate(areas):
        at = slice(3 * k, 3 * k + 3)
        own[at, at] += area.covariance * np.outer(scale, scale)
        # Beer-Lambert: a path longer by a part lengthens the log of the transmittance by that part
        path = PATH_PART * np.log(np.clip(relative[k], 1e-3, 1.0)) * relative[k]
        scene[at, at] += np.outer(path, path) + VESSEL_APART**2
    return own, scene


def _to_colour(photo: Photo, base: _Area, area: _Area, seen: tuple[Array, Array]) -> tuple[ReadColour, Array]:
    """A liquid's colour with its covariance, and its Jacobian from linear values to Lab."""
    (rgb, cov), to_xyz = seen, photo.profile.to_xyz
    lab, lab_cov, jacobian = propagate(rgb, cov, to_xyz)
    usual, *bends = area.tones - base.tones
    as_written = np.exp(-usual)
    plain, plain_cov, _ = propagate(rgb * as_written, cov * np.outer(as_written, as_written), to_xyz)
    bent = np.exp(np.reshape(bends, (-1, 3)))
    up, down = (xyz_to_lab(linear @ to_xyz.T) for linear in (rgb * bent, rgb / bent))
    shift, ways = place_ends(rgb, (area.empty, area.full), to_xyz, jacobian)
    return ReadColour(
        lab + shift, lab_cov, rgb, cov, None, "rectangle", (up - down) / 2, ways, empty=area.empty,
        plain=(plain + shift, plain_cov + ways.T @ ways),
    ), jacobian  # fmt: skip


def _compare(
    spots: Mapping[str, ReadColour], jacobians: list[Array], parts: tuple[Array, Array], estimate: Estimate
) -> dict[str, Any]:
    """The difference of both liquids: what they share of white and light moves both, and counts once."""
    if len(spots) < 2:
        return {}
    ref, bat = spots["reference"], spots["batch"]
    turn = np.hstack([-jacobians[0], jacobians[1]])
    own, scene = (turn @ part @ turn.T for part in parts)
    tone, lost = tone_covariance(ref, bat), lost_between(ref, bat)
    return record_difference(ref.lab, bat.lab, Pair(own, scene, estimate.phone + tone, lost, tone))


# ---- what is said ------------------------------------------------------------------------------------------------


def _check_white(base: _Area) -> None:
    if base.full.any():
        raise PhotoError(flag("clipped").text, "clipped")
    if base.codes.max() < _DARK_CODE:
        raise PhotoError(flag("too-dark").text, "too-dark")


def _check_brightness(spots: list[str], luminance: Array) -> None:
    for spot, part_of_white in zip(spots, luminance, strict=True):
        if part_of_white > 1.1:
            raise InputError(
                f"The {spot} rectangle is brighter than the white one. Draw the white rectangle on white or grey paper in "
                f"the same light, and the {spot} one inside the liquid."
            )


def _flags(
    photo: Photo, base: _Area, areas: Mapping[str, _Area], spots: Mapping[str, ReadColour], light: Array
) -> list[Flag]:
    flags = [] if photo.profile.understood else [flag("profile-unknown")]
    flags.append(flag("no-card-mode"))
    flags += [flag(f"no-{spot}") for spot in ("reference", "batch") if spot not in areas]
    carried = {s: float(np.abs((a.centre - base.centre) @ base.slope).max()) for s, a in areas.items()}
    worst = max(carried, key=lambda spot: carried[spot])
    if carried[worst] > _SLOPE_TOLD:
        flags.append(flag("light-slopes", spot=worst, percent=100 * np.expm1(carried[worst])))
    parts = parts_of_water(np.stack([colour.rgb for colour in spots.values()]))
    for spot, area in areas.items():
        if area.glints > 0.15:
            told = UNLIKE_THE_REST.format(spot=spot, percent=100 * area.glints)
            flags.append(flag("glare", spot=spot, percent=100 * area.glints).having(text=told))
        if area.empty.any():
            channel = _NAMES[int(np.argmax(area.empty))]
            flags.append(flag("channel-empty", spot=spot, channel=channel, parts=parts))
        elif area.full.any():
            flags.append(flag("channel-full", spot=spot, channel=_NAMES[int(np.argmax(area.full))]))
    return flags


def _outline(rectangle: Rectangle) -> list[list[float]]:
    x, y, w, h = (float(v) for v in rectangle)
    return [[x, y], [x + w, y], [x + w, y + h], [x, y + h], [x, y]]
