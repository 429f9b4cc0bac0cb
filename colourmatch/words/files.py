"""How files are named that a person takes along."""

from __future__ import annotations

import re


def name_file(what: str, label: str, ending: str) -> str:
    """A file's name that holds the number of its lot, with what any system takes in a name.

    >>> name_file("lot", "26-041", "pdf"), name_file("labels", "a/b: c", "pdf")
    ('lot-26-041.pdf', 'labels-a-b-c.pdf')
    """
    return f"{what}-{re.sub(r'[^A-Za-z0-9._-]+', '-', label).strip('-.') or 'lot'}.{ending}"
