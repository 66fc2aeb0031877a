"""Noise, order of runs, and the same of a whole archive: changes over drivers and time, levels of cards."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from gpubench_kit.page.charts.lanes import Cell, Column, Lane, Lanes
from gpubench_kit.page.charts.marks import is_known, value_text
from gpubench_kit.page.charts.over_games import sign_of
from gpubench_kit.page.charts.plot import Axis, Mark, Plot, Series
from gpubench_kit.page.charts.states import State
from gpubench_kit.statistics.design import estimate_drift
from gpubench_kit.wording.numbers import change_text, count_text, number_text, p_text
from gpubench_kit.wording.terms import margin_band, metric_of, scene_names, scene_text, sentence

_FEWEST = 3
_CELL = ["card", "bench", "tuning", "game", "setting"]


def noise_of_games(noise: pd.DataFrame, *, metric: str, margin: float | None, width: float = 360.0) -> Lanes | None:
    """Return the noise of each game between runs of one tuning, and the difference that its runs would show.

    Parameters
    ----------
    noise : rows of ``noise`` of one group of settings
    metric : name of the metric, on the ratio scale
    margin : of the metric [%]; None for none
    width : whole width

    Returns
    -------
    Lanes, noisiest first: a dot for each tuning, a mark at the smallest difference found with 80 % chance; None
    where no noise is known
    """
    data = noise[(noise["metric"] == metric) & noise["cv_pct"].notna()]
    if not len(data):
        return None
    scenes, several = scene_names(data), [data[name].nunique() > 1 for name in ("card", "bench")]
    keys = data[["card", "bench", "game", "setting"]].drop_duplicates().itertuples(index=False, name=None)
    names = {
        key: ", ".join(one for one in (scenes[key[2:]], key[0] * several[0], key[1] * several[1]) if one)
        for key in keys
    }
    parts = [(names[key], part) for key, part in data.groupby(["card", "bench", "game", "setting"], sort=False)]
    lanes = []
    for name, part in sorted(parts, key=lambda one: (-one[1]["cv_pct"].max(), one[0])):
        dots = tuple(zip(part["tuning"].astype(str), part["cv_pct"].astype(float), strict=True))
        most = part["detectable_pct"].max()
        found = float(most) if pd.notna(most) and is_known(float(most)) else None
        told = f"detects {value_text(found, '%', decimals=1)}" if found is not None else "one run"
        lanes.append(Lane(name, None, (Cell(dots, text=told, notch=found),)))
    heading = "Noise of each tuning; bar: difference detected, %"
    column = Column(heading, "%", decimals=1, margin=(0.0, margin) if is_known(margin) else None, low=0.0)
    return Lanes(f"Noise of the {metric_of(metric).label} by game", (column,), tuple(lanes), width)


def order_of_runs(
    usable: pd.DataFrame, *, metric: str, states: Sequence[State], width: float = 360.0
) -> Plot | None:
    """Return each run's deviation from the mean of its game and tuning, by run number.

    Parameters
    ----------
    usable : DataFrame, one row per (run, metric); see ``tables.USABLE``
    metric : name of the metric
    states : of one card on one bench
    width : whole width

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
    rows = [one.rows(usable).assign(_state=number) for number, one in enumerate(states)]
    data = pd.concat(rows) if rows else usable.iloc[:0].assign(_state=0)
    data = data[(data["metric"] == metric) & data["order"].notna() & data["value"].notna()]
    data = _with_deviation(data.sort_values("order", kind="stable"), is_ratio=is_ratio)
    if len(data) < _FEWEST:
        return None
    unit = "%" if is_ratio else facts.unit
    series = [_cloud(one, data[data["_state"] == number], unit=unit) for number, one in enumerate(states)]
    slope, told = _drift(data, is_ratio=is_ratio, unit=unit)
    if slope is not None:
        middle = float(data["order"].mean())
        ends = (float(data["order"].min()), float(data["order"].max()))
        line = tuple((one, slope * (one - middle)) for one in ends)
        series.append(Series("drift", None, line, "thin", note=told))
    known = bool(data["order_known"].fillna(True).all()) if "order_known" in data else True
    marks = (Mark("", y=0.0), *(Mark("restart", x=one) for one in _restarts(data)))
    order = "as done" if known else "as planned"
    title = f"Order of the runs: {facts.label}, {count_text(len(data), 'run')}, {order}. {told}"
    y = Axis("Deviation from its own mean", unit, decimals=1)
    shown = tuple(one for one in series if one.points)
    return Plot(title, Axis("run number", decimals=0), y, shown, marks, width, 230.0)


def _cloud(state: State, rows: pd.DataFrame, *, unit: str) -> Series:
    """Return the runs of one state as dots."""
    points = tuple(zip(rows["order"].astype(float), rows["deviation"].astype(float), strict=True))
    labels = tuple(
        f"{row.run}: {scene_text(row.game, row.setting)}, {change_text(row.deviation, unit)}"
        for row in rows.itertuples()
    )
    return Series(state.name, state.place, points, "dots", labels=labels)


