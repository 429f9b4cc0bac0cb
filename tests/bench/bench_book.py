"""Times a large lot book: the first page, a search, the exports, with the peak memory.

Run: python tests/bench/bench_book.py FOLDER [--lots 100000]   (the book is kept in FOLDER and used again)
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from collections.abc import Callable
from pathlib import Path

from colourmatch.book import tables as t
from colourmatch.book.checks import name_key
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.book.opening import write

KINDS = ("Aperitif", "Cordial", "Shrub", "Bitter", "Rosé")
MEASUREMENT = json.dumps(
    {"spots": {name: {"lab": [60.1, 40.2, 30.3], "lab_sd": [0.4, 0.6, 0.7]} for name in ("reference", "batch")}}
)


def fill(book: LotBook, lots: int) -> None:
    """Lots of six entries each, most of them closed, written in bulk."""
    book.stocks.add("red", "E129", 1.0)
    for start in range(1, lots + 1, 2000):
        with write(book.database.engine) as connection:
            for table, rows in _make_rows(range(start, min(start + 2000, lots + 1))).items():
                connection.execute(t.metadata.tables[table].insert(), rows)


def _make_rows(ids: range) -> dict[str, list[dict]]:
    rows: dict[str, list[dict]] = {
        name: [] for name in ("lots", "lot_stocks", "lot_entries", "additions", "photos", "closings")
    }
    when = "2026-01-01T00:00:00.000000+00:00"
    for lot in ids:
        name = f"{KINDS[lot % len(KINDS)]} {lot}"
        head = {"id": lot, "created_at": when, "name": name, "name_key": name_key(name), "number": f"N{lot}"}
        figures = {"volume_ml": 900.0, "depth_mm": 10.0, "dilution": 5.0, "tolerance": 1.5}
        rows["lots"].append(head | figures | {"already_mg_per_l": 0.0, "notes": "two of this, one of that " * 8})
        rows["lot_stocks"].append({"lot_id": lot, "position": 0, "stock_id": 1})
        for step, kind in enumerate(("addition", "photo", "addition", "addition", "photo", "closing")):
            entry = lot * 6 + step
            if kind == "closing" and lot % 20 == 0:
                continue
            rows["lot_entries"].append({"id": entry, "lot_id": lot, "kind": kind, "created_at": when})
            rows[kind + "s"].append(_make_part(kind, entry, lot))
    return rows


def _make_part(kind: str, entry: int, lot: int) -> dict:
    if kind == "addition":
        stock = {"strength_g_per_100ml": 1.0, "drop_ml": 0.05, "strength_rel_sd": 0.2, "drop_rel_sd": 0.15}
        dose = {"stock_id": 1, "quantity": 10.0, "unit": "drops", "ml": 0.5, "mg": 5.0, "void": False}
        return {"entry_id": entry, "density_g_per_ml": 1.0} | stock | dose
    if kind == "photo":
        return {
            "entry_id": entry,
            "lot_id": lot,
            "purpose": "match",
            "delta_e_2000": 1.0,
            "measurement": MEASUREMENT,
        }
    return {"entry_id": entry, "lot_id": lot, "outcome": "matched", "text": ""}


def report(what: str, act: Callable[[], object]) -> None:
    """Print how long an act took and the highest memory so far."""
    start = time.perf_counter()
    act()
    seconds = time.perf_counter() - start
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what:<32} {seconds * 1000:10.1f} ms   peak {peak_mb:6.0f} MB")


def main() -> None:
    """Fill the book when it is new, then time it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--lots", type=int, default=100_000)
    options = parser.parse_args()
    path = options.folder / f"bench-{options.lots}.sqlite"
    if not path.exists():
        with open_book(path) as book:
            report(f"writing {options.lots} lots", lambda: fill(book, options.lots))
    print(f"{path.stat().st_size / 1e6:.0f} MB")
    report("open", lambda: open_book(path).close())
    with open_book(path) as book:
        book.lots.search(limit=1)
        report("first page of 50", book.lots.search)
        report("last page of 50", lambda: book.lots.search(offset=options.lots - 50))
        report("first page, open only", lambda: book.lots.search(open_only=True))
        report("search, common word", lambda: book.lots.search("shrub"))
        report("search, one lot", lambda: book.lots.search(f"rosé {options.lots // 10 * 10 - 6}"))
        report("search, nothing", lambda: book.lots.search("xyz"))
        report("count", book.lots.count)
        report("count, open only", lambda: book.lots.count(open_only=True))
        report("find by name", lambda: book.lots.get("Shrub 7"))
        report("story of a lot", lambda: book.lots.story(options.lots // 2))
        report("add a dose", lambda: book.additions.add(options.lots // 20 * 20, "red", drops=1))
        with (options.folder / "out.csv").open("w", encoding="utf-8", newline="") as stream:
            report("export CSV", lambda: book.archive.export_csv(stream))
        with (options.folder / "out.json").open("w", encoding="utf-8") as stream:
            report("export JSON", lambda: book.archive.export_json(stream))
        report("check", book.archive.check)
        report("backup", lambda: book.archive.backup(options.folder / "out.zip"))
    with (
        open_book(options.folder / f"copy-{time.time_ns()}.sqlite") as copy,
        (options.folder / "out.json").open(encoding="utf-8") as stream,
    ):
        report("import JSON", lambda: copy.archive.import_json(stream))


if __name__ == "__main__":
    main()
