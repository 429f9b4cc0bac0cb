"""Labels read back: their text, and the QR code through another library's reader."""

import io

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest

from colourmatch.book.lot_book import LotBook
from colourmatch.errors import InputError
from colourmatch.paper.labels import write_label_page
from colourmatch.workflow.label_lines import read_label_lines


def make_page(book: LotBook, lot: int | str, **options) -> bytes:
    out = io.BytesIO()
    write_label_page(book, lot, out, **options)
    return out.getvalue()


def read_codes(page: bytes, scale: float = 2, part: float = 1.0) -> list[str]:
    """The codes on the first page or its upper left part; the reader needs more pixels than a phone for a dense one."""
    image = np.array(pypdfium2.PdfDocument(page)[0].render(scale=scale).to_pil().convert("RGB"))
    height, width = (round(part * size) for size in image.shape[:2])
    _, codes, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(np.ascontiguousarray(image[:height, :width]))
    return list(codes)


def label_lines(book: LotBook, lot: int) -> list[str]:
    return list(read_label_lines(book.lots.story(lot)).all())


@pytest.fixture
def tinted(book: LotBook, lot: int) -> int:
    book.additions.add(lot, "red", drops=20)
    return lot


def test_the_label_declares_what_went_in_and_warns(book, tinted):
    begun = book.lots.get(tinted).created_at[:10]
    assert label_lines(book, tinted) == [
        "Aperitif",
        f"Lot L{tinted} · begun {begun}, not closed yet",
        "Colour: Allura red AC (E129)",
        "Allura red AC (E129): may have an adverse effect on activity and attention in children",
    ]
    book.lots.close(tinted, "matched")
    closed = book.lots.story(tinted).closing.created_at[:10]
    assert f"Lot L{tinted} · closed {closed}" in label_lines(book, tinted)


def test_what_was_taken_back_is_not_declared_and_carmine_is_named(book, lot):
    entry = book.additions.add(lot, "red", drops=20)
    book.additions.correct(entry.id, void=True, reason="spilt")
    lines = label_lines(book, lot)
    assert "No colour added." in lines and not any("own, name it" in line for line in lines)
    book.lots.amend(lot, "read on the bottle", already_mg_per_l=5)
    assert label_lines(book, lot)[-1].startswith("The base held colour of its own, name it here")
    book.stocks.add("crimson", "E120", 1.0)
    book.additions.add(lot, "crimson", ml=1)
    assert "Contains carmine (E120)" in label_lines(book, lot)


def test_the_makers_own_lines_hold_the_colours_among_the_ingredients(book, tinted):
    own = {"ingredients": "water, sugar, colours, citric acid", "producer": "Invented Drinks"}
    own["best_before"] = "2027-05"
    book.lots.amend(tinted, "label", label_lines=own)
    lines = label_lines(book, tinted)
    assert "Ingredients: water, sugar, colour: Allura red AC (E129), citric acid" in lines
    assert "Best before 2027-05" in lines and "Invented Drinks" in lines
    assert "Colour: Allura red AC (E129)" not in lines  # said once
    assert any("attention in children" in line for line in lines)
    book.lots.amend(tinted, "label", label_lines={"ingredients": "water, sugar."})
    assert "Ingredients: water, sugar, colour: Allura red AC (E129)" in label_lines(book, tinted)
    text = pypdf.PdfReader(io.BytesIO(make_page(book, tinted, copies=1))).pages[0].extract_text()
    assert "water, sugar, colour" in text


@pytest.mark.parametrize("number", ["Łot 12é <&>", "N" * 120])
def test_the_code_carries_the_lot_number_whatever_it_is(book, lot, number):
    book.lots.begin("Cordial", 900, "red", number=number)
    page = make_page(book, number, copies=1)
    assert read_codes(page, 6, part=0.5) == [number]
    text = pypdf.PdfReader(io.BytesIO(page)).pages[0].extract_text()
    assert number[:20] in text


def test_a_page_full_of_equal_labels(book, tinted):
    page = make_page(book, tinted)
    text = pypdf.PdfReader(io.BytesIO(page)).pages[0].extract_text()
    assert text.count("Colour: Allura red AC (E129)") == 12
    assert read_codes(page) == [f"L{tinted}"] * 12
    reader = pypdf.PdfReader(io.BytesIO(make_page(book, tinted, copies=13, paper="letter")))
    texts = [page.extract_text() for page in reader.pages]
    assert len(texts) == 2 and sum(text.count("Aperitif") for text in texts) == 13
    assert [float(v) for v in reader.pages[0].mediabox[2:]] == [612, 792]


def test_much_text_takes_a_larger_place_and_loses_nothing(book, lot):
    for name, colourant in (("a", "E102"), ("b", "E110"), ("c", "E122"), ("d", "E124"), ("e", "E120")):
        book.stocks.add(name, colourant, 1.0)
    crowded = book.lots.begin("Ž <b>" + "W" * 110, 900, list("abcde"), already_mg_per_l=1).id
    for name in "abcde":
        book.additions.add(crowded, name, drops=2)
    reader = pypdf.PdfReader(io.BytesIO(make_page(book, crowded)))
    text = "".join(reader.pages[0].extract_text().split())
    count = text.count("Containscarmine(E120)")
    assert 2 <= count < 12 and text.count("inchildren") == count and text.count("Ž<b>WWW") == count


@pytest.mark.parametrize("copies", [0, -1, 1001, 1.5, True])
def test_an_impossible_number_of_copies_is_refused(book, lot, copies):
    with pytest.raises(InputError, match="whole number from 1 to 1000"):
        make_page(book, lot, copies=copies)
