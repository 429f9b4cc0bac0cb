"""What phone cameras have in common: white and greys stay, colours are drawn in a little, tones are bent at both ends."""

import numpy as np
import pytest

from colourmatch.colour.spaces import RGB_TO_XYZ, decode_srgb
from colourmatch.photo.camera import expect_camera, expect_tones


@pytest.mark.parametrize("space", ["sRGB", "Display P3", "Adobe RGB"])
def test_white_and_greys_stay_where_they_were(space):
    matrix = RGB_TO_XYZ[space]
    for grey in (1.0, 0.3, 0.02):
        assert expect_camera(matrix) @ np.full(3, grey) == pytest.approx(matrix @ np.full(3, grey), rel=1e-4)


def test_a_shadow_and_a_bright_white_stand_for_more_light_than_their_codes_say():
    usual, *bends = expect_tones()
    assert usual[208] == 0 and not np.array(bends)[:, 208].any()
    assert usual[40] > 0.2 and usual[245] > 0.1
    assert (np.diff(decode_srgb(np.arange(256) / 255) * np.exp(usual)) > 0).all()
    assert (np.diff(np.square(bends).sum(axis=1)) < 0).all()
