"""Colourants: identity, strength and absorption shape of each; it knows no bottle, no drop and no limit.

Strength is E 1 %, 1 cm: the absorbance in 1 cm of 1 g in 100 ml (10 g/l), so 540 means 0.054 per cm per mg/l.
Shapes are measured where an open file exists (calibration/shapes.csv names it), else they start from that of another
colourant and the photos teach the rest; none is made up, and each says which.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING

from colourmatch.errors import InputError, NotFoundError
from colourmatch.facts import read_rows

if TYPE_CHECKING:
    import numpy as np  # imported where a spectrum is computed: lists of names do not wait for it
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

_CUSTOM = "custom:"
#: Shift of the band of an unknown bottle, nm, one sd: nobody knows what is in it.
_UNKNOWN_SHIFT_NM = 15.0
#: An unknown bottle starts from colourants whose band is known this well, nm.
_START_SHIFT_NM = 6.0


@dataclass(frozen=True)
class Colourant:
    """One colourant; `e_number` is its name in law, or for one without an E number its name here ("spirulina").

    `adi_mg_per_kg` is the smaller of the two acceptable daily intakes that exist, None when there is none.
    `to_be_learnt` marks a strength that nobody stated: photos of the lot have to find it.
    `shift_sd_nm` says how far its band may lie from where `shape` has it, in nm, one standard deviation, and
    `shift_from` why: pH, metals, another medium, or no measurement at all (calibration/colourants.csv).
    `keeping` says how its colour moves with pH and how it keeps, with the source.
    """

    e_number: str
    name: str
    us_name: str
    peak_nm: float
    e1pct_1cm: float
    min_dye_percent: float | None
    adi_jecfa_mg_per_kg: float | None
    adi_efsa_mg_per_kg: float | None
    eu_warning: bool
    note: str
    shape_status: str
    medium: str = ""
    to_be_learnt: bool = False
    shift_sd_nm: float = _UNKNOWN_SHIFT_NM
    shift_from: str = ""
    keeping: str = ""

    @property
    def shape_is_taught(self) -> bool:
        """Whether no spectrum of it is on file, so that the photos teach its shape from that of another."""
        return self.shape_status.startswith("estimated")

    @property
    def adi_mg_per_kg(self) -> float | None:
        """The smaller acceptable daily intake, mg per kg body mass and day, of the JECFA and EFSA values."""
        known = [adi for adi in (self.adi_jecfa_mg_per_kg, self.adi_efsa_mg_per_kg) if adi is not None]
        return min(known, default=None)

    @cached_property
    def shape(self) -> Array:
        """Absorption on the common grid, shape (81,), 1 at its peak (for caramel, which has no peak, 1 at 610 nm)."""
        shape = shape_for(self.e_number)
        shape.flags.writeable = False
        return shape

    def absorptivity(self) -> Array:
        """Absorbance per cm per mg/l on the common grid, shape (81,): E 1 % / 10000 times the shape.

        E 1 % of 540 makes 0.054 per cm and mg/l at the peak:

        >>> round(float(find_colourant("E129").absorptivity().max()), 3)
        0.054
        """
        return self.e1pct_1cm / 10000.0 * self.shape


def shape_for(text: str, wavelengths_nm: ArrayLike | None = None) -> Array:
    """Absorption shape of a colourant at any wavelengths in nm, those of spectra.py where None, 1 at its peak.

    Measured or from memory: sums of Gaussian bands in wavenumber (calibration/bands.csv; shapes.csv says of what).
    Measured in water they stand where they were measured, else at the tabulated peak. Estimated: the shape of the
    colourant that it starts from, moved in wavenumber to its peak. Caramel: exp(-k (nm - 610)). NotFoundError for an
    unknown colourant.
    """
    colourant = find_colourant(text)
    nm = _at(wavelengths_nm)
    code = colourant.e_number
    if code.startswith(_CUSTOM):
        like = _nearest(code.split(":")[1])
        return shape_moved(like.e_number, colourant.peak_nm if code[7:8] != "E" else None, nm)
    if start := _row(code)["starts_like"]:
        return shape_moved(start, colourant.peak_nm, nm)
    if code.startswith("E150"):
        k = next(float(r["k_per_nm"]) for r in read_rows("caramel.csv") if r["e_number"] == code)
        import numpy as np

        return np.exp(-k * (nm - 610.0))
    own = _source(code)
    return _band_shape(code, None if own and own["place"] == "as measured" else colourant.peak_nm, nm)


def shape_moved(like: str, peak_nm: float | None, wavelengths_nm: ArrayLike | None = None) -> Array:
    """The shape of a listed colourant moved in wavenumber from its tabulated peak to `peak_nm`; None: where it is."""
    nm = _at(wavelengths_nm)
    if peak_nm is None or like.startswith("E150"):
        return shape_for(like, nm)
    return shape_for(like, _moved(nm, peak_nm, find_colourant(like).peak_nm))


def _at(wavelengths_nm: ArrayLike | None) -> Array:
    import numpy as np

    from colourmatch.colour.spectra import WAVELENGTHS_NM

    return np.asarray(WAVELENGTHS_NM if wavelengths_nm is None else wavelengths_nm, float)


def _source(e_number: str) -> dict[str, str] | None:
    """What shapes.csv says of a colourant's measured shape, None where none is on file."""
    return next((row for row in read_rows("shapes.csv") if row["e_number"] == e_number), None)


