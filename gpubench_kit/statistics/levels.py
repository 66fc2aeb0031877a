"""How high each tuning stands; never a difference.

Levels are for looking at. Whether two of them differ is judged in pairs, which is sharper, since runs of one round
share much of their noise.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import Column, Table
from gpubench_kit.statistics.adapters import t_quantile
from gpubench_kit.wording.terms import metric_of

#: Inside the kit only: one row per (card, bench, tuning, game, setting, metric); game '' is all games.
LEVELS = Table(
    "levels", "card, bench, tuning, game, setting, group and metric",
    ("card", "bench", "tuning", "game", "setting", "group", "metric"),
    (
        Column("card", "text", "card that was measured"),
        Column("bench", "text", "rest of the machine"),
        Column("tuning", "text", "state of the card's limits"),
        Column("game", "text", "what was played; empty for all games of the group"),
        Column("setting", "text", "resolution and quality"),
        Column("group", "text", "settings of one kind"),
        Column("metric", "text", "name of the metric"),
        Column("unit", "text", "unit of the value"),
        Column("n", "integer", "runs; games where `game` is empty"),
        Column("value", "number", "mean, geometric on the ratio scale, in `unit`"),
        Column("ci_low", "number", "lower end of its interval, from its own runs; empty with one run"),
        Column("ci_high", "number", "upper end of its interval"),
    ),
)  # fmt: skip

#: An interval may be wider than numbers reach.
_LARGEST_LOG = 700.0

_SUBJECT = ["card", "bench", "tuning"]


def levels_of_games(noise: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return the mean of every metric with its interval, per game and over all games of each group.

    Parameters
    ----------
    noise : DataFrame, one row per (card, bench, tuning, game, setting, metric); see ``tables.NOISE``
    plan : ReviewPlan, gives the groups of settings and ``analysis.confidence``

    Returns
    -------
    DataFrame, see `LEVELS`. A row for all games counts the games that every tuning of the group has,
    so that no one gains by leaving out a slow game; without such a game there is no row.

    Notes
    -----
    Per game: mean +- t(n - 1) sd / sqrt(n), on natural logs on the ratio scale. Over G games: the mean
    of the games' means, a game's settings averaged first, with standard error
    ``sqrt(sum v_g) / G``, ``v_g = sd_g^2 / n_g``, and df ``(sum v)^2 / sum(v^2 / (n - 1))``
    (Satterthwaite 1946). It speaks of these games.
    """
    groups = {scene: one.group for scene, one in plan.scenes.items()}
    keys = zip(noise["game"], noise["setting"], strict=True)
    is_ratio = noise["metric"].map(lambda name: metric_of(name).scale == "ratio").astype(bool)
    centre = np.where(is_ratio, np.log(noise["mean"].where(is_ratio, 1.0)), noise["mean"])
    runs = noise["n"].astype(float)
    table = noise.assign(
        group=[groups.get(key, "all") for key in keys], is_ratio=is_ratio, centre=centre,
        se2=noise["sd"] ** 2 / runs, own_df=runs - 1,
    )  # fmt: skip
    games = [_level_row(row, plan.analysis.confidence) for row in table.itertuples()]
    parts = (part for _, part in table.groupby(["group", "metric"], sort=False))
    everywhere = [row for part in parts for row in _over_games(part, plan)]
    return LEVELS.frame([*games, *everywhere])


def _level_row(row, confidence: float) -> dict:
    """Return the level of one game as a row."""
    names = ("card", "bench", "tuning", "game", "setting", "group", "metric", "n")
    interval = _interval(row.centre, row.se2, df=row.own_df, confidence=confidence, is_ratio=row.is_ratio)
    return {name: getattr(row, name) for name in names} | {"unit": metric_of(row.metric).unit} | interval


def _over_games(part: pd.DataFrame, plan: ReviewPlan) -> Iterator[dict]:
    """Yield the level over all common games, one row per tuning of each card and bench."""
    subjects = (rows for _, rows in part.groupby(_SUBJECT, sort=False))
    common = set.intersection(*(set(zip(rows["game"], rows["setting"], strict=True)) for rows in subjects))
    if not common:
        return
    shared = part[[key in common for key in zip(part["game"], part["setting"], strict=True)]]
    n_games = shared["game"].nunique()
    weight = 1 / (shared.groupby([*_SUBJECT, "game"])["setting"].transform("count") * n_games)
    weighted = shared.assign(weight=weight, part=weight**2 * shared["se2"])
    for subject, rows in weighted.groupby(_SUBJECT, sort=False):
        se2 = rows["part"].sum(skipna=False)
        uncertain = (rows["part"] ** 2 / rows["own_df"].where(rows["own_df"] > 0)).sum(skipna=False)
        # Runs that do not differ at all give no noise, and so no interval.
        df = se2**2 / uncertain if uncertain > 0 else np.nan
        centre, metric = (rows["weight"] * rows["centre"]).sum(), metric_of(rows["metric"].iloc[0])
        is_ratio = metric.scale == "ratio"
        interval = _interval(centre, se2, df=df, confidence=plan.analysis.confidence, is_ratio=is_ratio)
        place = {"group": rows["group"].iloc[0], "metric": metric.name, "unit": metric.unit}
        place |= {"game": "", "setting": ""}
        yield dict(zip(_SUBJECT, subject, strict=True)) | place | {"n": n_games} | interval


def _interval(centre: float, se2: float, *, df: float, confidence: float, is_ratio: bool) -> dict:
    """Return value, low and high in the metric's unit; no ends without degrees of freedom."""
    has_ends = np.isfinite(se2) and np.isfinite(df) and df > 0
    half = t_quantile(0.5 + confidence / 2, df) * np.sqrt(se2) if has_ends else np.nan
    ends = np.array([centre, centre - half, centre + half])
    ends = np.exp(np.minimum(ends, _LARGEST_LOG)) if is_ratio else ends
    return dict(zip(("value", "ci_low", "ci_high"), ends, strict=True))
