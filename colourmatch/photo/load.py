"""From a file to an oriented 8-bit RGB array and the numbers that turn it into linear light.

It knows file formats, orientation and colour profiles; it refuses to know what is in the picture.
BGR never leaves this module, and neither does a file larger than it must be: a JPEG is decoded at the
smallest of 1/1, 1/2, 1/4, 1/8 (by its own transform) that keeps WORKING_LONG_SIDE pixels.
"""

from __future__ import annotations

import errno
import hashlib
import io
import warnings
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from colourmatch.colour.spaces import RGB_TO_XYZ, decode_srgb
from colourmatch.errors import PhotoError
from colourmatch.files import MAX_FILE_BYTES, read_plain_file, silence
from colourmatch.photo.file_limits import find_excess
from colourmatch.photo.opencv import cv2
from colourmatch.photo.profile import FileProfile, read_icc
from colourmatch.photo.quality import flag

#: The picture that is worked on keeps at least this many pixels on its long side (about 5 per card millimetre).
WORKING_LONG_SIDE = 2000
#: Larger pictures than this are refused undecoded (a 200 megapixel phone photo still passes).
MAX_PIXELS = 260_000_000
#: And than this where the picture is held in full: at 4 bytes a pixel; at up to 19, as other formats' decoders do; raw.
MAX_PIXELS_HELD, MAX_PIXELS_HEAVY, MAX_PIXELS_HEIF, MAX_PIXELS_RAW = (
    205_000_000,
    48_000_000,
    110_000_000,
    80_000_000,
)
_LIGHT_FORMATS = ("JPEG", "MPO", "PNG", "TIFF", "BMP", "PPM")
#: Longer notes of a phone than this are none.
_MAX_EXIF_BYTES = 1_000_000
#: A picture with longer sides than this many short ones is none of a camera; a panorama has four.
_LONGEST_STRIP = 30
#: Rows of a large picture that are turned into RGB at once: it is never held a second time in full.
_BAND_ROWS = 256

_RAW_SUFFIXES = {".dng"}
_TOO_LARGE = "there is too little memory free for a picture of its size"
#: What is tried on a file, by Pillow's names; its other readers are for drawings and archives, and one starts a program.
_FORMATS = ("JPEG", "MPO", "PNG", "TIFF", "HEIF", "AVIF", "WEBP", "GIF", "BMP", "PPM", "JPEG2000")
#: Pillow's names of a JPEG alone and of one followed by more pictures (CIPA DC-007), of which the first is the photo.
_JPEGS = ("JPEG", "MPO")
#: The mirroring that, after the transposing of 5 to 8, turns stored pixels upright, by EXIF orientation (EXIF 2.32,
#: tag 0x0112): across (1), upside down (0) or both (-1).
_FLIPS = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}


