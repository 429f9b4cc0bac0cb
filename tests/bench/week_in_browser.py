"""The week of bench_week.py in the app: two people's browsers, three lots, two bottles of one stock, a recall.

Run: python tests/bench/week_in_browser.py FOLDER      (needs Chromium and its driver; pictures and papers stay in FOLDER)

AB works on a phone, CD on a desk. Everything is typed and tapped; it ends with 1 where the recall or the log is wrong.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "browser"))

from drawn import save_photo  # noqa: E402
from drawn.demo import draw_demo_photo  # noqa: E402
from driving import Page, Server, open_browser, wait_for  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402

from colourmatch.book.lot_book import LotBook, open_book  # noqa: E402
from colourmatch.paper.labels import write_label_page  # noqa: E402
from colourmatch.paper.sheet import write_lot_sheet  # noqa: E402
from colourmatch.simulate.kitchen import Kitchen  # noqa: E402

MOST_PHOTOS = 7
#: ml of a true drop against the label's, and ml of a gram of stock.
TRUE_DROP_ML = 0.05 * 0.96


class Person:
    """Somebody with a browser of their own, who keeps a name in it."""

    def __init__(self, page: Page, url: str, name: str) -> None:
        self.page, self.url = page, url
        page.go(f"{url}/set-up")
        self.tap("summary", "Name, measures")
        self.write("Your name or initials (optional)", name)

    def field(self, label: str) -> Any:
        """The field in sight with a label."""
        css = f'[aria-label="{label}"]'
        return wait_for(lambda: next((e for e in self.page.find_all(css) if e.is_displayed()), None), label)

    def write(self, label: str, text: str) -> None:
        """Type into a field in place of what stands there, and send it."""
        self.field(label).send_keys(Keys.CONTROL, "a")
        self.field(label).send_keys(text, Keys.ENTER)
        self.page.settle()

    def choose(self, label: str, words: str) -> None:
        """Choose in a list by typing."""
        self.field(label).send_keys(words, Keys.ENTER)
        self.page.settle()

    def tap(self, kind: str, words: str) -> None:
        """Tap, and wait until the page is at rest."""
        self.page.tap(kind, words)
        self.page.settle()


class Week:
    """The kitchen of the week: its book, its photos, what is poured."""

    def __init__(self, folder: Path, book: LotBook) -> None:
        self.folder, self.book, self.photos = folder, book, 0

    def tint(self, who: Person, lot_id: int, kitchen: Kitchen) -> float:
        """Photograph and pour as Match says until its stop, and finish the lot; the true difference then."""
        who.page.go(f"{who.url}/match?lot={lot_id}")
        for count in range(1, MOST_PHOTOS + 1):
            self.photos += 1
            drawn = draw_demo_photo(kitchen, self.photos)
            who.page.upload(save_photo(drawn, self.folder / f"week-{self.photos}.jpg"))
            wait_for(lambda n=count: len(self.book.lots.story(lot_id).photos) == n, "the photo was not measured")
            who.page.find(".cm-answer:not(.old)")
            who.page.settle()
            if who.page.find_all(".cm-answer.stop"):
                break
            kitchen = self.pour(who, lot_id, kitchen)
        else:
            raise SystemExit(f"lot {lot_id} came to no stop in {MOST_PHOTOS} photos")
        who.page.picture(f"stop-{lot_id}")
        who.tap("button", "Finish the lot")
        wait_for(lambda: self.book.lots.get(lot_id).closed, "the lot is not finished")
        return float(drawn.truth["delta_e_2000"])

    def pour(self, who: Person, lot_id: int, kitchen: Kitchen) -> Kitchen:
        """Tap what is advised as added; what went into the batch in truth."""
        before = len(self.book.lots.story(lot_id).additions)
        who.tap("button", "Added")
        wait_for(lambda: len(self.book.lots.story(lot_id).additions) > before, "nothing was written down")
        entry = self.book.lots.story(lot_id).additions[-1]
        # a scale tells the truth of the volume, a count does not
        return kitchen.add_drops(entry.quantity if entry.unit == "drops" else entry.ml / TRUE_DROP_ML)


def add_stock(who: Person) -> None:
    """The first bottle, with its supplier's batch."""
    who.page.go(f"{who.url}/set-up")
    who.choose("Colourant", "E129")
    who.write("Name of the stock", "red")
    who.tap("summary", "Supplier, days, amount")
    who.write("Amount in the bottle, ml", "10")
    who.write("Supplier", "A supplier")
    who.write("Supplier's batch", "K-1207")
    who.page.picture("stock")
    who.tap("button", "Add the stock")


