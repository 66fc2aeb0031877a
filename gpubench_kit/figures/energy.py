"""Frame rate against board power, with lines of equal energy per frame."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.plots import Ends, Plot, clipped, open_plot
from gpubench_kit.figures.scales import Scale, padded_range, tick_texts, ticks_of
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look, series_shape
from gpubench_kit.figures.subjects import SUBJECT, places_of, subject_names
from gpubench_kit.file_names import slug
from gpubench_kit.wording.numbers import percent_text, unit_text
from gpubench_kit.wording.terms import of_group

RATE, POWER = "avg_fps", "board_w"
_MOST_LINES = 6


@dataclass(frozen=True)
class _Point:
    """One tuning: name, series, and (value, low, high) of power [W] and frame rate [fps]."""

    name: str
    place: int
    power: tuple[float, float, float]
    rate: tuple[float, float, float]


def draw_rate_against_power(
    levels: pd.DataFrame, plan, *, group: str = "all", game: str = ""
) -> DescribedFigure | None:
    """Draw the frame rate of every tuning against its board power, both with intervals.

    Parameters
    ----------
    levels : DataFrame, see `gpubench_kit.statistics.levels.LEVELS`; power must have been measured at
        one point for all cards in it
    plan : ReviewPlan, gives order, names and style
    group : group of settings
    game : '' for all games, else one game

    Returns
    -------
    DescribedFigure; None unless at least one tuning has both values

    Notes
    -----
    Energy per frame is power divided by frame rate, so points on one line through the origin spend the
    same energy on a frame.
    """
    data = levels[(levels["group"] == group) & (levels["game"] == game) & levels["metric"].isin([RATE, POWER])]
    points = _points(data, plan)
    if not points:
        return None
    place = f": {game}" if game else " over all games"
    title = of_group(f"Frame rate against board power{place}", group)
    lines = (
        f"Crosses: {percent_text(100 * plan.analysis.confidence)} intervals. Slanted lines: equal energy per frame."
    )
    heading = Heading(title, lines, "Higher and further left is thriftier.")
    return DescribedFigure(
        name=slug("rate-against-power", "" if group == "all" else group, game or "all-games"),
        data=data.reset_index(drop=True),
        caption=f"{title}. Points on one slanted line spend the same energy on each frame.",
        alternative_text=_alternative(points, title),
        drawing=partial(_draw, heading=heading, points=tuple(points)),
        style=plan.style,
    )


def _points(data: pd.DataFrame, plan) -> list[_Point]:
    """Return the tunings that have power and frame rate; a game's settings would stand beside each other."""
    names, places = subject_names(data, plan), places_of(data, plan)
    several = data["setting"].nunique() > 1
    points = []
    for (*subject, setting), rows in data.groupby([*SUBJECT, "setting"], sort=False):
        found = rows.set_index("metric")[["value", "ci_low", "ci_high"]].dropna(subset="value")
        if {RATE, POWER} <= set(found.index):
            name = f"{names[tuple(subject)]}, {setting}" if several and setting else names[tuple(subject)]
            values = (tuple(float(one) for one in found.loc[metric]) for metric in (POWER, RATE))
            points.append(_Point(name, places[tuple(subject)], *values))
    return points


def _draw(look: Look, *, heading: Heading, points: tuple[_Point, ...]) -> Figure:
    """Return the figure."""
    powers, rates = (_range([getattr(point, name) for point in points]) for name in ("power", "rate"))
    plot = open_plot(look, heading=heading, x=Ends(*powers, "board power [W]"), y=Ends(*rates, "frames per second"))
    for point in points:
        _draw_point(plot, point)
    _draw_energy_lines(plot)
    for point in points:
        plot.label((plot.x(point.power[0]), plot.y(point.rate[0])), point.name)
    return plot.sheet.figure


def _range(values: list[tuple[float, float, float]]) -> tuple[float, float]:
    """Return the range of values and intervals; never so narrow that noise fills the plot."""
    least, most = min(one[0] for one in values), max(one[0] for one in values)
    return padded_range([end for one in values for end in one], include=[0.97 * least, 1.03 * most], pad=0.16)


def _draw_point(plot: Plot, point: _Point) -> None:
    """Draw one tuning with both intervals."""
    x, y, role = plot.x(point.power[0]), plot.y(point.rate[0]), f"series-{point.place % 8}"
    if np.isfinite(point.power[1]):
        ends = [plot.x(end) for end in point.power[1:]]
        plot.sheet.segments([(ends[0], y, ends[1], y)], role=role)
        plot.block_line(ends, [y, y])
    if np.isfinite(point.rate[1]):
        ends = [plot.y(end) for end in point.rate[1:]]
        plot.sheet.segments([(x, ends[0], x, ends[1])], role=role)
        plot.block_line([x, x], ends)
    size = 1.3 * plot.sheet.sizes.marker
    plot.sheet.marker((x, y), series_shape(point.place), role=role, size=size)
    plot.block(x, y, size=size)


def _draw_energy_lines(plot: Plot) -> None:
    """Draw lines of equal energy per frame at round values [J], each named at its upper end."""
    corners = [(plot.x.low, plot.y.high), (plot.x.high, plot.y.low)]
    least, most = (max(power, 0.0) / rate for power, rate in corners)
    ticks = ticks_of(Scale(least, most, 0.0, 1.0), most=_MOST_LINES)
    drawn = []
    for energy, text in zip(ticks, tick_texts(ticks), strict=True):
        far = max(plot.x.high, plot.y.high * energy) * 2
        part = clipped([0.0, far], [0.0, far / energy], plot=plot)
        if part is not None:
            places = [plot.x(one) for one in part[0]], [plot.y(one) for one in part[1]]
            plot.sheet.line(*places, role="axis", width=plot.sheet.sizes.stroke / 2, dash=(0, (4, 3)))
            plot.block_line(*places)
            drawn.append((places, text))
    for (xs, ys), text in drawn:
        plot.label((xs[1], ys[1]), f"{text} J", role="muted", near_only=True)


def _alternative(points: list[_Point], title: str) -> str:
    """Return what the chart shows: power, rate and energy per frame of each tuning, thriftiest first."""
    ranked = sorted(points, key=lambda point: point.power[0] / point.rate[0])
    parts = [
        f"{point.name} {unit_text(point.rate[0], 'fps')} at {unit_text(point.power[0], 'W')}, "
        f"{unit_text(point.power[0] / point.rate[0], 'J')} per frame"
        for point in ranked
    ]
    return f"{title}, thriftiest first: {'; '.join(parts)}."
