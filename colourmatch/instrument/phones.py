"""Phones and their own correction by known liquids, kept per phone and light; what is read is corrected with it.

It joins instrument/phone_calibration.py, the photo reader and the book. A light has the name the maker gives it ("window").
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from colourmatch.book.calibrations import (
    FIT,
    KNOWN,
    PHONE_FORGOTTEN,
    CalibrationEntry,
    add_entry,
    list_entries,
    open_photo,
    since_forgotten,
)
from colourmatch.book.checks import check_name, check_number, name_key
from colourmatch.book.transactions import near_names
from colourmatch.errors import InputError, NotFoundError

if TYPE_CHECKING:
    from colourmatch.book.lot_book import LotBook
    from colourmatch.book.photo_store import Source
    from colourmatch.instrument.cards import CardProfile
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


def add_known_photo(
    book: LotBook,
    source: Source,
    light: str,
    known: Mapping[str, Mapping[str, float]],
    *,
    depth_mm: float = 10.0,
    card: CardProfile | None = None,
    entered_by: str | None = None,
    token: str | None = None,
) -> dict[str, Any]:
    """Measure a photo of known liquids beside water and keep it for the phone that took it and the light.

    known: spot ("reference", "batch") -> mg/l of each stock by its label, in water. InputError says what is missing;
    PhotoError why the photo cannot be used.
    """
    from colourmatch.photo.measure import measure_photo

    check_name(light, "name of the light")
    depth_mm = check_number("depth_mm", depth_mm)
    contents = {spot: _check_known(book, spot, held) for spot, held in known.items()}
    if not contents:
        raise InputError("Say what is in the glasses: --batch red=12 or --reference red=6,yellow=4, in mg/l.")
    content, name = open_photo(source)
    measurement = measure_photo(content, name, card.greys if card else None).to_json()
    measurement["card_profile"] = card.named if card else None
    for spot in contents:
        colour = measurement["spots"].get(spot)
        if colour is None:
            raise InputError(
                f"No glass was found on the {spot} spot. Set the known liquid there and photograph again."
            )
        if colour["white"] != "blank":
            raise InputError(
                "No clear water was found on the blank spot. Set a glass of water there: it is the white."
            )
    if any(flag["code"] in ("channel-empty", "channel-full") for flag in measurement["quality"]):
        raise InputError(
            "A known liquid is too strong for this phone: a channel is at the end of its range and teaches nothing. "
            "Make it half as strong and photograph again."
        )
    data = {"known": contents, "depth_mm": depth_mm, "measurement": measurement}
    phone = measurement["phone"] or NO_NAME
    entry = add_entry(
        book, KNOWN, phone, data, light=light, photo=(content, name), entered_by=entered_by, token=token
    )
    return _describe_known(entry)


def _check_known(book: LotBook, spot: str, held: Mapping[str, float]) -> dict[str, float]:
    if spot not in SPOTS:
        raise InputError(f"{spot!r} is no spot for a known liquid. Use {' or '.join(SPOTS)}.")
    if not held:
        raise InputError("A known liquid needs at least one stock, such as red=12.")
    return {
        book.find_stock(name).name: _check_between(f"The amount of {name}, mg/l,", mg, (1e-3, 1e5))
        for name, mg in held.items()
    }


def _check_between(what: str, value: float, limits: tuple[float, float]) -> float:
    low, high = limits
    if not low <= float(value) <= high:
        raise InputError(f"{what} is {value:g}. Give a number from {low:g} to {high:g}.")
    return float(value)


def mix_known(book: LotBook, held: Mapping[str, tuple[float, str]], volume_ml: float) -> dict[str, float]:
    """Mg/l of each stock in water, from amounts in "drops", "ml" or "mg/l" by the labels.

    What is added counts in the volume. InputError for an impossible volume.
    """
    water = check_number("volume_ml", volume_ml)
    stocks = {name: book.stock_now(name, learnt=False) for name in held}
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
    entered_by: str | None = None,
    token: str | None = None,
) -> dict[str, Any]:
    """Fit a phone's correction in one light to its known liquids and keep it; as `read_phone`.

    strength_rel_sd: how well the strength of the stocks is known, otherwise as each says itself.
    """
    from colourmatch.instrument.phone_calibration import KnownDye, KnownLiquid, fit_phone
    from colourmatch.photo.retone import parse_tone

    if strength_rel_sd is not None:
        _check_between("How well the stocks are known", strength_rel_sd, (0.001, 0.5))
    _check_between("How well the depth is known", depth_rel_sd, (0.001, 0.5))
    entries = _known(book, *_pick(book, phone, light))
    depths = {entry.data["depth_mm"] for entry in entries}
    if len(depths) > 1:
        listed = ", ".join(f"{d:g}" for d in sorted(depths))
        raise InputError(
            f"The known liquids stand {listed} mm deep. Fill them all alike: forget and begin again."
        )
    names = list(dict.fromkeys(n for e in entries for held in e.data["known"].values() for n in held))
    stocks = [book.find_stock(name) for name in names]
    dyes = [KnownDye(s.name, s.colourant, float(strength_rel_sd or s.label_strength_rel_sd)) for s in stocks]
    liquids = [
        KnownLiquid(
            np.array(e.data["measurement"]["spots"][spot]["lab"]),
            np.array(e.data["measurement"]["spots"][spot]["lab_covariance"]),
            tuple(float(held.get(name, 0.0)) for name in names),
            f"{e.id}",
            bool(e.data["measurement"].get("card_profile")),
            parse_tone(e.data["measurement"].get("tone")),
            spot,
            _lab_sd(e.data["measurement"]["spots"][spot]),
        )
        for e in entries
        for spot, held in e.data["known"].items()
    ]
    fit = fit_phone(liquids, dyes, depth_mm=depths.pop(), depth_rel_sd=depth_rel_sd)
    data = fit.to_json() | {"photos": [entry.id for entry in entries]}
    head = entries[-1]
    add_entry(book, FIT, head.name, data, light=head.light, entered_by=entered_by, token=token)
    return read_phone(book, head.name, str(head.light))


def read_phone(book: LotBook, phone: str | None = None, light: str | None = None) -> dict[str, Any]:
    """A phone in a light: its known liquids and what the latest fit told, errors before and after."""
    name, lamp = _pick(book, phone, light)
    entries = since_forgotten(list_entries(book, (KNOWN, FIT, PHONE_FORGOTTEN), name, lamp), PHONE_FORGOTTEN)
    known = [entry for entry in entries if entry.kind == KNOWN]
    fits = [entry for entry in entries if entry.kind == FIT]
    told = {
        "phone": entries[-1].name,
        "light": entries[-1].light,
        "photos": [_describe_known(entry) for entry in known],
        "fit": _describe_fit(fits[-1]) if fits else None,
        "stale": bool(fits and known and known[-1].id > fits[-1].id),
    }
    return told | {"text": _tell(told)}


def list_phones(book: LotBook) -> list[dict[str, Any]]:
    """Every phone and light with known liquids, that is not forgotten."""
    return [read_phone(book, name, light) for name, light in _pairs(book)]


def forget_phone(
    book: LotBook, phone: str | None = None, light: str | None = None, *, entered_by: str | None = None
) -> dict[str, Any]:
    """Forget a phone's known liquids and fit in one light; what was read with it stays as it was recorded."""
    name, lamp = _pick(book, phone, light)
    add_entry(book, PHONE_FORGOTTEN, name, light=lamp, entered_by=entered_by)
    return {"phone": name, "light": lamp, "forgotten": True}


