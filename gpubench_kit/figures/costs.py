"""The running cost over the years against hours played, for several prices of energy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.costs.estimates import plain_text
from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.plots import Ends, Plot, open_plot
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look, series_dash
from gpubench_kit.file_names import slug
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.wording.numbers import money_text, percent_text, significant_text
from gpubench_kit.wording.terms import of_group, of_pair, pair_text

_BAND_ALPHA = 0.25
#: Room to the right of the lines, for their names, as a share of the hours.
_ROOM = 0.45


@dataclass(frozen=True)
class _Line:
    """Cost by hours at one price: (hours, value, low, high) in rising order of hours."""

    name: str
    is_planned: bool
    points: tuple[tuple[float, float, float, float], ...]


def draw_cost_sensitivity(
    sensitivity: pd.DataFrame,
    plan: ReviewPlan,
    *,
    pair: Sequence[str],
    group: str = "all",
    extra_price: float = 0.0,
) -> DescribedFigure | None:
    """Draw what one side costs more, or less, to run than the other, by hours a day and price of energy.

    Parameters
    ----------
    sensitivity : DataFrame, see `gpubench_kit.costs.estimates.SENSITIVITY`
    plan : ReviewPlan, gives ``costs``, names and style
    pair : as ``tables.PAIR_KEY``
    group : group of settings
    extra_price : what the card costs more than the other; where it is not 0 a line marks what running must save

    Returns
    -------
    DescribedFigure; None where there is nothing to draw
    """
    data = of_pair(sensitivity, pair)
    data = data[data["group"] == group].reset_index(drop=True)
    if not len(data):
        return None
    lines = tuple(_lines(data, plan))
    costs, names = plan.costs, pair_text(pair, plan)
    title = of_group(f"Estimate: running cost over {plain_text(costs.years)} years, {names}", group)
    note = "Below zero it saves. Hours and prices are taken as known."
    shaded = f"Shaded: {percent_text(100 * plan.analysis.confidence)} interval at the price in the plan."
    return DescribedFigure(
        name=slug("running-cost", "" if group == "all" else group, *pair),
        data=data,
        caption=f"{title}. {shaded} {note}",
        alternative_text=_alternative(lines, title, plan),
        drawing=partial(
            _draw,
            heading=Heading(title, shaded, note),
            lines=lines,
            unit=costs.currency,
            mark=_mark(extra_price, costs),
        ),
        style=plan.style,
    )


def _lines(data: pd.DataFrame, plan: ReviewPlan) -> list[_Line]:
    """Return the lines, one for each price."""
    lines = []
    for price, part in data.groupby("price_per_kwh"):
        points = part.sort_values("hours_per_day")[["hours_per_day", "value", "ci_low", "ci_high"]]
        name = f"{significant_text(price)} {plan.costs.currency}/kWh"
        is_planned = abs(price - plan.costs.price_per_kwh) < 1e-12
        lines.append(_Line(name, is_planned, tuple(map(tuple, points.to_numpy(dtype=float)))))
    return lines


def _mark(extra_price: float, costs) -> tuple[float, str] | None:
    """Return where running has saved the extra price, and its label."""
    if not extra_price:
        return None
    return -extra_price, f"{money_text(abs(extra_price), costs.currency)} price gap"


def _draw(
    look: Look, *, heading: Heading, lines: tuple[_Line, ...], unit: str, mark: tuple[float, str] | None
) -> Figure:
    """Return the figure."""
    ends = [end for line in lines for point in line.points for end in point[1:]]
    low, high = padded_range(ends, include=[0.0] if mark is None else [0.0, mark[0]], pad=0.08)
    most = max(point[0] for point in lines[0].points)
    plot = open_plot(
        look,
        heading=heading,
        x=Ends(0.0, (1 + _ROOM) * most, "hours played a day"),
        y=Ends(low, high, f"difference of cost [{unit}]"),
    )
    for line in lines:
        _draw_line(plot, line)
    level = plot.y(0.0)
    plot.sheet.segments([(plot.box.left, level, plot.box.right, level)], role="axis")
    plot.block_line([plot.box.left, plot.box.right], [level, level])
    for line in lines:
        _label_line(plot, line)
    if mark is not None:
        _draw_mark(plot, mark, until=most)
    return plot.sheet.figure


def _draw_line(plot: Plot, line: _Line) -> None:
    """Draw one price; that of the plan with its interval and a heavier line."""
    xs, ys = ([plot.x(point[0]) for point in line.points], [plot.y(point[1]) for point in line.points])
    if line.is_planned:
        upper = [(plot.x(point[0]), plot.y(point[3])) for point in line.points]
        lower = [(plot.x(point[0]), plot.y(point[2])) for point in reversed(line.points)]
        plot.sheet.area([*upper, *lower], role="series-1", alpha=_BAND_ALPHA)
    role = "series-1" if line.is_planned else "muted"
    width = plot.sheet.sizes.stroke * (1.6 if line.is_planned else 1.0)
    plot.sheet.line(xs, ys, role=role, width=width, dash="-" if line.is_planned else series_dash(1))
    plot.block_line([xs[0], xs[-1]], [ys[0], ys[-1]])


def _draw_mark(plot: Plot, mark: tuple[float, str], *, until: float) -> None:
    """Draw the level at which running has saved the extra price."""
    level, ends = plot.y(mark[0]), [plot.x(0.0), plot.x(until)]
    plot.sheet.line(ends, [level, level], role="series-2", dash=series_dash(2))
    plot.block_line(ends, [level, level])
    plot.label((ends[1], level), mark[1], role="muted")


def _label_line(plot: Plot, line: _Line) -> None:
    """Name a price beside the end of its line."""
    hours, value = line.points[-1][:2]
    place = (plot.x(hours), plot.y(value))
    plot.block(*place)
    plot.label(place, line.name, role="ink" if line.is_planned else "muted")


def _alternative(lines: tuple[_Line, ...], title: str, plan: ReviewPlan) -> str:
    """Return what the chart shows: the cost at the plan's hours, price by price."""
    hours = plan.costs.hours_per_day
    parts = []
    for line in lines:
        value = next(point[1] for point in line.points if point[0] == hours)
        parts.append(f"{money_text(value, plan.costs.currency)} at {line.name}")
    return f"{title}, for {plain_text(hours)} hours a day: {'; '.join(parts)}."
