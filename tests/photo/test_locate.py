"""The card's file against the printed PDF; where it lies: one drawn through a known homography comes back to a tenth of a millimetre."""

import io
import itertools

import cv2
import numpy as np
import pytest
from drawn import Pose, place_camera
from drawn_card import photograph

from colourmatch.errors import InputError, PhotoError
from colourmatch.paper.card import write_card_pdf
from colourmatch.paper.page import UPRIGHT_MM
from colourmatch.photo.card import marker_bits, read_card
from colourmatch.photo.locate import CardPose, find_card

SIZE = (2016, 1512)
POINTS_MM = np.array([(0, 0), (250, 0), (250, 180), (0, 180), *read_card().spots.values()], float)


def take(fill: float = 0.8, **pose: float) -> tuple[np.ndarray, np.ndarray]:
    """A picture and its homography from card millimetres to pixels."""
    to_px = place_camera(Pose(width_px=SIZE[0], height_px=SIZE[1], fill=fill, **pose)).homography()
    return photograph(to_px, SIZE), to_px


def furthest_mm(pose: CardPose, to_px: np.ndarray) -> float:
    """How far the card's corners and spots come back from where they are, in millimetres."""
    back = cv2.perspectiveTransform(pose.project(POINTS_MM)[None], np.linalg.inv(to_px))[0]
    return float(np.linalg.norm(back - POINTS_MM, axis=1).max())


@pytest.mark.parametrize("turned", [0, 45, 133, 251])
def test_any_rotation_is_found_to_a_tenth_of_a_millimetre(turned):
    picture, to_px = take(0.75, rotation_degrees=turned)
    pose = find_card(picture)
    assert pose.markers == (0, 1, 2, 3, 4, 5)
    assert furthest_mm(pose, to_px) < 0.1
    assert pose.reprojection_mm < 0.1
    assert pose.tilt_degrees < 2
    assert pose.flags == ()


@pytest.mark.parametrize("azimuth", [70, 250])
def test_a_tilted_look_is_found_and_its_tilt_told(azimuth):
    picture, to_px = take(0.8, tilt_degrees=25, azimuth_degrees=azimuth, rotation_degrees=12)
    pose = find_card(picture)
    assert furthest_mm(pose, to_px) < 0.1
    # at the card's middle, which need not lie on the camera's axis
    view = place_camera(Pose(fill=0.8, tilt_degrees=25, azimuth_degrees=azimuth, rotation_degrees=12))
    assert pose.tilt_degrees == pytest.approx(view.degrees_from_above((125, 90)), abs=0.5)


@pytest.mark.parametrize("fill", [0.35, 0.95])
def test_any_distance_is_found_and_its_scale_told(fill):
    picture, to_px = take(fill)
    pose = find_card(picture)
    assert furthest_mm(pose, to_px) < 0.1
    near = cv2.perspectiveTransform(np.array([[[124.5, 90], [125.5, 90]]]), to_px)[0]
    assert pose.px_per_mm == pytest.approx(np.linalg.norm(near[1] - near[0]), rel=0.02)


@pytest.mark.parametrize("hidden", [(0,), (0, 2), (1, 3, 4)])
def test_covered_markers_are_done_without(hidden):
    to_px = place_camera(Pose(tilt_degrees=10, rotation_degrees=20, fill=0.8)).homography()
    pose = find_card(photograph(to_px, SIZE, hidden))
    assert pose.markers == tuple(i for i in range(6) if i not in hidden)
    # a corner without its marker is a guess from the others, the spots between them are not
    assert furthest_mm(pose, to_px) < 0.5
    spots = np.array(list(read_card().spots.values()))
    back = cv2.perspectiveTransform(pose.project(spots)[None], np.linalg.inv(to_px))[0]
    assert np.linalg.norm(back - spots, axis=1).max() < 0.25


@pytest.mark.parametrize("sigma_px", [1.0, 3.0])
def test_a_mild_blur_moves_nothing_and_widens_the_edges(sigma_px):
    sharp, to_px = take(0.8, rotation_degrees=5)
    pose = find_card(cv2.GaussianBlur(sharp, (0, 0), sigma_px))
    assert furthest_mm(pose, to_px) < 0.1
    # 80 % of a Gaussian edge's contrast over its steepest slope is 0.8 sqrt(2 pi) sigma = 2.005 sigma
    assert pose.edge_mm == pytest.approx(2.005 * sigma_px / pose.px_per_mm, rel=0.25)
    assert find_card(sharp).edge_mm < pose.edge_mm