def begin(who: Person, book: LotBook, fill: Callable[[], None]) -> int:
    """Fill the form of a new lot and begin it; its id."""
    before = book.lots.count("")
    fill()
    who.page.picture(f"new-lot-{before + 1}")
    who.tap("button", "Begin the lot")
    wait_for(lambda: book.lots.count("") > before, "the lot was not begun")
    return int(book.lots.search(limit=1)[0].id)


def play(folder: Path) -> list[str]:
    """The week; what went wrong."""
    with open_book(folder / "week.sqlite") as book:
        server = Server(folder, book.place)
        drivers = [open_browser(folder / f"profile-{n}") for n in (1, 2)]
        Page.folder = folder
        try:
            week = Week(folder, book)
            ab = Person(Page(drivers[0], "phone"), server.url, "AB")
            cd = Person(Page(drivers[1], "desk"), server.url, "CD")
            return play_week(week, ab, cd)
        finally:
            for driver in drivers:
                driver.quit()
            server.stop()


def play_week(week: Week, ab: Person, cd: Person) -> list[str]:
    """Three lots, the second bottle, the recall and the log."""
    book = week.book
    add_stock(ab)

    def first() -> None:
        ab.page.go(f"{ab.url}/set-up?part=New+lot")
        ab.write("Name of the lot", "Bitter orange")
        ab.write("Batch, ml", "900")
        ab.write("Thinned, 1 part made up to", "5")
        ab.tap("summary", "More")
        ab.write("Lot number (optional)", "26-041")
        ab.write("Your ceiling, mg/l", "60")
        ab.tap("summary", "Lines of the label")
        ab.write("Ingredients, without the colours", "water, sugar, orange peel")
        ab.write("Producer", "Invented Drinks")

    apart = [week.tint(ab, begin(ab, book, first), Kitchen())]

    def like(who: Person, old: int, number: str) -> None:
        who.page.go(f"{who.url}/lots?lot={old}")
        who.tap("button", "Next lot like this")
        who.tap("summary", "More")
        who.write("Lot number (optional)", number)

    second = begin(cd, book, lambda: like(cd, 1, "26-042"))
    ab.page.go(f"{ab.url}/match?lot={second}")  # both have it open
    kitchen = week.pour(cd, second, Kitchen())
    ab.page.go(f"{ab.url}/match?lot={second}")
    ab.page.picture("dose-of-cd")
    seen = ab.page.text()
    apart.append(week.tint(cd, second, kitchen))

    cd.page.go(f"{cd.url}/set-up?part=Stocks")
    cd.tap("summary", "Empty or made again")
    cd.write("Amount in the bottle, ml", "50")
    cd.write("Supplier's batch", "K-1300")
    cd.tap("button", "A fresh bottle takes its place")

    def third() -> None:
        like(ab, second, "26-043")
        ab.write("Batch, ml", "5000")
        ab.tap("button", "grams")

    last = begin(ab, book, third)
    ab.page.picture("third")
    apart.append(week.tint(ab, last, week.pour(ab, last, Kitchen(5000, 0, 5000))))
    return look_back(week, ab, apart, seen)


def look_back(week: Week, ab: Person, apart: list[float], seen: str) -> list[str]:
    """Papers, recall and log, looked at and checked."""
    for lot_id in (1, 2, 3):
        with (week.folder / f"sheet-{lot_id}.pdf").open("wb") as out:
            write_lot_sheet(week.book, lot_id, out)
        with (week.folder / f"label-{lot_id}.pdf").open("wb") as out:
            write_label_page(week.book, lot_id, out)
    ab.page.go(f"{ab.url}/lots")
    ab.page.picture("lots")
    ab.tap("summary", "Recall")
    ab.write("Lots that hold the supplier's batch", "K-1207")
    ab.page.picture("recall")
    held = [e.text for e in ab.page.find_all('[data-testid="stPageLink"]') if e.text.startswith("lot ")]
    ab.tap("summary", "Log")
    ab.page.picture("log")
    log = ab.page.text()
    print(f"CIEDE2000 in truth at the stops: {', '.join(f'{one:.2f}' for one in apart)}")
    print("\n".join(held))
    return [
        *(["a lot ended too far off"] if max(apart) > 1.5 else []),
        *(["the recall names other lots"] if [h.split()[1] for h in held] != ["26-041", "26-042"] else []),
        *(["the log does not name both"] if not (", AB, " in log and ", CD, " in log) else []),
        *(["AB does not see the dose of CD"] if "CD" not in seen else []),
    ]


if __name__ == "__main__":
    place = Path(sys.argv[1])
    place.mkdir(parents=True, exist_ok=True)
    if wrong := play(place):
        raise SystemExit("; ".join(wrong))
