"""DNG for real: hand-built raw files of known light, decoded by rawpy; skipped where the extra [dng] is not installed."""

import errno
import io
from typing import Any

import numpy as np
import pytest

rawpy = pytest.importorskip("rawpy")
tifffile = pytest.importorskip("tifffile")

from drawn import save_photo  # noqa: E402
from drawn.demo import draw_demo_photo  # noqa: E402
from test_load import load_within  # noqa: E402

from colourmatch.colour.spaces import RGB_TO_XYZ, decode_srgb, encode_srgb  # noqa: E402
from colourmatch.errors import PhotoError  # noqa: E402
from colourmatch.photo import load  # noqa: E402
from colourmatch.photo.load import load_photo  # noqa: E402
from colourmatch.photo.measure import measure_photo  # noqa: E402
from colourmatch.photo.rectangles import measure_rectangles  # noqa: E402
from colourmatch.simulate.kitchen import Kitchen  # noqa: E402

#: What grey light gives on this sensor, channel by channel; black and white level of its raw values.
NEUTRAL, BLACK, WHITE = np.array([0.5, 1.0, 0.62]), 256, 16383
_RATIONAL, _SRATIONAL, _BYTE, _SHORT, _TEXT = 5, 10, 1, 3, 2


def write_dng(linear: np.ndarray, *, orientation: int = 1, noise: float = 0.0, more: tuple[Any, ...] = ()) -> bytes:
    """A raw photo (RGGB mosaic, 16 bit) of linear sRGB light, shape (H, W, 3)."""
    raw = linear * NEUTRAL
    mosaic = raw[..., 1].copy()
    mosaic[0::2, 0::2] = raw[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = raw[1::2, 1::2, 2]
    mosaic += np.random.default_rng(4).normal(0, noise, mosaic.shape)
    values = np.clip(np.round(BLACK + mosaic * (WHITE - BLACK)), 0, WHITE).astype(np.uint16)
    return write_raw(values, "mosaic", orientation, more)


def write_raw(values: np.ndarray, kind: str = "mosaic", orientation: int = 1, more: tuple[Any, ...] = ()) -> bytes:
    """A raw photo of the values of such a mosaic, uint16 (H, W), or of whole channels ("linear"), uint16 (H, W, 3).

    Tags: Digital Negative (DNG) Specification 1.4.0.0, chapters 2 and 4: 33421 CFARepeatPatternDim, 33422 CFAPattern,
    50706 DNGVersion, 50708 UniqueCameraModel, 50714 BlackLevel, 50717 WhiteLevel, 50721 ColorMatrix1 (XYZ to camera),
    50728 AsShotNeutral, 50778 CalibrationIlluminant1 (21 is D65).
    """
    to_camera = np.diag(NEUTRAL) @ np.linalg.inv(RGB_TO_XYZ["sRGB"])

    def fractions(numbers: np.ndarray, scale: int = 100_000) -> tuple[int, ...]:
        return tuple(int(v) for n in np.ravel(numbers) for v in (round(n * scale), scale))

    channels = values.ndim if kind == "linear" else 1
    pattern = [(33421, _SHORT, 2, (2, 2), True), (33422, _BYTE, 4, bytes([0, 1, 1, 2]), True)]
    tags = [
        *(pattern if kind == "mosaic" else []),
        (50706, _BYTE, 4, bytes([1, 4, 0, 0]), True), (50708, _TEXT, 0, "Drawn sensor", True),
        (50714, _SHORT, channels, (BLACK,) * channels, True), (50717, _SHORT, channels, (WHITE,) * channels, True),
        (50721, _SRATIONAL, 9, fractions(to_camera), True), (50728, _RATIONAL, 3, fractions(NEUTRAL), True),
        (50778, _SHORT, 1, 21, True), (274, _SHORT, 1, orientation, True),
        *more,
    ]  # fmt: skip
    out, shown = io.BytesIO(), "CFA" if kind == "mosaic" else 34892
    tifffile.imwrite(out, values, photometric=shown, planarconfig="contig", extratags=tags, metadata=None)
    return out.getvalue()


def draw_patches() -> np.ndarray:
    """Paper, a reference and a batch, in linear light."""
    linear = np.full((600, 900, 3), 0.6)
    linear[200:400, 300:500] = np.array([0.62, 0.16, 0.11]) * 0.6
    linear[200:400, 600:800] = np.array([0.66, 0.22, 0.14]) * 0.6
    return linear


def test_the_light_of_a_raw_photo_comes_back(tmp_path):
    linear = draw_patches()
    photo = load_photo(write_dng(linear), "patches.dng")
    assert photo.profile.name == "DNG, linear" and photo.full_size == (900, 600)
    decoded = photo.to_linear(photo.rgb)
    paper = decoded[20:150, 20:250].mean(axis=(0, 1))
    for area in (np.s_[230:370, 330:470], np.s_[230:370, 630:770]):
        seen, true = decoded[area].mean(axis=(0, 1)) / paper, linear[area].mean(axis=(0, 1)) / 0.6
        # half a code of 8 bits is 1.6 % of the darkest of these (code 74; d ln / d code = 2.4 / 74)
        assert seen == pytest.approx(true, rel=0.017)
    assert np.ptp(paper) / paper.mean() < 0.01, "grey is not grey"


def test_a_raw_photo_names_its_phone_and_time():
    # EXIF 2.32: 0x0110 Model, 0x0132 DateTime; raw and developed photos of one phone are two cameras to a calibration
    texts = {0x010F: "Maker", 0x0110: "Phone 9", 0x0132: "2026:11:20 18:30:00"}
    tags = tuple((tag, _TEXT, 0, text, True) for tag, text in texts.items())
    photo = load_photo(write_dng(draw_patches(), more=tags), "patches.dng")
    assert photo.phone == "Phone 9, raw"
    assert photo.taken_at == "2026:11:20 18:30:00"
    assert load_photo(write_dng(draw_patches()), "patches.dng").phone == "Drawn sensor, raw"


@pytest.mark.parametrize(
    ("kind", "width", "orientation"), [("mosaic", 4032, 1), ("mosaic", 8064, 6), ("linear", 4032, 1)]
)
def test_the_light_of_a_large_raw_photo_comes_back_within_a_gigabyte(kind, width, orientation, tmp_path):
    """12 and 48 megapixels: made small on the way, which is another way than that of a small one.

    Whole channels, as phones write them that merge several takes: LinearRaw, 34892 (DNG 1.4, chapter 4).
    """
    light, height = np.array([0.37, 0.10, 0.066]), width * 3 // 4
    values = np.round(BLACK + light * NEUTRAL * (WHITE - BLACK)).astype(np.uint16)
    red, green, blue = values
    mosaic = np.tile(np.array([[red, green], [green, blue]]), (height // 2, width // 2))
    whole = np.broadcast_to(values, (height, width, 3))
    (tmp_path / "large.dng").write_bytes(write_raw(mosaic if kind == "mosaic" else whole, kind, orientation))
    said = load_within(10**9, tmp_path / "large.dng", "photo.full_size, photo.rgb.shape, photo.rgb[100, 100]")
    turned = 1 if orientation == 1 else -1
    assert said[:2] == [width, height][::turned] and said[2:4] == [1512, 2016][::turned]
    # half a code of 8 bits, and what the decoder's own integers lose
    assert said[5:] == pytest.approx(255 * encode_srgb(light), abs=1 if kind == "mosaic" else 1.5)


@pytest.mark.parametrize(
    "error",
    [MemoryError(), OSError(errno.ENOMEM, "Cannot allocate memory"), rawpy.LibRawUnsufficientMemoryError()],
)
def test_want_of_memory_is_not_called_damage(monkeypatch, error):
    def fail(*_args: object, **_named: object) -> None:
        raise error

    whole = write_dng(draw_patches())
    monkeypatch.setattr(rawpy, "imread", fail)
    with pytest.raises(PhotoError, match=r"too little memory free .*Send the original JPEG"):
        load_photo(whole, "patches.dng")


def test_a_raw_photo_that_claims_too_much_or_ends_too_soon_is_refused(monkeypatch):
    monkeypatch.setattr(load, "MAX_PIXELS_RAW", 899 * 600)
    with pytest.raises(PhotoError, match="it claims 900 x 600 pixels"):
        load_photo(write_dng(draw_patches()), "patches.dng")
    whole = write_dng(draw_patches())
    with pytest.raises(PhotoError, match="raw data are damaged"):
        load_photo(whole[:200], "cut.dng")


def test_rectangles_on_a_raw_photo():
    noisy = write_dng(draw_patches(), noise=0.004)
    boxes = (30, 30, 150, 120), (330, 230, 140, 140), (630, 230, 140, 140)
    m = measure_rectangles(noisy, *boxes, "patches.dng")
    reference, batch = (m.spots[s].rgb for s in ("reference", "batch"))
    assert reference == pytest.approx([0.62, 0.16, 0.11], rel=0.03)
    assert batch == pytest.approx([0.66, 0.22, 0.14], rel=0.03)
    assert m.difference.seen
    # no camera bent its tones
    assert not np.any(m.spots["batch"].tone_covariance)


def test_a_card_photographed_raw_reads_like_its_developed_picture(tmp_path):
    """The same drawn photo as PNG and as raw: one difference, whatever way its light was written down."""
    drawn = draw_demo_photo(Kitchen().add_drops(64), 3)
    developed = measure_photo(save_photo(drawn, tmp_path / "card.png"))
    decode = decode_srgb(np.arange(256) / 255)
    turn = np.linalg.inv(RGB_TO_XYZ["sRGB"]) @ RGB_TO_XYZ["Display P3" if drawn.gamut == "p3" else "sRGB"]
    raw = measure_photo(write_dng(np.clip(decode[drawn.rgb] @ turn.T, 0, 1) * 0.9), "card.dng")
    assert raw.card.markers >= 4
    one, other = developed.delta_e_2000, raw.delta_e_2000
    assert other.value == pytest.approx(one.value, abs=0.5)
    assert other.low <= one.value <= other.high
