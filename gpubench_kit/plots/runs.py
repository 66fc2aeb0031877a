"""Runs: each as a dot, by game and in their order; their frames over time, and by percentile."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes

from gpubench_kit.palette import colours
from gpubench_kit.plots.theme import (
    axes_of,
    check_named,
    checked,
    in_order,
    is_counted,
    label_of,
    plain,
    tuning_colours,
)
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.terms import capital, metric_of

#: Shares of the frames that a percentile curve goes through [%].
_SHARES = np.concatenate([np.arange(50.0, 99.0, 1.0), np.arange(99.0, 99.91, 0.1)])


def runs(
    table: pd.DataFrame, ax: Axes | None = None, *, metric: str = "avg_fps", tunings: Sequence[str] = ()
) -> Axes:
    """Draw every run as a dot, by game, in the colour of its tuning; hollow where it enters no verdict.

    Parameters
    ----------
    table : DataFrame, one row per (run, metric); see ``tables.METRIC_VALUES`` or ``tables.USABLE``
    ax : axes to draw on; default a new figure
    metric : name of the metric
    tunings : order of the tunings, and so their colours; default as they come

    Returns
    -------
    Axes : x in the metric's unit, a row for each game

    Raises
    ------
    TableError : the table lacks a column, has no value of the metric, or none of the tunings
    """
    columns = ("metric", "game", "setting", "tuning", "value")
    data = checked(table, columns, of="runs", metric=metric, numbers=["value"], needs=["value"])
    check_named(tunings, table["tuning"], of="runs", kind="tuning")
    names, games = in_order(data["tuning"], tunings), list(dict.fromkeys(data["scene"]))
    # Tunings of a game stand below each other, so that dots of equal value do not cover each other.
    step = 0.7 / max(len(names), 1)
    places = [
        games.index(scene) + step * (names.index(tuning) - (len(names) - 1) / 2)
        for scene, tuning in zip(data["scene"], data["tuning"], strict=True)
    ]
    ax = axes_of(ax, rows=len(games) * max(1, len(names) // 2))
    _draw(ax, data.assign(place=places), names, metric=metric, at=("value", "place"), style={"alpha": 0.75})
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

    The mean is that of the runs that enter verdicts; the others are hollow.

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
    columns, numbers = ("metric", "game", "setting", "tuning", "value", "order"), ("value", "order")
    data = checked(table, columns, of="order", metric=metric, numbers=numbers, needs=numbers)
    check_named(tunings, table["tuning"], of="order", kind="tuning")
    facts = metric_of(metric)
    data = data.dropna(subset=["value", "order"])
    is_ratio = facts.scale == "ratio"
    data = data[data["value"] > 0] if is_ratio else data
    values = np.log(data["value"]) if is_ratio else data["value"]
    cells = [data[name] for name in ("card", "bench", "tuning", "game", "setting") if name in data]
    apart = values - values.where(is_counted(data, metric)).groupby(cells).transform("mean")
    data, ax = data.assign(deviation=100 * np.expm1(apart) if is_ratio else apart), axes_of(ax)
    _draw(ax, data, in_order(data["tuning"], tunings), metric=metric, at=("order", "deviation"), style={"s": 28})
    ax.axhline(0, color=colours("light")["a"], linewidth=1)
    ax.set_title(capital(facts.label))
    ax.set(xlabel=say("plots.run_number"), ylabel=say("plots.deviation", unit="%" if is_ratio else facts.unit))
    if ax.get_legend() is not None:
        sns.move_legend(ax, "best", title="")
    return ax


def _draw(
    ax: Axes, data: pd.DataFrame, names: Sequence[str], *, metric: str, at: tuple[str, str], style: dict[str, Any]
) -> None:
    """Draw runs as dots in the colours of their tunings; hollow and in the legend where they enter no verdict."""
    shown, counted, (x, y) = list(map(plain, names)), is_counted(data, metric), at
    paints, data = tuning_colours(shown), data.assign(tuning=data["tuning"].map(plain))
    sns.scatterplot(data[counted], x=x, y=y, hue="tuning", hue_order=shown, palette=paints, ax=ax, **style)
    others = data[~counted]
    if len(others):
        edges = [paints[one] for one in others["tuning"]]
        ax.scatter(others[x], others[y], s=28, facecolors="none", edgecolors=edges, label=say("plots.left_out"))
        ax.legend()


def frame_times(table: pd.DataFrame, ax: Axes | None = None, *, most: int = 2000) -> Axes:
    """Draw frame times over the run.

    Parameters
    ----------
    table : DataFrame, one row per frame, with ``time_s`` and ``frame_ms``, and ``run`` where there are several
    ax : axes to draw on; default a new figure
    most : points of a line; of more frames the longest in each of so many pieces is drawn

    Returns
    -------
    Axes : x in seconds from the start of the run, y in milliseconds

    Raises
    ------
    TableError : the table lacks a column
    """
    numbers = ("time_s", "frame_ms")
    data, ax = checked(table, numbers, of="frame_times", numbers=numbers, needs=numbers), axes_of(ax)
    for name, rows, colour in _by_run(data):
        starts = np.linspace(0, len(rows), min(most, len(rows)), endpoint=False).astype(int)
        if len(rows):
            longest = np.fmax.reduceat(rows["frame_ms"].to_numpy(), starts)
            ax.plot(rows["time_s"].to_numpy()[starts], longest, color=colour, linewidth=0.9, label=name)
    ax.set(xlabel=say("plots.time"), ylabel=say("plots.frame_time"))
    ax.set_ylim(bottom=0)
    return _with_legend(ax)


def percentiles(table: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw, for each share of the frames, the time that they do not exceed.

    Parameters
    ----------
    table, ax : as in `frame_times`

    Returns
    -------
    Axes : x in percent of the frames, stretched towards the slowest; y in milliseconds

    Raises
    ------
    TableError : the table lacks a column
    """
    numbers = ("frame_ms",)
    data, ax = checked(table, numbers, of="percentiles", numbers=numbers, needs=numbers), axes_of(ax)
    for name, rows, colour in _by_run(data.dropna(subset=["frame_ms"])):
        if len(rows):
            ax.plot(_SHARES, np.percentile(rows["frame_ms"], _SHARES), color=colour, label=name)
    ax.set_xscale("function", functions=(_stretched, _unstretched))
    ax.set_xlim(_SHARES[0], _SHARES[-1])
    ax.set_xticks([50, 90, 99, 99.9], labels=["50", "90", "99", "99.9"])
    ax.axvline(99, color=colours("light")["a"], linewidth=1, linestyle="--")
    ax.set(xlabel=say("plots.share"), ylabel=say("plots.no_slower"))
    return _with_legend(ax)


def _by_run(table: pd.DataFrame) -> list[tuple[str, pd.DataFrame, str]]:
    """Return name, frames and colour of each run."""
    of = table["run"].astype(str) if "run" in table else pd.Series("", index=table.index)
    return [(plain(name), table[of == name], paint) for name, paint in tuning_colours(list(of.unique())).items()]


def _stretched(share: np.ndarray) -> np.ndarray:
    """Return the place of a share of the frames: each further nine is one step."""
    return -np.log10(1 - np.clip(np.asarray(share, dtype=float), 0, 99.999) / 100)


def _unstretched(place: np.ndarray) -> np.ndarray:
    """Return the share of the frames at a place."""
    return 100 * (1 - 10 ** -np.asarray(place, dtype=float))


def _with_legend(ax: Axes) -> Axes:
    """Name the runs where there are several; return the axes."""
    if len(ax.get_legend_handles_labels()[1]) > 1:
        ax.legend()
    return ax