def find_calibration(book: LotBook, phone: str | None, light: str | None = None) -> Calibration | None:
    """The fit for a phone in a light; for no light the only one of that phone, None when there is none or several.

    NotFoundError for a light that this phone is not calibrated in.
    """
    from colourmatch.instrument.phone_calibration import read_fit

    wanted = phone or NO_NAME
    fits: dict[str, CalibrationEntry] = {}
    entries = list_entries(book, (FIT, PHONE_FORGOTTEN), wanted)
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
    from colourmatch.instrument.phone_calibration import correct_lab
    from colourmatch.photo.retone import parse_tone

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
    """A measurement that no correction improves: as read, and less sure only where known liquids were further off."""
    from colourmatch.colour.difference import compare_lab

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
    return out | {
        "delta_e_2000": difference.delta_e_2000.to_json(),
        "difference": difference.to_json(),
        "uncertainty": measurement["uncertainty"]
        | {"phone": [[float(f"{v:.4g}") for v in row] for row in phone]},
        "as_read": {key: measurement[key] for key in ("delta_e_2000", "difference", "uncertainty")},
    }


def _compare(
    measurement: dict[str, Any], corrected: dict[str, Corrected], *, own_tones: bool
) -> dict[str, Any]:
    """The corrected difference of both liquids, and its uncertainty in the parts that measurements have."""
    from colourmatch.colour.difference import compare_lab
    from colourmatch.photo.measure import SCALE_SD, stretch

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
    from colourmatch.instrument.phone_calibration import read_fit

    wanted = {m["calibration"]["entry"]: camera_key(m) for m in measurements if m.get("calibration")}
    if not wanted:
        return {}
    priors = {}
    for entry in list_entries(book, (FIT,)):
        prior = read_fit(entry.data).phone() if entry.id in wanted else None
        if prior is not None:
            priors[wanted[entry.id]] = prior
    return priors


