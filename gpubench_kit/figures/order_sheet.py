"""The drawing of an evening in the order of its runs: who only draws loads no statistics."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure

from gpubench_kit.figures.plots import Ends, Plot, clipped, open_plot
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look, series_shape


@dataclass(frozen=True)
class Evening:
    """What is drawn: (order, deviation, series) of each run, first orders of later sessions, slope or None."""

    runs: tuple[tuple[float, float, int], ...]
    borders: tuple[float, ...]
    slope: float | None
    y_label: str


def draw_evening(look: Look, *, heading: Heading, evening: Evening, key: tuple[tuple[str, int], ...]) -> Figure:
    """Return the figure."""
    orders = [order for order, _, _ in evening.runs]
    ends = padded_range([deviation for _, deviation, _ in evening.runs], include=[0.0], pad=0.08)
    x = Ends(min(orders) - 0.8, max(orders) + 0.8, "place in the order of the runs")
    plot = open_plot(look, heading=heading, x=x, y=Ends(*ends, evening.y_label), key=key)
    sheet, box = plot.sheet, plot.box
    sheet.segments([(box.left, plot.y(0.0), box.right, plot.y(0.0))], role="axis")
    borders = [plot.x(border) for border in evening.borders]
    sheet.segments([(border, box.top, border, box.bottom) for border in borders], role="axis")
    for order, deviation, place in evening.runs:
        role = f"series-{place % 8}"
        sheet.marker(
            (plot.x(order), plot.y(deviation)), series_shape(place), role=role, size=0.85 * sheet.sizes.marker
        )
    if evening.slope is not None:
        _draw_slope(plot, evening.slope, orders=orders)
    return sheet.figure


def _draw_slope(plot: Plot, slope: float, *, orders: list[float]) -> None:
    """Draw the drift as a line through the middle of the evening."""
    middle = sum(orders) / len(orders)
    xs = [min(orders), max(orders)]
    part = clipped(xs, [slope * (x - middle) for x in xs], plot=plot)
    if part is not None:
        plot.sheet.line([plot.x(x) for x in part[0]], [plot.y(y) for y in part[1]], role="ink", dash=(0, (5, 2)))
