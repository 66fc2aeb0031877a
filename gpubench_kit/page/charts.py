"""Charts on the page, and the pictures made of them."""

from __future__ import annotations

from collections.abc import Iterable

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.page.elements import Markup, join


def chart_grid(charts: Iterable[DescribedFigure | None]) -> Markup:
    """Return charts side by side where there is room; nothing for no charts."""
    inner = join(Markup(chart._repr_html_()) for chart in charts if chart is not None)
    return Markup('<div class="charts">{}</div>\n').format(inner) if inner else inner


def pictures_of(charts: Iterable[DescribedFigure | None]) -> dict[str, DescribedFigure]:
    """Return the charts by the name of their files."""
    return {chart.name: chart for chart in charts if chart is not None}
