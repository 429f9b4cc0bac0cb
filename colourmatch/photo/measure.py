"""One photo from file to readings: the order of the steps and the rules that raise flags; no pixels of its own.

It gives what the command line prints of a photo; it refuses to know stocks, doses and lots.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.difference import Difference, compare_lab
from colourmatch.colour.gamut import least_value
from colourmatch.colour.spaces import RGB_TO_XYZ, lab_to_xyz, xyz_to_lab
from colourmatch.errors import ColourMatchError, PhotoError
from colourmatch.photo.camera import expect_camera
from colourmatch.photo.card import Card
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
from colourmatch.photo.colour_fields import FieldsReading
from colourmatch.photo.estimate import Estimate, GlassReading, estimate_pair
from colourmatch.photo.field import LightField
from colourmatch.photo.flat import FlatCard, flatten_card, mask_paper
from colourmatch.photo.light import fit_light
from colourmatch.photo.load import Photo, load_photo
from colourmatch.photo.locate import CardPose, find_card
from colourmatch.photo.quality import Flag, flag
from colourmatch.photo.retone import ToneRecord, record_known
from colourmatch.photo.spot import SpotReading, read_spot
from colourmatch.photo.stripes import find_stripes
from colourmatch.photo.tone import TINTED_LOG, KnownGreys, ToneCurve, ToneMap, align_channels, fit_curve
from colourmatch.photo.veil import estimate_veil

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
#: Part of what a file cuts off that two liquids in it have in common.
_CUT_ALIKE = 0.8
#: Absolute colours carry the phone's own error: of what its matrix takes from one linear Display P3 channel to another,
#: white kept white, the part that is not known (sd, for red, green and blue); see calibration/README.md.
MATRIX_SD = np.array([0.062, 0.071, 0.054])


@dataclass(frozen=True)
class SpotColour:
    """Colour of one liquid: Lab (D65, 2 degrees) relative to `white`, covariance of the reading, and the total sd.

    tone_shifts (7, 3): Lab per standard deviation of the photo's tone curve and veil, common to all its spots; ways (6, 3):
    what a channel at an end of its range no longer holds (place_ends), which rgb shows as read; scene (3, 3): the
    part of covariance that further photos of the same vessels repeat; base (3,): the white, relative to paper; empty (3,):
    channels that hold no light that can be told from none. fields: the colour fields under it, linear Display P3 relative
    to paper. plain: Lab and covariance (3, 3) of the reading by itself, before the estimate of what three channels cannot
    tell (photo/estimate.py); absolute (3, 3): covariance of the estimated Lab, the phone's own error included.
    """

    lab: Array
    covariance: Array
    rgb: Array
    rgb_covariance: Array
    clarity: Clarity | None
    white: str
    tone_shifts: Array = field(default_factory=lambda: np.zeros((7, 3)))
    ways: Array = field(default_factory=lambda: np.zeros((6, 3)))
    scene: Array = field(default_factory=lambda: np.zeros((3, 3)))
    base: Array = field(default_factory=lambda: np.ones(3))
    empty: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(3, bool))
    fields: FieldsReading | None = None
    plain: tuple[Array, Array] | None = None
    absolute: Array | None = None

    @property
    def lost(self) -> Array:
        """Covariance in Lab (3, 3) of what a channel at an end of its range no longer holds."""
        return np.asarray(self.ways.T @ self.ways)

    @property
    def lab_sd(self) -> Array:
        """Standard deviation of the absolute Lab, the phone's own error included, shape (3,)."""
        if self.absolute is not None:
            return np.sqrt(np.diag(self.absolute + self.lost))
        own = np.diag(self.covariance + self.lost) + (self.tone_shifts**2).sum(axis=0)
        return np.sqrt(own + phone_sd(self.lab) ** 2 + 0.25**2)

    def to_json(self) -> dict[str, Any]:
        """The spot as the command line prints it."""
        return {
            "lab": _rounded(self.lab, 3),
            "lab_sd": _rounded(self.lab_sd, 3),
            "lab_covariance": [_rounded(row, 5) for row in self.covariance + self.lost],
            "tone_covariance": [_rounded(row, 5) for row in self.tone_shifts.T @ self.tone_shifts],
            "rgb": _rounded(self.rgb, 5),
            "rgb_covariance": [[float(f"{v:.4g}") for v in row] for row in self.rgb_covariance],
            "clarity": None if self.clarity is None else round(min(self.clarity.value, 1.0), 3),
            "clarity_sd": None if self.clarity is None else round(self.clarity.sd, 3),
            "white": self.white,
        }


@dataclass(frozen=True)
class Pair:
    """What is unsure of the Lab difference of one photo's liquids, as four covariances (3, 3).

    own: this photo's alone; scene: the same in every photo of these vessels; phone: a part of the difference itself,
    the same in every photo of this phone; lost: what channels at an end of their range no longer hold.
    """

    own: Array
    scene: Array
    phone: Array
    lost: Array = field(default_factory=lambda: np.zeros((3, 3)))

    def to_json(self) -> dict[str, list[list[float]]]:
        """The `uncertainty` object of the command line."""
        parts = {"photo": self.own, "scene": self.scene, "phone": self.phone, "lost": self.lost}
        return {name: [[float(f"{v:.4g}") for v in row] for row in part] for name, part in parts.items()}


