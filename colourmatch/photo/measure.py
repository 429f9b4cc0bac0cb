"""One photo from file to readings: the order of the steps and the rules that raise flags; no pixels of its own.

It gives what the command line prints of a photo; it refuses to know stocks, doses and lots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import compare_lab
from colourmatch.colour.gamut import least_value
from colourmatch.colour.spaces import RGB_TO_XYZ, lab_to_xyz, xyz_to_lab
from colourmatch.errors import ColourMatchError, PhotoError
from colourmatch.measurement import CardSeen, Flag, Measurement, SpotColour, ToneRecord, record_difference
from colourmatch.photo.camera import expect_camera
from colourmatch.photo.card import Card, read_card
from colourmatch.photo.checks import (
    SPOTS,
    check_cover,
    check_glasses,
    check_light,
    check_liquid,
    check_view,
    choose_white,
)
from colourmatch.photo.clarity import Clarity, judge_clarity
from colourmatch.photo.field import LightField
from colourmatch.photo.flat import FlatCard, flatten_card, mask_paper
from colourmatch.photo.light import fit_light
from colourmatch.photo.load import Photo, load_photo
from colourmatch.photo.locate import CardPose, find_card
from colourmatch.photo.quality import flag
from colourmatch.photo.retone import record_known
from colourmatch.photo.spot import SpotReading, read_spot
from colourmatch.photo.stripes import find_stripes
from colourmatch.photo.tone import KnownGreys, ToneCurve, ToneMap, align_channels, fit_curve
from colourmatch.photo.veil import estimate_veil
from colourmatch.records import rounded, significant

Array = NDArray[np.float64]
#: Whether each channel lies at an end of its range.
Ends = Sequence[bool] | NDArray[np.bool_]

#: One reading differs from another of the same liquid by this much beyond what its own pixels show: surface
#: reflection and glass of each vessel (part of white), and the light between the paper cells (natural log).
VESSEL_WHITE, VESSEL_LOG = 0.0011, 0.0020
#: A phone's colour matrix and tone curve map a true difference g to (1 + A) g, each term of A about this large (sd)
#: along L*, a*, b*; see calibration/README.md.
SCALE_SD = np.array([0.04, 0.10, 0.14])
#: What a tone curve's dark end strays where a channel is empty (sd, part of white), and its bright end where one is full
#: (sd, part of the value).
DARK_SD, BRIGHT_SD = 0.01, 0.05
#: Absolute colours carry the phone's own error: of what its matrix takes from one linear Display P3 channel to another,
#: white kept white, the part that is not known (sd, for red, green and blue); see calibration/README.md.
MATRIX_SD = np.array([0.062, 0.071, 0.054])


@dataclass(frozen=True)
class ReadColour:
    """Colour of one liquid as the pixels give it: Lab (D65, 2 degrees) relative to `white`, covariance of the reading.

    tone_shifts (7, 3): Lab per standard deviation of the photo's tone curve and veil, common to all its spots; lost (3, 3):
    covariance in Lab of what a channel at an end of its range no longer holds, which rgb shows as read; scene (3, 3): the
    part of covariance that further photos of the same vessels repeat; base (3,): the white, relative to paper; empty (3,):
    channels that hold no light that can be told from none.
    """

    lab: Array
    covariance: Array
    rgb: Array
    rgb_covariance: Array
    clarity: Clarity | None
    white: str
    tone_shifts: Array = field(default_factory=lambda: np.zeros((7, 3)))
    lost: Array = field(default_factory=lambda: np.zeros((3, 3)))
    scene: Array = field(default_factory=lambda: np.zeros((3, 3)))
    base: Array = field(default_factory=lambda: np.ones(3))
    empty: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(3, bool))

    @property
    def lab_sd(self) -> Array:
        """Standard deviation of the absolute Lab, the phone's own error included, shape (3,)."""
        own = np.diag(self.covariance + self.lost) + (self.tone_shifts**2).sum(axis=0)
        return np.sqrt(own + phone_sd(self.lab) ** 2 + 0.25**2)

    def record(self) -> SpotColour:
        """The spot as it is recorded."""
        return SpotColour(
            lab=rounded(self.lab, 3),
            lab_sd=rounded(self.lab_sd, 3),
            lab_covariance=rounded(self.covariance + self.lost, 5),
            tone_covariance=rounded(self.tone_shifts.T @ self.tone_shifts, 5),
            rgb=rounded(self.rgb, 5),
            rgb_covariance=significant(self.rgb_covariance, 4),
            clarity=None if self.clarity is None else round(min(self.clarity.value, 1.0), 3),
            clarity_sd=None if self.clarity is None else round(self.clarity.sd, 3),
            white=self.white,
        )


