"""The raw picture while it is drawn: materials laid over one another with exact edge coverage.

It knows the light on every pixel and how to blend a material into a region; it refuses to know what is drawn.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike

from colourmatch.records import Array
from drawn.geometry import Picture, Region, View
from drawn.materials import paper_reflectance


@dataclass(eq=False)
class Canvas:
    """A raw picture (H, W, 3) under lights (H, W, 2), with the signals (81, 2, 3) of each light."""

    picture: Picture
    fields: Picture
    view: View
    light_signals: Array

    def raw_of(self, reflectance: ArrayLike) -> Picture:
        """Camera signal of a reflectance under each light of full strength, shape (3, 2)."""
        return np.einsum("w,wkc->ck", np.asarray(reflectance, float), self.light_signals).astype(np.float32)

    def lit(self, region: Region, reflectance: ArrayLike) -> Picture:
        """The signal of one material all over a region, shape (h, w, 3)."""
        return cv2.transform(np.ascontiguousarray(self.fields[region]), self.raw_of(reflectance))

    def bands(self) -> list[Region]:
        """The frame in strips that fit the processor's cache: whole-frame work is twice as fast so."""
        height, width = self.picture.shape[:2]
        return [(slice(top, min(top + 64, height)), slice(0, width)) for top in range(0, height, 64)]

    def blend(self, region: Region, coverage: Picture, over: Picture) -> None:
        """Lays a signal, shape (h, w, 3), over the picture where coverage, shape (h, w), says so."""
        under = self.picture[region]
        under += coverage[..., None].astype(np.float32) * (over - under)

    def paint(self, region: Region, coverage: Picture, reflectance: ArrayLike) -> None:
        """Lays a material over the picture."""
        self.blend(region, coverage, self.lit(region, reflectance))

    def around(
        self, centre_mm: tuple[float, float], radius_mm: float, height_mm: float = 0.0
    ) -> Iterator[tuple[Region, Picture, Picture]]:
        """The part of the frame that holds a circle at a height over the card, and how far in mm each of its pixels looks
        from the middle, across and down; nothing when it is outside."""
        region = self.view.region_of(centre_mm, (2 * radius_mm, 2 * radius_mm), height_mm)
        if region is not None:
            x, y = self.view.grid_mm(region, height_mm)
            yield region, x - np.float32(centre_mm[0]), y - np.float32(centre_mm[1])

    def scale(self, centre_mm: tuple[float, float]) -> float:
        """Pixels in a mm at a place of the card."""
        return float(np.mean(self.view.px_per_mm(centre_mm)))

    def shine(self, region: Region, level: Picture) -> None:
        """Adds light of a level, in units of white paper, shape (h, w)."""
        self.picture[region] += level[..., None].astype(np.float32) * self.lit(region, paper_reflectance())

    def box(self, centre_mm: tuple[float, float], size_mm: tuple[float, float], reflectance: ArrayLike) -> None:
        """Paints an upright rectangle of the card."""
        if (region := self.view.region_of(centre_mm, size_mm)) is not None:
            self.paint(region, box_coverage(self.view, self.view.grid_mm(region), centre_mm, size_mm), reflectance)

    def polygon_coverage(self, outline_mm: ArrayLike, soft_px: float = 0.0) -> Picture:
        """Coverage of a closed outline of card points over the whole frame, shape (H, W), 0 to 1."""
        corners = np.asarray(outline_mm, float)
        dense = np.concatenate(
            [
                a + (b - a) * np.linspace(0, 1, 16, endpoint=False)[:, None]
                for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)
            ]
        )
        pixels = np.round(np.clip(self.view.to_pixels(dense), -9e4, 9e4) * 16).astype(np.int32)
        mask: Picture = np.zeros(self.picture.shape[:2], np.uint8)
        cv2.fillPoly(mask, [pixels], 255, cv2.LINE_AA, 4)
        if soft_px:
            mask = cv2.GaussianBlur(mask, (0, 0), soft_px)
        return mask.astype(np.float32) / np.float32(255)


def normal_noise(shape: tuple[int, ...], seed: int | None = None) -> Picture:
    """Standard normal noise, float32, from OpenCV's generator (five times as fast as numpy's)."""
    # Without a seed the generator goes on where it was: a picture is drawn in strips.
    if seed is not None:
        cv2.setRNGSeed(seed)
    noise = np.empty(shape, np.float32)
    cv2.randn(noise, np.zeros(1), np.ones(1))
    return noise


def ramp(distance_px: Picture) -> Picture:
    """Share of a pixel on the inner side of an edge that lies that many pixels away (positive: inside)."""
    return np.clip(distance_px + np.float32(0.5), 0.0, 1.0)


def span_coverage(position_mm: Picture, low_mm: float, high_mm: float, px_per_mm: float) -> Picture:
    """Exact share of each pixel inside a span in one direction; right also for spans thinner than a pixel."""
    half = 0.5 / px_per_mm
    inside = np.minimum(position_mm + half, high_mm) - np.maximum(position_mm - half, low_mm)
    return np.clip(inside * px_per_mm, 0.0, 1.0).astype(np.float32)


def box_coverage(
    view: View, grid_mm: tuple[Picture, Picture], centre_mm: tuple[float, float], size_mm: tuple[float, float]
) -> Picture:
    """Share of each pixel inside an upright rectangle of the card; grid_mm: where on the paper each pixel looks."""
    x, y = grid_mm
    per_x, per_y = view.px_per_mm(centre_mm)
    (cx, cy), (w, h) = centre_mm, size_mm
    across = span_coverage(x, cx - w / 2, cx + w / 2, per_x)
    return across * span_coverage(y, cy - h / 2, cy + h / 2, per_y)


def disc_coverage(distance_mm: Picture, radius_mm: float, px_per_mm: float) -> Picture:
    """Share of each pixel inside a circle, from its distance to the centre."""
    return ramp((np.float32(radius_mm) - distance_mm) * np.float32(px_per_mm))