def _shape_status(e_number: str) -> str:
    """What the shape of a catalogued colourant rests on."""
    if own := _source(e_number):
        return own["kind"]
    if start := _row(e_number)["starts_like"]:
        return f"estimated from {start}"
    return "analytic" if e_number.startswith("E150") else "from memory"


def _moved(nm: Array, peak_nm: float, source_peak_nm: float) -> Array:
    """Wavelengths at which a shape moved in wavenumber to `peak_nm` has to be read off its source."""
    return 1e7 / (1e7 / nm + 1e7 / source_peak_nm - 1e7 / peak_nm)


def _bands(e_number: str, nm: Array) -> Array:
    """Sum of the Gaussian bands of a colourant, as they stand in the table."""
    import numpy as np

    total = np.zeros(np.shape(nm))
    for band in (row for row in read_rows("bands.csv") if row["e_number"] == e_number):
        apart = (1e7 / nm - 1e7 / float(band["centre_nm"])) / float(band["width_per_cm"])
        total += float(band["height"]) * np.exp(-4 * math.log(2) * apart**2)
    return total


def _band_shape(e_number: str, peak_nm: float | None, nm: Array) -> Array:
    """Bands scaled to 1 at their summit, which is moved to `peak_nm` unless that is None."""
    import numpy as np

    # Overlapping bands pull each other's peak; the whole is moved so that it peaks where the table says.
    near = np.arange(380, 720, 0.05)
    summit = near[np.argmax(_bands(e_number, near))]
    at = nm if peak_nm is None else _moved(nm, peak_nm, summit)
    return np.asarray(_bands(e_number, at) / _bands(e_number, summit))


def _row(e_number: str) -> dict[str, str]:
    listed = "E150" if e_number.startswith("E150") else e_number
    return next(row for row in read_rows("colourants.csv") if row["e_number"] == listed)


def _number(text: str) -> float | None:
    return float(text) if text else None


def _build(row: dict[str, str], **changes: object) -> Colourant:
    e_number, peak = str(changes.get("e_number", row["e_number"])), float(row["peak_nm"] or 610)
    values: dict[str, object] = {
        "e_number": e_number,
        "name": row["name"],
        "us_name": row["us_name"],
        "peak_nm": peak,
        "e1pct_1cm": _number(row["e1pct_1cm"]),
        "min_dye_percent": _number(row["min_dye_percent"]),
        "adi_jecfa_mg_per_kg": _number(row["adi_jecfa_mg_per_kg"]),
        "adi_efsa_mg_per_kg": _number(row["adi_efsa_mg_per_kg"]),
        "eu_warning": row["eu_warning"] == "yes",
        "note": row["note"],
        "shape_status": _shape_status(e_number),
        "medium": row["medium"],
        "to_be_learnt": not has_e_number(row["e_number"]),
        "shift_sd_nm": float(row["shift_sd_nm"]),
        "shift_from": row["shift_from"],
        "keeping": row["keeping"],
    }
    return Colourant(**(values | changes))  # type: ignore[arg-type]


