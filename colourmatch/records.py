"""Records that cross rooms and are kept as JSON: one way in, one way out, nothing lost; it knows no record by itself.
What an older book wrote without a field is None there and written without it; an unknown field is kept.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple, Self, TypeAlias, TypeVar, dataclass_transform

if TYPE_CHECKING:  # lists of lots do not wait for it
    import numpy as np
    from numpy.typing import NDArray

Array: TypeAlias = "NDArray[np.float64]"
R = TypeVar("R")
#: Of a record that is made here: the fields that are written only once they are set.
_LATER = frozenset({"later"})


def kept(
    read: Callable[[Any], Any] | None = None,
    *,
    write: Callable[[Any], Any] | None = None,
    key: str | None = None,
    default: Any = None,
    later: bool = False,
) -> Any:
    """A field of a record: how its value is read from JSON (as it stands where None) and its name there where another.

    write: how it is written where `plain` does not do; default: what it is where nothing was written, or a function that makes it; later: written only once it is set.
    """
    metadata = {"read": read, "write": write or plain, "key": key, "later": later}
    if callable(default):
        return field(default_factory=default, metadata=metadata)
    return field(default=default, metadata=metadata)


def numbers(value: Any) -> Array:
    """An array of JSON numbers, NaN for null."""
    import numpy as np

    return np.array(value, float)


def several(record: type[Record]) -> Callable[[Any], tuple[Any, ...]]:
    """How a list of records is read."""
    return lambda rows: tuple(map(record.from_json, rows))


def decimals(digits: int) -> Callable[[float], float | None]:
    """How a number is written: rounded, null where it is none."""
    return lambda value: round(float(value), digits) if math.isfinite(value) else None


def rounded(values: Any, digits: int) -> Array:
    """An array rounded to decimals as it is written."""
    return _each(values, lambda v: round(v, digits))


def significant(values: Any, digits: int) -> Array:
    """An array rounded to significant digits as it is written."""
    return _each(values, lambda v: float(f"{v:.{digits}g}"))


def written(to: Callable[[Any, int], Array], digits: int) -> Callable[[Any], Any]:
    """How an array is written: `rounded` or `significant`, NaN as null."""
    return lambda values: plain(to(values, digits))


def _each(values: Any, act: Callable[[float], float]) -> Array:
    import numpy as np

    array = np.asarray(values, float)
    return np.array([act(v) for v in array.ravel().tolist()]).reshape(array.shape)


@dataclass_transform(frozen_default=True, eq_default=False, field_specifiers=(field,))
@dataclass(frozen=True, eq=False)
class Record:
    """What is read from JSON and written again; others: fields not known here; absent: known ones that it came without.

    Each kind of record is a frozen dataclass by being one. Two records are equal when they are written alike.
    """

    others: Mapping[str, Any] = field(default_factory=dict, repr=False, kw_only=True)
    absent: frozenset[str] = field(default=_LATER, repr=False, kw_only=True)

    def __init_subclass__(cls) -> None:
        dataclass(frozen=True, eq=False)(cls)

    def __post_init__(self) -> None:
        if self.absent is _LATER:
            later = frozenset(one.key for one in _fields(type(self)) if one.later)
            object.__setattr__(self, "absent", later)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        """The record that `to_json` wrote, today or in any earlier version."""
        own = _fields(cls)
        values = {
            one.name: value if one.read is None else one.read(value)
            for one in own
            if (value := data.get(one.key)) is not None
        }
        known = {one.key for one in own}
        others = {key: value for key, value in data.items() if key not in known}
        return cls(**values, others=others, absent=frozenset(known - data.keys()))

    def to_json(self) -> dict[str, Any]:
        """Plain values under the names of JSON; null where nothing is known."""
        out = {}
        for one in _fields(type(self)):
            value = getattr(self, one.name)
            if one.key not in self.absent or not one.is_default(value):
                out[one.key] = None if value is None else one.write(value)
        return out | dict(self.others)

    def having(self, **changes: Any) -> Self:
        """The record with some fields set, which are then written even where they are None."""
        keys = {one.key for one in _fields(type(self)) if one.name in changes}
        return replace(self, **changes, absent=self.absent - keys)

    def __eq__(self, other: object) -> bool:
        return type(other) is type(self) and other.to_json() == self.to_json()

    def __hash__(self) -> int:
        return hash(repr(self.to_json()))


class _Field(NamedTuple):
    """A field that JSON holds: its names here and there, and how it is read."""

    name: str
    key: str
    read: Callable[[Any], Any] | None
    write: Callable[[Any], Any]
    default: Any
    later: bool

    def is_default(self, value: Any) -> bool:
        return value is None or (self.default is not None and bool(value == self.default))


def _list_fields(record: type[Any]) -> tuple[_Field, ...]:
    return tuple(
        _Field(
            one.name, one.metadata["key"] or one.name, one.metadata["read"], one.metadata["write"],
            one.default if one.default_factory is MISSING else one.default_factory(), one.metadata["later"],
        )
        for one in fields(record)
        if "read" in one.metadata
    )  # fmt: skip


_fields: Callable[[Any], tuple[_Field, ...]] = cache(_list_fields)


def pick(source: Any, *names: str) -> dict[str, Any]:
    """Some of an object's values, by their names."""
    return {name: getattr(source, name) for name in names}


#: The names of a dataclass's fields.
names_of: Callable[[Any], tuple[str, ...]] = cache(lambda record: tuple(one.name for one in fields(record)))


def alike(record: type[R], source: Any, **other: Any) -> R:
    """A dataclass with the values that an object has under the names of its fields, but for what is other."""
    return record(**{name: getattr(source, name) for name in names_of(record) if name not in other}, **other)


def plain(value: Any, digits: int | None = None) -> Any:
    """A value of a record as JSON has it: records and arrays too, NaN and infinity as null; digits: significant ones."""
    if isinstance(value, Record):
        value = value.to_json()
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {key: plain(part, digits) for key, part in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(part, digits) for part in value]
    if not isinstance(value, float):
        return value
    if not math.isfinite(value):
        return None
    return value if digits is None else float(f"{value:.{digits}g}")
