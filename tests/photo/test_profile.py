"""Colour profiles: known encodings read as themselves, curves follow their formulas, rubbish never raises."""

import struct
import warnings

import numpy as np
import pytest
from drawn import display_p3_profile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ImageCms

from colourmatch.colour import spaces
from colourmatch.colour.spaces import RGB_TO_XYZ, WHITE_D65_XYZ, decode_srgb
from colourmatch.photo.profile import named_profile, read_icc

CODES = np.arange(256) / 255
#: ICC.1:2022 clause 7.2.16 and annex E, as printed there.
WHITE_D50_XYZ = np.array([0.9642, 1.0, 0.8249])
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def fixed(*values: float) -> bytes:
    """Numbers as s15Fixed16 (ICC.1:2022 clause 4.6)."""
    return b"".join(struct.pack(">i", round(v * 65536)) for v in values)


def parametric(kind: int, *values: float) -> bytes:
    return b"para" + struct.pack(">IHH", 0, kind, 0) + fixed(*values)


def table_curve(values: list[int]) -> bytes:
    return b"curv" + struct.pack(">II", 0, len(values)) + struct.pack(f">{len(values)}H", *values)


def colorants(primaries: str) -> np.ndarray:
    """Columns XYZ of the primaries, adapted from D65 to D50."""
    gain = (BRADFORD @ WHITE_D50_XYZ) / (BRADFORD @ WHITE_D65_XYZ)
    adapt = np.linalg.solve(BRADFORD, gain[:, None] * BRADFORD)
    return adapt @ spaces.primaries_to_matrix(spaces.PRIMARIES_XY[primaries])


def write_icc(matrix: np.ndarray, curve: bytes) -> bytes:
    """A matrix profile with the same curve for each channel."""
    tags = {f"{c}XYZ".encode(): b"XYZ " + bytes(4) + fixed(*matrix[:, k]) for k, c in enumerate("rgb")}
    tags |= {f"{c}TRC".encode(): curve for c in "rgb"}
    table, body, start = b"", b"", 132 + 12 * len(tags)
    for name, data in tags.items():
        table += name + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    header = bytes(12) + b"mntr" + b"RGB " + b"XYZ " + bytes(12) + b"acsp" + bytes(88)
    return header + struct.pack(">I", len(tags)) + table + body


SOUND = write_icc(colorants("sRGB"), parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))


