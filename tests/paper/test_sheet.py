"""The lot sheet and labels read back as text and pages, and the QR code through another library's reader."""

import io
from datetime import UTC, datetime, timedelta, timezone

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest
from known_photos import measured

from colourmatch.advice import Advice
from colourmatch.book.lot_book import LotBook
from colourmatch.colour.difference import Figure
from colourmatch.errors import InputError, NotFoundError
from colourmatch.paper.labels import write_label_page
from colourmatch.paper.page import choose_fonts
from colourmatch.paper.sheet import write_lot_sheet
from colourmatch.paper.sheet_colour import choose_swatches, see_photos
from colourmatch.workflow.label_lines import read_label_lines
from colourmatch.workflow.references import choose_reading, enter_reference


def read_sheet(book: LotBook, lot: int | str, paper: str = "a4") -> tuple[str, pypdf.PdfReader]:
    """The sheet's text with single blanks, and the pages."""
    out = io.BytesIO()
    write_lot_sheet(book, lot, out, paper)
    reader = pypdf.PdfReader(out)
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split()), reader


@pytest.fixture
def finished(book: LotBook, lot: int) -> int:
    """A lot with photos, doses, a correction, one taken back, a sample, a note, and its closing."""
    book.photos.add(lot, measured([15, -40, -10]), original_name="one.jpg", entered_by="Asa")
    first = book.additions.add(lot, "red", drops=60, entered_by="Asa")
    book.additions.correct(first.id, drops=64, reason="counted again")
    spilt = book.additions.add(lot, "yellow", drops=5)
    book.additions.correct(spilt.id, void=True, reason="spilt on the table")
    book.volumes.take_sample(lot, 20)
    book.entries.add_note(lot, "smells of orange")
    book.photos.add(lot, measured([0.2, -0.3, 0.1]), original_name="two.jpg")
    book.lots.close(lot, "matched", "Matched: the difference is 0.4 (between 0.1 and 0.9). Stop here.")
    return lot


def test_the_figures_on_the_sheet_are_those_of_the_book(book, finished):
    text, reader = read_sheet(book, finished)
    state = book.lots.story(finished).state()
    total = state.total_mg_per_l()
    sd = total * np.hypot(0.20, 0.15)
    assert f"{total:.1f} ± {sd:.1f} 60 {60 - total:.1f}" in text
    assert f"{total:.1f} ± {sd:.1f} 100 {100 - total:.1f}" in text and "from memory" in text
    assert f"{state.volume_ml:.1f} ml" in text and "1 part made up to 5" in text
    assert "1 g in 100 ml (± 20 %)" in text and "0.05 ml (± 15 %)" in text
    assert len(reader.pages) == 2 and "page 1 of 2" in text
    assert reader.metadata.title == f"Lot L{finished}: Aperitif"


def test_what_a_lot_taught_stays_on_its_sheet_and_what_others_did_has_its_day(book, finished):
    other = book.lots.begin("Other", 900, "red").id
    book.stocks.learn("red", 0.84, 0.06, finished)
    told = "0.84 (0.75 to 0.94) of its label"
    assert told in read_sheet(book, finished)[0] and f"{told}, as of 20" in read_sheet(book, other)[0]
    book.stocks.learn("red", 0.85, 0.05, other)
    book.stocks.learn("red", 0.86, 0.05, finished)  # as where its drop is weighed again
    assert told in read_sheet(book, finished)[0] and "as of" not in read_sheet(book, finished)[0]
    book.lots.reopen(finished, "more")
    book.lots.close(finished, "matched", "", Advice(now=Figure(0.4, 0.1, 0.9)))
    assert "judged by all photos together." in read_sheet(book, finished)[0]
    book.lots.reopen(finished, "more")
    assert "0.85 (0.77 to 0.94) of its label, as of 20" in read_sheet(book, finished)[0]


