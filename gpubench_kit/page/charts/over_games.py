"""Charts over games: watts against frame rate, and the change in each game with its interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from gpubench_kit.page.charts.games import AVERAGE
from gpubench_kit.page.charts.lanes import Cell, Column, Lane, Lanes
from gpubench_kit.page.charts.plot import Axis
from gpubench_kit.page.charts.scales import is_known
from gpubench_kit.page.charts.scatter import Scatter, ScatterPoint
from gpubench_kit.page.charts.states import State
from gpubench_kit.wording.numbers import change_text

POWER = "board_w"
_SIGNS = {
    "better": "▲▼", "worse": "▲▼", "higher": "▲▼", "lower": "▲▼",
    "same_within_margin": "==", "undecided": "??", "no_verdict": "––",
}  # fmt: skip


def watts_against_fps(
    levels: pd.DataFrame, *, group: str, states: Sequence[State]
) -> tuple[Scatter, Scatter] | None:
    """Return watts against frame rate over all games of a group, wide and for a narrow screen.

    Parameters
    ----------
    levels : DataFrame, see `gpubench_kit.statistics.levels.LEVELS`; both axes are its means over games, which are
        geometric, so that frames per watt are their ratio
    group : group of settings
    states : the reference first

    Returns
    -------
    pair of Scatter, 640 and 360 wide; None unless the reference and one more have both values
    """
    rows = levels[(levels["group"] == group) & (levels["game"] == "")]
    found = []
    for one in states:
        own = one.rows(rows).set_index("metric")["value"]
        x, y = own.get(POWER), own.get(AVERAGE)
        if x is not None and y is not None and is_known(float(x), float(y)):
            found.append(ScatterPoint(one.name, one.place, float(x), float(y)))
    if len(found) < 2 or found[0].name != states[0].name:
        return None
    reference = found[0].y / found[0].x
    more = [f"{change_text(100 * (one.y / one.x / reference - 1))} FPS per watt" for one in found[1:]]
    points = (found[0], *(replace(one, note=note) for one, note in zip(found[1:], more, strict=True)))
    title = "Board power against frame rate, geometric means of the games"
    x, y = Axis("board power", "W", decimals=1), Axis("FPS, geometric mean of the games", "", decimals=1)
    y_narrow = Axis("FPS, geometric mean", "", decimals=1)
    return Scatter(title, x, y, points, 640.0, 380.0), Scatter(title, x, y_narrow, points, 360.0, 340.0)


def intervals_of_games(
    rows: pd.DataFrame,
    *,
    heading: str,
    names: Mapping[tuple[str, str], str],
    limit: float | None = None,
    width: float = 640.0,
) -> Lanes | None:
    """Return the change in each game with the interval that decides it, and the band of the margin.

    Parameters
    ----------
    rows : rows of ``comparisons`` of one pair, metric and group
    heading : what the axis shows
    names : name of each (game, setting)
    limit : half the width of the axis; None by the values
    width : whole width

    Returns
    -------
    Lanes, worst first; None where no game has a change
    """
    known = rows[rows["change"].notna()].sort_values(["change", "game", "setting"], kind="stable")
    if not len(known):
        return None
    unit = "%" if known["scale"].iloc[0] == "ratio" else known["unit"].iloc[0]
    lanes = tuple(
        Lane(names[row.game, row.setting], None, (interval_cell(row, unit=unit),)) for row in known.itertuples()
    )
    margins = [float(one) for one in known["margin"] if pd.notna(one)]
    margin = (-margins[0], margins[0]) if margins and len(set(margins)) == 1 else None
    ends = {} if limit is None else {"low": -limit, "high": limit}
    return Lanes(heading, (Column(heading, unit, margin=margin, signed=True, **ends),), lanes, width)


def interval_cell(row: Any, *, unit: str = "%") -> Cell:
    """Return change, interval and verdict of one row of ``comparisons`` or ``overall``."""
    low, high = (float(one) if pd.notna(one) else None for one in (row.ci_low, row.ci_high))
    change = float(row.change)
    return Cell(
        centre=change,
        low=low,
        high=high,
        verdict=row.verdict,
        text=f"{sign_of(row.verdict, change)} {change_text(change, unit)}",
    )


def sign_of(verdict: str, change: float) -> str:
    """Return the sign of a verdict: the arrow follows the number, hollow where it is under the margin."""
    pair = "△▽" if verdict.endswith("_but_small") else _SIGNS.get(verdict, "––")
    return pair[change < 0]
