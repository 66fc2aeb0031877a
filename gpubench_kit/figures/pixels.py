"""A drawing as PNG files in every theme: small, quick to write, with and without a ground.

A chart is drawn with few colours; antialiasing makes hundreds of opacities and mixtures of them. These are rounded
as far as a palette needs to hold all, by no more than an eye sees. With a palette, files of all themes have the
same pixels, which are compressed once; they differ in the palette alone.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from matplotlib.colors import to_rgb
from PIL import Image

from gpubench_kit.figures.mixtures import Mixtures, mixtures_of

#: Steps of the share of a mixture and of opacity, fine to coarse.
_STEPS = ((255, 255), (255, 127), (255, 63), (127, 63), (127, 31), (63, 31), (31, 31), (31, 15))
_PALETTE = 256
#: Charts are flat areas: runs of equal bytes are all that is worth looking for, and quickly found.
_PNG = {"format": "png", "compress_level": 1, "compress_type": zlib.Z_RLE}
_SIGNATURE = 8


def png_files(
    pixels: bytes | memoryview,
    size: tuple[int, int],
    *,
    paints: Sequence[str],
    themes: Sequence[Mapping[str, str]],
    dpi: int,
) -> list[tuple[bytes, bytes]]:
    """Return a drawing in paints as two PNG files for each theme: on its ground, and without one.

    Parameters
    ----------
    pixels : red, green, blue and opacity of each pixel, row by row, colours not multiplied by opacity
    size : width and height [px]
    paints : the paint of each role that it was drawn in, as hex
    themes : colour of each role in each theme, in the order of the paints; the role ``ground`` among them
    dpi : pixels per inch, noted in the files

    Returns
    -------
    list of (bytes, bytes), one for each theme
    """
    mixtures = mixtures_of(pixels, paints)
    few = _few(mixtures)
    if few is None:
        return [_in_full_colour(mixtures, size, colours=colours, dpi=dpi) for colours in themes]
    return _with_palettes(few, size, themes=themes, dpi=dpi)


def _few(mixtures: Mixtures) -> Mixtures | None:
    """Return the mixtures rounded until a palette holds them; None where there are too many."""
    for shares, opacities in _STEPS:
        rounded = mixtures.rounded(shares=shares, opacities=opacities, at_most=_PALETTE)
        if rounded is not None:
            return rounded
    return None


def _with_palettes(few: Mixtures, size: tuple[int, int], *, themes: Sequence[Mapping[str, str]], dpi: int):
    """Return both files of each theme, all of them with the same compressed pixels."""
    picture = Image.frombuffer("P", size, few.places.astype(np.uint8), "raw", "P", 0, 1)
    picture.putpalette(bytes(3 * len(few)))
    encoded = _encoded(picture, dpi=dpi, transparency=_bytes(255 * few.opacity))
    return [_recoloured(encoded, few.coloured(colours), ground=_ground(colours)) for colours in themes]


def _recoloured(encoded: bytes, palette: np.ndarray, *, ground: np.ndarray) -> tuple[bytes, bytes]:
    """Return a file with another palette: on a ground, and without one."""
    opaque, clear = [encoded[:_SIGNATURE]], [encoded[:_SIGNATURE]]
    on_ground = _chunk(b"PLTE", _bytes(_laid(palette, ground)))
    without = _chunk(b"PLTE", _bytes(palette[:, :3]))
    for kind, whole in _chunks(encoded):
        if kind == b"PLTE":
            opaque.append(on_ground)
            clear.append(without)
            continue
        clear.append(whole)
        if kind != b"tRNS":
            opaque.append(whole)
    return b"".join(opaque), b"".join(clear)


def _chunks(encoded: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield kind and whole of each chunk of a PNG file."""
    start = _SIGNATURE
    while start < len(encoded):
        length, kind = struct.unpack_from(">I4s", encoded, start)
        yield kind, encoded[start : start + length + 12]
        start += length + 12


def _chunk(kind: bytes, content: bytes) -> bytes:
    """Return a chunk of a PNG file (W3C Recommendation, 2003, section 5.3)."""
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def _in_full_colour(mixtures: Mixtures, size: tuple[int, int], *, colours: Mapping[str, str], dpi: int):
    """Return both files of a drawing that has more mixtures than a palette holds."""
    mixed = mixtures.coloured(colours)
    on_ground = _laid(mixed, _ground(colours))
    opaque, clear = (np.rint(one).astype(np.uint8)[mixtures.places] for one in (on_ground, mixed))
    return (
        _encoded(Image.frombuffer("RGB", size, np.ascontiguousarray(opaque), "raw", "RGB", 0, 1), dpi=dpi),
        _encoded(Image.frombuffer("RGBA", size, np.ascontiguousarray(clear), "raw", "RGBA", 0, 1), dpi=dpi),
    )


def _laid(palette: np.ndarray, ground: np.ndarray) -> np.ndarray:
    """Return the colours laid on a ground, shape (colours, 3)."""
    opacity = palette[:, 3:] / 255
    return palette[:, :3] * opacity + ground * (1 - opacity)


def _ground(colours: Mapping[str, str]) -> np.ndarray:
    """Return the ground of a theme, 0 to 255."""
    return 255 * np.array(to_rgb(colours["ground"]))


def _bytes(values: np.ndarray) -> bytes:
    """Return values of 0 to 255, rounded, as bytes."""
    return np.rint(values).astype(np.uint8).tobytes()


def _encoded(picture: Image.Image, *, dpi: int, transparency: bytes | None = None) -> bytes:
    """Return a PNG file of a picture."""
    out = io.BytesIO()
    options = {} if transparency is None else {"transparency": transparency}
    picture.save(out, dpi=(dpi, dpi), **options, **_PNG)
    return out.getvalue()
