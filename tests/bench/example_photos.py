"""Draws the photos of the example's advised way, which ship with the program.

Run: python tests/bench/example_photos.py      (after a change of simulate/ or of the advice; replaces all in SHIPPED)
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from colourmatch.book.lot_book import open_book
from colourmatch.book.naming import EXAMPLE_STOCK
from colourmatch.demo import begin_example
from colourmatch.simulate import save_photo
from colourmatch.simulate.kitchen import SHIPPED, Kitchen, draw_demo_photo
from colourmatch.workflow.lot import record_photos


def main() -> None:
    """Follow the advice to the stop."""
    for old in SHIPPED.glob("*.jpg"):
        old.unlink()
    SHIPPED.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name, open_book(Path(name) / "book.sqlite") as book:
        lot, drops, number, dose = begin_example(book), 0, 0, 1
        while dose:
            number += 1
            kitchen = Kitchen().add_drops(drops)
            path = save_photo(draw_demo_photo(kitchen, number), SHIPPED / f"{number}-{drops}.jpg")
            advice = record_photos(book, lot, [path])[0].advice
            print(path.name, advice.text)
            dose = advice.steps[0].drops if advice.steps else 0
            if dose:
                book.additions.add(lot, EXAMPLE_STOCK, drops=dose)
            drops += dose


if __name__ == "__main__":
    main()
