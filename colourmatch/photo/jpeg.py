"""The pixels of a JPEG as stored, made small by its own transform; it knows no Exif and no colours."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def decode(data: bytes, size: tuple[int, int], shrink: int) -> NDArray[np.uint8]:
    """The pixels of a grey or colour JPEG of `size` (width, height) at 1/`shrink`, as stored, uint8 RGB.

    ValueError for one that ends early or is damaged; bytes between its parts, which some phones write, are no damage.
    """
    import simplejpeg

    width, height = (-(-side // shrink) for side in size)

    def read(strict: bool) -> NDArray[np.uint8]:
        pixels = simplejpeg.decode_jpeg(data, "RGB", min_height=height, min_width=width, strict=strict)
        return np.asarray(pixels, np.uint8)

    try:
        return read(strict=True)
    except ValueError as error:
        if "extraneous bytes" not in str(error):
            raise
        return read(strict=False)
