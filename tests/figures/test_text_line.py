"""One line of text is drawn where matplotlib's own text would be."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import IdentityTransform

from gpubench_kit.figures.described import SETTINGS
from gpubench_kit.figures.text import FAMILY
from gpubench_kit.figures.text_line import TextLine

#: Darkness (of 255) by which a pixel may differ where a line begins a fraction of a pixel elsewhere.
EDGE = 40


def drawn(kind: type[Text], text: str, **wanted: object) -> np.ndarray:
    """Return the darkness of each pixel of a sheet of 400 by 80 with one text in its middle."""
    figure = Figure(figsize=(400 / 72, 80 / 72), dpi=72)
    line = kind(200, 40, text, va="baseline", parse_math=False, **wanted)
    line.set_transform(IdentityTransform())
    figure.add_artist(line)
    canvas = FigureCanvasAgg(figure)
    with mpl.rc_context(SETTINGS):
        canvas.draw()
    return 255 - np.asarray(canvas.buffer_rgba())[:, :, 0].astype(int)


@pytest.mark.parametrize("align", ["left", "center", "right"])
@pytest.mark.parametrize("weight", ["normal", "bold"])
@pytest.mark.parametrize("size", [12.5, 30.0])
@pytest.mark.parametrize("text", ["Ashfall", "−2.4 %", "Wj|y g"])
def test_a_line_lies_where_matplotlib_puts_it(align, weight, size, text):
    wanted = {"ha": align, "weight": weight, "fontsize": size, "family": FAMILY, "color": "black"}
    line, usual = (drawn(kind, text, **wanted) for kind in (TextLine, Text))
    assert usual.max() > 200, "there is text at all"
    assert np.abs(line - usual).max() <= EDGE


def test_the_comparison_sees_a_line_that_is_shifted_by_a_pixel():
    wanted = {"ha": "left", "fontsize": 30.0, "family": FAMILY, "color": "black"}
    assert np.abs(drawn(TextLine, "Ashfall", **wanted) - np.roll(drawn(Text, "Ashfall", **wanted), 1)).max() > EDGE


def test_with_a_second_font_the_line_is_as_wide_as_both_make_it():
    family = [FAMILY, "DejaVu Serif"]
    line, usual = (drawn(kind, "ab", ha="right", fontsize=30.0, family=family) for kind in (TextLine, Text))
    assert np.abs(line - usual).max() <= EDGE


def test_no_text_draws_nothing():
    assert drawn(TextLine, "").max() == 0
