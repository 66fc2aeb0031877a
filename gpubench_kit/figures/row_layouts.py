"""Charts made of labelled rows: one description, drawn for a narrow page or for a wide picture."""

from __future__ import annotations

from matplotlib.figure import Figure

from gpubench_kit.figures.row_page import draw_on_page
from gpubench_kit.figures.row_picture import draw_in_picture
from gpubench_kit.figures.rows import RowChart
from gpubench_kit.figures.style import Look


def draw_rows(look: Look, *, chart: RowChart) -> Figure:
    """Return the figure of a chart of rows in the shape that the look asks for."""
    return draw_in_picture(look, chart) if look.is_picture else draw_on_page(look, chart)