@dataclass(frozen=True)
class Tone:
    """Both parts of a photo's tones: the curve common to the channels, and their alignment on each other."""

    curve: ToneCurve
    channels: ToneMap

    def correct(self, rgb: Array) -> Array:
        """Paper-relative linear values, shape (..., 3), without veil and with the channels aligned."""
        return self.channels.apply(self.curve.take_veil(rgb))


@dataclass(frozen=True)
class Measurement:
    """Everything read from one photo; `refused` holds the sentence when it could not be measured."""

    photo: str
    sha256: str | None = None
    phone: str | None = None
    taken_at: str | None = None
    taken_offset: str | None = None
    profile: str | None = None
    card: dict[str, Any] | None = None
    quality: tuple[Flag, ...] = ()
    spots: dict[str, SpotColour] = field(default_factory=dict)
    difference: Difference | None = None
    refused: str | None = None
    drawing: dict[str, Any] = field(default_factory=dict)
    pair: Pair | None = None
    rectangles: dict[str, Any] | None = None
    tone: ToneRecord | None = None

    def to_json(self) -> dict[str, Any]:
        """The object of `measure --json`; fields that do not apply are null."""
        delta = self.difference.delta_e_2000.to_json() if self.difference else None
        return {
            "photo": self.photo,
            "sha256": self.sha256,
            "phone": self.phone,
            "taken_at": self.taken_at,
            "taken_offset": self.taken_offset,
            "profile": self.profile,
            "card": self.card,
            "quality": [f.to_json() for f in self.quality],
            "spots": {n: self.spots[n].to_json() if n in self.spots else None for n in SPOTS},
            "delta_e_2000": delta,
            "difference": self.difference.to_json() if self.difference else None,
            "error": self.refused,
            "drawing": self.drawing or None,
            "uncertainty": self.pair.to_json() if self.pair else None,
            "rectangles": self.rectangles,
            "tone": self.tone.to_json() if self.tone else None,
        }


def measure_photo(
    source: Path | str | bytes, name: str | None = None, greys: KnownGreys | None = None
) -> Measurement:
    """Measure one photo of the printed card; PhotoError when it must be refused, with what to do next.

    greys: what the greys of this printed card really reflect, where that is known (photo/card_profile.py).
    """
    photo = load_photo(source, name)
    pose = find_card(photo.rgb)
    card = pose.card
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
    if tone.channels.cast > TINTED_LOG and greys is None:
        flags.append(flag("greys-tinted", percent=100 * np.expm1(tone.channels.cast)))
    if stripes:
        flags.append(flag("striped-paper", percent=100 * stripes))
    white, white_flags = choose_white(readings)
    flags += white_flags
    spots, estimate = _estimate(*_to_colours(readings, light, white, (photo, band, tone)), photo)
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
        card={
            "version": card.version,
            "markers": len(pose.markers),
            "reprojection_mm": round(pose.reprojection_mm, 3),
            "tilt_degrees": round(pose.tilt_degrees, 1),
            "px_per_mm": round(pose.px_per_mm, 2),
        },
        quality=tuple(flags),
        spots=spots,
        **_compare(spots, estimate),
        drawing=_describe_drawing(pose, card, readings, photo),
        tone=_record_tone(spots, light, (photo, whole, tone), greys),
    )


def _record_tone(
    spots: dict[str, SpotColour],
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
    return ToneRecord(
        tone.curve.terms, blank.base, paper, tone.curve.greys, record_known(greys), to_xyz, known_map
    )


def refuse(name: str, error: ColourMatchError) -> Measurement:
    """The measurement of a photo that was refused, so that a list of photos keeps a line for it."""
    return Measurement(name, quality=(Flag(error.code, "refuse", error.text),), refused=error.text)


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
) -> tuple[dict[str, SpotColour], dict[str, GlassReading]]:
    """The colour of each glass as read, and its readings over white and over the fields for the estimate."""
    photo, flat, tone = context
    card = flat.card
    glasses = tuple(s for s in SPOTS if readings[s].present)
    veil = estimate_veil({s: readings[s].bars for s in SPOTS}, glasses, tone.curve.terms[3])
    base = tone.correct(readings["blank"].rgb - veil.value["blank"]) if white == "blank" else np.ones(3)
    plain = readings["blank"].bars  # with no glass on the blank spot its bars are seen bare
    to_p3 = np.linalg.inv(RGB_TO_XYZ["Display P3"]) @ photo.profile.to_xyz
    out, glasses_read = {}, {}
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
        shift, ways = place_ends(rgb, (empty, reading.full), photo.profile.to_xyz, jacobian)
        # where a channel is empty, black and liquid meet at the bottom of the range; where bars are a few pixels they blur
        judged = reading.bars and plain and not empty.any() and rgb.min() > 0.02 and flat.coarseness < 1.6
        clarity = (
            judge_clarity(reading.bars, plain, tone.curve.terms[3])
            if judged and reading.bars and plain
            else None
        )
        scene = jacobian @ vessel @ jacobian.T
        own = reading.rgb_cov + tone.channels.covariance(bare)
        fields = reading.fields and reading.fields.corrected(tone.correct, veil.value[spot], to_p3)
        glasses_read[spot] = GlassReading(
            values=np.concatenate(
                [(rgb * base @ to_p3.T)[None], fields.values if fields else np.empty((0, 3))]
            ),
            own=to_p3 @ own @ to_p3.T,
            field_sd=fields.sd if fields else np.empty((0, 3)),
            seen=fields.seen if fields else np.zeros(0, bool),
            part_sd=float(np.hypot(VESSEL_LOG, np.sqrt(light.covariance(point)[0, 0]))),
            white_sd=float(np.hypot(VESSEL_WHITE, veil.own_sd[spot])),
            scene_part_sd=VESSEL_LOG,
            scene_white_sd=VESSEL_WHITE,
        )
        out[spot] = SpotColour(
            lab + shift, lab_cov, rgb, cov, clarity, white, shifts, ways, scene, base, empty, fields
        )
    return out, glasses_read


