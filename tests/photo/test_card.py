"""The card's file against the printed PDF: what is drawn lies where the file says, and nothing else is."""

import io
import itertools

import cv2
import numpy as np
import pytest

from colourmatch.errors import InputError
from colourmatch.paper.card import write_card_pdf
from colourmatch.paper.page import UPRIGHT_MM
from colourmatch.photo.card import marker_bits, read_card

PIXELS_PER_MM = 300 / 25.4

#: Landscape width and height.
PAPER_SIZES_MM = {name: (high, wide) for name, (wide, high) in UPRIGHT_MM.items()}


@pytest.fixture(scope="module")
def pages() -> dict[str, tuple[bytes, np.ndarray]]:
    """The PDF and its grey raster at 300 dots per inch, 0 to 255, by paper."""
    pdfium = pytest.importorskip("pypdfium2")
    result = {}
    for paper in PAPER_SIZES_MM:
        out = io.BytesIO()
        write_card_pdf(paper, out)
        page = pdfium.PdfDocument(out.getvalue())[0]
        result[paper] = out.getvalue(), np.asarray(page.render(scale=300 / 72).to_pil().convert("L"))
    return result


def block_origin_mm(paper: str) -> np.ndarray:
    return (np.array(PAPER_SIZES_MM[paper]) - read_card().block_mm) / 2


def cut_out(image: np.ndarray, paper: str, x: float, y: float, size: tuple[float, float]) -> np.ndarray:
    """Pixels of a rectangle of the block, given by its centre."""
    left, top = block_origin_mm(paper) + np.array([x - size[0] / 2, y - size[1] / 2])
    y1, y2, x1, x2 = (round(v * PIXELS_PER_MM) for v in (top, top + size[1], left, left + size[0]))
    return image[y1:y2, x1:x2].astype(float)


def test_card_file_holds_the_published_layout():
    card = read_card()
    assert card.block_mm == (250, 180)
    assert card.marker_family == "AprilTag 36h11"
    assert card.marker_corners_mm(0).tolist() == [[4, 4], [24, 4], [24, 24], [4, 24]]
    assert card.marker_corners_mm(2).tolist() == [[226, 156], [246, 156], [246, 176], [226, 176]]
    assert [step.reflectance for step in card.greys] == 2 * [0.75, 0.5, 0.35, 0.2, 0.1, 0.04]
    assert card.bottom_greys[0].centre_mm == (205, 158)
    assert card.window_centre_mm("batch") == (125, 84)
    assert card.black_bars_mm("batch")[[0, -1]].tolist() == [[117, 100, 1, 6], [131, 100, 1, 6]]


def test_codes_are_at_least_eleven_cells_apart():
    # The family's name: 36 cells, smallest Hamming distance 11 (Olson 2011), also against turned markers.
    inner = [marker_bits(i)[1:-1, 1:-1] for i in range(6)]
    for a, b in itertools.combinations(inner, 2):
        assert min(np.count_nonzero(a != np.rot90(b, turn)) for turn in range(4)) >= 11


@pytest.mark.parametrize("paper", PAPER_SIZES_MM)
def test_page_is_the_paper_in_landscape_with_its_words(pages, paper):
    pypdf = pytest.importorskip("pypdf")
    reader = pypdf.PdfReader(io.BytesIO(pages[paper][0]))
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    points = np.array(PAPER_SIZES_MM[paper]) * 72 / 25.4
    assert (float(box.width), float(box.height)) == pytest.approx(points, abs=0.01)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    assert not reader.pages[0].images, "vector only"
    pypdf = pytest.importorskip("pypdf")
    text = pypdf.PdfReader(io.BytesIO(pages[paper][0])).pages[0].extract_text()
    for words in (
        "reference", "batch", "blank (water)", "100 %", "actual size", "matt", "ruler", "100 mm", "daylight",
        "no flash", "no shadow", "straight above", "whole card", "equal glasses", "10 mm", "version 1",
    ):  # fmt: skip
        assert words in text


