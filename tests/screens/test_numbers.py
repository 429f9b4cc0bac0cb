"""Every number that a page shows of a lot stands in what the commands print: whoever has no browser misses none."""

import contextlib
import io
import json
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
from visiting import open_app

from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.cli import run
from colourmatch.screens.html import place_beside
from colourmatch.workflow.closing import close_lot
from colourmatch.workflow.lot import record_photos

#: Digits that are no figures of a lot: names of standards, lights and colourants, moments, entries by number, and what
#: brackets and bars mean on every page.
_NO_FIGURES = re.compile(
    r"<(style|script)>.*?</|CIEDE2000|\b[DA]65\b|\bE ?\d{3}\b|FL\d+|LED-B1|95 %|2 degrees|\d{4}-\d\d-\d\d( \d\d:\d\d UTC)?|No \d+/\d+|"
    r"<[^>]*>|[Pp]hotos? \d+|batch-\d+\.jpg|2\.66|\(L\d+\)|last \d+ (photos|closed)|1 part made up to",
    re.DOTALL,
)
_NUMBER = re.compile(r"(?<![\w.])[−-]?\d+(?:\.\d+)?(?![\w.]*\d)")
#: Parts of a JSON object with so many numbers of their own that anything would be found among them.
_CROWDS = ("covariance", "rgb", "curve", "drawing", "markers", "uncertainty", "tone", "at_utc", "stored_name")


@pytest.fixture(scope="module")
def lots(tmp_path_factory: pytest.TempPathFactory, photos: list[Path]) -> Iterator[LotBook]:
    """A lot that waits for drops, with a glass of its own, and one that is closed."""
    book = open_book(tmp_path_factory.mktemp("numbers") / "book.sqlite")
    book.stocks.add("red", "E129", 1.0)
    glass = {"conditions": [{"name": "tall", "depth_mm": 55.0, "dilution": 3.0, "illuminant": "A"}]}
    work, done = (
        book.lots.begin(
            name, 873, ["red"], ceiling_mg_per_l=41, jurisdiction="EU", tolerance=1.7, depth_mm=10, serving=glass
        ).id
        for name in ("bitter aperitif", "cordial")
    )  # fmt: skip
    for lot_id in (done, work):
        record_photos(book, lot_id, [photos[0]])
        book.additions.add(lot_id, "red", drops=13)
        record_photos(book, lot_id, [photos[1]])
    book.volumes.take_sample(work, 17, returned=False)
    record_photos(book, work, [photos[2]])
    close_lot(book, done, "given up", "enough")
    with book:
        yield book


def figures(text: str) -> set[str]:
    """The numbers in a text, as they are written there, without names and moments."""
    return {found.replace("−", "-") for found in _NUMBER.findall(_NO_FIGURES.sub(" ", text))}


def page_figures(page: str, lot_id: int) -> set[str]:
    """All numbers that a page shows: its texts, tables and buttons."""
    app = open_app(page, lot_id)
    assert not app.error
    texts = [str(element.proto.body) for element in app.get("html")]
    if page == "set_up":  # beside the stocks it holds forms and what would be weighed for stocks not made yet
        return figures("".join(text for text in texts if "cm-facts" in text))
    for kind in (app.markdown, app.warning, app.header, app.subheader):
        texts += [element.value for element in kind]
    texts += [button.label for button in app.button]
    texts += [str(cell) for table in app.dataframe for cell in table.value.to_numpy().ravel()]
    return set().union(*(figures(text.replace("\\", "")) for text in texts))


def printed(arguments: Iterable[object], place: str) -> tuple[set[str], list[float]]:
    """The numbers in the texts of a command's JSON object, and its numbers."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert run([*map(str, arguments), "--book", place, "--json"]) == 0
    words, numbers = set[str](), list[float]()

    def walk(part: Any) -> None:
        if isinstance(part, dict):
            for key, value in part.items():
                if not any(crowd in key for crowd in _CROWDS):
                    walk(value)
        elif isinstance(part, list):
            for value in part:
                walk(value)
        elif isinstance(part, str):
            words.update(figures(part))
        elif isinstance(part, (int, float)) and not isinstance(part, bool):
            numbers.append(float(part))

    answer = json.loads(out.getvalue())
    walk(answer)
    predicted = (answer.get("advice") or {}).get("predicted_lab")
    if predicted:  # a page draws it beside the reference of the last photo: the sum of printed numbers
        numbers += place_beside(answer["photos"][-1]["spots"]["reference"]["lab"], predicted)
        covariance = answer["advice"].get("predicted_covariance") or []
        numbers += [row[k] ** 0.5 for k, row in enumerate(covariance)]
    return words, numbers


def is_among(figure: str, words: set[str], numbers: list[float]) -> bool:
    """Whether a number as shown is one of those printed, rounded to as many digits; shares are shown in per cent."""
    if figure in words:
        return True
    half = 0.5 * 10.0 ** -len(figure.partition(".")[2]) + 1e-9
    return any(abs(abs(value) * scale - abs(float(figure))) <= half for value in numbers for scale in (1, 100))


PAGES = {
    "match": [("lot", "show", 1), ("lot", "look", 1), ("lot", "look", 1, "--serving", "depth-mm=55,dilution=3,light=D65")],
    "lots": [("lot", "show", 2), ("lot", "list"), ("lot", "label", 2), ("lot", "recheck", 2)],
    "trend": [("lot", "trend")],
    "set_up": [("stock", "list")],
}  # fmt: skip


@pytest.mark.parametrize("page", PAGES)
def test_the_commands_print_what_the_page_shows(lots, page, monkeypatch):
    monkeypatch.setenv("COLOURMATCH_BOOK", lots.place)
    told = [printed(call, lots.place) for call in PAGES[page]]
    words, numbers = set().union(*(one[0] for one in told)), [n for one in told for n in one[1]]
    shown = page_figures(page, 2 if page == "lots" else 1)
    assert len(shown) > 3
    missing = sorted(figure for figure in shown if not is_among(figure, words, numbers))
    assert not missing, ", ".join(missing)


def test_the_test_itself_sees_a_number_that_is_nowhere():
    assert figures("12.2 mg/l (9.1 to −15), 2026-11-25 15:33 UTC, E129") == {"12.2", "9.1", "-15"}
    assert is_among("12.2", set(), [12.249]) and is_among("20", set(), [0.2]) and is_among("7", {"7"}, [])
    assert not is_among("12.2", {"12"}, [12.26, 1.22])
