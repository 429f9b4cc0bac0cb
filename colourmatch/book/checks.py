"""The limits of what may be written into the book, each refusal a sentence; it knows no database.
They only catch slips of the hand (a unit mixed up, a digit too many); they are common sense, no source.
"""

from __future__ import annotations

import difflib
import json
import math
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from colourmatch.errors import InputError
from colourmatch.records import plain
from colourmatch.words.entries import OUTCOMES

NAME_LENGTH = 120
TEXT_LENGTH = 20_000
OUTCOME_LENGTH = 40

#: name -> (words, lowest, lowest is allowed, highest, advice)
_CONDITION = ("name", "depth_mm", "dilution", "illuminant", "weight")
LIMITS: dict[str, tuple[str, float, bool, float, str]] = {
    "volume_ml": ("The volume", 1, True, 2_000_000, "Give the batch in ml, up to 2000 litres."),
    "depth_mm": ("The depth", 1, True, 200, "Give the depth of liquid in the glass in mm, such as 10."),
    "dilution": ("The dilution", 1, True, 1000, "1 part made up to 5 parts with water is 5; undiluted is 1."),
    "tolerance": ("The tolerance", 0.1, True, 20, "Give it in CIEDE2000 units, such as 1.5."),
    "ceiling_mg_per_l": ("The ceiling", 0, True, 100_000, "Give mg of colour in a litre of drink."),
    "already_mg_per_l": ("The colour already in", 0, True, 100_000, "Give mg in a litre, 0 when none."),
    "drops": ("The number of drops", 0.1, True, 100_000, "Count them again, or give ml or grams."),
    "ml": ("The volume", 0.001, True, 2_000_000, "Give the millilitres that went in or out."),
    "grams": ("The weight", 0.0001, True, 2_000_000, "Give the grams that went in."),
    "amount_ml": ("The amount in the bottle", 0.1, True, 100_000, "Give it in ml."),
    "made_up_to": (
        "What it is made up to",
        1,
        True,
        1000,
        "1 part made up to 6 parts is 6; drunk as it is, 1.",
    ),
    "shift_nm": ("The shift of the band", -100, True, 100, "In nm, 0 where its colourant has it."),
    "shift_sd_nm": ("The sd of the shift", 0, True, 100, "In nm."),
    "strength_factor": ("The strength factor", 0.01, True, 100, "1 is the strength of the label."),
    "weight": ("The weight of a serving", 0.001, True, 1000, "2 counts twice as much as 1."),
    "rel_sd": ("The relative spread", 0, False, 10, "0.1 is 10 %."),
}


def check_number(name: str, value: object) -> float:
    """The value as a float when it is within the limits of `name`; else an InputError sentence."""
    words, low, low_allowed, high, advice = LIMITS[name]
    if value is None:
        raise InputError(f"{words} is missing. {advice}")
    if isinstance(value, bool) or not hasattr(value, "__float__"):
        raise InputError(f"{words} is {value!r}, which is not a number. {advice}")
    try:
        number = float(value)
    except OverflowError:  # a whole number of hundreds of digits
        number = math.inf
    if not math.isfinite(number) or number > high or number < low or (number == low and not low_allowed):
        span = f"from {low:g}" if low_allowed else f"more than {low:g} and"
        raise InputError(f"{words} must be {span} up to {high:,.10g}, not {value}. {advice}")
    return number


def check_name(value: object, what: str = "name") -> str:
    """A name of 1 to 120 characters without control characters, outer blanks cut off."""
    if not isinstance(value, str):
        raise InputError(f"The {what} is {value!r}, which is not text. Give 1 to {NAME_LENGTH} characters.")
    name = value.strip()
    if not name:
        raise InputError(f"The {what} is empty. Give 1 to {NAME_LENGTH} characters.")
    if len(name) > NAME_LENGTH:
        raise InputError(f"The {what} has {len(name)} characters. Give at most {NAME_LENGTH}.")
    if any(ord(sign) < 32 or 127 <= ord(sign) < 160 or 0xD800 <= ord(sign) < 0xE000 for sign in name):
        raise InputError(f"The {what} {name!r} holds a line break or a control character. Type it again.")
    return name


