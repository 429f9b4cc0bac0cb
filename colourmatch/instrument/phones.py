"""Known liquids of a phone in a light, which the maker names ("window"): kept, mixed, fitted, forgotten.
It joins phone_calibration.py, the photo reader and the book; readings are corrected in incoming.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Unpack

import numpy as np

from colourmatch.book.calibrations import FIT, KNOWN, PHONE_FORGOTTEN, CalibrationEntry, list_standing
from colourmatch.book.checks import check_name, check_number, name_key, near_names
from colourmatch.book.lot_book import LotBook
from colourmatch.book.photo_store import Source, open_source
from colourmatch.book.transactions import By
from colourmatch.errors import InputError, NotFoundError
from colourmatch.facts import K_95
from colourmatch.instrument.cards import CardProfile
from colourmatch.instrument.kept_fits import NO_NAME, KnownInPhoto, list_liquids, read_fit
from colourmatch.instrument.phone_calibration import KnownDye, LiquidFitted, PhoneFit, helps
from colourmatch.instrument.phone_fitting import fit_phone
from colourmatch.measurement import LIQUIDS, CardNamed, Flag
from colourmatch.photo.measure import measure_photo
from colourmatch.records import Array, Record, kept, numbers, pick, rounded, several


class KnownLiquidTold(Record):
    """A known liquid: where it stood, mg/l of each stock, its Lab (3,) as read."""

    spot: str = kept()
    mg_per_l: Mapping[str, float] = kept()
    lab: Array = kept(numbers)


class KnownPhoto(Record):
    """A kept photo of known liquids."""

    entry: int = kept()
    at: str = kept()
    photo: str | None = kept()
    phone: str = kept()
    light: str | None = kept()
    depth_mm: float = kept()
    card_profile: CardNamed | None = kept(CardNamed.from_json)
    liquids: tuple[KnownLiquidTold, ...] = kept(several(KnownLiquidTold))
    quality: tuple[Flag, ...] = kept(several(Flag))


class StrengthTold(Record):
    """Strength of a stock times depth, against the labels, with its 95 % interval."""

    stock: str = kept()
    value: float = kept(key="factor")
    low: float = kept()
    high: float = kept()


class FitTold(Record):
    """A kept fit, some of it as `PhoneFit` has it; median_before, median_after: of its liquids; expected: of another drink."""

    kind: str = kept()
    errors: Mapping[str, Mapping[str, float]] = kept()
    liquids: tuple[LiquidFitted, ...] = kept(several(LiquidFitted))
    entry: int = kept()
    at: str = kept()
    by: str | None = kept()
    median_before: float = kept()
    median_after: float = kept()
    expected: float = kept()
    strengths: tuple[StrengthTold, ...] = kept(several(StrengthTold))
    scale: float = kept()
    strain: float = kept()


class PhoneTold(Record):
    """A phone in a light: its known liquids and the latest fit; stale: photos were added since."""

    phone: str = kept()
    light: str = kept()
    photos: tuple[KnownPhoto, ...] = kept(several(KnownPhoto))
    fit: FitTold | None = kept(FitTold.from_json)
    stale: bool = kept()
    text: str = kept()


def add_known_photo(
    book: LotBook,
    source: Source,
    light: str,
    known: Mapping[str, Mapping[str, float]],
    *,
    depth_mm: float = 10.0,
    card: CardProfile | None = None,
    **by: Unpack[By],
) -> KnownPhoto:
    """Measure a photo of known liquids beside water and keep it for the phone that took it and the light.

    known: spot ("reference", "batch") -> mg/l of each stock by its label, in water. InputError says what is missing;
    PhotoError why the photo cannot be used.
    """
    check_name(light, "name of the light")
    depth_mm = check_number("depth_mm", depth_mm)
    contents = {spot: _check_known(book, spot, held) for spot, held in known.items()}
    if not contents:
        raise InputError("Say what is in the glasses, in mg of colour in a litre, such as 12 of red.")
    photo = open_source(source)
    measurement = measure_photo(*photo, card.greys if card else None)
    measurement = measurement.having(card_profile=card.named if card else None)
    for spot in contents:
        if (colour := measurement.spots.get(spot)) is None:
            raise InputError(f"No glass was found on the {spot} spot. Set the known liquid there and photograph again.")
        if colour.white != "blank":
            raise InputError("No clear water was found on the blank spot. Set a glass of water there: it is the white.")
    if measurement.at_an_end:
        raise InputError(
            "A known liquid is too strong for this phone: a channel is at the end of its range and teaches nothing. "
            "Make it half as strong and photograph again."
        )
    data = KnownInPhoto(contents, depth_mm, measurement).to_json()
    phone = measurement.phone or NO_NAME
    return _describe_known(book.calibrations.add(KNOWN, phone, data, light=light, photo=photo, **by))


def _check_known(book: LotBook, spot: str, held: Mapping[str, float]) -> dict[str, float]:
    if spot not in LIQUIDS:
        raise InputError(f"{spot!r} is no spot for a known liquid. Use {' or '.join(LIQUIDS)}.")
    if not held:
        raise InputError("A known liquid needs at least one stock, such as red=12.")
    return {
        book.stocks.get(name).name: _check_between(f"The amount of {name}, mg/l,", mg, 1e-3, 1e5)
        for name, mg in held.items()
    }


def _check_between(what: str, value: float, low: float, high: float) -> float:
    if not low <= float(value) <= high:
        raise InputError(f"{what} is {value:g}. Give a number from {low:g} to {high:g}.")
    return float(value)


def mix_known(book: LotBook, held: Mapping[str, tuple[float, str]], volume_ml: float) -> dict[str, float]:
    """Mg/l of each stock in water, from amounts in "drops", "ml" or "mg/l" by the labels.

    What is added counts in the volume. InputError for an impossible volume.
    """
    water = check_number("volume_ml", volume_ml)
    stocks = {name: book.stocks.get(name).as_stock(learnt=False) for name in held}
    added = {
        name: amount * stocks[name].drop_ml if unit == "drops" else amount if unit == "ml" else 0.0
        for name, (amount, unit) in held.items()
    }
    whole = water + sum(added.values())
    return {
        name: amount if unit == "mg/l" else 1000 * added[name] * stocks[name].mg_per_ml / whole
        for name, (amount, unit) in held.items()
    }


def fit_known(
    book: LotBook,
    phone: str | None = None,
    light: str | None = None,
    *,
    strength_rel_sd: float | None = None,
    depth_rel_sd: float = 0.02,
    **by: Unpack[By],
) -> PhoneTold:
    """Fit a phone in a light and keep it, as `read_phone`; strength_rel_sd: else as each stock says."""
    if strength_rel_sd is not None:
        _check_between("How well the stocks are known", strength_rel_sd, 0.001, 0.5)
    _check_between("How well the depth is known", depth_rel_sd, 0.001, 0.5)
    entries = [entry for entry in _find(book, phone, light) if entry.kind == KNOWN]
    sitting = {entry.id: KnownInPhoto.from_json(entry.data) for entry in entries}
    depths = {one.depth_mm for one in sitting.values()}
    if len(depths) > 1:
        listed = ", ".join(f"{d:g}" for d in sorted(depths))
        raise InputError(f"The known liquids stand {listed} mm deep. Fill them all alike: forget and begin again.")
    contents = [held for one in sitting.values() for held in one.known.values()]
    names = list(dict.fromkeys(name for held in contents for name in held))
    stocks = [book.stocks.get(name) for name in names]
    dyes = [KnownDye(s.name, s.colourant, float(strength_rel_sd or s.label_strength_rel_sd)) for s in stocks]
    fit = fit_phone(list_liquids(sitting, names), dyes, depth_mm=depths.pop(), depth_rel_sd=depth_rel_sd)
    data = fit.to_json() | {"photos": list(sitting)}
    head = entries[-1]
    book.calibrations.add(FIT, head.name, data, light=head.light, **by)
    return read_phone(book, head.name, str(head.light))


def read_phone(book: LotBook, phone: str | None = None, light: str | None = None) -> PhoneTold:
    """A phone in a light: its known liquids and what the latest fit told, errors without and with it."""
    return _describe(book, _find(book, phone, light))


def list_phones(book: LotBook) -> list[PhoneTold]:
    """Every phone and light with known liquids, that is not forgotten."""
    return [_describe(book, entries) for entries in _standing(book)]


def forget_phone(
    book: LotBook, phone: str | None = None, light: str | None = None, *, entered_by: str | None = None
) -> tuple[str, str]:
    """Forget a phone's known liquids and fit in one light, and give both names; what was read with it stays as recorded."""
    first = _find(book, phone, light)[0]
    book.calibrations.add(PHONE_FORGOTTEN, first.name, light=first.light, entered_by=entered_by)
    return first.name, str(first.light)