def test_soft_strongly_tilted_and_bent_cards_are_flagged():
    picture, _ = take(0.8)
    soft = find_card(cv2.GaussianBlur(picture, (0, 0), 0.9 * find_card(picture).px_per_mm))
    assert [f.code for f in soft.flags] == ["soft"]
    slanted, _ = take(0.8, tilt_degrees=38, azimuth_degrees=40)
    assert [f.code for f in find_card(slanted).flags] == ["tilted"]
    picture, _ = take(0.8)
    v, u = np.mgrid[: SIZE[1], : SIZE[0]].astype(np.float32)
    # both ends come up: what lies there is seen away from where a flat card has it
    lifted = v + 40 * ((u - SIZE[0] / 2) / (SIZE[0] / 2)) ** 2
    pose = find_card(cv2.remap(picture, u, lifted, cv2.INTER_LINEAR))
    assert [f.code for f in pose.flags] == ["card-bent"]
    assert "Press it flat" in pose.flags[0].text


@pytest.mark.parametrize("stranger", [6, 586])
def test_a_marker_that_is_not_the_cards_changes_nothing(stranger):
    picture, _ = take(0.7)
    alone = find_card(picture)
    cells = np.full((10, 10), 255, np.uint8)
    cells[1:9, 1:9] = np.where(marker_bits(stranger), 0, 255)
    picture[20:140, 20:140] = cells.repeat(12, axis=0).repeat(12, axis=1)[..., None]
    beside = find_card(picture)
    assert beside.markers == alone.markers
    assert beside.to_px == pytest.approx(alone.to_px)


def check_refused(picture: np.ndarray, code: str, words: str) -> None:
    with pytest.raises(PhotoError, match=words) as caught:
        find_card(picture)
    assert caught.value.code == code and caught.value.text.endswith(".")


def test_what_is_no_single_card_near_and_sharp_is_refused():
    small = np.diag([3.2, 3.2, 1.0])
    one = photograph(np.array([[1, 0, 70], [0, 1, 60], [0, 0, 1.0]]) @ small, SIZE)
    both = photograph(np.array([[1, 0, 1050], [0, 1, 800], [0, 0, 1.0]]) @ small, SIZE, under=one)
    assert len(find_card(one).markers) == 6
    check_refused(both, "two-cards", "Leave only one in view")
    check_refused(take(0.22)[0], "card-small", r"1\.\d pixels per millimetre.*Go closer")
    check_refused(cv2.GaussianBlur(take(0.8)[0], (0, 0), 22), "blurred", "Hold the phone still")
    noise = np.random.default_rng(1).integers(0, 256, (SIZE[1], SIZE[0], 3), np.uint8)
    even = [np.full((600, 800, 3), level, np.uint8) for level in (0, 128, 255)]
    marker = photograph(place_camera(Pose(fill=0.8)).homography(), SIZE, (0, 1, 2, 3, 4))
    for picture in (noise, *even, marker):
        check_refused(picture, "no-card", "No printed card was found")


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


def test_card_file_holds_the_published_layout_and_codes_of_its_family(tmp_path):
    card = read_card()
    assert card.block_mm == (250, 180)
    assert card.marker_family == "AprilTag 36h11"
    assert card.marker_corners_mm(0).tolist() == [[4, 4], [24, 4], [24, 24], [4, 24]]
    assert card.marker_corners_mm(2).tolist() == [[226, 156], [246, 156], [246, 176], [226, 176]]
    assert [step.reflectance for step in card.greys] == 2 * [0.75, 0.5, 0.35, 0.2, 0.1, 0.04]
    assert card.bottom_greys[0].centre_mm == (205, 158)
    assert card.window_centre_mm("batch") == (125, 84)
    assert card.black_bars_mm("batch")[[0, -1]].tolist() == [[117, 100, 1, 6], [131, 100, 1, 6]]
    # The family's name: 36 cells, smallest Hamming distance 11 (Olson 2011), also against turned markers.
    inner = [marker_bits(i)[1:-1, 1:-1] for i in range(6)]
    for a, b in itertools.combinations(inner, 2):
        assert min(np.count_nonzero(a != np.rot90(b, turn)) for turn in range(4)) >= 11
    with pytest.raises(InputError, match='Paper must be "a4" or "letter", not "a3"'):
        write_card_pdf("a3", tmp_path / "card.pdf")


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
