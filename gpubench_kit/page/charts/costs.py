"""The running cost over the years by hours played, for several prices of energy."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.plot import Axis, Mark, Plot, Series
from gpubench_kit.wording.numbers import money_text, percent_text, significant_text
from gpubench_kit.wording.terms import of_group, of_pair, pair_text


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
    is_planned = abs(price - costs.price_per_kwh) < 1e-12
    points = tuple(zip(rows["hours_per_day"].astype(float), rows["value"].astype(float), strict=True))
    ends = tuple(rows[["hours_per_day", "ci_low", "ci_high"]].astype(float).itertuples(index=False, name=None))
    at = next((value for hours, value in points if hours == costs.hours_per_day), points[-1][1])
    note = f"{money_text(at, costs.currency)} at {costs.hours_per_day:g} hours a day"
    name = f"{significant_text(price)} {costs.currency}/kWh"
    return Series(
        name, 1 if is_planned else 0, points, "line" if is_planned else "thin", band=ends * is_planned, note=note
    )
