"""What a book costs that grows: each command and the first paint of Lots, at 1,000, 10,000 and 100,000 entries.

Run: python tests/bench/bench_scale.py FOLDER [ENTRIES ...]   (the books are kept in FOLDER and used again)

The lots are copies of the invented lot of `colourmatch demo`, measured once, with its photos' measurements as they are
recorded; half a minute of it is the drawing. Each command runs in a process of its own, its start included, with its
modules compiled as they are where the wheel was installed; the best of three is told, since others use the machine too.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from sqlalchemy import select

from colourmatch.book import tables as t
from colourmatch.book.checks import name_key
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.book.opening import write
from colourmatch.book.seals import seal_missing

COMMANDS = (["lot", "list"], ["lot", "show", "{lot}"], ["lot", "trend"], ["book", "check"])
_CHILD = """
import sys, time
from colourmatch.cli import run
begun = time.monotonic()
run(sys.argv[1:])
sys.stdout.flush()
peak = next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM"))  # this process's own
print(round(time.monotonic() - begun, 2), round(time.process_time(), 2), int(peak) // 1024, file=sys.stderr)
"""
_PAGE = """
import sys, time
from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash
app = AppTest.from_file("app.py", default_timeout=300).run()
begun, busy = time.monotonic(), time.process_time()
app._page_hash = calc_hash("lots")
app.run()
assert not app.exception and any(button.label.startswith("Open ") for button in app.button)
peak = next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(round(time.monotonic() - begun, 2), round(time.process_time() - busy, 2), int(peak) // 1024, file=sys.stderr)
"""
RUNS, LONG_S = 3, 3
ROOT = Path(__file__).parents[2]


def draw_pattern(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """The rows of the demonstration's lot, by table."""
    path = folder / "pattern.sqlite"
    if not path.exists():
        from colourmatch.demo import play_demo

        with open_book(path) as book, tempfile.TemporaryDirectory() as photos:
            play_demo(book, lambda *_: None, folder=Path(photos))
    with open_book(path) as book, book.database.read() as connection:
        return {table.name: [dict(row) for row in connection.execute(select(table)).mappings()] for table in t.HISTORY}


def fill(book: LotBook, pattern: dict[str, list[dict[str, Any]]], entries: int) -> int:
    """Copies of the lot until there are so many entries; how many lots."""
    lots = max(entries // len(pattern["lot_entries"]), 1)
    with write(book.database.engine) as connection:
        for name in ("references", "reference_readings", "stocks", "stock_entries"):
            if pattern[name] and name != "stock_entries":
                connection.execute(t.metadata.tables[name].insert(), pattern[name])
    for start in range(1, lots + 1, 100):
        with write(book.database.engine) as connection:
            for lot in range(start, min(start + 100, lots + 1)):
                _copy_lot(connection, pattern, lot)
    with write(book.database.engine) as connection:
        seal_missing(connection)
    return lots


def _copy_lot(connection: Any, pattern: dict[str, list[dict[str, Any]]], lot: int) -> None:
    by = (lot - 1) * (max(row["id"] for row in pattern["lot_entries"]) + 1)
    moved = {"entry_id", "photo_entry_id", "moved_entry_id", "closing_entry_id", "replaces_id"}
    for name in (
        "lots",
        "lot_stocks",
        "lot_entries",
        *dict.fromkeys(table.name for table in t.PARTS.values()),
    ):
        rows = []
        for row in pattern[name]:
            new = dict(row) | ({"token": None} if "token" in row else {})
            for key in moved & row.keys():
                new[key] = row[key] if row[key] is None else row[key] + by
            if name == "lots":
                called = f"Batch {lot}"
                new |= {"id": lot, "name": called, "name_key": name_key(called), "number": f"N{lot}"}
            elif "lot_id" in row:
                new["lot_id"] = lot
            if name == "lot_entries":
                new["id"] = row["id"] + by
            rows.append(new)
        if rows:
            connection.execute(t.metadata.tables[name].insert(), rows)


def measure(code: str, *arguments: str, book: Path) -> tuple[float, float, int]:
    """Seconds, seconds of processor time with the start, and MB of a piece of code in a process of its own."""
    environ = os.environ | {
        "COLOURMATCH_BOOK": str(book),
        "OPENBLAS_NUM_THREADS": "1",
        "PYTHONPATH": str(ROOT),
        "PYTHONDONTWRITEBYTECODE": "",
        "PYTHONPYCACHEPREFIX": str(book.parent / "compiled"),
    }
    told = [_measure_once(code, arguments, environ)]
    while len(told) < RUNS and told[0][1] < LONG_S:
        told.append(_measure_once(code, arguments, environ))
    return min(told, key=lambda one: one[1])


def _measure_once(code: str, arguments: tuple[str, ...], environ: dict[str, str]) -> tuple[float, float, int]:
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        capture_output=True,
        text=True,
        env=environ,
        cwd=ROOT,
        timeout=600,
    )
    try:
        seconds, busy, megabytes = done.stderr.strip().splitlines()[-1].split()
    except ValueError:
        raise SystemExit(f"It failed:\n{done.stderr}") from None
    return float(seconds), float(busy), int(megabytes)


def main() -> None:
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    pattern = draw_pattern(folder)
    for entries in [int(word) for word in sys.argv[2:]] or [1_000, 10_000, 100_000]:
        path = folder / f"scale-{entries}.sqlite"
        if not path.exists():
            begun = time.monotonic()
            with open_book(path) as book:
                fill(book, pattern, entries)
            print(f"filled in {time.monotonic() - begun:.0f} s")
        with open_book(path) as book:
            lots = book.lots.count()
        size = path.stat().st_size
        print(f"{entries:7,} entries in {lots:,} lots, {size / 1e6:.0f} MB, {size / entries / 1000:.1f} kB an entry")
        seconds, busy, megabytes = measure(_PAGE, book=path)
        print(f"        page Lots    {seconds:6.2f} s ({busy:.2f} s of processor) {megabytes:5} MB", flush=True)
        for command in COMMANDS:
            call = [part.format(lot=lots // 2 or 1) for part in command]
            seconds, busy, megabytes = measure(_CHILD, *call, "--json", book=path)
            print(
                f"        {' '.join(command[:2]):12} {seconds:6.2f} s ({busy:.2f} s of processor) {megabytes:5} MB",
                flush=True,
            )


if __name__ == "__main__":
    main()
