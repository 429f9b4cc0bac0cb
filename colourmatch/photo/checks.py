"""What of a photo is refused or told as doubtful: the view, the glasses, the light, the liquids; it computes no colour."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from colourmatch.errors import PhotoError
from colourmatch.facts import K_95
from colourmatch.photo.card import Card
from colourmatch.photo.clarity import Clarity
from colourmatch.photo.field import LightField
from colourmatch.photo.load import Photo
from colourmatch.photo.locate import CardPose
from colourmatch.photo.quality import Flag, flag
from colourmatch.photo.spot import SpotReading

SPOTS = ("reference", "batch", "blank")
#: Departure of the light from a smooth field over a window (natural log) that is called uneven.
UNEVEN_LOG = 0.02
#: Change of the light's red to blue ratio over the card that is called two kinds of light (natural log).
MIXED_LOG = 0.08
#: Clarity under which, with 95 % certainty, the liquid is called hazy; explained in calibration/README.md.
HAZE_CLARITY = 0.93


def check_view(pose: CardPose, card: Card, photo: Photo) -> None:
    size = (photo.rgb.shape[1], photo.rgb.shape[0])
    for spot in ("reference", "batch"):
        if not pose.holds(card.window_centre_mm(spot), card.window_radius_mm, size):
            raise PhotoError(flag("spot-not-in-view", spot=spot).text, "spot-not-in-view", spot=spot)


def check_cover(light: LightField, card: Card) -> None:
    """Refuse when most of the paper around the reference or batch ring is hidden by something that is not paper."""
    for spot in ("reference", "batch"):
        away = np.linalg.norm(light.cells_mm - np.array(card.spots[spot]), axis=1)
        around = away < card.ring_diameter_mm / 2 + 14
        if not around.any() or light.cells_kept[around].mean() < 0.45:
            raise PhotoError(flag("spot-not-in-view", spot=spot).text, "spot-not-in-view", spot=spot)


def check_glasses(readings: dict[str, SpotReading], card: Card) -> Iterable[Flag]:
    if not readings["reference"].present and not readings["batch"].present:
        raise PhotoError(flag("empty").text, "empty")
    for spot in ("reference", "batch"):
        reading = readings[spot]
        if not reading.present:
            yield flag(f"no-{spot}")
            continue
        if reading.window_share < 0.2:
            raise PhotoError(flag("glass-outside", spot=spot).text, "glass-outside", spot=spot)
        if reading.glint_share > 0.6:
            raise PhotoError(flag("glare-over-window", spot=spot).text, "glare-over-window", spot=spot)
        if reading.window_share < 0.7:
            yield flag("glass-off-centre", spot=spot)
        if reading.glint_share > 0.15:
            yield flag("glare", spot=spot, percent=100 * reading.glint_share)


def check_light(light: LightField, readings: dict[str, SpotReading], card: Card) -> Iterable[Flag]:
    present = [s for s in SPOTS if readings[s].present]
    around = np.array([[0.0, 0.0], *[[38 * np.cos(t), 38 * np.sin(t)] for t in np.arange(0, 6.28, 0.79)]])
    worst: tuple[float, str] = (0.0, present[0])
    for spot in present:
        points = np.clip(np.array(card.spots[spot]) + around, 0, np.array(card.block_mm))
        worst = max(worst, (float(np.abs(light.departure(points)).max()), spot))
    if worst[0] > UNEVEN_LOG:
        yield flag("uneven-light", spot=worst[1], percent=100 * np.expm1(worst[0]))
    corners = np.array(
        [[x, y] for x in np.linspace(0, card.block_mm[0], 6) for y in np.linspace(0, card.block_mm[1], 5)]
    )
    values = np.log(light.at(corners))
    cast = np.ptp(values[:, 0] - values[:, 2])
    if cast > MIXED_LOG:
        yield flag("mixed-light", percent=100 * np.expm1(cast))


def choose_white(readings: dict[str, SpotReading]) -> tuple[str, list[Flag]]:
    """ "blank" when there is a glass of something clear on the blank spot, else "paper"."""
    blank = readings["blank"]
    if not blank.present:
        return "paper", [flag("no-blank")]
    level = np.log(np.maximum(blank.rgb, 1e-4))
    if not -0.25 < level.mean() < 0.06 or np.ptp(level) > 0.04:
        return "paper", [flag("blank-not-clear")]
    return "blank", []


def check_liquid(reading: SpotReading, clarity: Clarity | None, empty: NDArray[np.bool_], parts: int) -> Iterable[Flag]:
    """A hazy liquid, or a channel at an end of its range; parts of water that would bring it back."""
    if clarity is not None and clarity.value + 1.64 * clarity.sd < HAZE_CLARITY:
        low, high = clarity.value - K_95 * clarity.sd, clarity.value + K_95 * clarity.sd
        yield flag("haze", spot=reading.name, clarity=clarity.value, low=low, high=high)
    for code, ends in (("channel-empty", empty), ("channel-full", reading.full)):
        at_end = [name for name, end in zip(("red", "green", "blue"), ends, strict=True) if end]
        if at_end:
            more = {"parts": parts} if code == "channel-empty" else {}
            yield flag(code, spot=reading.name, channel=at_end[0], **more)
