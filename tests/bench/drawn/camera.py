"""From light on a sensor to an 8-bit picture: sensitivities, white balance, matrix, noise, tone, sharpening.

It knows phones in general (published sensitivities and the usual order of processing; the tone and sharpening
forms are common practice, no source) and refuses to know what is in the picture.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spaces import RGB_TO_XYZ
from colourmatch.colour.spectra import WAVELENGTHS_NM, read_observer, transmittance_to_xyz
from colourmatch.facts import read_json
from colourmatch.records import Array
from drawn.drawing import normal_noise
from drawn.geometry import Picture
from drawn.settings import Phone

#: The encodings a simulated phone writes.
GAMUTS = {"srgb": "sRGB", "p3": "Display P3"}

_RAW_CLIP = 1.15
_CURVE_TOP = 1.5
_CURVE_STEPS = 8192


def sensor_curves(sensor: str, peak_shift_nm: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Array:
    """Sensitivities of a phone's R, G, B on the package's grid, shape (81, 3), each curve moved by some nm.

    Raises ValueError for a sensor that is not in calibration/sensors.json, whose "about" names the sources.
    """
    phones = read_json("sensors.json")["phones"]
    if sensor not in phones:
        raise ValueError(f"sensor must be one of {', '.join(phones)}, got {sensor!r}")
    curves = []
    for terms, shift in zip(phones[sensor], peak_shift_nm, strict=True):
        nm = WAVELENGTHS_NM - shift
        curve = sum(height * np.exp(-0.5 * ((nm - centre) / sigma) ** 2) for height, centre, sigma in terms)
        curves.append(np.where((WAVELENGTHS_NM < 395) | (WAVELENGTHS_NM > 715), 0.0, np.maximum(curve, 0.0)))
    return np.stack(curves, axis=-1)


def _training_spectra() -> Array:
    """Reflectances a matrix maker would use: smooth random ones and dye-like ones, shape (220, 81)."""
    rng = np.random.default_rng(380780)
    nm = WAVELENGTHS_NM
    rows = [np.full(nm.size, level) for level in (0.05, 0.2, 0.5, 0.9)]
    for _ in range(136):
        centres, widths = rng.uniform(360, 800, 5), rng.uniform(25, 110, 5)
        bumps = np.exp(-0.5 * ((nm[:, None] - centres) / widths) ** 2) @ rng.normal(0, 1, 5)
        rows.append(0.03 + 0.92 / (1 + np.exp(-2.2 * bumps - rng.normal(0, 0.8))))
    for _ in range(80):
        centre, width = rng.uniform(400, 640), rng.uniform(25, 60)
        rows.append(10 ** (-rng.uniform(0.1, 1.6) * np.exp(-0.5 * ((nm - centre) / width) ** 2)))
    return np.array(rows)


def camera_matrix(phone: Phone, light: Array) -> Array:
    """3x3 matrix from white-balanced camera signal to the phone's linear RGB, rows summing to 1.

    Least squares under the actual light, towards each reflectance's colour in D65, with white held; then the
    phone's own error (random, white still held) and saturation. light: spectral power, shape (81,).
    """
    if phone.gamut not in GAMUTS:
        raise ValueError(f"gamut must be one of {', '.join(GAMUTS)}, got {phone.gamut!r}")
    signal = light[:, None] * sensor_curves(phone.sensor, phone.peak_shift_nm)
    spectra = _training_spectra()
    raw = spectra @ signal / signal.sum(axis=0)
    to_rgb = np.linalg.inv(RGB_TO_XYZ[GAMUTS[phone.gamut]]).T
    target = transmittance_to_xyz(spectra) @ to_rgb
    target /= transmittance_to_xyz(np.ones(WAVELENGTHS_NM.size)) @ to_rgb
    # A weight towards darker colours: makers judge in a perceptual space, not in linear light.
    weight = 1 / (0.15 + target.mean(axis=1, keepdims=True))
    sides = (raw[:, [0, 2]] - raw[:, [1]]) * weight
    fit = np.linalg.lstsq(sides, (target - raw[:, [1]]) * weight, rcond=None)[0].T
    matrix = np.stack([fit[:, 0], 1 - fit.sum(axis=1), fit[:, 1]], axis=1)
    error = np.random.default_rng([phone.matrix_seed, 33]).normal(0, phone.matrix_error, (3, 3))
    matrix = matrix + error - error.mean(axis=1, keepdims=True)
    luma = RGB_TO_XYZ[GAMUTS[phone.gamut]][1]
    return (phone.saturation * np.eye(3) + (1 - phone.saturation) * luma / luma.sum()) @ matrix


def photometric(spectrum: Array) -> Array:
    """The spectrum scaled so that its luminance is 1, so that two lights add by their share of brightness."""
    return np.asarray(spectrum, float) / float(spectrum @ read_observer()[:, 1])


def tone_curve(linear: Array, s_curve: float, shoulder: float) -> Array:
    """Encoded value in 0 to 1 of linear light: a soft shoulder, the sRGB curve, then an S about the middle.

    Source of the sRGB curve: IEC 61966-2-1:1999. Display P3 uses the same one.
    """
    x = np.maximum(np.asarray(linear, float), 0.0)
    room = 1 - shoulder
    x = np.where(x > shoulder, 1 - room * np.exp(-(x - shoulder) / room), x)
    x = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
    steep, middle = 6.0, 0.48
    ends = 1 / (1 + np.exp(steep * (middle - np.array([0.0, 1.0]))))
    s_shape = (1 / (1 + np.exp(steep * (middle - x))) - ends[0]) / (ends[1] - ends[0])
    return (1 - s_curve) * x + s_curve * s_shape


def smear(picture: Picture, length_px: float, angle_degrees: float) -> Picture:
    """The picture moved along a line while it was taken."""
    size = int(np.ceil(length_px)) | 1
    kernel = np.zeros((size + 2, size + 2), np.float32)
    reach = 0.5 * length_px * np.array([np.cos(np.radians(angle_degrees)), np.sin(np.radians(angle_degrees))])
    middle = (size + 1) / 2
    ends = [tuple(round(16 * v) for v in middle + sign * reach) for sign in (-1, 1)]
    cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_AA, 4)
    return cv2.filter2D(picture, -1, kernel / max(float(kernel.sum()), 1e-6))


def expose(raw: Picture, phone: Phone, gains: Array, seed: int) -> Picture:
    """White-balanced linear signal with the noise of the sensor; raw is changed in place, paper near
    `exposure`.

    gains, shape (3,), are the white balance's, green 1: a channel that was amplified is noisier.
    """
    scale = (gains / gains[1]).astype(np.float32)
    for band, rows in enumerate(_bands(raw)):
        noise = normal_noise(rows.shape, None if band else seed)
        spread = np.maximum(rows, 0.0)
        spread *= scale / np.float32(phone.full_well)
        spread += (np.float32(phone.read_noise) * scale) ** 2
        noise *= np.sqrt(spread, out=spread)
        rows += noise
        np.clip(rows, 0.0, _RAW_CLIP, out=rows)
    return raw


def _bands(picture: Picture) -> list[Picture]:
    """Views of a picture in strips that fit the processor's cache."""
    return [picture[top : top + 64] for top in range(0, picture.shape[0], 64)]