def check_text(value: object, what: str = "text") -> str:
    """Free text of up to 20,000 characters, line breaks allowed; None is empty text."""
    if value is None:
        return ""
    if not isinstance(value, str):
        raise InputError(f"The {what} is {value!r}, which is not text. Type it again.")
    if len(value) > TEXT_LENGTH:
        raise InputError(f"The {what} has {len(value)} characters. Give at most {TEXT_LENGTH}.")
    if "\0" in value or any(0xD800 <= ord(sign) < 0xE000 for sign in value):
        raise InputError(f"The {what} holds a character that cannot be kept. Type it again.")
    return value


def check_lab(value: object) -> tuple[float, float, float] | None:
    """A target colour as L*, a*, b* (D65, 2 degrees), None passes."""
    if value is None:
        return None
    advice = "Give L*, a*, b*, such as 60, 45, 30."
    try:
        lightness, a, b = (float(part) for part in value)  # type: ignore[attr-defined]
    except (TypeError, ValueError, OverflowError):
        raise InputError(f"The target colour {value!r} is not three numbers. {advice}") from None
    # a reading as clear as water may come out a little above 100
    if not (0 <= lightness <= 105 and abs(a) <= 200 and abs(b) <= 200):
        raise InputError(
            f"The target colour {lightness:g}, {a:g}, {b:g} is out of range: L* is 0 to 100 (water), a* and b* are "
            f"-200 to 200. {advice}"
        )
    return lightness, a, b


def check_jurisdiction(value: object) -> str | None:
    """A jurisdiction whose limits are on file, as it is written there; None and empty text are none."""
    if value is None or value == "":
        return None
    from colourmatch.dosing.limits import limits_for, list_jurisdictions

    limits_for((), check_name(value, "jurisdiction"))  # refuses what is not on file
    return next(known for known in list_jurisdictions() if known == str(value).strip().upper())


def check_colourant(value: object) -> str | None:
    """The E number of a colourant that is on file, by number or name; None, empty text and "none": not known."""
    if value is None or str(value).strip().casefold() in ("", "none"):
        return None
    from colourmatch.liquid.colourants import find_colourant

    return find_colourant(check_name(value, "colourant")).e_number


def check_serving(value: object) -> dict[str, Any] | None:
    """Where the match is judged: {"conditions": [{"name", "depth_mm", "dilution", "illuminant", "weight"}]}.

    What a condition does not say is left out and is then as the lot is photographed. None passes, and no
    condition at all is None. Other fields are kept as they are.
    """
    if value is None:
        return None
    if not isinstance(value, Mapping) or not isinstance(value.get("conditions", []), (list, tuple)):
        raise InputError(f"The serving conditions {value!r} are not a list. Give them one by one.")
    conditions = [_check_condition(condition) for condition in value.get("conditions", [])]
    rest = {str(key): part for key, part in value.items() if key != "conditions"}
    return rest | {"conditions": conditions} if conditions else rest or None


def _check_condition(condition: object) -> dict[str, Any]:
    if not isinstance(condition, Mapping) or set(condition) - set(_CONDITION):
        raise InputError(f"The serving condition {condition!r} cannot be read. Give some of {', '.join(_CONDITION)}.")
    checked: dict[str, Any] = {"name": check_name(condition.get("name") or "serving", "name of the serving")}
    for key in ("depth_mm", "dilution", "weight"):
        if condition.get(key) is not None:
            checked[key] = check_number(key, condition[key])
    if (light := condition.get("illuminant")) is not None:
        from colourmatch.colour.spectra import LEAST_KELVIN, MOST_KELVIN, name_illuminant

        try:
            checked["illuminant"] = name_illuminant(str(light))
        except ValueError:
            raise InputError(
                f"The light {light!r} is not known. Give one of the CIE's, such as D65 (daylight), A (a warm lamp), "
                f"FL11 or LED-B3, or a colour temperature from {LEAST_KELVIN} K to {MOST_KELVIN} K, such as 2700 K."
            ) from None
    return checked


#: What of a lot's head has no column of its own.
LOT_DETAILS = ("made_up_to", "hand", "like", "label_lines")
#: In what a dose is measured.
HANDS = ("drops", "ml", "grams")
#: The maker's own lines of a label.
LABEL_LINES = ("ingredients", "contents", "best_before", "producer", "keeping")


