"""How known liquids and a phone's fit are told, from their entries in the book; it decides nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from colourmatch.measurement import Measurement

if TYPE_CHECKING:
    from colourmatch.book.calibrations import CalibrationEntry


def known_measurement(entry: CalibrationEntry) -> Measurement:
    """The measurement of a photo of known liquids."""
    return Measurement.from_json(entry.data["measurement"])


def describe_known(entry: CalibrationEntry) -> dict[str, Any]:
    kept = entry.data["measurement"]
    return {
        "entry": entry.id, "at": entry.created_at, "photo": entry.original_name, "phone": entry.name,
        "light": entry.light, "depth_mm": entry.data["depth_mm"],
        "card_profile": kept.get("card_profile"),
        "liquids": [
            {"spot": spot, "mg_per_l": held, "lab": kept["spots"][spot]["lab"]}
            for spot, held in entry.data["known"].items()
        ],
        "quality": kept["quality"],
    }  # fmt: skip


def describe_fit(entry: CalibrationEntry) -> dict[str, Any]:
    data = entry.data
    before, after = ([one[key] for one in data["liquids"]] for key in ("before", "after"))
    return {
        **{key: data[key] for key in ("kind", "errors", "liquids")},
        "entry": entry.id,
        "at": entry.created_at,
        "by": entry.entered_by,
        "median_before": round(float(np.median(before)), 3),
        "median_after": round(float(np.median(after)), 3),
        "expected": data["errors"][data["kind"]]["together"],
        "strengths": _describe_strengths(data),
        "scale": data.get("scale", 1.0),
        "strain": data.get("strain", 1.0),
    }


def _describe_strengths(data: dict[str, Any]) -> list[dict[str, Any]]:
    """Strength of each stock times depth, against the labels, as the liquids themselves tell it (95 %)."""
    count = len(data["dyes"])
    spread = np.diag([sd**2 for _, _, sd in data["dyes"]]) + data["depth_rel_sd"] ** 2
    root = np.linalg.cholesky(spread)
    value = root @ np.array(data["numbers"][:count])
    factor = root @ np.array(data["factor"])[:count]
    sd = np.sqrt((factor**2).sum(axis=1))
    ends = {"factor": value, "low": value - 1.96 * sd, "high": value + 1.96 * sd}
    return [
        {"stock": dye[0], **{key: round(float(np.exp(end[k])), 3) for key, end in ends.items()}}
        for k, dye in enumerate(data["dyes"])
    ]


_KINDS = {
    "none": "No correction predicts better than none: this phone is near enough, or the liquids say too little.",
    "matrix": "A linear matrix predicts best what it has not seen.",
    "root": "A root-polynomial predicts best what it has not seen.",
    "camera": "The camera model predicts best what it has not seen.",
}


def tell_phone(told: dict[str, Any]) -> str:
    fit = told["fit"]
    if fit is None:
        count = sum(len(photo["liquids"]) for photo in told["photos"])
        return f"{count} readings of known liquids, not fitted yet. Fit them with: colourmatch phone fit"
    said = (
        f"{_KINDS[fit['kind']]} Known liquids left out of the fit: median error CIEDE2000 {fit['median_before']:.1f} "
        f"before, {fit['median_after']:.1f} after. For a drink of another colourant about {fit['expected']:.1f} is "
        "to be expected."
    )
    if fit["scale"] > 1:
        said += (
            " This light is not one that phones are made for, such as a warm lamp: drinks of other colourants stay more "
            "unsure in it, and their colours say so. Daylight from a window teaches more."
        )
    if fit["kind"] == "none" and fit["strain"] > 1:
        said += (
            f" The known liquids were {fit['strain']:.1f} times as far off as readings say, so readings are told as so much "
            "less sure. Check strengths and depth, and photograph the known liquids again."
        )
    if any(photo["card_profile"] is None for photo in told["photos"]):
        said += (
            " The photos were read without the card's own greys: what is left of the phone's contrast is known only as "
            "well as the strengths and the depth are. Measured greys (colourmatch card-profile add) take that away."
        )
    return said + (" Photos were added since: fit again." if told["stale"] else "")
