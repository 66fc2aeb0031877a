"""Charts of the page: small frozen models, drawn as SVG with live text by macros, themed by CSS variables.

::

    Spark      a change with its interval, as large as a word
    Lanes      rows that share axes: every run as a dot, intervals by game, bars
    Plot       curves and dots over two axes: frame times, percentiles, sensors, sweeps
    Figures    large numbers with their verdicts
    Scatter    watts against frame rate, an arrow from the reference to each tuning

A model stands in a template as ``{{ model }}``.
"""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

from gpubench_kit.page.charts.lanes import Cell, Figure, FigureRow, Figures, Lane, Lanes, Spark, spark_limit
from gpubench_kit.page.charts.marks import RIVAL, Axis, Drawn, draw, font_faces
from gpubench_kit.page.charts.plane import Mark, Plot, Scatter, ScatterPoint, Series
from gpubench_kit.palette import tokens_css


@lru_cache(maxsize=1)
def chart_css() -> str:
    """Return the style sheet of all charts; its colours are the variables of `tokens_css`."""
    return resources.files("gpubench_kit.page.charts").joinpath("charts.css").read_text(encoding="utf-8")


__all__ = [
    "RIVAL", "Axis", "Cell", "Drawn", "Figure", "FigureRow", "Figures", "Lane", "Lanes", "Mark", "Plot", "Scatter",
    "ScatterPoint", "Series", "Spark", "chart_css", "draw", "font_faces", "spark_limit", "tokens_css",
]  # fmt: skip
