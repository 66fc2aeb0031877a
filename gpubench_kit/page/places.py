"""Charts on the page, and the pictures made of them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from gpubench_kit.page.elements import Markup, join

if TYPE_CHECKING:
    from gpubench_kit.figures.described import DescribedFigure

#: Where a chart goes. Text of a user cannot look like it: its "<" is escaped.
_PLACE = re.compile(r"<!--chart ([^>]*)-->")


def chart_grid(charts: Iterable[DescribedFigure | None]) -> Markup:
    """Return the places of charts side by side where there is room, see `with_charts`; nothing for no charts."""
    inner = join(Markup(f"<!--chart {chart.name}-->") for chart in charts if chart is not None)
    return Markup('<div class="charts">{}</div>\n').format(inner) if inner else inner


def with_charts(text: Markup, charts: Mapping[str, DescribedFigure]) -> Markup:
    """Return text with each chart drawn in its place.

    Parameters
    ----------
    text : with places made by `chart_grid`
    charts : charts by name, as `pictures_of` gives them
    """
    return Markup(_PLACE.sub(lambda place: charts[place[1]]._repr_html_(), text))


def pictures_of(charts: Iterable[DescribedFigure | None]) -> dict[str, DescribedFigure]:
    """Return the charts by the name of their files."""
    return {chart.name: chart for chart in charts if chart is not None}
