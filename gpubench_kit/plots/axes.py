"""Plots, one table each: runs by game, in their order, their frames over time and by percentile; then results.

Results are changes with their intervals, watts against frame rate, noise and sweeps.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes

from gpubench_kit.model.errors import TableError
from gpubench_kit.palette import colours
from gpubench_kit.plots.theme import (
    axes_of,
    check_is_table,
    check_named,
    checked,
    in_order,
    is_counted,
    label_of,
    plain,
    tuning_colours,
    verdict_colour,
)
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.terms import capital, metric_of, unit_of_change

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


def intervals(table: pd.DataFrame, ax: Axes | None = None, *, metric: str = "avg_fps") -> Axes:
    """Draw changes with their intervals and the band of the margin, a row each, the lowest on top.

    Parameters
    ----------
    table : DataFrame, rows of ``comparisons`` (by game) or of ``overall``
    ax : axes to draw on; default a new figure
    metric : name of the metric

    Returns
    -------
    Axes : x the change, in percent on the ratio scale, else in the metric's unit

    Raises
    ------
    TableError : the table lacks a column, or has no row of the metric
    """
    ends = ["change", "ci_low", "ci_high", "margin"]
    data = checked(table, ("metric", "of_tuning", *ends, "verdict"), of="intervals", metric=metric, numbers=ends,
                   needs=["change"])  # fmt: skip
    data = data[data["change"].notna()].sort_values("change", ascending=False, kind="stable")
    ax, facts, names = axes_of(ax, rows=len(data)), metric_of(metric), []
    margins = data["margin"].dropna().unique()
    if len(margins) == 1:
        ax.axvspan(-margins[0], margins[0], color=colours("light")["band"], zorder=0)
    ax.axvline(0, color=colours("light")["a"], linewidth=1)
    for place, (row, pair) in enumerate(zip(data.itertuples(), _pairs(data), strict=True)):
        colour = verdict_colour(row.verdict)
        ax.plot([row.ci_low, row.ci_high], [place, place], color=colour, linewidth=2)
        ax.plot([row.change], [place], marker="o", color=colour, linestyle="none")
        scene = row.scene if "scene" in data else getattr(row, "group", "").removeprefix("all")
        names.append(", ".join(filter(None, (scene, pair))) or plain(row.of_tuning))
    ax.set_yticks(range(len(data)), labels=names)
    ax.set(xlabel=say("plots.change", label=facts.label, unit=unit_of_change(facts)), ylabel="")
    return ax


def _pairs(data: pd.DataFrame) -> list[str]:
    """Return what tells the pair of each row from the others: both sides where what is compared with differs."""
    found = []
    for side in ("of", "against"):
        columns = [f"{side}_{one}" for one in ("card", "tuning", "bench") if f"{side}_{one}" in data]
        parts = [data[one].fillna("").map(plain) for one in columns if data[one].nunique() > 1]
        found.append([", ".join(filter(None, one)) for one in zip(*parts, strict=True)] or [""] * len(data))
    if not any(found[1]):
        return found[0]
    of = [one or plain(tuning) for one, tuning in zip(found[0], data["of_tuning"], strict=True)]
    return [say("answer.pair", of=one, against=other) for one, other in zip(of, found[1], strict=True)]


def watts_against_fps(
    table: pd.DataFrame, ax: Axes | None = None, *, group: str = "", game: str = "", tunings: Sequence[str] = ()
) -> Axes:
    """Draw frame rate against board power, an arrow from the first tuning to each other.

    Parameters
    ----------
    table : DataFrame, see `gpubench_kit.statistics.compare.LEVELS`
    ax : axes to draw on; default a new figure
    group : group of settings; default the first of the table
    game : name of a game; default the means over all games
    tunings : order of the tunings, the reference first; default as they come

    Returns
    -------
    Axes : x in watts, y in frames per second

    Raises
    ------
    TableError : the table lacks a column, or has no frame rate or no power
    """
    rows = checked(table, ("metric", "tuning", "game", "group", "value"), of="watts_against_fps")
    check_named([game] if game else [], rows["game"], of="watts_against_fps", kind="game")
    rows = rows[rows["game"] == game]
    check_named([group] if group else [], rows["group"], of="watts_against_fps", kind="group")
    check_named(tunings, rows["tuning"], of="watts_against_fps", kind="tuning")
    rows = rows[rows["group"] == (group or (rows["group"].iloc[0] if len(rows) else ""))]
    for metric in ("avg_fps", "board_w"):
        checked(rows, (), of="watts_against_fps", metric=metric)
    values = rows.pivot_table(index="tuning", columns="metric", values="value", sort=False)
    both = values[["board_w", "avg_fps"]].dropna()
    if not len(both):
        raise TableError("plots.watts_against_fps: no tuning has both a frame rate and a board power.")
    both = both.loc[in_order(both.index, tunings)]
    ax, paints, line = axes_of(ax), tuning_colours(list(both.index)), colours("light")["a"]
    first = tuple(both.iloc[0]) if len(both) else (0.0, 0.0)
    for name, *place in both.itertuples():
        if name != both.index[0]:
            style = {"arrowstyle": "-|>", "color": paints[name], "shrinkA": 6, "shrinkB": 5}
            ax.annotate("", xy=tuple(place), xytext=first, arrowprops=style)
        ax.plot(*place, marker="o", color=paints[name], linestyle="none", label=plain(name))
        ax.annotate(plain(name), tuple(place), xytext=(6, 6), textcoords="offset points")
    if first[0] > 0:
        ax.axline((0, 0), slope=first[1] / first[0], color=line, linestyle="--", linewidth=1)
    for set_ends, of in ((ax.set_xlim, both["board_w"]), (ax.set_ylim, both["avg_fps"])):
        low, high = (of.min(), of.max()) if len(of) else (0.0, 1.0)
        room = 0.25 * (high - low) or 0.05 * abs(high) or 1.0
        set_ends(low - room, high + room)
    ax.set(xlabel=say("plots.power"), ylabel=say("plots.rate"))
    return ax


def noise(
    table: pd.DataFrame, ax: Axes | None = None, *, metric: str = "avg_fps", tunings: Sequence[str] = ()
) -> Axes:
    """Draw the noise of each game between runs of one tuning, and what its runs would detect, the noisiest on top.

    Parameters
    ----------
    table : DataFrame, one row per (card, bench, tuning, game, setting, metric); see ``tables.NOISE``. The noise of
        a planned session or of an archive will do, too: it knows no tunings, and nothing of what would be detected
    ax : axes to draw on; default a new figure
    metric : name of the metric, on the ratio scale
    tunings : order of the tunings, and so their colours; default as they come

    Returns
    -------
    Axes : x in percent; dots are tunings, a stroke is the smallest difference found with 80 % chance

    Raises
    ------
    TableError : the table lacks a column, or has no row of the metric
    """
    check_is_table(table, of="noise")
    if "noise" in table and "cv_pct" not in table:
        table = table.assign(tuning="", cv_pct=table["noise"], detectable_pct=np.nan)
    numbers = ["cv_pct", "detectable_pct"]
    columns = ("metric", "game", "setting", "tuning", *numbers)
    data = checked(table, columns, of="noise", metric=metric, numbers=numbers, needs=["cv_pct"])
    check_named(tunings, table["tuning"], of="noise", kind="tuning")
    ranked = data.groupby("scene", sort=False)["cv_pct"].max().sort_values(kind="stable")
    ax, paints = axes_of(ax, rows=len(ranked)), tuning_colours(in_order(data["tuning"], tunings))
    for place, scene in enumerate(ranked.index):
        own = data[data["scene"] == scene]
        ax.scatter(own["cv_pct"], np.full(len(own), place), color=[paints[one] for one in own["tuning"]], s=24)
        ax.plot([own["detectable_pct"].max()], [place], marker="|", markersize=12, color=colours("light")["i"])
    ax.set_yticks(range(len(ranked)), labels=list(ranked.index))
    ax.set_xlim(left=0)
    shown = "noise_and_detected" if data["detectable_pct"].notna().any() else "noise"
    ax.set(xlabel=say(f"plots.{shown}", label=capital(metric_of(metric).label)), ylabel="")
    return ax


def sweep(table: pd.DataFrame, ax: Axes | None = None, *, metric: str = "fps") -> Axes:
    """Draw a sweep: the change at each setting of the ladder with its interval.

    Parameters
    ----------
    table : DataFrame, see ``sweep.answers.SWEEP``
    ax : axes to draw on; default a new figure
    metric : ``fps``, ``power`` or ``energy``

    Returns
    -------
    Axes : x the offset from the factory state, y the change in percent

    Raises
    ------
    TableError : the table lacks a column
    """
    names = {"fps": "avg_fps", "power": "board_w", "energy": "energy_per_frame_j"}
    check_named([metric], names, of="sweep", kind="metric")
    ends = [f"{metric}_{part}" for part in ("change", "ci_low", "ci_high")]
    columns = ("line", "at", "is_factory", *ends)
    data, ax = checked(table, columns, of="sweep", numbers=ends, needs=ends[:1]), axes_of(ax)
    own = data[~data["is_factory"].fillna(False).astype(bool)]
    lines = list(dict.fromkeys(own["line"]))
    paints = tuning_colours(["factory", *lines])
    for line in lines:
        rows = own[own["line"] == line].sort_values("at")
        change, low, high = (rows[name].to_numpy() for name in ends)
        error = np.nan_to_num(np.clip(np.vstack([change - low, high - change]), 0, None))
        label = plain(line or say("sweep.equal.no_other"))
        at = rows["at"].astype(float)
        ax.errorbar(at, change, yerr=error, marker="o", color=paints[line], label=label, capsize=0)
    ax.axhline(0, color=colours("light")["a"], linewidth=1)
    label = capital(metric_of(names[metric]).label)
    ax.set(xlabel=say("plots.offset"), ylabel=say("plots.change_pct", label=label))
    if len(lines) > 1:
        ax.legend()
    return ax