@pytest.mark.parametrize("paper", PAPER_SIZES_MM)
def test_markers_and_grey_steps_lie_where_they_should(pages, paper):
    params = cv2.aruco.DetectorParameters()
    params.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, params).detectMarkers(pages[paper][1])
    assert sorted(ids.ravel()) == sorted(read_card().marker_centres_mm)
    for found, marker_id in zip(corners, ids.ravel(), strict=True):
        # A pixel's centre lies half a pixel inside it.
        millimetres = (found[0] + 0.5) / PIXELS_PER_MM - block_origin_mm(paper)
        assert np.abs(millimetres - read_card().marker_corners_mm(int(marker_id))).max() < 0.1
    for step in read_card().greys:
        patch = cut_out(pages[paper][1], paper, *step.centre_mm, (15, 15))
        linear = ((patch / 255 + 0.055) / 1.055) ** 2.4  # IEC 61966-2-1, all steps lie above its linear part
        assert np.ptp(patch) == 0
        # Half an 8-bit code is at most 0.0046 of reflectance at 0.75.
        assert linear.mean() == pytest.approx(step.reflectance, abs=0.005)
        around = cut_out(pages[paper][1], paper, *step.centre_mm, (17, 17))
        assert (around[0] == 255).all() and (around[:, -1] == 255).all(), "a step is 16 mm"


@pytest.mark.parametrize("paper", PAPER_SIZES_MM)
def test_bars_rings_and_check_line_are_drawn_and_nothing_unnamed(pages, paper):
    card, image = read_card(), pages[paper][1]
    for spot, (x, y) in card.spots.items():
        bars = cut_out(image, paper, *card.bars_centre_mm(spot), card.bars_size_mm)
        assert bars.mean() == pytest.approx(127.5, abs=2)
        wider = cut_out(image, paper, *card.bars_centre_mm(spot), (card.bars_size_mm[0] + 2, 1))
        starts = np.flatnonzero(np.diff((wider[0] < 128).astype(int)) == 1) / PIXELS_PER_MM
        # Bars begin 1 mm into the wider cut; edge and cut are each known to a pixel of 0.085 mm.
        assert starts == pytest.approx(1 + card.bars_period_mm * np.arange(8), abs=0.17)
        assert (cut_out(image, paper, *card.window_centre_mm(spot), (20, 20)) == 255).all()
        for dx, dy in ((35, 0), (-35, 0), (0, 35), (0, -35)):
            assert cut_out(image, paper, x + dx, y + dy, (1, 1)).min() < 200
    card, image = read_card(), pages[paper][1].copy()
    left, top = (round(v * PIXELS_PER_MM) for v in block_origin_mm(paper))
    height, width = (round(v * PIXELS_PER_MM) for v in card.block_mm[::-1])
    rows, columns = ((place + 0.5) / PIXELS_PER_MM for place in np.ogrid[0:height, 0:width])
    named = np.zeros((height, width), bool)
    squares = [(c, card.marker_size_mm, card.marker_size_mm) for c in card.marker_centres_mm.values()]
    squares += [(step.centre_mm, card.grey_size_mm, card.grey_size_mm) for step in card.greys]
    squares += [(card.bars_centre_mm(spot), *card.bars_size_mm) for spot in card.spots]
    for (x, y), w, h in squares:
        named |= (abs(columns - x) < w / 2 + 0.2) & (abs(rows - y) < h / 2 + 0.2)
    for x, y in card.spots.values():
        named |= abs(np.hypot(columns - x, rows - y) - card.ring_diameter_mm / 2) < 0.5
    assert (image[top : top + height, left : left + width][~named] == 255).all()
    image = pages[paper][1]
    margin = image[round((block_origin_mm(paper)[1] + read_card().block_mm[1]) * PIXELS_PER_MM) :]
    rows = (itertools.groupby(row.tolist()) for row in margin < 128)
    longest = max(sum(1 for _ in run) for row in rows for dark, run in row if dark)
    # The two end strokes are 0.25 mm wide and stand half outside the line.
    assert longest / PIXELS_PER_MM - 0.25 == pytest.approx(100, abs=0.1)


def test_another_paper_is_refused(tmp_path):
    with pytest.raises(InputError, match='Paper must be "a4" or "letter", not "a3"'):
        write_card_pdf("a3", tmp_path / "card.pdf")
