"""The same reading of the same photo, the same fit of the same readings: both are most of the time of many tests."""

import os
import pickle
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

from colourmatch.liquid.learn import fit_lot
from colourmatch.photo import measure
from colourmatch.workflow import fitting

_FITS: dict[bytes, Any] = {}
_READINGS: dict[tuple[object, ...], Any] = {}
_measured = measure.measure_or_refuse


def _fit(*given: Any, **named: Any) -> Any:
    key = pickle.dumps((given, named))
    if key not in _FITS:
        _FITS[key] = fit_lot(*given, **named)
    return _FITS[key]


def _read(source: bytes | Path, name: str | None = None, greys: Any = None) -> Any:
    if not isinstance(source, bytes):
        if not os.path.isfile(source):  # a name may be too long for Path.is_file
            return _measured(source, name, greys)
        source, name = Path(source).read_bytes(), name or Path(source).name
    key = (source, name, None if greys is None else tuple(greys.reflectance))
    if key not in _READINGS:
        _READINGS[key] = _measured(source, name, greys)
    return _READINGS[key]


@contextmanager
def remember() -> Iterator[None]:
    """Readings and fits are kept until the process ends, and asked for only once meanwhile."""
    with mock.patch.object(fitting, "fit_lot", _fit), mock.patch.object(measure, "measure_or_refuse", _read):
        yield
