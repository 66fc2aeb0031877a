"""Results: changes with their intervals, watts against frame rate, noise, sweeps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from gpubench_kit.palette import colours
from gpubench_kit.plots.theme import (
    axes_of,
    in_order,
    known,
    label_of,
    needed,
    of_metric,
    plain,
    tuning_colours,
    verdict_colour,
)
from gpubench_kit.wording.terms import metric_of, scene_names, sentence


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
    columns = ("metric", "of_tuning", "change", "ci_low", "ci_high", "margin", "verdict")
    rows = of_metric(needed(table, columns, of="intervals"), metric, of="intervals")
    data = rows.assign(**{name: known(rows[name]) for name in ("change", "ci_low", "ci_high", "margin")})
    data = data[data["change"].notna()].sort_values("change", ascending=False, kind="stable")
    ax = axes_of(ax, rows=len(data))
    margins = data["margin"].dropna().unique()
    if len(margins) == 1:
        ax.axvspan(-margins[0], margins[0], color=colours("light")["band"], zorder=0)
    ax.axvline(0, color=colours("light")["a"], linewidth=1)
    for place, row in enumerate(data.itertuples()):
        colour = verdict_colour(row.verdict)
        ax.plot([row.ci_low, row.ci_high], [place, place], color=colour, linewidth=2)
        ax.plot([row.change], [place], marker="o", color=colour, linestyle="none")
    names = scene_names(data) if "game" in data else {}
    parts = []
    for row in data.to_dict("records"):
        scene = names[row["game"], row["setting"]] if names else row.get("group", "")
        told = [scene if scene != "all" else "", row["of_tuning"] if data["of_tuning"].nunique() > 1 else ""]
        parts.append(plain(", ".join(one for one in told if one) or row["of_tuning"]))
    ax.set_yticks(range(len(data)), labels=parts)
    facts = metric_of(metric)
    ax.set(xlabel=f"Change of {facts.label} [{'%' if facts.scale == 'ratio' else facts.unit}]", ylabel="")
    return ax


def watts_against_fps(
    table: pd.DataFrame,
    ax: Axes | None = None,
    *,
    group: str = "",
    game: str = "",
    tunings: Sequence[str] = (),
) -> Axes:
    """Draw frame rate against board power, an arrow from the first tuning to each other.

    Parameters
    ----------
    table : DataFrame, see `gpubench_kit.statistics.levels.LEVELS`
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
    needed(table, ("metric", "tuning", "game", "group", "value"), of="watts_against_fps")
    rows = table[table["game"] == game]
    rows = rows[rows["group"] == (group or (rows["group"].iloc[0] if len(rows) else ""))]
    values = rows.pivot_table(index="tuning", columns="metric", values="value", sort=False)
    both = of_metric(rows, "avg_fps", of="watts_against_fps"), of_metric(rows, "board_w", of="watts_against_fps")
    tunings = [one for one in in_order(both[0]["tuning"], tunings) if one in set(both[1]["tuning"])]
    ax, paints = axes_of(ax), tuning_colours(tunings)
    places = {one: (values.loc[one, "board_w"], values.loc[one, "avg_fps"]) for one in tunings}
    for name, place in places.items():
        if name != tunings[0]:
            style = {"arrowstyle": "-|>", "color": paints[name], "shrinkA": 6, "shrinkB": 5}
            ax.annotate("", xy=place, xytext=places[tunings[0]], arrowprops=style)
        ax.plot(*place, marker="o", color=paints[name], linestyle="none", label=plain(name))
        ax.annotate(plain(name), place, xytext=(6, 6), textcoords="offset points")
    if tunings and places[tunings[0]][0] > 0:
        ax.axline((0, 0), slope=places[tunings[0]][1] / places[tunings[0]][0], color=colours("light")["a"],
                  linestyle="--", linewidth=1)  # fmt: skip
    xs, ys = zip(*places.values(), strict=True) if places else ((0.0, 1.0), (0.0, 1.0))
    ax.set_xlim(*_padded(xs))
    ax.set_ylim(*_padded(ys))
    ax.set(xlabel="Board power [W]", ylabel="Frames per second")
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
    if "noise" in table and "cv_pct" not in table:
        table = table.assign(tuning="", cv_pct=table["noise"], detectable_pct=np.nan)
    columns = ("metric", "game", "setting", "tuning", "cv_pct", "detectable_pct")
    rows = of_metric(needed(table, columns, of="noise"), metric, of="noise")
    names = scene_names(rows)
    data = rows.assign(
        scene=[plain(names[key]) for key in zip(rows["game"], rows["setting"], strict=True)],
        cv_pct=known(rows["cv_pct"]), detectable_pct=known(rows["detectable_pct"]),
    )  # fmt: skip
    ranked = data.groupby("scene", sort=False)["cv_pct"].max().sort_values(kind="stable")
    ax, paints = axes_of(ax, rows=len(ranked)), tuning_colours(in_order(data["tuning"], tunings))
    for place, scene in enumerate(ranked.index):
        own = data[data["scene"] == scene]
        ax.scatter(own["cv_pct"], np.full(len(own), place), color=[paints[one] for one in own["tuning"]], s=24)
        ax.plot([own["detectable_pct"].max()], [place], marker="|", markersize=12, color=colours("light")["i"])
    ax.set_yticks(range(len(ranked)), labels=list(ranked.index))
    ax.set_xlim(left=0)
    stroke = "; stroke: smallest difference detected" if data["detectable_pct"].notna().any() else ""
    ax.set(xlabel=f"{sentence(metric_of(metric).label)}: noise{stroke} [%]", ylabel="")
    return ax


def sweep(table: pd.DataFrame, ax: Axes | None = None, *, metric: str = "fps") -> Axes:
    """Draw a sweep: the change at each setting of the ladder with its interval.

    Parameters
    ----------
    table : DataFrame, see ``sweep.tables.SWEEP``
    ax : axes to draw on; default a new figure
    metric : ``fps``, ``power`` or ``energy``

    Returns
    -------
    Axes : x the offset from the factory state, y the change in percent

    Raises
    ------
    TableError : the table lacks a column
    """
    columns = ("line", "at", "is_factory", *(f"{metric}_{part}" for part in ("change", "ci_low", "ci_high")))
    needed(table, columns, of="sweep")
    ax = axes_of(ax)
    own = table[~table["is_factory"].fillna(False).astype(bool)]
    lines = list(dict.fromkeys(own["line"]))
    paints = tuning_colours(["factory", *lines])
    for line in lines:
        rows = own[own["line"] == line].sort_values("at")
        change, low, high = (known(rows[f"{metric}_{part}"]).to_numpy() for part in ("change", "ci_low", "ci_high"))
        error = np.vstack([change - low, high - change])
        ax.errorbar(rows["at"].astype(float), change, yerr=np.nan_to_num(np.clip(error, 0, None)), marker="o",
                    color=paints[line], label=plain(line or "no other change"), capsize=0)  # fmt: skip
    ax.axhline(0, color=colours("light")["a"], linewidth=1)
    words = {"fps": label_of("avg_fps"), "power": label_of("board_w"), "energy": label_of("energy_per_frame_j")}
    ax.set(xlabel="Offset from the factory state", ylabel=f"{words[metric].partition(' [')[0]}: change [%]")
    if len(lines) > 1:
        ax.legend()
    return ax


def _padded(values) -> tuple[float, float]:
    """Return ends with room for names."""
    low, high = min(values), max(values)
    room = 0.25 * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room
