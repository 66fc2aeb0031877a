"""The evening in the order in which it was run: does anything drift?"""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.order_sheet import Evening, draw_evening
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.file_names import slug
from gpubench_kit.statistics.drift import estimate_drift
from gpubench_kit.wording.numbers import change_text, count_text, p_text
from gpubench_kit.wording.terms import metric_of, sentence

_FEWEST = 3
_CELL = ["tuning", "game", "setting"]


def draw_run_order(usable: pd.DataFrame, plan, *, metric: str, card: str = "",
                   bench: str = "") -> DescribedFigure | None:  # fmt: skip
    """Draw each run's deviation from the mean of its game and tuning, in the order of the runs.

    Parameters
    ----------
    usable : DataFrame, one row per (run, metric); see ``tables.USABLE``
    plan : ReviewPlan, gives order, names and style
    metric : name of the metric
    card, bench : which card on which bench; the first of the table where not given

    Returns
    -------
    DescribedFigure; None unless three runs have an order, and fellows to deviate from

    Notes
    -----
    Deviations are from the geometric mean, in percent, on the ratio scale, else from the mean in the
    unit. The slope is that of `gpubench_kit.statistics.drift`.
    """
    facts = metric_of(metric)
    is_ratio, unit = facts.scale == "ratio", "%" if facts.scale == "ratio" else facts.unit
    data = _with_deviation(_ordered(usable, metric=metric, card=card, bench=bench), is_ratio=is_ratio)
    if len(data) < _FEWEST:
        return None
    slope, drift = _drift(data, is_ratio=is_ratio, unit=unit)
    tunings = [one.name for one in plan.tunings]
    runs = tuple((float(row.order), float(row.deviation), _rank(tunings, row.tuning)) for row in data.itertuples())
    key = tuple((name, place) for place, name in enumerate(tunings) if (data["tuning"] == name).any())
    borders = _session_borders(data)
    known = "as done" if _is_known(data) else "as planned, not verified"
    heading = Heading(
        f"Order of the runs: {facts.label}",
        f"{count_text(len(data), 'run')}, order {known}. {drift}",
        "Each run against the mean of its own game and tuning." + (" Upright lines: restarts." if borders else ""),
    )
    evening = Evening(runs, borders, slope, f"deviation from its own mean [{unit}]")
    return DescribedFigure(
        name=slug("run-order", metric, card, bench),
        data=data.reset_index(drop=True),
        caption=f"How far each run lies from the mean of its game and tuning, in the order of the runs. {drift}",
        alternative_text=_alternative(data, facts.label, unit=unit, drift=drift),
        drawing=partial(draw_evening, heading=heading, evening=evening, key=key),
        style=plan.style,
    )


def _ordered(usable: pd.DataFrame, *, metric: str, card: str, bench: str) -> pd.DataFrame:
    """Return the runs of one card and bench that have the metric and an order, in that order."""
    data = usable[(usable["metric"] == metric) & usable["order"].notna() & usable["value"].notna()]
    for name, wanted in (("card", card), ("bench", bench)):
        if name in data and len(data):
            data = data[data[name] == (wanted or data[name].iloc[0])]
    return data.sort_values("order", kind="stable")


def _with_deviation(data: pd.DataFrame, *, is_ratio: bool) -> pd.DataFrame:
    """Return the runs that have fellows, with the column ``deviation`` (% or unit)."""
    data = data[data.groupby(_CELL)["value"].transform("count") > 1]
    if is_ratio:
        data = data[data["value"] > 0]
        logs = np.log(data["value"])
        means = logs.groupby([data[name] for name in _CELL]).transform("mean")
        return data.assign(deviation=100 * np.expm1(logs - means))
    return data.assign(deviation=data["value"] - data.groupby(_CELL)["value"].transform("mean"))


def _drift(data: pd.DataFrame, *, is_ratio: bool, unit: str) -> tuple[float | None, str]:
    """Return the slope per run (% or unit; None where it cannot be told) and a sentence on it."""
    values = np.log(data["value"].to_numpy(float)) if is_ratio else data["value"].to_numpy(float)
    cells = data.groupby(_CELL, sort=False).ngroup().to_numpy()
    found = estimate_drift(values, data["order"].to_numpy(float), cell=cells, family=np.zeros(len(data), dtype=int))
    slope = float(found.slope[0]) * (100 if is_ratio else 1)
    if not np.isfinite(slope):
        return None, "Drift cannot be told."
    return slope, f"Drift {change_text(10 * slope, unit)} in ten runs ({p_text(float(found.p[0]))})."


def _is_known(data: pd.DataFrame) -> bool:
    """Return whether every order comes from clocks."""
    return "order_known" not in data or bool(data["order_known"].fillna(True).all())


def _session_borders(data: pd.DataFrame) -> tuple[float, ...]:
    """Return the orders, half a run early, at which a new session begins."""
    if "session" not in data:
        return ()
    is_new = data["session"].ne(data["session"].shift()) & (np.arange(len(data)) > 0)
    return tuple(float(order) - 0.5 for order in data.loc[is_new, "order"])


def _rank(names: list[str], name: str) -> int:
    """Return the series of a tuning."""
    return names.index(name) if name in names else len(names)


def _alternative(data: pd.DataFrame, label: str, *, unit: str, drift: str) -> str:
    """Return what the chart shows: the drift, and the run farthest from its mean."""
    farthest = data.loc[data["deviation"].abs().idxmax()]
    place = f"run {farthest['run']} ({farthest['game']}, {farthest['tuning']})"
    found = f"Farthest from its mean: {place}, {change_text(farthest['deviation'], unit)}."
    return f"{sentence(label)} over {count_text(len(data), 'run')} in order. {drift} {found}"
