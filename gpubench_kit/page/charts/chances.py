"""Curves over a plan's choices: the chance of a verdict over rounds, cost over years."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.plot import Axis, Mark, Plot, Series
from gpubench_kit.statistics.planning import POWER
from gpubench_kit.wording.numbers import count_text, money_text, number_text, percent_text, significant_text
from gpubench_kit.wording.terms import metric_of, of_group, of_pair, pair_text

#: Rounds after which little is left to be seen where all lines have reached the top.
_SHORT = 12


def chance_curves(
    chances: pd.DataFrame,
    plan: ReviewPlan,
    *,
    metric: str,
    group: str = "all",
    planned: int = 0,
    width: float = 360.0,
) -> Plot | None:
    """Return the chance of a verdict by the number of rounds, a curve for each true difference.

    Parameters
    ----------
    chances : DataFrame, one row per (group, metric, difference, rounds); see ``schedule.tables.VERDICT_CHANCES``
    plan : ReviewPlan, gives the margin
    metric : name of the metric
    group : group of settings
    planned : rounds of the plan, marked by a vertical line; 0: none
    width : whole width

    Returns
    -------
    Plot; None where there are no chances of the metric
    """
    data = chances[(chances["metric"] == metric) & (chances["group"] == group)]
    if not len(data):
        return None
    label, margin = metric_of(metric).label, percent_text(plan.margin_of(metric))
    parts = [(difference, part.sort_values("rounds")) for difference, part in data.groupby("difference_pct")]
    last = float(data["rounds"].max())
    if planned <= _SHORT < last and all(_at(part, _SHORT) >= 0.99 for _, part in parts):
        last = float(_SHORT)
    series = tuple(
        _curve(place, difference, part, last, planned=planned) for place, (difference, part) in enumerate(parts)
    )
    marks = [Mark("80 %", y=100 * POWER)]
    marks += [Mark(f"planned: {count_text(planned, 'round')}", x=float(planned))] * bool(planned)
    noise = f"{number_text(data['noise'].iloc[0], decimals=2)} %"
    title = of_group(
        f"Chance of a verdict on the {label} by rounds; a game with the median noise, {noise}; margin {margin}; "
        "lines: true difference between the tunings",
        group,
    )
    x = Axis("rounds", decimals=0, low=0.0, high=last + 0.5)
    y = Axis(f"Chance of a verdict: {label}", "%", low=0.0, high=100.0, decimals=0)
    return Plot(title, x, y, series, tuple(marks), width, 260.0)


def _curve(place: int, difference: float, part: pd.DataFrame, last: float, *, planned: int) -> Series:
    """Return one curve, as far as it is drawn."""
    shown = part[part["rounds"] <= last]
    points = tuple(zip(shown["rounds"].astype(float), 100 * shown["chance"].astype(float), strict=True))
    name = f"{percent_text(difference)}" if difference else "no difference"
    short = part.loc[part["chance"] < POWER, "rounds"]
    if not len(short):
        reached = f"80 % from round {int(part['rounds'].iloc[0])} on"
    elif short.iloc[-1] == part["rounds"].iloc[-1]:
        reached = "80 % not reached"
    else:
        reached = f"80 % from round {int(short.iloc[-1]) + 1} on"
    shown_at = {*points[:: max(1, len(points) // 6)], *(one for one in points if one[0] == planned)}
    told = ", ".join(f"{value:.0f} % after {rounds:.0f}" for rounds, value in sorted(shown_at))
    return Series(name, place, points, note=f"{reached}; {told}")


def _at(part: pd.DataFrame, rounds: int) -> float:
    """Return the chance after so many rounds, or the last one known."""
    found = part.loc[part["rounds"] == rounds, "chance"]
    return float(found.iloc[0] if len(found) else part["chance"].iloc[-1])


def cost_curves(
    sensitivity: pd.DataFrame,
    plan: ReviewPlan,
    *,
    pair: Sequence[str],
    group: str = "all",
    extra_price: float = 0.0,
    width: float = 360.0,
) -> Plot | None:
    """Return what one side costs more, or less, to run than the other, by hours a day and price of energy.

    Parameters
    ----------
    sensitivity : DataFrame, see `gpubench_kit.costs.SENSITIVITY`
    plan : ReviewPlan, gives ``costs`` and names
    pair : as ``tables.PAIR_KEY``
    group : group of settings
    extra_price : what the card costs more than the other; where it is not 0 a line marks what running must save
    width : whole width

    Returns
    -------
    Plot; None where there is nothing to draw. The price of the plan is the full line with its interval.
    """
    data = of_pair(sensitivity, pair)
    data = data[data["group"] == group]
    if not len(data):
        return None
    costs = plan.costs
    series = [_line(price, part, plan) for price, part in data.groupby("price_per_kwh")]
    series.sort(key=lambda one: one.kind == "line")
    level = percent_text(100 * plan.analysis.confidence)
    years = f"{costs.years:g}"
    title = of_group(
        f"Estimate: running cost over {years} years, {pair_text(pair, plan)}; shade: {level} interval", group
    )
    gap = f"{money_text(abs(extra_price), costs.currency)} price gap"
    marks = [Mark("", y=0.0), *([Mark(gap, y=-extra_price)] if extra_price else [])]
    y = Axis(f"Estimated cost over {years} years, less below zero", costs.currency, decimals=0)
    return Plot(title, Axis("hours played a day", decimals=1), y, tuple(series), tuple(marks), width, 240.0)


def _line(price: float, rows: pd.DataFrame, plan: ReviewPlan) -> Series:
    """Return the cost by hours at one price."""
    rows = rows.sort_values("hours_per_day")
    costs = plan.costs
    is_planned = costs.price_per_kwh is not None and abs(price - costs.price_per_kwh) < 1e-12
    points = tuple(zip(rows["hours_per_day"].astype(float), rows["value"].astype(float), strict=True))
    ends = tuple(rows[["hours_per_day", "ci_low", "ci_high"]].astype(float).itertuples(index=False, name=None))
    at = next((value for hours, value in points if hours == costs.hours_per_day), points[-1][1])
    note = f"{money_text(at, costs.currency)} at {costs.hours_per_day:g} hours a day"
    name = f"{significant_text(price)} {costs.currency}/kWh"
    return Series(
        name, 1 if is_planned else 0, points, "line" if is_planned else "thin", band=ends * is_planned, note=note
    )
