"""Curves and dots from tables: the order of the runs, the chance of a verdict over rounds, cost over hours."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.from_tables import State
from gpubench_kit.page.charts.marks import Axis
from gpubench_kit.page.charts.plane import Mark, Plot, Series
from gpubench_kit.statistics.design import estimate_drift
from gpubench_kit.statistics.planning import POWER
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    change_text,
    count_text,
    money_text,
    number_text,
    p_text,
    percent_text,
    significant_text,
)
from gpubench_kit.wording.terms import metric_of, of_group, of_pair, pair_text, scene_text

#: Runs that an order needs; rounds after which little is left to be seen where all lines have reached the top.
_FEWEST, _SHORT = 3, 12
_CELL = ["card", "bench", "tuning", "game", "setting"]


def order_of_runs(usable: pd.DataFrame, *, metric: str, states: Sequence[State]) -> Plot | None:
    """Return each run's deviation from the mean of its game and tuning, by run number.

    Parameters
    ----------
    usable : DataFrame, one row per (run, metric); see ``tables.USABLE``
    metric : name of the metric
    states : of one card on one bench

    Returns
    -------
    Plot; None unless three runs have an order, and others of their game and tuning to deviate from

    Notes
    -----
    Deviations are from the geometric mean, in percent, on the ratio scale, else from the mean in the unit. The
    slope is that of `gpubench_kit.statistics.design`.
    """
    facts = metric_of(metric)
    is_ratio = facts.scale == "ratio"
    unit = "%" if is_ratio else facts.unit
    rows = [one.rows(usable).assign(_state=number) for number, one in enumerate(states)]
    data = pd.concat(rows) if rows else usable.iloc[:0].assign(_state=0)
    data = data[(data["metric"] == metric) & data["order"].notna() & data["value"].notna()]
    data = data[(data["value"] > 0) | (not is_ratio)].sort_values("order", kind="stable")
    data = data[data.groupby(_CELL)["value"].transform("count") > 1]
    if len(data) < _FEWEST:
        return None
    values = np.log(data["value"].astype(float)) if is_ratio else data["value"].astype(float)
    apart = values - values.groupby([data[name] for name in _CELL]).transform("mean")
    data = data.assign(deviation=100 * np.expm1(apart) if is_ratio else apart)
    order = data["order"].astype(float)
    cells, family = data.groupby(_CELL, sort=False).ngroup().to_numpy(), np.zeros(len(data), dtype=int)
    found = estimate_drift(values.to_numpy(), order.to_numpy(), cell=cells, family=family)
    slope, told = float(found.slope[0]) * (100 if is_ratio else 1), say("charts.no_drift")
    series = [_cloud(one, data[data["_state"] == number], unit=unit) for number, one in enumerate(states)]
    if np.isfinite(slope):
        told = say("charts.drift", change=change_text(10 * slope, unit), p=p_text(float(found.p[0])))
        line = tuple((one, slope * (one - float(order.mean()))) for one in (float(order.min()), float(order.max())))
        series.append(Series(say("charts.drift_line"), None, line, "thin", note=told))
    marks = [Mark("", y=0.0)]
    if "session" in data:
        # Half a run before a new session begins.
        is_new = data["session"].ne(data["session"].shift()) & (np.arange(len(data)) > 0)
        marks += [Mark(say("charts.restart"), x=float(one) - 0.5) for one in data.loc[is_new, "order"]]
    is_done = bool(data["order_known"].fillna(True).all()) if "order_known" in data else True
    key, runs = f"charts.order_{'done' if is_done else 'planned'}", count_text(len(data), "run")
    title = say(key, metric=facts.label, runs=runs)
    x, y = Axis(say("charts.run_number"), decimals=0), Axis(say("charts.deviation"), unit, decimals=1)
    shown = tuple(one for one in series if one.points)
    return Plot(f"{title}. {told}", x, y, shown, tuple(marks), height=230.0)


def _cloud(state: State, rows: pd.DataFrame, *, unit: str) -> Series:
    """Return the runs of one state as dots."""
    points = tuple(zip(rows["order"].astype(float), rows["deviation"].astype(float), strict=True))
    labels = tuple(
        f"{row.run}: {scene_text(row.game, row.setting)}, {change_text(row.deviation, unit)}"
        for row in rows.itertuples()
    )
    return Series(state.name, state.place, points, "dots", labels=labels)


def chance_curves(
    chances: pd.DataFrame, plan: ReviewPlan, *, metric: str, group: str = "all", planned: int = 0
) -> Plot | None:
    """Return the chance of a verdict by the number of rounds, a curve for each true difference.

    Parameters
    ----------
    chances : DataFrame, one row per (group, metric, difference, rounds); see ``schedule.design.VERDICT_CHANCES``
    plan : ReviewPlan, gives the margin
    metric : name of the metric
    group : group of settings
    planned : rounds of the plan, marked by a vertical line; 0: none

    Returns
    -------
    Plot; None where there are no chances of the metric
    """
    data = chances[(chances["metric"] == metric) & (chances["group"] == group)].sort_values("rounds", kind="stable")
    if not len(data):
        return None
    label, last = metric_of(metric).label, float(data["rounds"].max())
    parts = list(data.groupby("difference_pct"))
    # Chances never fall: the one after so many rounds, or the last one known.
    reached = [part.loc[part["rounds"] <= _SHORT, "chance"].iloc[-1:].max() for _, part in parts]
    if planned <= _SHORT < last and min(reached) >= 0.99:
        last = float(_SHORT)
    series = tuple(_chance(n, *part, last=last, planned=planned) for n, part in enumerate(parts))
    marks = [Mark("80 %", y=100 * POWER)]
    marks += [Mark(say("charts.planned", rounds=count_text(planned, "round")), x=float(planned))] * bool(planned)
    noise = number_text(data["noise"].iloc[0], decimals=2)
    margin = percent_text(plan.margin_of(metric))
    title = of_group(say("charts.chances", metric=label, noise=noise, margin=margin), group)
    x = Axis(say("charts.rounds_axis"), decimals=0, low=0.0, high=last + 0.5)
    y = Axis(say("charts.chance_axis", metric=label), "%", low=0.0, high=100.0, decimals=0)
    return Plot(title, x, y, series, tuple(marks), height=260.0)


def _chance(place: int, difference: float, part: pd.DataFrame, *, last: float, planned: int) -> Series:
    """Return one curve, as far as it is drawn."""
    shown = part[part["rounds"] <= last]
    points = tuple(zip(shown["rounds"].astype(float), 100 * shown["chance"].astype(float), strict=True))
    short = part.loc[part["chance"] < POWER, "rounds"]
    first = int(short.iloc[-1]) + 1 if len(short) else int(part["rounds"].iloc[0])
    is_reached = first <= part["rounds"].iloc[-1]
    reached = say("charts.reached", n=first) if is_reached else say("charts.not_reached")
    shown_at = {*points[:: max(1, len(points) // 6)], *(one for one in points if one[0] == planned)}
    told = (say("charts.after", chance=f"{chance:.0f}", n=f"{rounds:.0f}") for rounds, chance in sorted(shown_at))
    name = percent_text(difference) if difference else say("charts.no_difference")
    return Series(name, place, points, note=f"{reached}; {', '.join(told)}")


def cost_curves(
    sensitivity: pd.DataFrame,
    plan: ReviewPlan,
    *,
    pair: Sequence[str],
    group: str = "all",
    extra_price: float = 0.0,
) -> Plot | None:
    """Return what one side costs more, or less, to run than the other, by hours a day and price of energy.

    Parameters
    ----------
    sensitivity : DataFrame, see `gpubench_kit.costs.SENSITIVITY`
    plan : ReviewPlan, gives ``costs`` and names
    pair : as ``tables.PAIR_KEY``
    group : group of settings
    extra_price : what the card costs more than the other; where it is not 0 a line marks what running must save

    Returns
    -------
    Plot; None where there is nothing to draw. The price of the plan is the full line with its interval.
    """
    data = of_pair(sensitivity, pair)
    data = data[data["group"] == group]
    if not len(data):
        return None
    currency, years = plan.costs.currency, f"{plan.costs.years:g}"
    series = [_cost(price, part, plan) for price, part in data.groupby("price_per_kwh")]
    level = percent_text(100 * plan.analysis.confidence)
    title = of_group(say("charts.costs", years=years, pair=pair_text(pair, plan), level=level), group)
    gap = Mark(say("charts.price_gap", price=money_text(abs(extra_price), currency)), y=-extra_price)
    marks = (Mark("", y=0.0), *([gap] if extra_price else []))
    y = Axis(say("charts.cost_axis", years=years), currency, decimals=0)
    return Plot(title, Axis(say("charts.hours_axis"), decimals=1), y, tuple(series), marks, height=240.0)


def _cost(price: float, rows: pd.DataFrame, plan: ReviewPlan) -> Series:
    """Return the cost by hours at one price."""
    rows, costs = rows.sort_values("hours_per_day"), plan.costs
    is_planned = costs.price_per_kwh is not None and abs(price - costs.price_per_kwh) < 1e-12
    known = rows[["hours_per_day", "value", "ci_low", "ci_high"]].astype(float)
    points = tuple(known[["hours_per_day", "value"]].itertuples(index=False, name=None))
    band = tuple(known[["hours_per_day", "ci_low", "ci_high"]].itertuples(index=False, name=None))
    at = next((value for hours, value in points if hours == costs.hours_per_day), points[-1][1])
    note = say("charts.cost", amount=money_text(at, costs.currency), hours=f"{costs.hours_per_day:g}")
    name, kind = f"{significant_text(price)} {costs.currency}/kWh", "line" if is_planned else "thin"
    return Series(name, int(is_planned), points, kind, band=band * is_planned, note=note)
