"""The calibration files, beside the package in a checkout and inside it in a wheel, not what they mean.
The one figure that every interval shares stands here too.
"""

from __future__ import annotations

import csv
import json
from functools import cache
from pathlib import Path
from typing import Any

#: Half the width of a 95 % interval in standard deviations of a normal figure: coverage factor, JCGM 100:2008, G.1.
K_95 = 1.959964
_PACKAGE = Path(__file__).resolve().parent


def find_file(name: str) -> Path:
    """Path of a file that lies inside the package in a wheel and beside it in a checkout; FileNotFoundError for none."""
    for folder in (_PACKAGE, _PACKAGE.parent):
        if (folder / name).is_file():
            return folder / name
    raise FileNotFoundError(f"{name} is missing from this installation")


def find_fact(name: str) -> Path:
    """Path of a calibration file; FileNotFoundError when there is none."""
    return find_file(f"calibration/{name}")


@cache
def read_rows(name: str) -> tuple[dict[str, str], ...]:
    """Rows of a CSV fact file as dicts of text, in order; lines that start with # are its source notes."""
    with find_fact(name).open(encoding="utf-8", newline="") as handle:
        return tuple(csv.DictReader(line for line in handle if not line.startswith("#")))


@cache
def read_json(name: str) -> Any:
    """A JSON fact file; shared between callers, not to be changed."""
    return json.loads(find_fact(name).read_text(encoding="utf-8"))