def _estimate(
    spots: dict[str, SpotColour], glasses: dict[str, GlassReading], photo: Photo
) -> tuple[dict[str, SpotColour], Estimate | None]:
    """The colours as the expectation over what could have made the readings; what was read stays beside them."""
    liquids = [glasses[spot] for spot in ("reference", "batch") if spot in glasses]
    if not liquids:
        return spots, None
    water = glasses["blank"] if "blank" in spots and spots["blank"].white == "blank" else None
    estimate = estimate_pair(liquids[0], liquids[-1], water, srgb=photo.profile.name == "sRGB")
    read = {spot: spots[spot] for spot in ("reference", "batch") if spot in spots}
    # what a file cut off is in no world: both colours lie where the bound of the empty channel puts them
    cut_off = any(one.empty.any() for one in read.values())
    moved = np.mean([one.lab for one in read.values()], axis=0) - estimate.lab.mean(axis=0)
    out = dict(spots)
    for spot, k in (("reference", 0), ("batch", 1)):
        if spot in read:
            out[spot] = replace(
                read[spot],
                lab=estimate.lab[k] + moved * cut_off,
                covariance=estimate.covariance[k],
                absolute=None if cut_off else estimate.absolute[k],
                plain=(read[spot].lab, read[spot].covariance + read[spot].lost),
            )
    return out, estimate if len(liquids) == 2 else None


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
    """How far the Lab of a reading is to be moved (3,), and the ways (6, 3) in Lab of what its ends do not hold.

    rgb (3,) as read; ends: which channels are empty and which are full; to_xyz (3, 3) of the photo's profile; jacobian:
    of Lab to rgb. An empty channel is a bound: a strong colour lies outside the gamut of its file and was cut off at
    nothing. The truth lies anywhere between the colour as read and that with the least that the channel of a thing can
    have (colour/gamut.py): the middle of both, with the standard deviation of an even spread (JCGM 100:2008, 4.3.7). A
    dark or a bright end of a tone curve strays besides. A way is one standard deviation long.
    """
    empty, full = ends
    strays = np.where(empty, DARK_SD, np.where(full, BRIGHT_SD * rgb, 0.0))
    shift, ways = np.zeros(3), np.concatenate([(jacobian * strays).T, np.zeros((3, 3))])
    turn = expect_camera(to_xyz)
    for channel in np.flatnonzero(empty):
        least = rgb.copy()
        least[channel] = least_value(rgb, int(channel), turn)
        way = xyz_to_lab(least @ turn.T) - xyz_to_lab(rgb @ turn.T)
        shift += way / 2
        ways[3 + channel] = way / np.sqrt(12)
    return shift, ways


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


def lost_between(ref: SpotColour, bat: SpotColour) -> Array:
    """Covariance (3, 3) of what channels at an end hold no longer of a difference.

    What was cut off of two liquids in one file is mostly the same: their ways into the unknown differ by less than each is
    long, and _CUT_ALIKE of each is shared.
    """
    apart = bat.ways - ref.ways
    shared: Array = _CUT_ALIKE * apart.T @ apart + (1 - _CUT_ALIKE) * (ref.lost + bat.lost)
    return shared


def _compare(spots: dict[str, SpotColour], estimate: Estimate | None) -> dict[str, Any]:
    """The difference of both liquids and what is unsure of it."""
    if estimate is None:
        return {}
    ref, bat = spots["reference"], spots["batch"]
    lost = lost_between(ref, bat)
    noise = estimate.own + estimate.scene
    return {
        "difference": compare_lab(ref.lab, bat.lab, noise, estimate.phone, lost),
        "pair": Pair(estimate.own, estimate.scene, estimate.phone, lost),
    }


def phone_covariance(ref: SpotColour, bat: SpotColour) -> Array:
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

    def outline(points_mm: Array) -> list[list[float]]:
        return [_rounded(p, 1) for p in (pose.project(points_mm) + 0.5) * photo.full_scale - 0.5]

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


def _rounded(values: Iterable[float], digits: int) -> list[float]:
    return [round(float(v), digits) for v in values]