@cache
def list_colourants() -> tuple[Colourant, ...]:
    """Every colourant of calibration/colourants.csv in its order, caramel also by its classes a to d."""
    plain = [_build(row) for row in read_rows("colourants.csv") if row["e_number"] != "E150"]
    base = _row("E150")
    caramels = [
        _build(
            base,
            e_number=row["e_number"],
            name=row["name"],
            e1pct_1cm=10 * float(row["a610_default"]),
            adi_jecfa_mg_per_kg=_number(row["adi_jecfa_mg_per_kg"]),
            adi_efsa_mg_per_kg=_number(row["adi_efsa_mg_per_kg"]),
            note="; ".join(part for part in (base["note"], row["note"]) if part),
            to_be_learnt=True,
        )
        for row in read_rows("caramel.csv")
    ]
    return (*plain, *caramels)


def has_e_number(code: str) -> bool:
    """Whether a code is an E number, not the name of a colour that has none nor the code of an unknown bottle."""
    return re.fullmatch(r"E\d{3}[a-z]?", code) is not None


def _as_e_number(text: str) -> str:
    """ "e 160-E" as law writes it, E160e; what is no E number as nobody writes one."""
    return "E" + re.sub(r"[\s-]", "", text.casefold()).removeprefix("e")


def _words(text: str) -> set[str]:
    return set(re.findall(r"[a-z0-9]+", text.casefold()))


@cache
def find_colourant(text: str) -> Colourant:
    """A colourant by E number (any case, with or without the E), by name, or by its name in US food law.

    Part of a name is enough where it fits one only ("allura red", "red 40", "anthocyanin"). "custom:505:540" is the
    code of an unknown bottle, see `custom_colourant`. NotFoundError lists the near ones.

    >>> allura = find_colourant("red 40")
    >>> allura.e_number, allura.e1pct_1cm
    ('E129', 540.0)
    >>> find_colourant("anthocyanin").e_number
    'E163'
    """
    wanted = text.strip()
    if wanted.casefold().startswith(_CUSTOM):
        parts = wanted[len(_CUSTOM) :].split(":")
        return custom_colourant("unknown colour", parts[0], _parse_strength(parts[1]) if len(parts) > 1 else None)
    code = _as_e_number(wanted)
    for colourant in list_colourants():
        if code == colourant.e_number or wanted.casefold() in (colourant.name.casefold(), colourant.e_number):
            return colourant
    fits = _fit_by_name(_words(wanted))
    exact_caramel = [c for c in fits if c.e_number == "E150"]
    if len(fits) == 1 or exact_caramel:
        return (exact_caramel or fits)[0]
    raise NotFoundError(_not_found_text(wanted, fits), "unknown-colourant")


def _fit_by_name(words: set[str]) -> list[Colourant]:
    """Colourants whose name or name in US law holds all words, else those that hold them as parts of theirs."""
    if not any(len(word) > 2 for word in words):
        return []
    names = [(c, _words(name)) for c in list_colourants() for name in (c.name, c.us_name)]
    whole = [c for c, known in names if words <= known]
    parts = [c for c, known in names if all(_is_part(word, known) for word in words)]
    return list({c.e_number: c for c in whole or parts}.values())


def _is_part(word: str, known: set[str]) -> bool:
    """Whether a word is one of the known ones, or four letters of it or more are in one."""
    return word in known or (len(word) > 3 and any(word in other for other in known))


def _stands_in_limits(code: str) -> bool:
    """Whether a law on file limits an E number, known as a colourant here or not."""
    return any(code in row["colourants"].split("+") for row in read_rows("limits.csv"))


