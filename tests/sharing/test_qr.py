"""The QR code, read back by another program's reader."""

from __future__ import annotations

import cv2
import numpy as np

from colourmatch.sharing.door import draw_for_page, draw_for_terminal

TEXT = "http://192.168.178.123:8501/#K7PQ-M2RT"


def test_the_terminal_code_reads_back():
    rows = draw_for_terminal(TEXT).splitlines()
    halves = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
    pixels = np.array(
        [[[halves[sign][half] for sign in row] for half in (0, 1)] for row in rows], dtype=np.uint8
    )
    picture = np.kron(pixels.reshape(-1, len(rows[0])), np.ones((8, 8), dtype=np.uint8))
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == TEXT


def test_the_page_gets_a_picture_that_runs_and_fetches_nothing():
    picture = draw_for_page(TEXT)
    assert picture.startswith("data:image/svg+xml") and "K7PQ" not in picture and '"' not in picture
    assert not any(word in picture for word in ("script", "href", "onload"))
