"""Charts on pages: each a figure with its caption, side by side where there is room."""

from __future__ import annotations

from collections.abc import Iterable

from gpubench_kit.page.charts import Drawn
from gpubench_kit.page.elements import Markup, join


def figure(chart: Drawn | None, caption: str = "") -> Markup:
    """Return a chart with its caption; nothing for no chart."""
    if chart is None:
        return Markup("")
    told = Markup("<figcaption>{}</figcaption>").format(caption) if caption else ""
    return Markup('<figure class="chart">{}{}</figure>\n').format(chart, told)


def figures(parts: Iterable[Markup], *, css: str = "charts") -> Markup:
    """Return figures side by side where there is room, three in a row as a ``trio``; nothing for none."""
    inner = join(parts)
    return Markup('<div class="{}">{}</div>\n').format(css, inner) if inner else inner
