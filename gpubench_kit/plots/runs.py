"""Every run as a dot: by game, and in the order of the runs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes

from gpubench_kit.palette import colours
from gpubench_kit.plots.theme import axes_of, in_order, known, label_of, needed, of_metric, plain, tuning_colours
from gpubench_kit.wording.terms import metric_of, scene_names, sentence


def runs(
    table: pd.DataFrame, ax: Axes | None = None, *, metric: str = "avg_fps", tunings: Sequence[str] = ()
) -> Axes:
    """Draw every run as a dot, by game, in the colour of its tuning.

    Parameters
    ----------
    table : DataFrame, one row per (run, metric); see ``tables.USABLE``
    ax : axes to draw on; default a new figure
    metric : name of the metric
    tunings : order of the tunings, and so their colours; default as they come

    Returns
    -------
    Axes : x in the metric's unit, a row for each game

    Raises
    ------
    TableError : the table lacks a column, or has no row of the metric
    """
    columns = ("metric", "game", "setting", "tuning", "value")
    rows = of_metric(needed(table, columns, of="runs"), metric, of="runs")
    names = scene_names(rows)
    scenes = [plain(names[key]) for key in zip(rows["game"], rows["setting"], strict=True)]
    data = rows.assign(value=known(rows["value"]), scene=scenes, tuning=rows["tuning"].map(plain))
    tunings, games = in_order(data["tuning"], list(map(plain, tunings))), list(dict.fromkeys(data["scene"]))
    # Tunings of a game stand below each other, so that dots of equal value do not cover each other.
    step = 0.7 / max(len(tunings), 1)
    places = [
        games.index(scene) + step * (tunings.index(tuning) - (len(tunings) - 1) / 2)
        for scene, tuning in zip(data["scene"], data["tuning"], strict=True)
    ]
    ax = axes_of(ax, rows=len(games) * max(1, len(tunings) // 2))
    look = {"hue": "tuning", "hue_order": tunings, "palette": tuning_colours(tunings), "alpha": 0.75}
    sns.scatterplot(data.assign(place=places), x="value", y="place", ax=ax, **look)
    ax.set_yticks(range(len(games)), labels=games)
    ax.set_ylim(len(games) - 0.5, -0.5)
    ax.set(xlabel=label_of(metric), ylabel="")
    if ax.get_legend() is not None:
        sns.move_legend(ax, "upper left", bbox_to_anchor=(1, 1), title="")
    return ax


def order(
    table: pd.DataFrame, ax: Axes | None = None, *, metric: str = "avg_fps", tunings: Sequence[str] = ()
) -> Axes:
    """Draw each run's deviation from the mean of its game and tuning, in the order of the runs.

    Parameters
    ----------
    table, ax, metric, tunings : as in `runs`; runs without an order are left out

    Returns
    -------
    Axes : x the run number, y the deviation, in percent on the ratio scale, else in the metric's unit

    Raises
    ------
    TableError : the table lacks a column, or has no row of the metric
    """
    columns = ("metric", "game", "setting", "tuning", "value", "order")
    rows = of_metric(needed(table, columns, of="order"), metric, of="order")
    data = rows.assign(value=known(rows["value"]), order=known(rows["order"])).dropna(subset=["value", "order"])
    facts = metric_of(metric)
    cells = [data[name] for name in ("card", "bench", "tuning", "game", "setting") if name in data]
    if facts.scale == "ratio":
        data = data[data["value"] > 0]
        logs = np.log(data["value"])
        cells = [one.loc[data.index] for one in cells]
        deviation, unit = 100 * np.expm1(logs - logs.groupby(cells).transform("mean")), "%"
    else:
        deviation, unit = data["value"] - data["value"].groupby(cells).transform("mean"), facts.unit
    data = data.assign(deviation=deviation, tuning=data["tuning"].map(plain))
    tunings = in_order(data["tuning"], list(map(plain, tunings)))
    ax = axes_of(ax)
    sns.scatterplot(
        data,
        x="order",
        y="deviation",
        hue="tuning",
        hue_order=tunings,
        palette=tuning_colours(tunings),
        s=28,
        ax=ax,
    )
    ax.axhline(0, color=colours("light")["a"], linewidth=1)
    ax.set_title(sentence(facts.label))
    ax.set(xlabel="Run number", ylabel=f"Deviation from its own mean [{unit}]")
    if ax.get_legend() is not None:
        sns.move_legend(ax, "best", title="")
    return ax
