"""The colour profile of a file as a decoding table and a matrix; it knows ICC tags and nothing of pictures.

A matrix profile (what phones write: sRGB, Display P3, Adobe RGB, or any other) is used as it stands: its three
tone curves become 256-entry tables, its colorants a matrix to XYZ with D65 white. The system's colour management
is not used for this since it clips, in 8 bits, whatever lies outside sRGB.
Source: ICC.1:2022 (profile version 4.4), clauses 9.2 (tags), 10.6 (curve), 10.18 (parametric curve), 10.31 (XYZ).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from colourmatch.colour.spaces import PRIMARIES_XY, RGB_TO_XYZ, WHITE_D65_XYZ, adaptation_matrix, decode_srgb
from colourmatch.records import Array

#: Profile connection space white, D50, ICC.1:2022 clause 7.2.16.
_WHITE_D50 = np.array([0.9642, 1.0, 0.8249])


@dataclass(frozen=True)
class FileProfile:
    """How a file's codes become light: `decode_table` float32 (3, 256) in 0 to 1, `to_xyz` (3, 3) with D65 white.

    raw: developed here, so that no camera bent the tones."""

    name: str
    to_xyz: Array
    decode_table: NDArray[np.float32]
    understood: bool = True
    raw: bool = False

    @property
    def to_p3(self) -> Array:
        """From the file's linear primaries to linear Display P3, shape (3, 3)."""
        return np.linalg.inv(RGB_TO_XYZ["Display P3"]) @ self.to_xyz


def named_profile(name: str) -> FileProfile:
    """One of the encodings in colour.spaces by name; Adobe RGB decodes with the power 563/256, the others as sRGB."""
    codes = np.arange(256) / 255
    curve = codes ** (563 / 256) if name == "Adobe RGB" else decode_srgb(codes)
    return FileProfile(name, RGB_TO_XYZ[name], np.repeat(curve[None].astype(np.float32), 3, axis=0))


def read_icc(icc: bytes | None, nclx: dict[str, Any] | None = None) -> FileProfile:
    """The profile of a file; sRGB when it carries none, and sRGB marked `understood=False` when it cannot be used."""
    if not icc:
        primaries = (nclx or {}).get("color_primaries")
        return named_profile("Display P3" if primaries == 12 else "sRGB")
    try:
        with np.errstate(all="ignore"):  # what is not finite is refused below
            return _read_matrix_profile(icc)
    except (ValueError, struct.error, KeyError, IndexError, np.linalg.LinAlgError):
        fallback = named_profile("sRGB")
        return FileProfile("unknown profile, read as sRGB", fallback.to_xyz, fallback.decode_table, False)


def _read_matrix_profile(icc: bytes) -> FileProfile:
    tags = _read_tags(icc)
    colorants = np.stack([_read_xyz(tags[f"{c}XYZ"]) for c in "rgb"], axis=1)
    to_xyz = adaptation_matrix(_WHITE_D50, WHITE_D65_XYZ) @ colorants
    to_xyz *= (WHITE_D65_XYZ / to_xyz.sum(axis=1))[:, None]
    if not np.isfinite(to_xyz).all() or abs(np.linalg.det(to_xyz)) < 1e-3:
        raise ValueError("colorants do not span a colour space")
    table = np.stack([_read_curve(tags[f"{c}TRC"]) for c in "rgb"]).astype(np.float32)
    table = np.clip(table, 0.0, 1.0)  # a curve that leaves its range is clipped (10.18)
    if not np.isfinite(table).all() or (np.diff(table, axis=1) < -1e-6).any() or (np.ptp(table, axis=1) < 0.5).any():
        raise ValueError("tone curves do not rise")
    return FileProfile(_name_primaries(to_xyz), to_xyz, table)


def _name_primaries(to_xyz: Array) -> str:
    xy = (to_xyz[:2] / to_xyz.sum(axis=0)).T
    for name, known in PRIMARIES_XY.items():
        if np.abs(xy - np.array(known)).max() < 0.006:
            return name
    return "own primaries"


def _read_tags(icc: bytes) -> dict[str, bytes]:
    if len(icc) < 132 or icc[36:40] != b"acsp" or icc[16:20] != b"RGB ":
        raise ValueError("not an RGB profile")
    count = struct.unpack(">I", icc[128:132])[0]
    if count > 200:
        raise ValueError("too many tags")
    tags = {}
    for k in range(count):
        name, offset, size = struct.unpack(">4sII", icc[132 + 12 * k : 144 + 12 * k])
        tags[name.decode("latin-1")] = icc[offset : offset + size]
    return tags


def _read_xyz(tag: bytes) -> Array:
    if tag[:4] != b"XYZ ":
        raise ValueError("colorant is not XYZ")
    return np.array(struct.unpack(">3i", tag[8:20])) / 65536


def _read_curve(tag: bytes) -> Array:
    x = np.arange(256) / 255
    if tag[:4] == b"curv":
        count = struct.unpack(">I", tag[8:12])[0]
        if count == 0:
            return x
        values = np.array(struct.unpack(f">{count}H", tag[12 : 12 + 2 * count]), float)
        return x ** (values[0] / 256) if count == 1 else np.interp(x, np.linspace(0, 1, count), values / 65535)
    if tag[:4] != b"para":
        raise ValueError("unknown curve type")
    kind = struct.unpack(">H", tag[8:10])[0]
    count = (1, 3, 4, 5, 7)[kind]
    p = np.array(struct.unpack(f">{count}i", tag[12 : 12 + 4 * count])) / 65536
    g, a, b, c, d, e, f = _fill_parameters(kind, p)
    rising = np.maximum(a * x + b, 0.0) ** g + e
    return np.where(x >= d, rising, c * x + f)


def _fill_parameters(kind: int, p: Array) -> tuple[float, ...]:
    """The seven parameters g a b c d e f of any of the five function types (ICC.1:2022 table 68)."""
    if kind == 0:
        return (p[0], 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    if kind in (1, 2):
        offset = p[3] if kind == 2 else 0.0
        return (p[0], p[1], p[2], 0.0, -p[2] / p[1], offset, offset)
    return tuple(p) if kind == 4 else (*p[:5], 0.0, 0.0)