def _lab_sd(spot: dict[str, Any]) -> Array | None:
    return np.array(spot["lab_sd"], float) if spot.get("lab_sd") else None


def _rounded(values: Array, digits: int) -> list[float]:
    return [round(float(v), digits) for v in values]


def _pairs(book: LotBook) -> list[tuple[str, str]]:
    """Phones and lights with known liquids, in the order they were begun."""
    found: dict[tuple[str, str], tuple[str, str]] = {}
    for entry in list_entries(book, (KNOWN, PHONE_FORGOTTEN)):
        key = (name_key(entry.name), name_key(entry.light or ""))
        if entry.kind == KNOWN:
            found.setdefault(key, (entry.name, str(entry.light)))
        else:
            found.pop(key, None)
    return list(found.values())


def _pick(book: LotBook, phone: str | None, light: str | None) -> tuple[str, str]:
    """The phone and light that are meant; NotFoundError or InputError when that is not clear."""
    pairs = _pairs(book)
    if not pairs:
        raise NotFoundError(
            "No phone has known liquids yet. Begin with: colourmatch phone add PHOTO --light window --batch red=12"
        )
    fits = [
        pair
        for pair in pairs
        if (phone is None or name_key(pair[0]) == name_key(phone))
        and (light is None or name_key(pair[1]) == name_key(light))
    ]
    if len(fits) == 1:
        return fits[0]
    listed = "; ".join(f"{name} in the light {lamp}" for name, lamp in pairs)
    if fits:
        raise InputError(f"There are several: {listed}. Say which with --phone and --light.")
    near = near_names(phone or light or "", {part for pair in pairs for part in pair})
    raise NotFoundError(f"No phone of that name and light is in the book.{near} There are: {listed}.")


def _known(book: LotBook, phone: str, light: str) -> list[CalibrationEntry]:
    entries = list_entries(book, (KNOWN, PHONE_FORGOTTEN), phone, light)
    return since_forgotten(entries, PHONE_FORGOTTEN)


def _describe_known(entry: CalibrationEntry) -> dict[str, Any]:
    measurement = entry.data["measurement"]
    return {
        "entry": entry.id,
        "at": entry.created_at,
        "photo": entry.original_name,
        "phone": entry.name,
        "light": entry.light,
        "depth_mm": entry.data["depth_mm"],
        "card_profile": measurement.get("card_profile"),
        "liquids": [
            {"spot": spot, "mg_per_l": held, "lab": measurement["spots"][spot]["lab"]}
            for spot, held in entry.data["known"].items()
        ],
        "quality": measurement["quality"],
    }


