"""What the noise found so far means for the plan: runs needed per game and metric, and never a difference."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import Column, Table
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.more_rounds import SHOWN_ROUNDS
from gpubench_kit.statistics.planning import (
    degrees_of_freedom,
    detectable_difference,
    level_of_game,
    margin_shown,
    rounds_to_decide,
)
from gpubench_kit.statistics.units import in_percent
from gpubench_kit.statistics.variance import LEAST_GAMES

_GAME = ["card", "bench", "game", "setting", "metric"]

#: Inside the kit only.
NOISE_PLAN = Table(
    "noise_plan", "card, bench, game, setting and metric", tuple(_GAME),
    (
        Column("card", "text", "card that was measured"),
        Column("bench", "text", "rest of the machine"),
        Column("game", "text", "what was played"),
        Column("setting", "text", "resolution and quality"),
        Column("metric", "text", "name of the metric"),
        Column("unit", "text", "% on the ratio scale, else the metric's unit"),
        Column("runs", "integer", "fewest runs of a tuning so far"),
        Column("df", "number", "degrees of freedom of the noise, over all tunings"),
        Column("noise", "number", "run-to-run standard deviation, in `unit`"),
        Column("detectable", "number", "smallest difference found with 80 % chance by so many runs, in `unit`"),
        Column("margin", "number", "smallest difference that matters, in `unit`; empty where none is given"),
        Column("runs_needed", "integer", "runs that decide with 80 % chance; empty above 16"),
        Column("margin_of_twelve", "number", "smallest margin that 12 runs can show, in `unit`"),
    ),
)  # fmt: skip


def plan_from_noise(noise: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return what the noise found so far means for the number of runs.

    Parameters
    ----------
    noise : see ``tables.NOISE``; the tunings' variances are pooled, their means are not looked at
    plan : gives margins, looks and ``strict``

    Returns
    -------
    DataFrame, one row per game and metric; see `NOISE_PLAN`. Games without any two runs of one tuning
    have no noise and empty numbers.

    Notes
    -----
    Runs needed count with borrowed noise where the plan allows it and six games have noise, as the
    comparison will. A decision means 80 % chance to show "no difference" when there is none, and to
    find a difference as large as the margin, at the level that the table of games leaves to a game.
    """
    level, _ = level_of_looks(plan)
    comparisons = len(plan.games) * max(len(plan.tunings) - 1, 1)
    rows = noise.assign(own_df=(noise["n"].astype(float) - 1).clip(lower=0))
    rows["squares"] = rows["own_df"] * rows["sd"].fillna(0.0) ** 2
    games = rows.groupby(_GAME, sort=False).agg(runs=("n", "min"), df=("own_df", "sum"), squares=("squares", "sum"))
    games = games.reset_index()
    games["borrowing"] = _can_borrow(games, plan)
    among = level_of_game(level, adjust=plan.analysis.adjust, comparisons=comparisons)
    planned = [_planned(row, plan, levels=(level, among)) for row in games.itertuples()]
    return NOISE_PLAN.frame(pd.concat([games[[*_GAME, "runs", "df"]], pd.DataFrame(planned)], axis=1))


def _can_borrow(games: pd.DataFrame, plan: ReviewPlan) -> pd.Series:
    """Return which games will have the noise of at least five others of their group to borrow from."""
    groups = {(game.name, setting.name): setting.group for game in plan.games for setting in game.settings}
    group = pd.Series(
        [groups.get(key, "") for key in zip(games["game"], games["setting"], strict=True)], games.index
    )
    family = [games["card"], games["bench"], games["metric"], group]
    counted = (games["df"] > 0).groupby(family).transform("sum")
    return (counted >= LEAST_GAMES) & (games["df"] > 0) & (not plan.analysis.strict)


def _planned(row, plan: ReviewPlan, *, levels: tuple[float, float]) -> dict:
    """Return the numbers of one game and metric, in percent on the ratio scale."""
    is_ratio = METRICS[row.metric].scale == "ratio"
    margin = plan.margin_of(row.metric)
    numbers = {"unit": "%" if is_ratio else METRICS[row.metric].unit, "margin": margin}
    if not row.df > 0:
        return numbers
    sigma, (level, among) = float(np.sqrt(row.squares / row.df)), levels
    size = None if margin is None else -np.log1p(-margin / 100) if is_ratio else margin
    runs = max(int(row.runs), 2)
    own, many = (degrees_of_freedom(n, borrowing=row.borrowing) for n in (runs, SHOWN_ROUNDS))
    found = {
        "noise": sigma,
        "detectable": float(detectable_difference(sigma, n=runs, level=level, df=own)),
        # A margin is that of a loss: M = -ln(1 - margin).
        "margin_of_twelve": -float(margin_shown(sigma, n=SHOWN_ROUNDS, level=among, df=many)),
    }
    shown = {name: abs(in_percent(value) if is_ratio else value) for name, value in found.items()}
    needed = rounds_to_decide(sigma, size, level=among, borrowing=row.borrowing)
    return {**numbers, **shown, "runs_needed": needed}