def _standing(book: LotBook) -> list[list[CalibrationEntry]]:
    """The entries about each phone in each light whose known liquids are not forgotten, in the order in which they were begun."""
    every = list_standing(book.calibrations.of((KNOWN, FIT, PHONE_FORGOTTEN)), PHONE_FORGOTTEN).values()
    return [entries for entries in every if any(entry.kind == KNOWN for entry in entries)]


def _find(book: LotBook, phone: str | None, light: str | None) -> list[CalibrationEntry]:
    """The entries about the phone in the light that is meant; NotFoundError or InputError when that is not clear."""
    standing = _standing(book)
    if not standing:
        raise NotFoundError(
            "No phone has known liquids yet. Begin with: colourmatch phone add PHOTO --light window --batch red=12"
        )
    pairs = [(entries[0].name, str(entries[0].light)) for entries in standing]
    wanted = {k: name_key(name) for k, name in enumerate((phone, light)) if name is not None}
    fits = [all(name_key(pair[k]) == key for k, key in wanted.items()) for pair in pairs]
    if sum(fits) == 1:
        return standing[fits.index(True)]
    listed = "; ".join(f"{name} in the light {lamp}" for name, lamp in pairs)
    if any(fits):
        raise InputError(f"There are several: {listed}. Say which with --phone and --light.")
    near = near_names(phone or light or "", {part for pair in pairs for part in pair})
    raise NotFoundError(f"No phone of that name and light is in the book.{near} There are: {listed}.")


