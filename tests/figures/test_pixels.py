"""Pictures with a palette: colours as drawn, opacity kept, and no more colours than a palette holds."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from gpubench_kit.figures.pixels import png_files

SIZE = (64, 32)


def _read(content: bytes) -> np.ndarray:
    """Return the pixels of a file."""
    with Image.open(io.BytesIO(content)) as picture:
        assert picture.size == SIZE
        return np.asarray(picture.convert("RGBA")).astype(int)


def _drawing(rng, colours: int) -> np.ndarray:
    """Return a drawing of so many colours, each with its opacity; most of it is nothing at all."""
    chosen = rng.integers(0, 256, (colours, 4), dtype=np.uint8)
    pixels = np.zeros((SIZE[1], SIZE[0], 4), dtype=np.uint8)
    pixels[4:20] = chosen[rng.integers(0, colours, (16, SIZE[0]))]
    return pixels


def _on_ground(pixels: np.ndarray, ground: tuple[int, int, int]) -> np.ndarray:
    """Return what the eye sees of a drawing on a ground."""
    opacity = pixels[..., 3:] / 255
    return pixels[..., :3] * opacity + np.array(ground) * (1 - opacity)


def test_few_colours_are_kept_as_drawn_with_and_without_the_ground(rng):
    drawing = _drawing(rng, 200)
    opaque, clear = (_read(one) for one in png_files(drawing.tobytes(), SIZE, ground="#14191f", dpi=72))
    seen = drawing[..., 3] > 0
    assert (clear[seen] == drawing[seen]).all()
    assert (clear[~seen][:, 3] == 0).all()
    assert (opaque[..., 3] == 255).all()
    assert np.abs(opaque[..., :3] - _on_ground(drawing, (20, 25, 31))).max() <= 1


def test_many_opacities_of_few_colours_fit_a_palette_with_a_difference_that_nobody_sees(rng):
    drawing = _drawing(rng, 1)
    drawing[4:20, :, 3] = rng.integers(1, 256, (16, SIZE[0]))
    drawing[4:20, ::2, :3] = (30, 60, 90)
    drawing[4:20, ::5, :3] = (200, 60, 90)
    content = png_files(drawing.tobytes(), SIZE, ground="white", dpi=72)
    with Image.open(io.BytesIO(content[0])) as picture:
        assert picture.mode == "P"
    opaque, clear = (_read(one) for one in content)
    assert np.abs(opaque[..., :3] - _on_ground(drawing, (255, 255, 255))).max() <= 4
    assert np.abs(clear[4:20, :, 3] - drawing[4:20, :, 3]).max() <= 4


def test_more_colours_than_a_palette_holds_are_written_in_full(rng):
    drawing = _drawing(rng, 900)
    opaque, clear = (_read(one) for one in png_files(drawing.tobytes(), SIZE, ground="white", dpi=72))
    assert (clear == drawing).all()
    assert np.abs(opaque[..., :3] - _on_ground(drawing, (255, 255, 255))).max() <= 1


@pytest.mark.parametrize("colours", [1, 200, 900])
def test_the_same_drawing_gives_the_same_bytes(rng, colours):
    pixels = _drawing(rng, colours).tobytes()
    assert png_files(pixels, SIZE, ground="white", dpi=72) == png_files(pixels, SIZE, ground="white", dpi=72)
