"""One photo from file to readings: the order of the steps and the rules that raise flags; no pixels of its own.

It gives what the command line prints of a photo; it refuses to know stocks, doses and lots.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from colourmatch.errors import ColourMatchError, PhotoError
from colourmatch.measurement import CardSeen, Drawing, Flag, Measurement, Pair, ToneRecord, record_difference
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
from colourmatch.photo.clarity import judge_clarity
from colourmatch.photo.estimate import Estimate, GlassReading, estimate_pair
from colourmatch.photo.field import LightField
from colourmatch.photo.flat import FlatCard, flatten_card, mask_paper
from colourmatch.photo.light import fit_light
from colourmatch.photo.load import Photo, load_photo
from colourmatch.photo.locate import CardPose, find_card
from colourmatch.photo.quality import flag
from colourmatch.photo.read_colour import (
    VESSEL_LOG,
    VESSEL_WHITE,
    ReadColour,
    lost_between,
    place_ends,
    propagate,
    tell_estimated,
    tone_covariance,
)
from colourmatch.photo.refused import describe_refused
from colourmatch.photo.retone import record_known
from colourmatch.photo.spot import SpotReading, read_spot
from colourmatch.photo.stripes import find_stripes
from colourmatch.photo.tone import TINTED_LOG, KnownGreys, ToneCurve, ToneMap, align_channels, fit_curve
from colourmatch.photo.veil import estimate_veil
from colourmatch.records import Array, pick, rounded, significant

#: What a measurement has from the file as it is.
FROM_FILE = ("sha256", "phone", "taken_at", "taken_offset")


@dataclass(frozen=True)
class Tone:
    """Both parts of a photo's tones: the curve common to the channels, and their alignment on each other."""

    curve: ToneCurve
    channels: ToneMap

    def correct(self, rgb: Array) -> Array:
        """Paper-relative linear values, shape (..., 3), without veil and with the channels aligned."""
        return self.channels.apply(self.curve.take_veil(rgb))


def measure_photo(source: Path | str | bytes, name: str | None = None, greys: KnownGreys | None = None) -> Measurement:
    """Measure one photo of the printed card; PhotoError when it must be refused, with what to do next.

    greys: what the greys of this printed card really reflect, where that is known (photo/card_profile.py).
    """
    photo, pose = load_photo(source, name), None
    try:
        pose = find_card(photo.rgb)
        return _measure(photo, pose, greys)
    except PhotoError as error:
        error.seen = describe_refused(photo, pose, error)
        raise