def _describe(book: LotBook, entries: list[CalibrationEntry]) -> PhoneTold:
    known, fits = ([entry for entry in entries if entry.kind == kind] for kind in (KNOWN, FIT))
    last, fit = entries[-1], _describe_fit(fits[-1], read_fit(book, fits[-1])) if fits else None
    stale = bool(fits and known and known[-1].id > fits[-1].id)
    told = PhoneTold(last.name, str(last.light), tuple(map(_describe_known, known)), fit, stale)
    return told.having(text=_tell_phone(told))


def _describe_known(entry: CalibrationEntry) -> KnownPhoto:
    photo = KnownInPhoto.from_json(entry.data)
    liquids = tuple(KnownLiquidTold(spot, held, colour.lab) for spot, held, colour in photo.each())
    return KnownPhoto(
        entry.id, entry.created_at, entry.original_name, entry.name, entry.light, photo.depth_mm,
        photo.measurement.card_profile, liquids, photo.measurement.quality,
    )  # fmt: skip


def _describe_fit(entry: CalibrationEntry, fit: PhoneFit) -> FitTold:
    count = len(fit.dyes)
    before, after = np.median([(one.before, one.after) for one in fit.liquids], axis=0).tolist()
    # strength of each stock times depth, against the labels, as the liquids themselves tell it (95 %)
    spread = np.diag([dye.strength_rel_sd**2 for dye in fit.dyes]) + fit.depth_rel_sd**2
    root = np.linalg.cholesky(spread)
    value, factor = root @ fit.numbers[:count], root @ fit.factor[:count]
    reach = K_95 * np.sqrt((factor**2).sum(axis=1))
    ends = rounded(np.exp([value, value - reach, value + reach]).T, 3).tolist()
    return FitTold(
        **pick(fit, "kind", "errors", "liquids", "scale", "strain"), entry=entry.id, at=entry.created_at,
        by=entry.entered_by, median_before=round(before, 3), median_after=round(after, 3),
        expected=fit.errors[fit.kind]["together"],
        strengths=tuple(StrengthTold(dye.name, *own) for dye, own in zip(fit.dyes, ends, strict=True)),
    )  # fmt: skip


def _tell_phone(told: PhoneTold) -> str:
    fit = told.fit
    if fit is None:
        count = sum(len(photo.liquids) for photo in told.photos)
        return f"{count} readings of known liquids, not fitted yet. Fit them with: colourmatch phone fit"
    said = (
        f"Known liquids left out of the fit: median error CIEDE2000 {fit.median_before:.1f} "
        f"without it, {fit.median_after:.1f} with it. For a drink of another colourant about {fit.expected:.1f} is "
        "to be expected."
    )
    if fit.scale > 1:
        said += (
            " This light is not one that phones are made for, such as a warm lamp: drinks of other colourants stay more "
            "unsure in it, and their colours say so. Daylight from a window teaches more."
        )
    if not helps(fit.errors):
        said += " Known liquids are told no better with it, so lots do not start from it."
        if fit.strain > 1:
            said += (
                f" The known liquids were {fit.strain:.1f} times as far off as readings say, so readings are told as so "
                "much less sure. Check strengths and depth, and photograph the known liquids again."
            )
    if any(photo.card_profile is None for photo in told.photos):
        said += (
            " The photos were read without the card's own greys: what is left of the phone's contrast is known only as "
            "well as the strengths and the depth are. Measured greys (colourmatch card-profile add) take that away."
        )
    return said + (" Photos were added since: fit again." if told.stale else "")
