"""How a drink is looked at, in words: depth, dilution, light, and where a match is judged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from colourmatch.words.figures import PLAIN, Figure, Signs, ends_of, tell_drops, tell_interval

#: From so much on two liquids that part under another light are told of: a just noticeable difference in a glass is more.
_SEEN_APART = 0.5
#: Two liquids that may be this near in daylight look alike: then a warm lamp that parts them is news.
_ALIKE = 6.0


def tell_dilution(dilution: float) -> str:
    """How thinned a drink is: "undiluted", "1 part made up to 5"."""
    return "undiluted" if dilution == 1 else f"1 part made up to {dilution:g}"


def tell_look(look: Mapping[str, Any], name_light: Callable[[str], str] = "light {}".format) -> str:
    """Depth, dilution, light and weight, those that are known, a weight of 1 aside; `name_light`: a light as a medium calls it.

    >>> tell_look({"depth_mm": 60, "dilution": 4, "illuminant": "A", "weight": 2})
    '60 mm deep, 1 part made up to 4, light A, weight 2'
    """
    forms: dict[str, Callable[[Any], str]] = {
        "depth_mm": "{:g} mm deep".format,
        "dilution": tell_dilution,
        "illuminant": name_light,
        "weight": "weight {:g}".format,
    }
    known = {key: value for key, value in look.items() if value is not None and (key, value) != ("weight", 1)}
    return ", ".join(form(known[key]) for key, form in forms.items() if key in known)


def tell_glass(depth_mm: float, dilution: float) -> str:
    """How the glasses in a photo stand: "10 mm deep, undiluted"."""
    return tell_look({"depth_mm": depth_mm, "dilution": dilution})


def tell_metamerism(apart: Figure | None, now: Figure | None) -> str:
    """What is said of two liquids that look alike and are of different stuff; empty where that is not sure, nobody would
    see it, or they do not look alike.

    apart: CIEDE2000 under a warm lamp, were they matched in daylight; now: in daylight as they are.

    >>> tell_metamerism({"value": 3.1, "low": 2.0, "high": 4.2}, {"value": 1.2, "low": 0.7, "high": 1.8})
    'They are of different stuff: matched in daylight, they part under a warm lamp by 3.1 (2.0 to 4.2).'
    >>> tell_metamerism({"value": 0.6, "low": 0.1, "high": 1.1}, {"value": 1.2, "low": 0.7, "high": 1.8})
    ''
    >>> tell_metamerism({"value": 3.1, "low": 2.0, "high": 4.2}, {"value": 20.2, "low": 17.7, "high": 22.8})
    ''
    """
    if not apart or not now or ends_of(now)[1] >= _ALIKE or ends_of(apart)[1] < _SEEN_APART:
        return ""
    return f"They are of different stuff: matched in daylight, they part under a warm lamp by {tell_interval(apart)}."


def tell_served(one: Any, *, closed: bool = False, signs: Signs = PLAIN) -> Iterator[str]:
    """One look: how far apart, after the step too, and while the lot is open the further dose that would match there alone."""
    yield f"CIEDE2000 {tell_interval(one.delta_e_2000, signs=signs)}, {one.text}"
    if one.after_step:
        yield f"after the step {tell_interval(one.after_step, signs=signs)}, {one.after_text}"
    for dose in () if closed else one.to_match:
        drops = tell_drops(dose.drops or 0, (dose.low, dose.high), "more")
        yield f"there alone nearest after {drops} of {dose.stock}"


def tell_serving(serving: Mapping[str, Any] | None) -> str:
    """Where the match is judged: "long drink (60 mm deep, 1 part made up to 4, light A, weight 2); on ice"."""
    told = []
    for one in (serving or {}).get("conditions", ()):
        look = tell_look(one)
        told.append(one.get("name", "serving") + (f" ({look})" if look else ""))
    told += [f"{key} {value}" for key, value in (serving or {}).items() if key != "conditions"]
    return "; ".join(told) or "as photographed"