#: Name -> a profile of it, its published decoding, and how near that is.
PUBLISHED = {
    # IEC 61966-2-1; this maker keeps the primaries to five digits and the white to four
    "sRGB": (ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(), decode_srgb(CODES), 1e-3),
    "Display P3": (display_p3_profile(), decode_srgb(CODES), 1e-4),
    # Adobe RGB (1998) colour image encoding, 4.3.4.2: the power is 2 + 51/256
    "Adobe RGB": (write_icc(colorants("Adobe RGB"), table_curve([563])), CODES ** (2 + 51 / 256), 1e-6),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_published_encoding_reads_as_itself(name):
    icc, decoded, within = PUBLISHED[name]
    profile = read_icc(icc)
    assert profile.name == name and profile.understood
    assert profile.to_xyz == pytest.approx(RGB_TO_XYZ[name], abs=1e-3)
    for found in (profile, named_profile(name)):
        assert found.decode_table == pytest.approx(np.tile(decoded, (3, 1)), abs=within)


@pytest.mark.parametrize(
    ("kind", "values", "formula"),
    [
        # ICC.1:2022 table 68: the five function types
        (0, (2.2,), lambda x: x**2.2),
        (1, (2.0, 1.25, -0.25), lambda x: np.where(x >= 0.2, np.maximum(1.25 * x - 0.25, 0) ** 2, 0)),
        (2, (2.0, 1.0, -0.2, 0.1), lambda x: np.where(x >= 0.2, np.maximum(x - 0.2, 0) ** 2 + 0.1, 0.1)),
        (3, (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), decode_srgb),
        (
            4,
            (2.0, 0.9, 0.05, 0.5, 0.1, 0.0304, 0.0),
            lambda x: np.where(x >= 0.1, (0.9 * x + 0.05) ** 2 + 0.0304, 0.5 * x),
        ),
    ],
)
def test_parametric_curve_follows_its_formula(kind, values, formula):
    profile = read_icc(write_icc(colorants("sRGB"), parametric(kind, *values)))
    assert profile.understood
    assert profile.decode_table == pytest.approx(np.tile(formula(CODES), (3, 1)), abs=1e-4)


def test_an_empty_curve_is_straight_and_no_profile_is_srgb():
    profile = read_icc(write_icc(colorants("sRGB"), table_curve([])))
    assert profile.decode_table == pytest.approx(np.tile(CODES, (3, 1)), abs=1e-6)
    assert read_icc(None).name == "sRGB" and read_icc(b"").understood
    # ITU-T H.273 table 2: colour primaries 12 are P3 with white D65, 1 are those of sRGB
    assert read_icc(None, {"color_primaries": 12}).name == "Display P3"
    assert read_icc(None, {"color_primaries": 1}).name == "sRGB"


@pytest.mark.parametrize("name", spaces.PRIMARIES_XY)
def test_white_is_d65_and_grey_is_neutral(name):
    for profile in (read_icc(write_icc(colorants(name), table_curve([563]))), named_profile(name)):
        assert profile.to_xyz.sum(axis=1) == pytest.approx(WHITE_D65_XYZ, abs=1e-9)
        assert (np.diff(profile.decode_table, axis=1) >= 0).all()
        assert profile.decode_table[:, [0, -1]] == pytest.approx(np.tile([0.0, 1.0], (3, 1)), abs=1e-6)
        assert profile.decode_table.shape == (3, 256) and profile.decode_table.dtype == np.float32


@pytest.mark.parametrize(
    "icc",
    [
        b"rubbish",
        bytes(500),
        SOUND[:140],
        SOUND.replace(b"RGB ", b"CMYK"),
        SOUND.replace(b"rTRC", b"xTRC"),
        SOUND.replace(b"acsp", b"none"),
        write_icc(np.zeros((3, 3)), table_curve([563])),
        write_icc(np.ones((3, 3)), table_curve([563])),
        write_icc(colorants("sRGB"), table_curve([65535, 0])),
        write_icc(colorants("sRGB"), table_curve([0])),
        write_icc(colorants("sRGB"), table_curve([1000, 1000, 1000])),
        write_icc(colorants("sRGB"), parametric(9, 1.0)),
        write_icc(colorants("sRGB"), parametric(2, 2.0, 0.0, 0.5, 0.0)),
        write_icc(colorants("sRGB"), parametric(0, -2.0)),
        write_icc(colorants("sRGB"), b"curv" + struct.pack(">II", 0, 2**32 - 1)),
    ],
)
def test_a_profile_that_cannot_be_used_is_read_as_srgb_and_says_so(icc):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        profile = read_icc(icc)
    assert not profile.understood
    assert profile.name == "unknown profile, read as sRGB"
    assert profile.to_xyz == pytest.approx(RGB_TO_XYZ["sRGB"])


def check_usable(icc: bytes) -> None:
    """Nothing is raised, and what is understood is a rising table in 0 to 1 and an invertible matrix."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        profile = read_icc(icc)
    assert profile.decode_table.shape == (3, 256)
    assert ((profile.decode_table >= 0) & (profile.decode_table <= 1)).all()
    assert (np.diff(profile.decode_table, axis=1) >= -1e-6).all()
    assert np.isfinite(profile.to_xyz).all() and abs(np.linalg.det(profile.to_xyz)) > 1e-3


@settings(max_examples=200)
@given(
    changes=st.lists(st.tuples(st.integers(128, len(SOUND) - 1), st.integers(0, 255)), max_size=8),
    cut=st.integers(0, len(SOUND)),
    rubbish=st.binary(max_size=600),
)
def test_a_damaged_profile_never_raises(changes, cut, rubbish):
    icc = bytearray(SOUND)
    for at, value in changes:
        icc[at] = value
    for damaged in (bytes(icc), SOUND[:cut], rubbish):
        check_usable(damaged)


@settings(max_examples=100)
@given(kind=st.integers(0, 4), values=st.lists(st.floats(-3, 3), min_size=7, max_size=7))
def test_any_parametric_curve_is_usable_or_refused(kind, values):
    check_usable(write_icc(colorants("sRGB"), parametric(kind, *values)))