def check_hand(value: object) -> str:
    """In what doses of a lot or of a stock are measured."""
    if value not in HANDS:
        raise InputError(f"A dose is measured in {', '.join(HANDS)}, not in {value!r}. Choose one of them.")
    return str(value)


def check_label_lines(value: object) -> dict[str, str]:
    """The maker's own lines of a label, empty ones left out; another line is the caller's bug."""
    if not isinstance(value, Mapping) or set(value) - set(LABEL_LINES):
        raise ValueError(f"lines of a label are {', '.join(LABEL_LINES)}, got {value!r}")
    lines = {key: check_text(value.get(key), "line of the label").strip() for key in LABEL_LINES}
    return {key: line for key, line in lines.items() if line}


#: A figure of a lot's head -> its check, where that is no `check_number`.
_OF_HEAD: dict[str, Callable[[Any], Any]] = {
    "name": lambda value: check_name(value, "name of the lot"),
    "number": lambda value: None if value is None else check_name(value, "number of the lot"),
    "notes": lambda value: check_text(value, "notes"),
    "ceiling_mg_per_l": lambda value: None if value is None else check_number("ceiling_mg_per_l", value),
    "target_lab": check_lab,
    "jurisdiction": check_jurisdiction,
    "serving": check_serving,
    "already_colourant": check_colourant,
    "hand": check_hand,
    "label_lines": check_label_lines,
    "like": lambda value: None if value is None else int(value),
}


def check_figure(key: str, value: Any) -> Any:
    """A figure of a lot's head as it is kept, at the beginning and when it is put right; InputError for what it cannot be."""
    return _OF_HEAD[key](value) if key in _OF_HEAD else check_number(key, value)


def check_outcome(value: object) -> str:
    """Why a lot was closed: one of OUTCOMES as it is written there, or own words of up to 40 characters.

    A slip of the finger in a word of OUTCOMES is an InputError, since tables and pages go by these words.
    """
    typed = check_name(value, "reason for closing")
    folded = typed.casefold()
    if folded in OUTCOMES:
        return folded
    near = difflib.get_close_matches(folded, OUTCOMES, n=1, cutoff=0.8)
    if near:
        raise InputError(
            f"The reason {typed!r} is nearly {near[0]!r}. Give one of {', '.join(OUTCOMES)}, or other words of your own."
        )
    if len(typed) > OUTCOME_LENGTH:
        raise InputError(
            f"The reason has {len(typed)} characters. Give one of {', '.join(OUTCOMES)}, or own words of at most "
            f"{OUTCOME_LENGTH} characters; a note takes more."
        )
    return typed


def check_one_of(value: object, allowed: tuple[str, ...], what: str) -> str:
    """A word of a short list; another one is the caller's bug."""
    if value not in allowed:
        raise ValueError(f"{what} must be one of {', '.join(allowed)}, got {value!r}")
    return str(value)


def utc_text(moment: datetime | str | None = None) -> str:
    """A moment as UTC text of fixed width, now when None; ValueError for a time without its zone."""
    if isinstance(moment, str):
        moment = datetime.fromisoformat(moment)
    moment = datetime.now(UTC) if moment is None else moment
    if moment.tzinfo is None:
        raise ValueError(f"a time needs its zone, got {moment!r}")
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def name_key(name: str) -> str:
    """What names are compared by: one form of each character, no capitals, single blanks."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def near_names(wanted: str, names: Iterable[str] | Mapping[str, str]) -> str:
    """Part of a sentence that names the near ones, empty when none is near; a mapping says how each is shown."""
    shown = names if isinstance(names, Mapping) else {name: name for name in names}
    folded = {name.casefold(): text for name, text in shown.items()}
    near = [folded[key] for key in difflib.get_close_matches(wanted.casefold(), folded, n=3, cutoff=0.5)]
    return f" Near it: {', '.join(near)}." if near else ""


def to_json(value: Mapping[str, Any] | None, digits: int | None = None) -> str | None:
    """JSON text of a dict; numpy numbers and arrays become plain ones, NaN and infinity become null.

    A photo whose figures are doubtful is still worth keeping, and JSON has no word for NaN. `digits`: to how many
    significant digits numbers with decimals are rounded; as they are without.
    """
    if value is None:
        return None
    if not isinstance(value, Mapping):
        raise TypeError(f"a dict is needed, got {type(value).__name__}")
    return json.dumps(plain(value, digits), allow_nan=False, default=str)