def _not_found_text(wanted: str, fits: list[Colourant]) -> str:
    if fits:
        near = ", ".join(f"{c.e_number} {c.name}" for c in fits)
        return f'"{wanted}" fits several colourants: {near}. Give the E number of one of them.'
    if _stands_in_limits(code := _as_e_number(wanted)):
        return (
            f"{code} stands in the limits of the law, but how strong it is and what it absorbs is not on file. Enter it as "
            "an unknown bottle, --colourant custom with --like and the colourant that it resembles: photos teach its "
            "strength, and its limit you keep yourself (colourmatch guide care)."
        )
    keys = {key.casefold(): c for c in list_colourants() for key in (c.name, c.e_number, c.us_name) if key}
    close = [keys[key] for key in difflib.get_close_matches(wanted.casefold(), keys, n=4, cutoff=0.5)]
    near = ", ".join(dict.fromkeys(f"{c.e_number} {c.name}" for c in close or list_colourants()))
    return f'There is no colourant "{wanted}". Near ones: {near}.'


def _parse_strength(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(f'E 1 % must be a number such as 540, not "{text}".') from None


def _nearest(like: str | float) -> Colourant:
    """The catalogued colourant nearest to an E number or name, or to a peak in nm."""
    try:
        peak = float(like)
    except ValueError:
        return find_colourant(str(like))
    if str(like).strip() in {c.e_number[1:] for c in list_colourants()}:
        return find_colourant(str(like))
    if not 400 <= peak <= 700:
        raise InputError(f"The peak must lie between 400 and 700 nm, not at {peak:g}. Check the number.")
    # What is taught by photos itself is no start; of equally near peaks the measured shape is the better one.
    dyes = [c for c in list_colourants() if c.shift_sd_nm <= _START_SHIFT_NM and not _is_in_solvent(c.e_number)]
    return min(dyes, key=lambda c: (abs(c.peak_nm - peak), c.shape_status != "measured"))


def _is_in_solvent(e_number: str) -> bool:
    """Whether a shape stands where another medium than water put it."""
    own = _source(e_number)
    return own is not None and own["place"] == "as measured" and own["medium"] not in ("water", "buffer")


def custom_colourant(name: str, like: str | float, e1pct_1cm: float | None = None) -> Colourant:
    """A starting point for an unknown bottle ("supermarket red"), to be learnt from the photos.

    `like` is the nearest catalogued colourant (E number or name) or the peak in nm (400 to 700), to which
    the shape with the nearest peak is moved in wavenumber. Its code, "custom:PEAK_OR_E:STRENGTH", finds it
    again. No limit, dye content or acceptable intake is known for it. InputError for an impossible peak or
    strength.
    """
    base = _nearest(like)
    by_peak = base.e_number[1:] != str(like).strip() and re.fullmatch(r"[\d.]+", str(like).strip()) is not None
    peak = float(like) if by_peak else base.peak_nm
    strength = base.e1pct_1cm if e1pct_1cm is None else float(e1pct_1cm)
    if not 0.01 <= strength <= 5000:
        raise InputError(f"E 1 % must be between 0.01 and 5000, not {strength:g}. Pure food dyes are 400 to 2000.")
    status = base.shape_status if base.shape_is_taught else f"estimated from {base.e_number}"
    return Colourant(
        e_number=f"{_CUSTOM}{f'{peak:g}' if by_peak else base.e_number}:{strength:g}",
        name=name,
        us_name="",
        peak_nm=peak,
        e1pct_1cm=strength,
        min_dye_percent=None,
        adi_jecfa_mg_per_kg=None,
        adi_efsa_mg_per_kg=None,
        eu_warning=base.eu_warning,
        note=f"starts from {base.e_number} {base.name}; strength and identity unknown",
        shape_status=status,
        to_be_learnt=True,
        shift_from="unknown bottle",
    )


def name_on_label(colourant: Colourant) -> str:
    """A colourant as a label names it: "Allura red AC (E129)"; of an unknown bottle what to do about it."""
    if ":" in colourant.e_number:
        return "unknown colour (find its name and E number on the bottle)"
    name = colourant.name.split(" (")[0]
    return f"{name} ({colourant.e_number})" if has_e_number(colourant.e_number) else name
