"""What a refused photo showed as far as it was read: outlines to draw, of what was found and of where it fails."""

from __future__ import annotations

from typing import Any

import numpy as np

from colourmatch.errors import PhotoError
from colourmatch.measurement import Drawing
from colourmatch.photo.card import Card
from colourmatch.photo.load import Photo
from colourmatch.photo.locate import CardPose
from colourmatch.records import Array, rounded

#: A frame is drawn so far inside the photo, a share of its shorter side.
_INSET = 0.02


def describe_refused(photo: Photo, pose: CardPose | None, error: PhotoError) -> Drawing:
    """As a measurement's drawing, in pixels of the full photo: the squares found, and `faults`, each an outline by name.

    A fault is a square of the card that was not found, a spot that the refusal is about, the card or the whole frame;
    what lies outside the photo is drawn along its edge.
    """
    found = error.squares if pose is None else {i: pose.project(pose.card.marker_corners_mm(i)) for i in pose.markers}
    faults = {"frame": _frame(photo)} if pose is None else _find_faults(pose, pose.card, error)
    height, width = photo.rgb.shape[:2]
    edge = _INSET * min(width, height)

    def outline(points: Array, inside: bool) -> Any:
        if inside:
            points = np.clip(points, edge, np.array([width, height]) - 1 - edge)
        return rounded((points + 0.5) * photo.full_scale - 0.5, 1).tolist()

    return Drawing(
        list(photo.full_size),
        {str(i): outline(quad, False) for i, quad in found.items()},
        faults={name: outline(points, True) for name, points in faults.items()},
        code=error.code,
    )


def _find_faults(pose: CardPose, card: Card, error: PhotoError) -> dict[str, Array]:
    """Where the refusal lies on a card that was found, in pixels of the working picture."""
    missing = [i for i in card.marker_centres_mm if i not in pose.markers]
    faults = {f"square {i}": pose.project(card.marker_corners_mm(i)) for i in missing}
    turn = np.linspace(0, 2 * np.pi, 37)
    ring = card.ring_diameter_mm / 2 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    spots = ("reference", "batch") if error.code == "empty" else (error.spot,) if error.spot else ()
    faults |= {spot: pose.project(np.array(card.spots[spot]) + ring) for spot in spots}
    if spots:
        return faults
    width, height = card.block_mm
    return faults | {"card": pose.project(np.array([[0, 0], [width, 0], [width, height], [0, height]]))}


def _frame(photo: Photo) -> Array:
    height, width = photo.rgb.shape[:2]
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