def develop(linear: Picture, phone: Phone, matrix: Array, seed: int) -> NDArray[np.uint8]:
    """The processing of a white-balanced linear picture: matrix, tone, sharpening, chroma noise, 8 bits."""
    if phone.blur_px > 0:
        linear = cv2.GaussianBlur(linear, (0, 0), phone.blur_px)
    curve = tone_curve(np.linspace(0, _CURVE_TOP, _CURVE_STEPS), phone.s_curve, phone.shoulder)
    curve = curve.astype(np.float32)
    # One affine step takes the linear signal to the curve's index, black lift and rounding included.
    to_index = np.column_stack([matrix, phone.black_lift]) * ((_CURVE_STEPS - 1) / _CURVE_TOP)
    to_index[:, 3] += 0.5
    for rows in _bands(linear):
        index = cv2.transform(rows, to_index.astype(np.float32))
        rows[...] = curve[np.clip(index, 0, _CURVE_STEPS - 1, out=index).astype(np.uint16)]
    return _finish(linear, phone, seed)


def _finish(encoded: Picture, phone: Phone, seed: int) -> NDArray[np.uint8]:
    """Sharpening of the luma, coloured noise, 8 bits."""
    luma = cv2.transform(encoded, np.array([[0.25, 0.65, 0.10]], np.float32))
    detail = luma - cv2.GaussianBlur(luma, (0, 0), 1.4)
    blotches = _blotches(encoded.shape, phone.chroma_noise, seed + 1)
    out = np.empty(encoded.shape, np.uint8)
    strips = zip(_bands(encoded), _bands(detail), _bands(blotches), _bands(out), strict=True)
    for rows, edges, colour, done in strips:
        rows += (np.float32(1.5 * phone.sharpening) * edges)[..., None]
        rows += colour
        rows *= np.float32(255)
        rows += np.float32(0.5)
        done[...] = np.clip(rows, 0, 255, out=rows)
    return out


def _blotches(shape: tuple[int, ...], strength: float, seed: int) -> Picture:
    """Coloured noise of some pixels' size, as noise filters leave it: zero in luma."""
    small = normal_noise((shape[0] // 4 + 1, shape[1] // 4 + 1, 2), seed)
    small = cv2.transform(cv2.GaussianBlur(small, (0, 0), 0.9), np.array([[1, 0.4], [-0.4, -0.3], [0, 1]], np.float32))
    return cv2.resize(small * np.float32(3.2 * strength), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
