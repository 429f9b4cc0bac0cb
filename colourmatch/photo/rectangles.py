"""Readings from rectangles on any photo, with any white or grey card and any vessels; no printed card is sought.

What the printed card would check is not known here: evenness of light, reflections, the vessel's shape. The light is
taken as even from the white rectangle to the liquids, and the interval is widened for that.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import compare_lab
from colourmatch.errors import InputError, PhotoError
from colourmatch.photo.load import Photo, load_photo
from colourmatch.photo.measure import SCALE_SD, Measurement, SpotColour, propagate, stretch
from colourmatch.photo.quality import Flag, flag
from colourmatch.photo.reading import HIGH_CODE, LOW_CODE

Array = NDArray[np.float64]
Rectangle = tuple[float, float, float, float]

#: Light between two places of an unchecked photo (natural log, sd), and what glass, bottle wall and reflections add
#: (part of white): common practice, no source; several times what the printed card leaves.
_UNEVEN_LOG, _VESSEL_WHITE = 0.03, 0.01
#: A rectangle needs at least this many pixels of the working picture.
_FEWEST_PIXELS = 60


def measure_rectangles(
    source: Path | str | bytes,
    white: Rectangle,
    reference: Rectangle | None = None,
    batch: Rectangle | None = None,
    name: str | None = None,
) -> Measurement:
    """Measure the liquids in rectangles against a white or grey one, each (x, y, width, height) in full-size pixels.

    Pixels count from the top left of the photo as it is shown (turned upright). InputError for a rectangle outside the
    photo or too small, or when neither reference nor batch is given; PhotoError for a photo that cannot be read.
    """
    if reference is None and batch is None:
        raise InputError("Give a rectangle for the reference or for the batch, or for both.")
    photo = load_photo(source, name)
    base, base_cov, base_codes = _read(photo, white, "white")
    if base_codes.max() > HIGH_CODE:
        raise PhotoError(flag("clipped").text, "clipped")
    if base_codes.max() < 40:
        raise PhotoError(flag("too-dark").text, "too-dark")
    spots, flags = {}, [flag("no-card-mode")]
    for spot, rectangle in (("reference", reference), ("batch", batch)):
        if rectangle is None:
            flags.append(flag(f"no-{spot}"))
            continue
        value, cov, codes = _read(photo, rectangle, spot)
        rgb = value / base
        if rgb.min() > 1.1:
            raise InputError(
                f"The {spot} rectangle is brighter than the white one. Draw the white rectangle on white or grey paper in "
                f"the same light, and the {spot} one inside the liquid."
            )
        total = cov / np.outer(base, base) + base_cov * np.outer(rgb, rgb) / np.outer(base, base)
        total = total + _UNEVEN_LOG**2 * np.outer(rgb, rgb) + _VESSEL_WHITE**2 * np.ones((3, 3))
        lab, lab_cov, _ = propagate(rgb, total, photo.profile.to_xyz)
        spots[spot] = SpotColour(lab, lab_cov, rgb, total, None, "rectangle")
        flags += _check_range(spot, codes)
    difference = None
    if len(spots) == 2:
        ref, bat = spots["reference"], spots["batch"]
        phone = np.diag((1.5 * SCALE_SD * stretch(bat.lab - ref.lab)) ** 2)
        difference = compare_lab(ref.lab, bat.lab, ref.covariance + bat.covariance, phone)
    outlines = {
        n: r for n, r in (("white", white), ("reference", reference), ("batch", batch)) if r is not None
    }
    return Measurement(
        photo=photo.name, sha256=photo.sha256, phone=photo.phone, taken_at=photo.taken_at, profile=photo.profile.name,
        quality=tuple(flags), spots=spots, difference=difference,
        drawing={
            "size": list(photo.full_size), "markers": {}, "glasses": {},
            "windows": {n: _outline(r) for n, r in outlines.items()},
        },
    )  # fmt: skip


def _outline(rectangle: Rectangle) -> list[list[float]]:
    x, y, w, h = rectangle
    return [[x, y], [x + w, y], [x + w, y + h], [x, y + h], [x, y]]


def _read(photo: Photo, rectangle: Rectangle, what: str) -> tuple[Array, Array, Array]:
    """Mean linear value (3,), its covariance (3, 3) and mean code (3,) of a rectangle, reflections left out."""
    x, y, w, h = (float(v) for v in rectangle)
    width, height = photo.full_size
    if not all(np.isfinite(v) for v in (x, y, w, h)) or w <= 0 or h <= 0:
        raise InputError(f"The {what} rectangle needs x, y, width and height, the last two above 0.")
    if x < 0 or y < 0 or x + w > width or y + h > height:
        raise InputError(
            f"The {what} rectangle lies outside the photo, which is {width} x {height} pixels. Draw it inside."
        )
    scale = photo.full_scale
    rows, cols = (
        slice(int(y / scale), int(np.ceil((y + h) / scale))),
        slice(int(x / scale), int(np.ceil((x + w) / scale))),
    )
    codes = photo.rgb[rows, cols]
    if codes.shape[0] * codes.shape[1] < _FEWEST_PIXELS:
        raise InputError(
            f"The {what} rectangle is too small. Draw it larger, well inside the even part of the colour."
        )
    linear = photo.to_linear(codes).astype(float)
    middle = np.median(linear.reshape(-1, 3), axis=0)
    spread = 1.4826 * np.median(np.abs(linear.reshape(-1, 3) - middle), axis=0)
    clean = (np.abs(linear - middle) <= np.maximum(4.5 * spread, 0.03 * middle + 0.003)).all(axis=-1)
    if clean.mean() < 0.3 or (spread > 0.25 * middle + 0.02).any():
        raise InputError(
            f"The {what} rectangle is not one even colour. Draw it inside the liquid, away from edges and reflections."
        )
    blocks = [
        linear[r][:, c][clean[r][:, c]].mean(axis=0)
        for r in np.array_split(np.arange(codes.shape[0]), 3)
        for c in np.array_split(np.arange(codes.shape[1]), 3)
        if clean[r][:, c].any()
    ]
    cov = np.cov(np.array(blocks).T) / len(blocks) if len(blocks) > 3 else np.diag((0.02 * middle) ** 2)
    return linear[clean].mean(axis=0), cov, codes[clean].mean(axis=0)


def _check_range(spot: str, codes: Array) -> list[Flag]:
    names = ("red", "green", "blue")
    if codes.min() < LOW_CODE:
        return [flag("channel-empty", spot=spot, channel=names[int(codes.argmin())], parts=4)]
    if codes.max() > HIGH_CODE:
        return [flag("channel-full", spot=spot, channel=names[int(codes.argmax())])]
    return []
