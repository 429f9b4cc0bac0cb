"""Where the card lies: a card drawn through a known homography comes back to a tenth of a millimetre."""

import cv2
import numpy as np
import pytest
from drawn import Pose, place_camera
from drawn_card import photograph

from colourmatch.errors import PhotoError
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
