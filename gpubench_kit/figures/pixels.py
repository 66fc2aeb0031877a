"""Pixels of a chart as PNG files with a palette: small, quick to write, with and without a ground.

A chart is drawn with few colours; antialiasing makes hundreds of opacities and mixtures of them. These are rounded
as far as a palette needs to hold all, by no more than an eye sees: opacities first, mixtures last.
"""

from __future__ import annotations

import io
import zlib

import numpy as np
import pandas as pd
from matplotlib.colors import to_rgb
from PIL import Image

#: Steps of opacity and of red, green and blue, fine to coarse.
_STEPS = ((255, 255), (127, 255), (63, 255), (63, 127), (31, 127), (31, 63), (15, 63))
_PALETTE = 256
_CHANNELS = 4
#: Charts are flat areas: runs of equal bytes are all that is worth looking for, and quickly found.
_PNG = {"format": "png", "compress_level": 1, "compress_type": zlib.Z_RLE}


def png_files(pixels: bytes | memoryview, size: tuple[int, int], *, ground: str, dpi: int) -> tuple[bytes, bytes]:
    """Return a drawing without a ground as two PNG files: on its ground, and without one.

    Parameters
    ----------
    pixels : red, green, blue and opacity of each pixel, row by row, colours not multiplied by opacity
    size : width and height [px]
    ground : colour of the ground
    dpi : pixels per inch, noted in the files

    Returns
    -------
    (bytes, bytes) : the file with the ground, and the one without
    """
    indexed = _indexed(np.frombuffer(pixels, dtype="<u4"))
    if indexed is None:
        return _in_full_colour(Image.frombuffer("RGBA", size, pixels), ground=ground, dpi=dpi)
    places, palette = indexed
    picture = Image.frombuffer("P", size, places, "raw", "P", 0, 1)
    opacity = palette[:, 3:] / 255
    on_ground = palette[:, :3] * opacity + 255 * np.array(to_rgb(ground)) * (1 - opacity)
    picture.putpalette(np.rint(on_ground).astype(np.uint8).tobytes())
    opaque = _encoded(picture, dpi=dpi)
    picture.putpalette(np.ascontiguousarray(palette[:, :3]).tobytes())
    return opaque, _encoded(picture, dpi=dpi, transparency=palette[:, 3].tobytes())


def _in_full_colour(drawing: Image.Image, *, ground: str, dpi: int) -> tuple[bytes, bytes]:
    """Return both files of a drawing that has more colours than a palette holds."""
    sheet = Image.new("RGBA", drawing.size, ground)
    opaque = Image.alpha_composite(sheet, drawing).convert("RGB")
    return _encoded(opaque, dpi=dpi), _encoded(drawing, dpi=dpi)


def _indexed(pixels: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the place of each pixel's colour in a palette, whose first colour is nothing; None for too many."""
    drawn = np.flatnonzero(pixels >> 24)
    codes, colours = pd.factorize(pixels[drawn])
    found = _few(_channels(colours))
    if found is None:
        return None
    places = np.zeros(len(pixels), dtype=np.uint8)
    places[drawn] = (found[0] + 1).astype(np.uint8)[codes]
    return places, np.vstack([np.zeros((1, _CHANNELS), dtype=np.uint8), found[1]])


def _few(colours: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Return colours rounded until a palette holds them: the place of each, and the palette; None for too many."""
    for opacity, mixture in _STEPS:
        steps = np.array([mixture, mixture, mixture, opacity])
        rounded = np.rint(np.rint(colours / 255 * steps) / steps * 255).astype(np.uint8)
        places, kept = pd.factorize(rounded.view("<u4").ravel())
        if len(kept) < _PALETTE:
            return places, _channels(kept)
    return None


def _channels(colours: np.ndarray) -> np.ndarray:
    """Return packed colours as red, green, blue and opacity."""
    return colours.astype("<u4").view(np.uint8).reshape(-1, _CHANNELS)


def _encoded(picture: Image.Image, *, dpi: int, transparency: bytes | None = None) -> bytes:
    """Return a PNG file of a picture."""
    out = io.BytesIO()
    options = {} if transparency is None else {"transparency": transparency}
    picture.save(out, dpi=(dpi, dpi), **options, **_PNG)
    return out.getvalue()