def _measure(photo: Photo, pose: CardPose, greys: KnownGreys | None) -> Measurement:
    """A photo in which the card was found."""
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
        **pick(photo, *FROM_FILE),
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
        **_compare(spots, estimate),
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
    known_map = np.column_stack([tone.channels.knots_log, tone.channels.known_log]) if greys else np.empty((0, 2))
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
) -> tuple[dict[str, ReadColour], dict[str, GlassReading]]:
    """The colour of each glass as read, and its readings over white and over the fields for the estimate."""
    photo, flat, tone = context
    card = flat.card
    glasses = tuple(s for s in SPOTS if readings[s].present)
    veil = estimate_veil({s: readings[s].bars for s in SPOTS}, glasses, tone.curve.terms[3])
    base = tone.correct(readings["blank"].rgb - veil.value["blank"]) if white == "blank" else np.ones(3)
    plain = readings["blank"].bars  # with no glass on the blank spot its bars are seen bare
    to_p3 = photo.profile.to_p3
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
        light_variance = float(light.covariance(point)[0, 0])
        vessel = VESSEL_LOG**2 * np.outer(rgb, rgb) + VESSEL_WHITE**2
        cov = (
            reading.rgb_cov / np.outer(base, base)
            + light_variance * np.outer(rgb, rgb)
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
        clarity = judge_clarity(reading.bars, plain, tone.curve.terms[3]) if judged and reading.bars and plain else None
        scene = jacobian @ vessel @ jacobian.T
        own = reading.rgb_cov + tone.channels.covariance(bare)
        fields = reading.fields and reading.fields.corrected(tone.correct, veil.value[spot], to_p3)
        glasses_read[spot] = GlassReading(
            values=np.concatenate([(rgb * base @ to_p3.T)[None], fields.values if fields else np.empty((0, 3))]),
            own=to_p3 @ own @ to_p3.T,
            field_sd=fields.sd if fields else np.empty((0, 3)),
            seen=fields.seen if fields else np.zeros(0, bool),
            part_sd=float(np.hypot(VESSEL_LOG, np.sqrt(light_variance))),
            white_sd=float(np.hypot(VESSEL_WHITE, veil.own_sd[spot])),
            scene_part_sd=VESSEL_LOG,
            scene_white_sd=VESSEL_WHITE,
            spot=spot,
        )
        out[spot] = ReadColour(lab + shift, lab_cov, rgb, cov, clarity, white, shifts, ways, scene, base, empty, fields)
    return out, glasses_read


def _estimate(
    spots: dict[str, ReadColour], glasses: dict[str, GlassReading], photo: Photo
) -> tuple[dict[str, ReadColour], Estimate | None]:
    """The colours as the expectation over what could have made the readings; what was read stays beside them."""
    liquids = [glasses[spot] for spot in ("reference", "batch") if spot in glasses]
    if not liquids:
        return spots, None
    water = glasses["blank"] if "blank" in spots and spots["blank"].white == "blank" else None
    estimate = estimate_pair(liquids[0], liquids[-1], water, srgb=photo.profile.name == "sRGB")
    read = {
        spot: replace(one, covariance=noise, plain=(one.lab, one.covariance + one.lost))
        for spot, noise in zip(("reference", "batch"), estimate.covariance, strict=True)
        if (one := spots.get(spot))
    }
    told = tell_estimated(read, estimate.lab, estimate.absolute)
    return spots | told, estimate if len(liquids) == 2 else None


def _compare(spots: dict[str, ReadColour], estimate: Estimate | None) -> dict[str, Any]:
    """The difference of both liquids and what is unsure of it."""
    if estimate is None:
        return {}
    ref, bat = spots["reference"], spots["batch"]
    unsure = pick(estimate, "scene", "phone")
    spread = Pair(estimate.own, **unsure, lost=lost_between(ref, bat), tone=tone_covariance(ref, bat))
    out = record_difference(ref.lab, bat.lab, spread)
    return out if estimate.metamerism is None else out | {"metamerism": estimate.metamerism}


def parts_of_water(rgb: Array) -> int:
    """Parts of water to one of liquid that bring the strongest channel's absorbance to about 0.7 (Beer-Lambert).

    rgb, shape (..., 3): of several liquids, which all get the same, the strongest counts.
    """
    strongest = -np.log10(max(float(rgb.min()), 1e-3))
    return max(1, int(np.ceil(strongest / 0.7)) - 1)


def _describe_drawing(pose: CardPose, card: Card, readings: dict[str, SpotReading], photo: Photo) -> Drawing:
    """Outlines in full-size pixels for a screen to draw: markers, windows and glasses."""
    turn = np.linspace(0, 2 * np.pi, 37)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)

    def outline(points_mm: Array) -> Any:
        return rounded((pose.project(points_mm) + 0.5) * photo.full_scale - 0.5, 1).tolist()

    glasses = {n: r.glass for n, r in readings.items() if r.present and r.glass}
    return Drawing(
        list(photo.full_size),
        {str(i): outline(card.marker_corners_mm(i)) for i in pose.markers},
        {
            n: outline(np.array(card.window_centre_mm(n)) + card.window_radius_mm * circle)
            for n, r in readings.items()
            if r.present
        },
        {n: outline(np.array(g.centre_mm) + g.inner_mm * circle) for n, g in glasses.items()},
    )