def _with_deviation(data: pd.DataFrame, *, is_ratio: bool) -> pd.DataFrame:
    """Return the runs that others share game and tuning with, with the column ``deviation`` (% or unit)."""
    if is_ratio:
        data = data[data["value"] > 0]
    data = data[data.groupby(_CELL)["value"].transform("count") > 1]
    if is_ratio:
        logs = np.log(data["value"].astype(float))
        means = logs.groupby([data[name] for name in _CELL]).transform("mean")
        return data.assign(deviation=100 * np.expm1(logs - means))
    return data.assign(deviation=data["value"] - data.groupby(_CELL)["value"].transform("mean"))


def _drift(data: pd.DataFrame, *, is_ratio: bool, unit: str) -> tuple[float | None, str]:
    """Return the slope per run (% or unit; None where it cannot be known) and a sentence on it."""
    values = np.log(data["value"].to_numpy(float)) if is_ratio else data["value"].to_numpy(float)
    cells = data.groupby(_CELL, sort=False).ngroup().to_numpy()
    found = estimate_drift(values, data["order"].to_numpy(float), cell=cells, family=np.zeros(len(data), dtype=int))
    slope = float(found.slope[0]) * (100 if is_ratio else 1)
    if not np.isfinite(slope):
        return None, "Drift is not known."
    return slope, f"Drift {change_text(10 * slope, unit)} in ten runs ({p_text(float(found.p[0]))})"


def _restarts(data: pd.DataFrame) -> list[float]:
    """Return the run numbers, half a run early, at which a new session begins."""
    if "session" not in data:
        return []
    is_new = data["session"].ne(data["session"].shift()) & (np.arange(len(data)) > 0)
    return [float(order) - 0.5 for order in data.loc[is_new, "order"]]


#: Rows of one chart; the tables beside the page hold all.
MOST_ROWS = 24
_WIDTH = 360.0


def archive_noise_lanes(noise: pd.DataFrame, *, metric: str) -> Lanes | None:
    """Return the run-to-run noise of each game with its interval, noisiest first.

    Parameters
    ----------
    noise : DataFrame; see ``archive.tables.RUN_NOISE``
    metric : name of the metric

    Returns
    -------
    Lanes; None where the noise of no game is known
    """
    data = noise[(noise["scope"] == "all") & (noise["metric"] == metric)].sort_values("noise", ascending=False)
    data = data.head(MOST_ROWS)
    if not len(data):
        return None
    names, unit = scene_names(data), data["unit"].iloc[0]
    lanes = tuple(Lane(names[row.game, row.setting], None, (_noise_cell(row, unit),)) for row in data.itertuples())
    # An interval from few runs may be far wider than all else.
    most = float(data["noise"].max())
    heading = f"{sentence(metric_of(metric).label)}: noise from run to run, all reviews, {unit}"
    column = Column(heading, unit, decimals=2, low=0.0, high=3.2 * most or None)
    return Lanes(heading, (column,), lanes, _WIDTH)


def change_lanes(rows: pd.DataFrame, *, metric: str, title: str) -> Lanes | None:
    """Return changes with their intervals against zero and the margin, one row each.

    Parameters
    ----------
    rows : DataFrame with ``label`` and the columns of changes in ``archive.tables``, in the order drawn
    metric : name of the metric
    title : what is compared

    Returns
    -------
    Lanes; None where there is no change of this metric
    """
    data = rows[(rows["metric"] == metric) & rows["change"].notna()].tail(MOST_ROWS)
    if not len(data):
        return None
    facts, unit, margin = metric_of(metric), data["unit"].iloc[0], float(data["margin"].iloc[-1])
    lanes = tuple(Lane(row.label, None, (_change_cell(row, unit),)) for row in data.itertuples())
    heading = f"{title}: change of {facts.label}, {unit}"
    return Lanes(
        heading, (Column(heading, unit, margin=margin_band(margin, facts.scale), signed=True),), lanes, _WIDTH
    )


def card_lanes(cards: pd.DataFrame, *, metric: str) -> Lanes | None:
    """Return the level of each card in its reference tuning, in the order of time.

    Parameters
    ----------
    cards : DataFrame with ``label`` and the columns of ``archive.tables.CARDS``
    metric : name of the metric

    Returns
    -------
    Lanes; None where fewer than two levels are linked by games
    """
    known = cards[cards["metric"] == metric]
    if not len(known):
        return None
    data = known[known["linked"] == known["linked"].mode().iloc[0]].tail(MOST_ROWS)
    if len(data) < 2:
        return None
    lanes = tuple(
        Lane(row.label, None, (Cell(centre=float(row.level), text=number_text(row.level)),))
        for row in data.itertuples()
    )
    heading = f"{sentence(metric_of(metric).label)}: level of each card, mean of the linked cards = 100"
    return Lanes(heading, (Column(heading, "", decimals=1),), lanes, _WIDTH)


def _noise_cell(row, unit: str) -> Cell:
    """Return the noise of one game."""
    low, high = (float(one) if pd.notna(one) else None for one in (row.ci_low, row.ci_high))
    text = f"{number_text(row.noise, decimals=2)} {unit}"
    return Cell(centre=float(row.noise), low=low if is_known(low) else None, high=high, text=text)


def _change_cell(row, unit: str) -> Cell:
    """Return one change with its verdict."""
    low, high = (float(one) if pd.notna(one) else None for one in (row.ci_low, row.ci_high))
    change = float(row.change)
    text = f"{sign_of(row.verdict, change)} {change_text(change, unit)}"
    return Cell(centre=change, low=low, high=high, verdict=row.verdict, text=text)
