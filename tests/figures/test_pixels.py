"""Pictures with a palette: colours as drawn, opacity kept, and no more colours than a palette holds."""

from __future__ import annotations

import io
import zlib

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from PIL import Image

from gpubench_kit.figures.pixels import png_files
from gpubench_kit.figures.style import COLOURS, PAINTS, THEMES, themed_colours

SIZE = (64, 32)
ROLES = list(COLOURS)
COLOURS_OF = [themed_colours(theme=theme) for theme in THEMES]


def _points(colours) -> np.ndarray:
    """Return colours as red, green and blue, 0 to 255."""
    return 255 * np.array([to_rgb(colour) for colour in colours])


def _read(content: bytes, mode: str | None = None) -> np.ndarray:
    """Return the pixels of a file."""
    with Image.open(io.BytesIO(content)) as picture:
        assert picture.size == SIZE
        assert mode in (None, picture.mode)
        return np.asarray(picture.convert("RGBA")).astype(int)


def _mixed(rng, count: int, *, roles: tuple[str, ...], opacities=(255,)):
    """Return each role pure and so many mixtures of two: pairs of places in ``ROLES``, shares, opacities."""
    places = [ROLES.index(role) for role in roles]
    pairs = np.array([(one, one) for one in places] + [rng.choice(places, 2, replace=False) for _ in range(count)])
    shares = np.where(pairs[:, 0] == pairs[:, 1], 0.0, rng.uniform(0, 1, len(pairs)))
    return pairs, shares, rng.choice(opacities, len(pairs))


def _in(colours, mixtures) -> np.ndarray:
    """Return the mixtures in colours, one row of red, green, blue and opacity for each."""
    pairs, shares, opacity = mixtures
    points = _points(colours)
    mixed = points[pairs[:, 0]] * (1 - shares[:, None]) + points[pairs[:, 1]] * shares[:, None]
    return np.column_stack([mixed, opacity])


def _drawing(rng, mixtures) -> tuple[np.ndarray, np.ndarray]:
    """Return a drawing of mixtures in paints, most of it nothing, and which mixture each drawn pixel has."""
    which = np.concatenate([np.arange(len(mixtures[0])), rng.integers(0, len(mixtures[0]), 16 * SIZE[0])])
    which = which[: 16 * SIZE[0]].reshape(16, SIZE[0])
    pixels = np.zeros((SIZE[1], SIZE[0], 4), dtype=np.uint8)
    pixels[4:20] = np.rint(_in(PAINTS.values(), mixtures)).astype(np.uint8)[which]
    return pixels, which


def _files(pixels: np.ndarray):
    """Return the files of a drawing."""
    return png_files(pixels.tobytes(), SIZE, paints=tuple(PAINTS.values()), themes=COLOURS_OF, dpi=72)


def _on_ground(pixels: np.ndarray, colours) -> np.ndarray:
    """Return what the eye sees of a drawing on the ground of a theme."""
    opacity = pixels[..., 3:] / 255
    return pixels[..., :3] * opacity + _points([colours["ground"]]) * (1 - opacity)


def test_a_drawing_in_paints_has_each_theme_s_colours_with_and_without_the_ground(rng):
    mixtures = _mixed(rng, 0, roles=tuple(ROLES[1:]), opacities=(90, 255))
    pixels, which = _drawing(rng, mixtures)
    for colours, files in zip(COLOURS_OF, _files(pixels), strict=True):
        opaque, clear = (_read(one, "P") for one in files)
        expected = _in(colours.values(), mixtures)[which]
        assert np.abs(clear[4:20] - expected).max() <= 1
        assert (clear[pixels[..., 3] == 0][:, 3] == 0).all()
        assert (opaque[..., 3] == 255).all()
        assert np.abs(opaque[4:20, :, :3] - _on_ground(expected, colours)).max() <= 1


@pytest.mark.parametrize(("count", "nearly"), [(150, 4), (400, 7)])
def test_edges_are_mixed_anew_of_the_colours_of_the_theme(rng, count, nearly):
    mixtures = _mixed(rng, count, roles=("ink", "rule", "band", "series-1"))
    pixels, which = _drawing(rng, mixtures)
    for colours, files in zip(COLOURS_OF, _files(pixels), strict=True):
        expected = _in(colours.values(), mixtures)[which]
        assert np.abs(_read(files[1], "P")[4:20] - expected).max() <= nearly


def test_many_opacities_fit_a_palette_with_a_difference_that_nobody_sees(rng):
    pure, _, _ = _mixed(rng, 0, roles=("ink", "series-1", "series-2"))
    mixtures = (np.repeat(pure, 255, axis=0), np.zeros(3 * 255), np.tile(np.arange(1, 256), 3))
    pixels, which = _drawing(rng, mixtures)
    for colours, files in zip(COLOURS_OF, _files(pixels), strict=True):
        seen = _on_ground(_in(colours.values(), mixtures)[which], colours)
        assert np.abs(_read(files[0], "P")[4:20, :, :3] - seen).max() <= 9


def test_more_mixtures_than_a_palette_holds_are_written_in_full(rng):
    mixtures = _mixed(rng, 1000, roles=tuple(ROLES[1:8]), opacities=(40, 90, 140, 190, 255))
    pixels, which = _drawing(rng, mixtures)
    colours, (opaque, clear) = COLOURS_OF[0], _files(pixels)[0]
    expected = _in(colours.values(), mixtures)[which]
    difference = np.abs(_on_ground(_read(clear, "RGBA")[4:20], colours) - _on_ground(expected, colours)).max(
        axis=-1
    )
    # Mixtures of seven roles at random, each once: some lie where two lines come near each other.
    assert np.quantile(difference, 0.9) <= 3
    assert np.abs(_read(opaque, "RGB")[4:20, :, :3] - _on_ground(_read(clear)[4:20], colours)).max() <= 1


def test_files_of_all_themes_are_whole_by_their_check_sums(rng):
    pixels, _ = _drawing(rng, _mixed(rng, 50, roles=("ink", "rule")))
    for content in (one for files in _files(pixels) for one in files):
        start = 8
        while start < len(content):
            length = int.from_bytes(content[start : start + 4], "big")
            end = start + 8 + length
            assert zlib.crc32(content[start + 4 : end]) == int.from_bytes(content[end : end + 4], "big")
            start = end + 4
        assert content.endswith(b"IEND\xaeB`\x82")


@pytest.mark.parametrize("count", [0, 150, 1000])
def test_the_same_drawing_gives_the_same_bytes(rng, count):
    pixels, _ = _drawing(rng, _mixed(rng, count, roles=tuple(ROLES[1:8]), opacities=(90, 255)))
    assert _files(pixels) == _files(pixels)


def test_an_empty_drawing_is_the_ground():
    opaque, clear = _files(np.zeros((SIZE[1], SIZE[0], 4), dtype=np.uint8))[1]
    assert (_read(opaque)[..., :3] == _points([COLOURS["ground"][1]])).all()
    assert (_read(clear)[..., 3] == 0).all()
