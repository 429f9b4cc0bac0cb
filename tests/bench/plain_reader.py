"""The plain way to read the same photos, as a yardstick of how hard they are; it shares the card's place
and sums, and none of the judgement.

Codes are decoded by the file's own profile, a quadratic surface is fitted to each channel's logarithm of bare paper, and
each liquid is the median of its window over that surface, divided by the same of the glass of water.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from colourmatch.colour.difference import ciede2000
from colourmatch.colour.spaces import xyz_to_lab
from colourmatch.errors import PhotoError
from colourmatch.photo.field import quadratic
from colourmatch.photo.flat import decode, mask_paper
from colourmatch.photo.load import load_photo
from colourmatch.photo.locate import find_card

_PX_PER_MM = 4


def read_plainly(path: str | Path) -> float | None:
    """CIEDE2000 of batch and reference; None without a card."""
    photo = load_photo(path)
    try:
        pose = find_card(photo.rgb)
    except PhotoError:
        return None
    card = pose.card
    to_mm = np.array([[1 / _PX_PER_MM, 0, 0.5 / _PX_PER_MM], [0, 1 / _PX_PER_MM, 0.5 / _PX_PER_MM], [0, 0, 1]])
    size = tuple(round(side * _PX_PER_MM) for side in card.block_mm)
    codes = cv2.warpPerspective(photo.rgb, pose.to_px @ to_mm, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    linear = decode(codes, photo.profile.decode_table).astype(float)
    rows, cols = np.nonzero(mask_paper(card, _PX_PER_MM))
    rows, cols = rows[::37], cols[::37]
    logs = np.log(np.maximum(linear[rows, cols], 1e-4))
    basis = quadratic(np.stack([cols + 0.5, rows + 0.5], axis=1) / _PX_PER_MM, card.block_mm)
    keep = np.ones(len(rows), bool)
    for _ in range(5):  # leave out what lies far off: stains, objects
        surface = np.linalg.lstsq(basis[keep], logs[keep], rcond=None)[0]
        off = np.abs(logs - basis @ surface).max(axis=1)
        keep = off < max(3 * 1.4826 * float(np.median(off)), 0.02)
    found = {}
    half = card.window_radius_mm / np.sqrt(2)  # the square within the window
    for spot in card.spots:
        x, y = card.window_centre_mm(spot)
        crop = linear[
            round((y - half) * _PX_PER_MM) : round((y + half) * _PX_PER_MM),
            round((x - half) * _PX_PER_MM) : round((x + half) * _PX_PER_MM),
        ]
        paper = np.exp(quadratic(np.array([[x, y]]), card.block_mm) @ surface)[0]
        found[spot] = np.median(crop.reshape(-1, 3), axis=0) / paper
    to_xyz = np.asarray(photo.profile.to_xyz, float)
    lab = {spot: xyz_to_lab(to_xyz @ (found[spot] / found["blank"])) for spot in ("reference", "batch")}
    return float(ciede2000(lab["reference"], lab["batch"]))