def _describe_fit(entry: CalibrationEntry) -> dict[str, Any]:
    data = entry.data
    before, after = ([one[key] for one in data["liquids"]] for key in ("before", "after"))
    return {
        "entry": entry.id,
        "at": entry.created_at,
        "by": entry.entered_by,
        "kind": data["kind"],
        "errors": data["errors"],
        "liquids": data["liquids"],
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
    return [
        {
            "stock": name,
            "factor": round(float(np.exp(v)), 3),
            "low": round(float(np.exp(v - 1.96 * s)), 3),
            "high": round(float(np.exp(v + 1.96 * s)), 3),
        }
        for (name, _, _), v, s in zip(data["dyes"], value, sd, strict=True)
    ]


_KINDS = {
    "none": "No correction predicts better than none: this phone is near enough, or the liquids say too little.",
    "matrix": "A linear matrix predicts best what it has not seen.",
    "root": "A root-polynomial predicts best what it has not seen.",
    "camera": "The camera model predicts best what it has not seen.",
}


def _tell(told: dict[str, Any]) -> str:
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


class Reader(NamedTuple):
    """What photos are read with: a card's profile, and the light by whose name a phone's calibration is found.

    insist: a light that the photo's phone is not calibrated in is refused; otherwise the photo is read plainly.
    """

    book: LotBook
    card: CardProfile | None
    light: str | None
    insist: bool

    @property
    def greys(self) -> Any:
        """What the photo reader takes: the card's greys or None."""
        return self.card.greys if self.card else None

    def finish(self, measurement: dict[str, Any]) -> dict[str, Any]:
        """A measurement that was read with `greys`, corrected, with what it was read with."""
        card = self.card.named if self.card and measurement.get("card") else None
        try:
            found = find_calibration(self.book, measurement.get("phone"), self.light)
        except NotFoundError:
            if self.insist and not measurement.get("error"):
                raise
            found = None
        return calibrate(measurement | {"card_profile": card}, found)


def open_reader(book: LotBook, card: str | None = None, light: str | None = None) -> Reader:
    """The reader for a card and a light by name; the book's default card and a phone's only light where None."""
    from colourmatch.instrument.cards import card_profile

    return Reader(book, card_profile(book, card), light, light is not None)


def lot_reader(book: LotBook, lot: int, light: str | None = None) -> Reader:
    """The reader of a lot's photos: as noted for the lot, else the default card and the phone's only light."""
    from colourmatch.book.calibrations import lot_choice
    from colourmatch.instrument.cards import card_profile

    noted = lot_choice(book, lot)
    try:
        profile = card_profile(book, noted["card"])
    except NotFoundError:  # the lot's card was forgotten since
        profile = None
    return Reader(book, profile, light or noted["light"], light is not None)


def note_for_lot(
    book: LotBook,
    lot: int,
    *,
    card: str | None = None,
    light: str | None = None,
    entered_by: str | None = None,
) -> None:
    """Note what a lot's photos are read with from now on; NotFoundError for a card or light that is not in the book."""
    from colourmatch.book.calibrations import choose_for_lot
    from colourmatch.instrument.cards import card_profile

    if card is not None:
        card_profile(book, card)
    if light is not None and not list_entries(book, (FIT,), light=light):
        lights = {str(entry.light) for entry in list_entries(book, (FIT,))}
        there = f" There are: {', '.join(sorted(lights))}." if lights else ""
        raise NotFoundError(
            f"No phone is calibrated in a light {light!r}.{there} Calibrate one with: colourmatch phone add PHOTO "
            f"--light {light} --batch red=12"
        )
    if card is not None or light is not None:
        choose_for_lot(book, lot, card=card, light=light, entered_by=entered_by)