@dataclass(frozen=True)
class Tone:
    """Both parts of a photo's tones: the curve common to the channels, and their alignment on each other."""

    curve: ToneCurve
    channels: ToneMap

    def correct(self, rgb: Array) -> Array:
        """Paper-relative linear values, shape (..., 3), without veil and with the channels aligned."""
        return self.channels.apply(self.curve.take_veil(rgb))


def measure_photo(
    source: Path | str | bytes, name: str | None = None, greys: KnownGreys | None = None
) -> Measurement:
    """Measure one photo of the printed card; PhotoError when it must be refused, with what to do next.

    greys: what the greys of this printed card really reflect, where that is known (photo/card_profile.py).
    """
    photo = load_photo(source, name)
    card = read_card()
    pose = find_card(photo.rgb, card)
    check_view(pose, card, photo)
    whole, band = flatten_card(photo, pose, card)
    curve = fit_curve(whole, greys)
    table = curve.table(photo.profile.decode_table)
    whole, band = whole.redecoded(table), band.redecoded(table)
    stripes = find_stripes(photo, pose, whole)
    light = _find_light(whole, pose, stripes)
    tone = Tone(curve, align_channels(whole, light, curve, greys))
    readings = {spot: read_spot(band, light, spot) for spot in SPOTS}
    unknown = [] if photo.profile.understood else [flag("profile-unknown")]
    flags = [*unknown, *pose.flags, *check_glasses(readings, card), *check_light(light, readings, card)]
    if stripes:
        flags.append(flag("striped-paper", percent=100 * stripes))
    white, white_flags = choose_white(readings)
    flags += white_flags
    spots = _to_colours(readings, light, white, (photo, band, tone))
    parts = parts_of_water(np.stack([colour.rgb for colour in spots.values()]))
    flags += [
        f
        for spot in ("reference", "batch")
        if spot in spots
        for f in check_liquid(readings[spot], spots[spot].clarity, spots[spot].empty, parts)
    ]
    return Measurement(
        photo=photo.name,
        sha256=photo.sha256,
        phone=photo.phone,
        taken_at=photo.taken_at,
        taken_offset=photo.taken_offset,
        profile=photo.profile.name,
        card=CardSeen(
            version=card.version,
            markers=len(pose.markers),
            reprojection_mm=round(pose.reprojection_mm, 3),
            tilt_degrees=round(pose.tilt_degrees, 1),
            px_per_mm=round(pose.px_per_mm, 2),
        ),
        quality=tuple(flags),
        spots={spot: spots[spot].record() if spot in spots else None for spot in SPOTS},
        drawing=_describe_drawing(pose, card, readings, photo),
        tone=_record_tone(spots, light, (photo, whole, tone), greys),
        **_compare(spots),
    )


def _record_tone(
    spots: dict[str, ReadColour],
    light: LightField,
    context: tuple[Photo, FlatCard, Tone],
    greys: KnownGreys | None,
) -> ToneRecord | None:
    """What is needed to read the photo under another curve; None without a fitted curve or without water."""
    photo, flat, tone = context
    blank = spots.get("blank")
    if not tone.curve.fitted or blank is None or blank.white != "blank":
        return None
    points = {spot: np.array([flat.card.window_centre_mm(spot)]) for spot in spots}
    paper = {spot: light.at(point)[0] for spot, point in points.items()}
    to_xyz = np.asarray(photo.profile.to_xyz, float)
    known_map = (
        np.column_stack([tone.channels.knots_log, tone.channels.known_log]) if greys else np.empty((0, 2))
    )
    known = record_known(greys)
    return ToneRecord(
        terms=rounded(tone.curve.terms, 6),
        white=rounded(blank.base, 6),
        paper={spot: rounded(level, 6) for spot, level in paper.items()},
        greys=significant(tone.curve.greys, 6),
        known=None if known is None else significant(known, 6),
        to_xyz=significant(to_xyz, 8),
        known_map=significant(known_map, 6),
    )


def refuse(name: str, error: ColourMatchError) -> Measurement:
    """The measurement of a photo that was refused, so that a list of photos keeps a line for it."""
    return Measurement(photo=name, quality=(Flag(error.code, "refuse", error.text),), refused=error.text)


def measure_or_refuse(
    source: Path | str | bytes, name: str | None = None, greys: KnownGreys | None = None
) -> Measurement:
    """As `measure_photo`, with the refusal as a result instead of an exception."""
    try:
        return measure_photo(source, name, greys)
    except PhotoError as error:
        return refuse(name or (Path(source).name if not isinstance(source, bytes) else "photo"), error)