def test_the_history_names_what_was_corrected_and_why(book, finished):
    text, _ = read_sheet(book, finished)
    story = book.lots.story(finished)
    old, new = story.events[1], story.events[2]
    assert f"{old.id}. 60 drops of red" in text and f"(struck by entry {new.id})" in text
    assert f"{new.id}. 64 drops of red" in text and f"(corrects entry {old.id}: counted again)" in text
    assert "5 drops of yellow" in text and "did not happen" in text and "spilt on the table" in text
    assert "Sample of 20 ml taken" in text and "Note: smells of orange" in text
    assert old.created_at[:10] in text
    delta = measured([0.2, -0.3, 0.1])["delta_e_2000"]
    assert delta["low"] == 0 and f"Photo 2 (two.jpg): CIEDE2000 at most {delta['high']:.1f}" in text
    assert "Matched. The difference is 0.4 (between 0.1 and 0.9). Stop here. Closed" in text


def test_a_name_of_hours_that_fills_the_foot_leaves_no_room_for_the_lots(book, lot, tmp_path):
    zone = timezone(timedelta(hours=1), "A" * 100)
    write_lot_sheet(book, lot, tmp_path / "a.pdf", zone=zone)
    assert (tmp_path / "a.pdf").stat().st_size > 1000


def test_a_batch_on_the_sheet_is_as_unsure_as_its_photo_says(book, lot):
    unsure = {part: (k * np.eye(3)).tolist() for k, part in enumerate(("photo", "scene", "phone", "lost"), 1)}
    book.photos.add(lot, measured([0.2, -0.3, 0.1]) | {"uncertainty": unsure})
    story = book.lots.story(lot)
    *_, (name, _, sds) = choose_swatches(book, story, see_photos(story))
    assert name == "batch, only photo" and sds == pytest.approx([np.sqrt(10)] * 3)


def test_swatches_charts_label_and_cautions_are_there(book, finished):
    text, _ = read_sheet(book, finished)
    for part in (
        "batch, first photo", "batch, last photo", "only approximately", "L* 76.0 ± 2.0", "a* (green to red)",
        "tolerance 1.5", "colour in the batch by the label, mg/l", "Colour: Allura red AC (E129)",
        "may have an adverse effect on activity and attention in children", "Made by", "Checked by",
        "Local food law and a qualified food technologist decide",
    ):  # fmt: skip
        assert part in text
    assert "E102)" not in text  # yellow stood ready but did not go in: it is on no label


def test_looks_trials_and_the_daily_intake_are_on_the_sheet(book, lot):
    trial = book.trials.take(lot, 100).id
    book.additions.add(trial, "red", drops=7)
    book.additions.add(lot, "red", drops=56)
    look = {
        "name": "long drink", "depth_mm": 60, "dilution": 4, "illuminant": "A", "weight": 2,
        "delta_e_2000": {"value": 1.21, "low": 0.7, "high": 2.04}, "text": "paler",
    }  # fmt: skip
    book.photos.add(lot, measured([0.2, -0.3, 0.1]), {"serving": [look]})
    book.lots.amend(lot, "named", already_mg_per_l=3, already_colourant="E162")
    text, _ = read_sheet(book, lot)
    assert "long drink 60 mm deep, 1 part made up to 4, light A, weight 2 1.2 (0.7 to 2.0), paler" in text
    assert "7 drops of red there are" in text or "7 drops of red there, and the batch holds as much" in text
    assert f"100 ml taken for trial lot {trial}" in text
    assert "3 mg/l of E162" in text and "colourant in the base E162" in text
    assert "7 mg per kg (JECFA and EFSA)" in text and "for a child of 20 kg" in text
    assert "Beetroot red (E162)" in text and "no acceptable daily intake is on file" in text
    book.trials.pour_back(trial)
    assert f"100 ml of trial lot {trial} poured back" in read_sheet(book, lot)[0]
    assert "Where it is drunk" not in read_sheet(book, trial)[0]
    assert "Trial of 100 ml" in read_sheet(book, trial)[0]


def test_a_target_on_the_sheet_is_as_sure_as_the_reading_that_it_is(book, lot):
    enter_reference(book, "Measured", (60, 45, 30), lab_sd=(0.3, 0.4, 0.5), dilution=5)
    choose_reading(book, lot, "Measured", "latest")
    text, _ = read_sheet(book, lot)
    assert "Measured: L* 60.0 ± 0.3, a* 45.0 ± 0.4, b* 30.0 ± 0.5" in text
    ((_, _, swatch_sd),) = choose_swatches(book, book.lots.story(lot), [])
    assert swatch_sd == pytest.approx((0.3, 0.4, 0.5))


