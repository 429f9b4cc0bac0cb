"""How far a long call has come: a bar on a terminal, nothing elsewhere, because other programs read the lines."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import TypeVar

One = TypeVar("One")


def watch(results: Iterable[One], total: int, what: str = "Measuring photos") -> Iterator[One]:
    """Hand results on as they come; on a terminal a bar on stderr shows how many of `total` are done."""
    if total < 2 or not sys.stderr.isatty():
        yield from results
        return
    from rich.console import Console
    from rich.progress import track

    # lines printed meanwhile appear above the bar; when all is done the bar goes
    yield from track(results, what, total, console=Console(stderr=True), transient=True)