def _find_light(whole: FlatCard, pose: CardPose, stripes: float) -> LightField:
    """The light from the bare paper; where stripes hide the paper, that is said and not what they make it look like."""
    try:
        light = fit_light(whole, mask_paper(whole.card, whole.px_per_mm), pose.markers)
        check_cover(light, whole.card)
    except PhotoError as error:
        if stripes and error.code in ("no-card", "spot-not-in-view"):
            raise PhotoError(flag("striped-card").text, "striped-card") from None
        raise
    return light


def _to_colours(
    readings: dict[str, SpotReading], light: LightField, white: str, context: tuple[Photo, FlatCard, Tone]
) -> dict[str, ReadColour]:
    photo, flat, tone = context
    card = flat.card
    glasses = tuple(s for s in SPOTS if readings[s].present)
    veil = estimate_veil({s: readings[s].bars for s in SPOTS}, glasses, tone.curve.terms[3])
    base = tone.correct(readings["blank"].rgb - veil.value["blank"]) if white == "blank" else np.ones(3)
    plain = readings["blank"].bars  # with no glass on the blank spot its bars are seen bare
    out = {}
    for spot in SPOTS:
        reading = readings[spot]
        if not reading.present:
            continue
        bare = np.maximum(reading.rgb - veil.value[spot], 1e-4)
        unsure = np.sqrt(np.diag(reading.rgb_cov) + veil.own_sd[spot] ** 2 + veil.common_sd**2)
        empty = np.array(reading.empty) | (reading.rgb - veil.value[spot] < 2 * unsure)
        rgb = tone.correct(bare) / base
        point = np.array([card.window_centre_mm(spot)])
        vessel = VESSEL_LOG**2 * np.outer(rgb, rgb) + VESSEL_WHITE**2
        cov = (
            reading.rgb_cov / np.outer(base, base)
            + float(light.covariance(point)[0, 0]) * np.outer(rgb, rgb)
            + vessel
            + veil.own_sd[spot] ** 2
            + tone.channels.covariance(bare)
        )
        paper = light.at(point)[0]
        own, whites = tone.curve.shifts(rgb * base, paper), tone.curve.shifts(base, paper)
        lab, lab_cov, jacobian = propagate(rgb, cov, photo.profile.to_xyz)
        under_veil = veil.common_sd * (1 - rgb * (white == "blank")) / base
        shifts = np.vstack([(own - whites * rgb) / base, under_veil]) @ jacobian.T
        shift, lost = place_ends(rgb, (empty, reading.full), photo.profile.to_xyz, jacobian)
        # where a channel is empty, black and liquid meet at the bottom of the range; where bars are a few pixels they blur
        judged = reading.bars and plain and not empty.any() and rgb.min() > 0.02 and flat.coarseness < 1.6
        clarity = (
            judge_clarity(reading.bars, plain, tone.curve.terms[3])
            if judged and reading.bars and plain
            else None
        )
        scene = jacobian @ vessel @ jacobian.T
        out[spot] = ReadColour(
            lab + shift, lab_cov, rgb, cov, clarity, white, shifts, lost, scene, base, empty
        )
    return out


def propagate(rgb: Array, cov: Array, to_xyz: Array) -> tuple[Array, Array, Array]:
    """Lab, its covariance and its Jacobian (3, 3) to rgb by first-order propagation (JCGM 100:2008, 5.2).

    The error that phone cameras have in common is taken out on the way (photo/camera.py).
    """
    to_xyz = expect_camera(to_xyz)
    step = 1e-4
    around = rgb + step * np.vstack([np.zeros(3), np.eye(3), -np.eye(3)])
    lab, up, down = np.split(xyz_to_lab(around @ to_xyz.T), [1, 4])
    jacobian = (up - down).T / (2 * step)
    return lab[0], jacobian @ cov @ jacobian.T, jacobian