def test_an_empty_lot_has_a_sheet(book, lot):
    text, reader = read_sheet(book, lot, "letter")
    assert len(reader.pages) == 1 and "Still open." in text and "Nothing yet." in text
    assert "No colour added." in text and "0.0 ± 0.0 60 60.0" in text
    assert [float(v) for v in reader.pages[0].mediabox[2:]] == [612, 792]


def test_names_and_scripts_are_never_markup_nor_lost(book, lot):
    evil = "<b>Red</b> & <para>co</para> " + "W" * 60
    book.stocks.add(evil, "E129", 1.0, notes="<img src='x'/>")
    lot = book.lots.begin("<i>Drink</i> & " + "M" * 105, 900, evil, notes="peel <30 g>\n&amp; sugar").id
    book.additions.add(lot, evil, drops=3, entered_by="<u>me")
    book.entries.add_note(lot, "</para><b>")
    text, _ = read_sheet(book, lot)
    assert "<i>Drink</i> &" in text and "<b>Red</b> & <para>co</para>" in text
    assert "peel <30 g> &amp; sugar" in text and "<u>me" in text and "Note: </para><b>" in text
    named = book.lots.begin("Žlutý nápoj", 900, "red", notes="\U0001f34a and \ue000").id
    text, _ = read_sheet(book, named)
    assert "Žlutý nápoj" in text and "[U+E000]" in text
    assert choose_fonts(["Crème brûlée"]).plain == "Helvetica"
    assert choose_fonts(["Žlutý"]).holds("Ž")


def test_forty_additions_continue_cleanly(book, lot):
    for k in range(40):
        if k % 8 == 0:
            book.photos.add(lot, measured([0, -30 + k / 2, 0]))
        book.additions.add(lot, "red", drops=1 + k % 3)
    book.entries.add_note(lot, "long " * 3000)
    text, reader = read_sheet(book, lot)
    assert len(reader.pages) <= 3 and text.count(" of red (") == 40
    assert "(cut; the book has all)" in text and text.count("Made by") == 1
    assert sum("When" in page.extract_text() for page in reader.pages) >= 2  # its head on each page


def test_colour_of_the_base_a_passed_ceiling_and_a_recheck_are_told(book, lot):
    head = {"ceiling_mg_per_l": 20, "already_mg_per_l": 8, "jurisdiction": "US"}
    other = book.lots.begin("Strong", 900, "red", **head).id
    book.additions.add(other, "red", drops=40)
    book.photos.add(other, measured([0, 0, 0]))
    book.lots.close(other, "ceiling", "Stopped: no more may go in.")
    later = datetime.now(UTC) + timedelta(weeks=4)
    book.photos.add(other, measured([0.4, -2, -1]), purpose="recheck", taken_at=later)
    text, _ = read_sheet(book, other)
    assert "PASSED by" in text and "The base held colour of its own" in text and "FD&C Red" in text
    assert "Since then: In 4.0 weeks the batch has turned" in text and "Recheck photo" in text
    assert "The ceiling is reached. Stopped: no more may go in." in text


@pytest.mark.parametrize("write", [write_lot_sheet, write_label_page])
def test_what_cannot_be_is_refused(book, lot, tmp_path, write):
    with pytest.raises(InputError, match='Paper must be "a4" or "letter"'):
        write(book, lot, io.BytesIO(), paper="a5")
    with pytest.raises(InputError, match="cannot be written to"):
        write(book, lot, tmp_path / "none" / "x.pdf")
    with pytest.raises(NotFoundError):
        write(book, 999, io.BytesIO())
    write(book, lot, tmp_path / "x.pdf")
    assert (tmp_path / "x.pdf").read_bytes().startswith(b"%PDF")


def test_the_sheet_names_the_batch_of_a_bottle_and_marks_the_makers_own_lines(book, lot):
    bottle = {"supplier": "A supplier", "supplier_batch": "K-1207"}
    book.stocks.correct("red", "read on the bottle", bottle=bottle)
    book.additions.add(lot, "red", drops=5)
    assert "nobody checked" not in read_sheet(book, lot)[0]
    book.lots.amend(lot, "label", label_lines={"producer": "Invented Drinks"}, made_up_to=6)
    text, _ = read_sheet(book, lot)
    assert "batch K-1207 of A supplier" in text and "1 part made up to 6" in text
    assert "Invented Drinks" in text and "nobody checked them" in text


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
