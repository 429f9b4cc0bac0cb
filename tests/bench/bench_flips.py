"""Bits flipped in the file of a book, each alone: how many that change anything that is read are found or refused.

Run: python tests/bench/bench_flips.py [COUNT]     (some 2 minutes for 200 flips that count)
"""

from __future__ import annotations

import io
import random
import sqlite3
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "book"), str(Path(__file__).parents[2])]

from test_seals import export, fill  # noqa: E402

from colourmatch.book.lot_book import open_book  # noqa: E402
from colourmatch.errors import ColourMatchError  # noqa: E402


def judge(path: Path, before: str) -> str:
    """What came of a flip: nothing that is read changed, or it was found, refused, or missed."""
    try:
        with open_book(path) as book:
            if book.archive.check():
                return "found"
            out = io.StringIO()
            book.archive.export_json(out)
    except ColourMatchError:  # of the export: a column that only reading it all asks for
        return "refused"
    except Exception as error:
        print(f"FAULT {error!r}"[:300], flush=True)
        return "FAULT"
    return "changes nothing" if out.getvalue().partition("\n")[2] == before else "MISSED"


def main() -> None:
    wanted = int(sys.argv[1]) if sys.argv[1:] else 200
    told: Counter[str] = Counter()
    memory = Path("/dev/shm")  # where there is one: opening a book waits for the disk, and nothing here must last
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        path = Path(folder) / "b.sqlite"
        with open_book(path) as book:
            fill(book)
        with sqlite3.connect(path) as rough:
            rough.execute("PRAGMA journal_mode = DELETE")
        rough.close()
        whole, before, seed = path.read_bytes(), export(path) or "", 0
        while told.total() - told["changes nothing"] < wanted:
            rng, data = random.Random(seed), bytearray(whole)
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            damaged = Path(folder) / "damaged.sqlite"
            damaged.write_bytes(data)
            told[judge(damaged, before)] += 1
            for left in Path(folder).glob("damaged.sqlite*"):
                left.unlink()
            seed += 1
            if seed % 50 == 0:
                print(f"{seed} flips so far: {dict(told)}", flush=True)
    print(f"{seed} flips: {dict(told)}")
    sys.exit(bool(told["MISSED"] or told["FAULT"]))


if __name__ == "__main__":
    main()
