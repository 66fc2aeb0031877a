"""How the chance of a verdict grows with the number of rounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.plots import Ends, Plot, open_plot
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look, series_dash
from gpubench_kit.file_names import slug
from gpubench_kit.statistics.planning import POWER
from gpubench_kit.wording.numbers import count_text, number_text, percent_text
from gpubench_kit.wording.terms import metric_of, of_group, sentence

#: Rounds that are shown where all lines have reached the top by then.
_SHORT = 12.0


@dataclass(frozen=True)
class _Curve:
    """One true difference: its name, and its points (rounds, chance in percent)."""

    name: str
    rounds: tuple[float, ...]
    chances: tuple[float, ...]


def draw_verdict_chances(
    chances: pd.DataFrame, plan, *, metric: str, group: str = "all", planned: int = 0
) -> DescribedFigure | None:
    """Draw the chance of a verdict against the number of rounds, one line for each true difference.

    Parameters
    ----------
    chances : DataFrame, one row per (group, metric, difference, rounds); see ``schedule.tables.VERDICT_CHANCES``
    plan : ReviewPlan, gives the margin and the style
    metric : name of the metric
    group : group of settings
    planned : rounds of the plan, marked by an upright line; 0: none

    Returns
    -------
    DescribedFigure; None where there are no chances of the metric
    """
    data = chances[(chances["metric"] == metric) & (chances["group"] == group)]
    if not len(data):
        return None
    label, margin = metric_of(metric).label, percent_text(plan.margin_of(metric))
    curves = tuple(_curve(difference, part) for difference, part in data.groupby("difference_pct"))
    noise = f"{number_text(data['noise'].iloc[0], decimals=2)} %"
    title = of_group(f"Chance of a verdict: {label}", group)
    mark = f" Upright line: {count_text(planned, 'round')}, as planned." if planned else ""
    heading = Heading(title, f"A game with the middle noise, {noise}; margin {margin}.",
                      f"Level line: 80 %.{mark} Lines: true difference between the tunings.")  # fmt: skip
    return DescribedFigure(
        name=slug("chance", metric, "" if group == "all" else group),
        data=data.reset_index(drop=True),
        caption=f"{sentence(label)}: chance that a game gets a verdict (a difference, or none beyond {margin}) "
        f"instead of “undecided”, for a run-to-run noise of {noise}. A true difference near the margin takes most.",
        alternative_text=_alternative(curves, label, planned=planned),
        drawing=partial(_draw, heading=heading, curves=curves, planned=planned),
        style=plan.style,
    )


def _curve(difference: float, part: pd.DataFrame) -> _Curve:
    """Return one line."""
    ordered = part.sort_values("rounds")
    name = percent_text(difference) if difference else "no difference"
    return _Curve(name, tuple(map(float, ordered["rounds"])), tuple(100 * ordered["chance"].astype(float)))


def _draw(look: Look, *, heading: Heading, curves: Sequence[_Curve], planned: int) -> Figure:
    """Return the figure."""
    key = tuple((curve.name, place) for place, curve in enumerate(curves))
    last = max(curve.rounds[-1] for curve in curves)
    # Once every line is at the top, further rounds would only squeeze what is to be seen.
    is_short = planned <= _SHORT and all(_at(curve, _SHORT) >= 99 for curve in curves)
    x = Ends(0.0, (min(_SHORT, last) if is_short else last) + 0.5, "rounds")
    y = Ends(0.0, 100.0, "chance of a verdict [%]")
    plot = open_plot(look, heading=heading, x=x, y=y, key=key, is_line=True)
    _draw_marks(plot, planned)
    for place, curve in enumerate(curves):
        points = [one for one in zip(curve.rounds, curve.chances, strict=True) if one[0] <= x.high]
        xs, ys = zip(*((plot.x(rounds), plot.y(chance)) for rounds, chance in points), strict=True)
        plot.sheet.line(xs, ys, role=f"series-{place}", dash=series_dash(place))
    return plot.sheet.figure


def _at(curve: _Curve, rounds: float) -> float:
    """Return the chance of a line at so many rounds [%]."""
    return curve.chances[curve.rounds.index(rounds)] if rounds in curve.rounds else curve.chances[-1]


def _draw_marks(plot: Plot, planned: int) -> None:
    """Draw the chance that plans aim at, and the rounds that this one has."""
    sheet, box = plot.sheet, plot.box
    sheet.segments([(box.left, plot.y(100 * POWER), box.right, plot.y(100 * POWER))], role="axis")
    if planned and plot.x.inside(planned):
        sheet.segments([(plot.x(planned), box.top, plot.x(planned), box.bottom)], role="axis")


def _alternative(curves: Sequence[_Curve], label: str, *, planned: int) -> str:
    """Return what the chart shows: the chance at the planned rounds, and where each line reaches 80 %."""
    parts = [f"{curve.name}: {_reaches(curve)}" for curve in curves]
    text = f"Rounds after which the chance of a verdict on the {label} stays at or above 80 %: {'; '.join(parts)}."
    at = [
        f"{curve.name} {number_text(_at(curve, planned), decimals=0)} %"
        for curve in curves
        if planned in curve.rounds
    ]
    return f"{text} With {count_text(planned, 'round')}: {', '.join(at)}." if at else text


def _reaches(curve: _Curve) -> str:
    """Return from which number of rounds on a line stays at 80 %."""
    low = [rounds for rounds, chance in zip(curve.rounds, curve.chances, strict=True) if chance < 100 * POWER]
    if not low:
        return f"{int(curve.rounds[0])}"
    return "not reached" if low[-1] == curve.rounds[-1] else f"{int(low[-1]) + 1}"