@dataclass(frozen=True)
class Photo:
    """One photo, oriented. `rgb` is uint8 (H, W, 3) in the file's own encoding; `full_scale` is full pixels per working pixel."""

    name: str
    rgb: NDArray[np.uint8]
    profile: FileProfile
    full_scale: float
    full_size: tuple[int, int]
    phone: str | None
    taken_at: str | None
    sha256: str
    taken_offset: str | None = None

    def to_linear(self, rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Linear light, 0 to 1 per channel in the file's primaries, of encoded pixels shape (..., 3)."""
        table = self.profile.decode_table
        return np.stack([table[c][rgb[..., c]] for c in range(3)], axis=-1)


def load_photo(source: Path | str | bytes, name: str | None = None) -> Photo:
    """Read a photo from a path or from the bytes of a file.

    Raises PhotoError (code "unreadable") for a file that is missing, empty, truncated, enormous or no picture.
    """
    data = source if isinstance(source, bytes) else _read_file(Path(source))
    name = name or ("photo" if isinstance(source, bytes) else Path(source).name)
    if not data:
        raise unreadable("the file is empty")
    if len(data) > MAX_FILE_BYTES:
        raise unreadable(f"the file has {len(data) / 1e6:.0f} MB")
    if (excess := find_excess(data)) is not None:
        raise unreadable(excess)
    if Path(name).suffix.lower() in _RAW_SUFFIXES:
        return _load_raw(data, name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image = _open_image(data)
        return _finish(image, data, name)


def unreadable(why: str) -> PhotoError:
    """The refusal of a file that is not a readable photo."""
    return PhotoError(flag("unreadable", why=why).text, code="unreadable")


def _is_starved(error: Exception) -> bool:
    """Whether a decoder failed for want of memory, which each of them says in its own way."""
    named = isinstance(error, MemoryError) or type(error).__name__ == "LibRawUnsufficientMemoryError"
    return named or (isinstance(error, OSError) and error.errno == errno.ENOMEM)


def _read_file(path: Path) -> bytes:
    try:
        return read_plain_file(path, MAX_FILE_BYTES)
    except FileNotFoundError:
        raise PhotoError(f"There is no file {path.name!r}. Check the name and the folder.", "unreadable") from None
    except IsADirectoryError:
        raise PhotoError(f"{path.name!r} is a folder. Name the photos in it.", "unreadable") from None
    except OSError as error:
        raise unreadable(error.strerror or "it cannot be read") from None


def _open_image(data: bytes) -> Image.Image:
    if data[4:8] == b"ftyp":
        import pillow_heif

        pillow_heif.register_heif_opener()
    Image.MAX_IMAGE_PIXELS = None  # the size is checked here, before any pixel is decoded
    image = _identify(data)
    width, height = image.size
    if width * height > _most_pixels(image):
        raise unreadable(f"it claims {width} x {height} pixels")
    if min(width, height) < 16 or max(width, height) > _LONGEST_STRIP * min(width, height):
        raise unreadable(f"it has only {width} x {height} pixels")
    return image


def _most_pixels(image: Image.Image) -> int:
    if image.format in _JPEGS and image.mode in ("RGB", "L"):
        return MAX_PIXELS
    if image.format == "HEIF":
        return MAX_PIXELS_HEIF
    return MAX_PIXELS_HELD if image.format in _LIGHT_FORMATS else MAX_PIXELS_HEAVY


def _identify(data: bytes) -> Image.Image:
    for get_ready in (Image.preinit, Image.init):  # the second knows all formats and takes longer
        get_ready()
        try:
            return Image.open(io.BytesIO(data), formats=[kind for kind in _FORMATS if kind in Image.OPEN])
        except Exception:  # a reader given rubbish raises whatever it likes
            continue
    raise unreadable("its format is not known")


def _finish(image: Image.Image, data: bytes, name: str) -> Photo:
    full = image.size
    shrink = next((s for s in (8, 4, 2) if max(full) / s >= WORKING_LONG_SIDE), 1)
    rgb = _decode_jpeg(image, data, shrink)
    if rgb is None:
        rgb = _decode(image)
    rgb = _shrink(rgb)
    exif = _read_exif(image)  # behind the pixels: some formats keep it there, and decode them to reach it
    # formats differ in whether the size they claim is that before or after turning; the upright picture knows
    oriented = (min(full), max(full)) if rgb.shape[0] > rgb.shape[1] else (max(full), min(full))
    return Photo(
        name=name,
        rgb=np.ascontiguousarray(rgb),
        profile=read_icc(image.info.get("icc_profile"), image.info.get("nclx_profile")),
        full_scale=max(oriented) / max(rgb.shape[:2]),
        full_size=oriented,
        phone=_clean(exif.get(0x0110)),
        **_read_time(exif),
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _decode_jpeg(image: Image.Image, data: bytes, shrink: int) -> NDArray[np.uint8] | None:
    """The upright pixels of a grey or colour JPEG at 1/`shrink`, straight into an array; None for any other file.

    The same decoder as Pillow's (the pixels are equal) without Pillow's copies; it also says when the picture ends early
    behind a proper end mark.
    """
    if image.format not in _JPEGS or image.mode not in ("RGB", "L"):
        return None
    try:
        rgb: NDArray[Any] = _read_pixels(data, image.size, shrink)
    except MemoryError:
        raise unreadable(_TOO_LARGE) from None
    except ValueError as error:
        raise unreadable("it is cut off" if "end" in str(error).lower() else "it is damaged") from None
    orientation = _read_exif(image).get(0x0112)
    if orientation in (5, 6, 7, 8):
        rgb = cv2.transpose(rgb)
    upright = cv2.flip(rgb, _FLIPS[orientation]) if orientation in _FLIPS else rgb
    return np.asarray(upright, np.uint8)


def _read_pixels(data: bytes, size: tuple[int, int], shrink: int) -> NDArray[np.uint8]:
    """The pixels of a JPEG of `size` (width, height) at 1/`shrink`, as stored; ValueError for one that is damaged.

    Bytes between its parts, which some phones write, are no damage.
    """
    import simplejpeg

    width, height = (-(-side // shrink) for side in size)
    options = {"colorspace": "RGB", "min_height": height, "min_width": width}
    try:
        return np.asarray(simplejpeg.decode_jpeg(data, **options), np.uint8)
    except ValueError as error:
        if "extraneous bytes" not in str(error):
            raise
        return np.asarray(simplejpeg.decode_jpeg(data, **options, strict=False), np.uint8)


def _decode(image: Image.Image) -> NDArray[np.uint8]:
    """The upright pixels of any picture through Pillow."""
    try:
        with silence() if image.format == "TIFF" else nullcontext():
            image.load()
        small = _to_small_rgb(image)
        return np.asarray(ImageOps.exif_transpose(small), np.uint8)
    except Exception as error:
        damaged = "it is cut off" if "truncated" in str(error).lower() else "it is damaged"
        raise unreadable(_TOO_LARGE if _is_starved(error) else damaged) from None


def _to_small_rgb(image: Image.Image) -> Image.Image:
    """The picture as 8-bit RGB; a large one band by band, each averaged over whole blocks of pixels at once."""
    factor, full_code = max(image.size) // WORKING_LONG_SIDE, _full_code(image)
    if factor <= 1:
        return _to_rgb(image, full_code)
    width, height = image.width // factor, image.height // factor
    small = Image.new("RGB", (width, height))
    rows = max(_BAND_ROWS // factor, 1)
    for top in range(0, height, rows):
        bottom = min(top + rows, height)
        band = _to_rgb(image.crop((0, top * factor, width * factor, bottom * factor)), full_code)
        small.paste(band.reduce(factor), (0, top))
    return _keep_exif(small, image)


def _shrink(rgb: NDArray[Any]) -> NDArray[Any]:
    """Average whole blocks of pixels where the format could not be decoded small."""
    factor = int(max(rgb.shape[:2]) // WORKING_LONG_SIDE)
    if factor <= 1:
        return rgb

    height, width = rgb.shape[0] // factor, rgb.shape[1] // factor
    whole = rgb[: height * factor, : width * factor]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), rgb.dtype)


def _full_code(image: Image.Image) -> float:
    """The code of full light in a picture of one deep channel: 16 bits, unless it uses no more than 8 of them."""
    if not image.mode.startswith(("I", "F")):
        return 255.0
    top = image.getextrema()[1]
    return 65535.0 if isinstance(top, (int, float)) and top > 255 else 255.0


def _to_rgb(image: Image.Image, full_code: float) -> Image.Image:
    """Any picture mode as 8-bit RGB; transparency is laid over white."""
    if image.mode == "RGB":
        return image
    if image.mode.startswith("I") or image.mode == "F":
        values = np.asarray(image, float)
        grey = Image.fromarray(np.clip(values / full_code * 255, 0, 255).astype(np.uint8))
        return _keep_exif(grey.convert("RGB"), image)
    if image.mode == "CMYK" and image.info.get("icc_profile"):
        from PIL import ImageCms

        source = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        converted = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
        if converted is not None:
            return converted
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        layered = image.convert("RGBA")
        paper = Image.new("RGBA", layered.size, (255, 255, 255, 255))
        return _keep_exif(Image.alpha_composite(paper, layered).convert("RGB"), image)
    return _keep_exif(image.convert("RGB"), image)


def _keep_exif(converted: Image.Image, original: Image.Image) -> Image.Image:
    converted.info.setdefault("exif", original.info.get("exif", b""))
    return converted


def _read_exif(image: Image.Image) -> Image.Exif:
    """What the phone wrote beside the pixels; empty when that is damaged, which harms no colour."""
    try:
        if len(image.info.get("exif") or b"") > _MAX_EXIF_BYTES:
            return Image.Exif()
        exif = image.getexif()
        exif.get_ifd(0x8769)
        return exif
    except Exception:  # a reader given rubbish raises whatever it likes
        return Image.Exif()


def _clean(value: object) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    text = "".join(ch for ch in str(value) if ch.isprintable()).strip() if value else ""
    return text[:80] or None


def _load_raw(data: bytes, name: str) -> Photo:
    """A DNG through rawpy (optional extra "dng"): linear data, the camera's own white balance, sRGB primaries."""
    try:
        import rawpy
    except ImportError:
        raise PhotoError(
            "DNG files need an extra part: install colourmatch with the extra [dng], or send the JPEG.",
            "unreadable",
        ) from None
    try:
        with silence(), rawpy.imread(io.BytesIO(data)) as raw:
            sides = raw.sizes.width, raw.sizes.height
            if sides[0] * sides[1] > MAX_PIXELS_RAW:
                raise unreadable(f"it claims {sides[0]} x {sides[1]} pixels")
            linear = raw.postprocess(
                gamma=(2.4, 12.92),
                no_auto_bright=True,
                use_camera_wb=True,
                output_bps=16,
                # one pixel for each red, two greens and blue, not guessed ones between them: a quarter of the memory
                half_size=max(sides) >= 2 * WORKING_LONG_SIDE,
            )
    except PhotoError:
        raise
    except Exception as error:
        raise unreadable(_TOO_LARGE if _is_starved(error) else "the raw data are damaged") from None
    if linear.shape[2] == 1:  # a camera without colours
        linear = linear.repeat(3, axis=2)
    if linear.shape[2] != 3 or min(linear.shape[:2]) < 16:
        raise unreadable(f"its raw data are {linear.shape[1]} x {linear.shape[0]} x {linear.shape[2]} numbers")
    # the decoder cuts 8 bits off instead of rounding, which would darken everything by half a code
    rgb = ((_shrink(linear).astype(np.uint32) + 128) // 257).astype(np.uint8)
    table = np.repeat(decode_srgb(np.arange(256) / 255)[None].astype(np.float32), 3, axis=0)
    exif = _read_raw_tags(data)
    upright = max(sides), min(sides)
    full = upright if linear.shape[1] >= linear.shape[0] else upright[::-1]
    return Photo(
        name=name,
        rgb=np.ascontiguousarray(rgb),
        profile=FileProfile("DNG, linear", RGB_TO_XYZ["sRGB"], table, raw=True),
        full_scale=upright[0] / max(rgb.shape[:2]),
        full_size=full,
        phone=_name_raw(exif),
        **_read_time(exif),
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _read_time(exif: Image.Exif) -> dict[str, str | None]:
    """When the photo was taken and the offset of that from UTC, as the file says; Exif 2.32, 4.6.5 (from memory)."""
    inner = exif.get_ifd(0x8769)
    taken = inner.get(0x9003) or exif.get(0x9003)
    offset = inner.get(0x9011) or inner.get(0x9010)
    return {"taken_at": _clean(taken or exif.get(0x0132)), "taken_offset": _clean(offset)}


def _read_raw_tags(data: bytes) -> Image.Exif:
    """The tags of a DNG's first directory, which is that of a TIFF (DNG 1.4, chapter 2); empty when it is damaged."""
    exif = Image.Exif()
    try:
        exif.load(data)
        exif.get_ifd(0x8769)
        return exif
    except Exception:  # a reader given rubbish raises whatever it likes
        return Image.Exif()


def _name_raw(exif: Image.Exif) -> str | None:
    """The model, else UniqueCameraModel; "raw" in it because what is learnt of its developed photos is another camera."""
    model = _clean(exif.get(0x0110)) or _clean(exif.get(0xC614))
    return f"{model[:75]}, raw" if model else None
