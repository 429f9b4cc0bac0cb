"""Readings corrected by what is kept of their phone in a light: colours, differences and their uncertainty.

It joins phone_calibration.py and the book; it refuses to know how known liquids come in (phones.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from colourmatch.book.calibrations import FIT, PHONE_FORGOTTEN, CalibrationEntry
from colourmatch.book.checks import name_key
from colourmatch.colour.difference import compare_lab
from colourmatch.errors import NotFoundError
from colourmatch.instrument.phone_calibration import correct_lab, read_fit
from colourmatch.photo.measure import SCALE_SD, stretch
from colourmatch.photo.retone import parse_tone

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook
    from colourmatch.colour.difference import Difference
    from colourmatch.instrument.phone_calibration import Corrected, PhoneFit
    from colourmatch.liquid.phone import PhonePrior

Array = NDArray[np.float64]
SPOTS = ("reference", "batch")
NO_NAME = "unnamed phone"
#: Drinks of different recipes lie nearer to each other than to water, about by this part (common practice, no source):
#: what two of one reading may differ by counts against that distance.
_APART = 0.5
#: The lot's fit needs at least this part of a difference as the phone's doubt, however good the calibration.
_LEAST_SCALE = 0.03


class Calibration(NamedTuple):
    """A kept fit, and how a measurement names it."""

    fit: PhoneFit
    named: dict[str, Any]


def find_calibration(book: LotBook, phone: str | None, light: str | None = None) -> Calibration | None:
    """The fit for a phone in a light; for no light the only one of that phone, None when there is none or several.

    NotFoundError for a light that this phone is not calibrated in.
    """
    wanted = phone or NO_NAME
    fits: dict[str, CalibrationEntry] = {}
    entries = book.calibrations.of((FIT, PHONE_FORGOTTEN), wanted)
    for entry in entries:
        key = name_key(entry.light or "")
        if entry.kind == FIT:
            fits[key] = entry
        else:
            fits.pop(key, None)
    if light is None:
        if len(fits) != 1:
            return None
        entry = next(iter(fits.values()))
    elif name_key(light) in fits:
        entry = fits[name_key(light)]
    else:
        lights = [one.light for one in fits.values()]
        there = f" It is in: {', '.join(map(str, lights))}." if lights else ""
        raise NotFoundError(
            f"The phone {wanted!r} is not calibrated in the light {light!r}.{there} Calibrate it with: colourmatch "
            f"phone add PHOTO --light {light} --batch red=12"
        )
    named = {"entry": entry.id, "phone": entry.name, "light": entry.light, "kind": entry.data["kind"]}
    return Calibration(read_fit(entry.data), named)


def calibrate(measurement: dict[str, Any], found: Calibration | None) -> dict[str, Any]:
    """A measurement with its colours and difference corrected; what was read stays beside them as "as_read".

    Without a calibration, or when nothing was measured, it is given back with "calibration" null.
    """
    if found is None or measurement.get("error") or not measurement.get("card"):
        return measurement | {"calibration": None}
    if found.fit.kind == "none":
        return _leave(measurement, found)

    spots, corrected = dict(measurement["spots"]), {}
    tone = parse_tone(measurement.get("tone"))
    # a photo whose greys do not lie on the sitting's curve keeps its own, and its doubt
    known = found.fit.knows_tones(tone)
    for name in SPOTS:
        spot = spots.get(name)
        if not spot or spot["white"] != "blank":
            continue
        one = correct_lab(
            found.fit, spot["lab"], spot["lab_covariance"], (tone, name) if tone and known else None
        )
        corrected[name] = one
        own = np.zeros((3, 3)) if known else np.array(spot.get("tone_covariance", np.zeros((3, 3))))
        sd = np.hypot(one.lab_sd, np.sqrt(np.diag(one.slope @ own @ one.slope.T)))
        spots[name] = spot | {
            "lab": _rounded(one.lab, 3),
            "lab_sd": _rounded(sd, 3),
            "lab_covariance": [_rounded(row, 5) for row in one.covariance],
            "as_read": {key: spot[key] for key in ("lab", "lab_sd", "lab_covariance")},
        }
        if known:
            spots[name]["toned"] = {
                "lab": _rounded(one.toned, 3),
                "lab_covariance": spot["lab_covariance"],
            }
    if not corrected:
        return measurement | {"calibration": None}
    named = found.named | ({} if found.fit.tones is None else {"tones": "sitting" if known else "photo"})
    out = measurement | {"spots": spots, "calibration": named}
    if len(corrected) == 2 and measurement.get("delta_e_2000"):
        out |= _compare(measurement, corrected, own_tones=not known)
    return out


def _leave(measurement: dict[str, Any], found: Calibration) -> dict[str, Any]:
    """A measurement that no correction betters: as read, and less sure only where known liquids were further off."""
    strain, spots = found.fit.strain, dict(measurement["spots"])
    out = measurement | {"calibration": found.named}
    if strain <= 1:
        return out
    for name in SPOTS:
        if spots.get(name):
            read = spots[name]
            spots[name] = read | {
                "lab_sd": [round(sd * strain, 3) for sd in read["lab_sd"]],
                "as_read": {key: read[key] for key in ("lab", "lab_sd", "lab_covariance")},
            }
    out["spots"] = spots
    if not measurement.get("delta_e_2000"):
        return out
    parts = {name: np.array(part) for name, part in measurement["uncertainty"].items()}
    phone = parts["phone"] * strain**2
    labs = [np.array(spots[name]["lab"]) for name in SPOTS]
    difference = compare_lab(labs[0], labs[1], parts["photo"] + parts["scene"], phone, parts.get("lost"))
    return out | _describe_difference(measurement, difference, parts | {"phone": phone})


def _compare(
    measurement: dict[str, Any], corrected: dict[str, Corrected], *, own_tones: bool
) -> dict[str, Any]:
    """The corrected difference of both liquids, and its uncertainty in the parts that measurements have."""
    ref, bat = corrected["reference"], corrected["batch"]
    read = measurement["spots"]
    gap = np.array(read["batch"]["lab"]) - np.array(read["reference"]["lab"])
    # the curve of the photo, without the phone's unknown colours
    known = np.array(measurement["uncertainty"]["phone"]) - np.diag((SCALE_SD * stretch(gap)) ** 2)
    values, axes = np.linalg.eigh(known)
    slope = 0.5 * (ref.slope + bat.slope)
    tone = slope @ (axes * np.maximum(values, 0.0)) @ axes.T @ slope.T
    # readings from before the ends of the range were kept apart have them in the same figures
    ends_within = "lost" not in measurement["uncertainty"] and any(
        f["code"] in ("channel-empty", "channel-full") for f in measurement["quality"]
    )
    if not own_tones and not ends_within:
        tone = np.zeros((3, 3))  # the calibration's draws hold the doubt of its own curve
    apart = bat.draws - ref.draws - (bat.lab - ref.lab)
    contrast = 0.5 * (ref.to_lab + bat.to_lab) * ref.contrast_sd * (bat.log_light - ref.log_light)
    tone = tone + contrast @ contrast.T  # how much one photo's channels stray in contrast
    phone = (
        apart.T @ apart / len(apart) + tone + np.diag((_scale_sd(ref, bat) * stretch(bat.lab - ref.lab)) ** 2)
    )
    noise = ref.covariance + bat.covariance
    scene, lost = (
        slope @ np.array(measurement["uncertainty"].get(part, np.zeros((3, 3)))) @ slope.T
        for part in ("scene", "lost")
    )
    difference = compare_lab(ref.lab, bat.lab, noise, phone, lost)
    parts = {"photo": noise - scene, "scene": scene, "phone": phone, "lost": lost}
    return _describe_difference(measurement, difference, parts)


def _describe_difference(
    measurement: dict[str, Any], difference: Difference, parts: dict[str, Array]
) -> dict[str, Any]:
    """A corrected difference as measurements have it, and beside it what was read."""
    return {
        "delta_e_2000": difference.delta_e_2000.to_json(),
        "difference": difference.to_json(),
        "uncertainty": {
            name: [[float(f"{v:.4g}") for v in row] for row in part] for name, part in parts.items()
        },
        "as_read": {key: measurement[key] for key in ("delta_e_2000", "difference", "uncertainty")},
    }


def _scale_sd(ref: Corrected, bat: Corrected) -> Array:
    """What is left of SCALE_SD: the part of the distance between recipes by which drinks of one reading differ."""
    away = max(float(np.linalg.norm(0.5 * (ref.lab + bat.lab) - [100, 0, 0])), 5.0)
    # two drinks as far from each other as from water err each on its own
    left = np.sqrt(np.diag(ref.metameric + bat.metameric))
    return np.maximum(left / (_APART * away), _LEAST_SCALE)


def as_read(spot: dict[str, Any]) -> dict[str, Any]:
    """A spot's colour before the camera's colours are corrected: what the fit of a lot starts from.

    Under the calibrated tone curve where the phone's is known, else as the photo gave it.
    """
    return spot.get("toned") or spot.get("as_read") or spot


def camera_key(measurement: dict[str, Any]) -> str:
    """Photos with the same key share one phone's error; one light is another camera than the other."""
    light = (measurement.get("calibration") or {}).get("light")
    return f"{measurement.get('phone')}|{measurement.get('profile')}" + (f"|{light}" if light else "")


def phone_priors(book: LotBook, measurements: Sequence[dict[str, Any]]) -> dict[str, PhonePrior]:
    """What is known of the calibrated phones of a lot's photos, by `camera_key`, with the fit each was read with."""
    wanted = {m["calibration"]["entry"]: camera_key(m) for m in measurements if m.get("calibration")}
    if not wanted:
        return {}
    priors = {}
    for entry in book.calibrations.of((FIT,)):
        prior = read_fit(entry.data).phone() if entry.id in wanted else None
        if prior is not None:
            priors[wanted[entry.id]] = prior
    return priors


def _rounded(values: Array, digits: int) -> list[float]:
    return [round(float(v), digits) for v in values]