def place_ends(rgb: Array, ends: tuple[Ends, Ends], to_xyz: Array, jacobian: Array) -> tuple[Array, Array]:
    """How far the Lab of a reading is to be moved (3,), and the covariance (3, 3) in Lab of what its ends do not hold.

    rgb (3,) as read; ends: which channels are empty and which are full; to_xyz (3, 3) of the photo's profile; jacobian:
    of Lab to rgb. An empty channel is a bound: a strong colour lies outside the gamut of its file and was cut off at
    nothing. The truth lies anywhere between the colour as read and that with the least that the channel of a thing can
    have (colour/gamut.py): the middle of both, with the standard deviation of an even spread (JCGM 100:2008, 4.3.7). A
    dark or a bright end of a tone curve strays besides.
    """
    empty, full = ends
    strays = np.where(empty, DARK_SD, np.where(full, BRIGHT_SD * rgb, 0.0))
    shift, lost = np.zeros(3), jacobian @ np.diag(strays**2) @ jacobian.T
    turn = expect_camera(to_xyz)
    for channel in np.flatnonzero(empty):
        least = rgb.copy()
        least[channel] = least_value(rgb, int(channel), turn)
        way = xyz_to_lab(least @ turn.T) - xyz_to_lab(rgb @ turn.T)
        shift += way / 2
        lost += np.outer(way, way) / 12
    return shift, lost


def phone_sd(lab: Array) -> Array:
    """Standard deviation of L*, a*, b* from the error of an unknown phone's matrix, shape (..., 3) as lab.

    What is read is (I + E) of the truth in linear light, rows of E summing to 0, since white stays white: a channel
    errs by its distance from the other two, each weighed by an unknown of MATRIX_SD. Half of what Lab changes from one
    standard deviation below to one above counts (JCGM 100:2008, 5.1.3, note 2), for near black CIELAB is steep and no
    tristimulus value is negative. Grey has none of it, and a channel near 0 much.
    """
    to_xyz = RGB_TO_XYZ["Display P3"].T
    linear = lab_to_xyz(lab) @ np.linalg.inv(to_xyz)
    errors = (MATRIX_SD * channels_apart(linear))[..., None] * np.eye(3)
    up, down = (xyz_to_lab(np.maximum((linear[..., None, :] + e) @ to_xyz, 0.0)) for e in (errors, -errors))
    sd: Array = np.sqrt((((up - down) / 2) ** 2).sum(axis=-2))
    return sd


def channels_apart(linear: Array) -> Array:
    """Distance of each linear channel from the other two, shape (..., 3)."""
    apart: Array = np.sqrt(((linear[..., :, None] - linear[..., None, :]) ** 2).sum(axis=-1))
    return apart


def _compare(spots: dict[str, ReadColour]) -> dict[str, Any]:
    """What a measurement holds of the difference of both liquids."""
    if "reference" not in spots or "batch" not in spots:
        return {}
    ref, bat = spots["reference"], spots["batch"]
    noise, phone, lost = ref.covariance + bat.covariance, phone_covariance(ref, bat), ref.lost + bat.lost
    scene = ref.scene + bat.scene
    return record_difference(
        compare_lab(ref.lab, bat.lab, noise, phone, lost), noise - scene, scene, phone, lost
    )


def phone_covariance(ref: ReadColour, bat: ReadColour) -> Array:
    """What an unknown phone may make of the difference of two spots: matrix and tone curve; (3, 3)."""
    tone = bat.tone_shifts - ref.tone_shifts
    return np.diag((SCALE_SD * stretch(bat.lab - ref.lab)) ** 2) + tone.T @ tone


def stretch(gap: Array) -> float:
    """Length of a Lab difference, counted longer the further apart two colours are: a phone's error is least alike then."""
    length = float(np.linalg.norm(gap))
    return length * (1 + length / 60)


def parts_of_water(rgb: Array) -> int:
    """Parts of water to one of liquid that bring the strongest channel's absorbance to about 0.7 (Beer-Lambert).

    rgb, shape (..., 3): of several liquids, which all get the same, the strongest counts.
    """
    strongest = -np.log10(max(float(rgb.min()), 1e-3))
    return max(1, int(np.ceil(strongest / 0.7)) - 1)


def _describe_drawing(
    pose: CardPose, card: Card, readings: dict[str, SpotReading], photo: Photo
) -> dict[str, Any]:
    """Outlines in full-size pixels for a screen to draw: markers, windows and glasses."""
    turn = np.linspace(0, 2 * np.pi, 37)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)

    def outline(points_mm: Array) -> Any:
        return rounded((pose.project(points_mm) + 0.5) * photo.full_scale - 0.5, 1).tolist()

    glasses = {n: r.glass for n, r in readings.items() if r.present and r.glass}
    return {
        "size": list(photo.full_size),
        "markers": {str(i): outline(card.marker_corners_mm(i)) for i in pose.markers},
        "windows": {
            n: outline(np.array(card.window_centre_mm(n)) + card.window_radius_mm * circle)
            for n, r in readings.items()
            if r.present
        },
        "glasses": {n: outline(np.array(g.centre_mm) + g.inner_mm * circle) for n, g in glasses.items()},
    }
