"""Fits of phones as the book keeps them, and the known liquids that they were made of; it knows no pixels.

A fit counts in the components of its camera model (liquid/phone.py). One of an earlier model is made again of the liquids
that it was kept with, wherever it is used; what is recorded stays.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from colourmatch.book.calibrations import FIT, KNOWN, PHONE_FORGOTTEN, CalibrationEntry, list_standing
from colourmatch.book.checks import name_key
from colourmatch.book.lot_book import LotBook
from colourmatch.errors import NotFoundError
from colourmatch.instrument.phone_calibration import KnownLiquid, PhoneFit
from colourmatch.liquid.phone import CAMERA_MODEL, PhonePrior
from colourmatch.measurement import CalibrationNamed, Measurement, SpotColour
from colourmatch.records import Record, kept

NO_NAME = "unnamed phone"


class KnownInPhoto(Record):
    """What the book keeps of a photo of known liquids; known: spot -> mg/l of each stock."""

    known: Mapping[str, Mapping[str, float]] = kept()
    depth_mm: float = kept()
    measurement: Measurement = kept(Measurement.from_json)

    def each(self) -> Iterator[tuple[str, Mapping[str, float], SpotColour]]:
        """The spots with what they hold and how it was read."""
        for spot, held in self.known.items():
            colour = self.measurement.spots[spot]
            assert colour is not None
            yield spot, held, colour


class Calibration(NamedTuple):
    """A kept fit, and how a measurement names it."""

    fit: PhoneFit
    named: CalibrationNamed


def list_liquids(sitting: Mapping[int, KnownInPhoto], names: Sequence[str]) -> list[KnownLiquid]:
    """What a fit is made of: the liquids of photos, by the number of their entries, with mg/l in the order of names."""
    liquids = []
    for entry, photo in sitting.items():
        seen = photo.measurement
        for spot, held, colour in photo.each():
            read, mg_per_l = seen.reading(spot), tuple(float(held.get(name, 0.0)) for name in names)
            carded, told = seen.card_profile is not None, colour.lab
            sd = np.sqrt(np.diag(colour.covariance)) if colour.lab_sd is None else colour.lab_sd
            liquids.append(
                KnownLiquid(read.lab, read.covariance, mg_per_l, told, sd, f"{entry}", carded, seen.tone, spot)
            )
    return liquids


def read_fit(book: LotBook, entry: CalibrationEntry) -> PhoneFit:
    """A fit that is kept; of an earlier camera model, made again of its own liquids."""
    fit = PhoneFit.from_json(entry.data)
    if fit.model == CAMERA_MODEL:
        return fit
    photos = {one.id: one.data for one in book.calibrations.of((KNOWN,), entry.name) if one.id in entry.data["photos"]}
    return _fit_again(json.dumps(entry.data), json.dumps(photos))


@lru_cache(maxsize=16)
def _fit_again(kept_fit: str, photos: str) -> PhoneFit:
    """The same from what the book holds of both as JSON, for as long as the process lives."""
    from colourmatch.instrument.phone_fitting import fit_phone

    fit = PhoneFit.from_json(json.loads(kept_fit))
    sitting = {int(entry): KnownInPhoto.from_json(data) for entry, data in json.loads(photos).items()}
    liquids = list_liquids(sitting, [dye.name for dye in fit.dyes])
    return fit_phone(liquids, fit.dyes, depth_mm=fit.depth_mm, depth_rel_sd=fit.depth_rel_sd)


def find_calibration(book: LotBook, phone: str | None, light: str | None = None) -> Calibration | None:
    """The fit for a phone in a light, else NotFoundError; for no light its only one, else None."""
    wanted = phone or NO_NAME
    standing = list_standing(book.calibrations.of((FIT, PHONE_FORGOTTEN), wanted), PHONE_FORGOTTEN)
    fits = {light_key: found[-1] for (_, light_key), found in standing.items()}
    if light is None and len(fits) != 1:
        return None
    entry = next(iter(fits.values())) if light is None else fits.get(name_key(light))
    if entry is None:
        lights = [one.light for one in fits.values()]
        there = f" It is in: {', '.join(map(str, lights))}." if lights else ""
        raise NotFoundError(
            f"The phone {wanted!r} is not calibrated in the light {light!r}.{there} Calibrate it with: colourmatch "
            f"phone add PHOTO --light {light} --batch red=12"
        )
    fit = read_fit(book, entry)
    named = CalibrationNamed(entry.id, entry.name, entry.light, fit.kind)
    return Calibration(fit, named)


def camera_key(measurement: Measurement) -> str:
    """Photos with the same key share one phone's error; one light is another camera than the other."""
    light = measurement.calibration.light if measurement.calibration else None
    return measurement.camera + (f"|{light}" if light else "")


def phone_priors(book: LotBook, measurements: Sequence[Measurement]) -> dict[str, PhonePrior]:
    """What is known of the calibrated phones of a lot's photos, by `camera_key`, with the fit each was read with."""
    wanted = {m.calibration.entry: camera_key(m) for m in measurements if m.calibration}
    fits = [entry for entry in book.calibrations.of((FIT,)) if entry.id in wanted] if wanted else []
    priors = {wanted[entry.id]: read_fit(book, entry).phone() for entry in fits}
    return {camera: prior for camera, prior in priors.items() if prior is not None}
