"""How high each tuning stands, how noisy its runs are, and what that means for the plan; never a difference.

Levels are for looking at. Whether two of them differ is judged in pairs, which is sharper, since runs of one round
share much of their noise.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import Column, Table
from gpubench_kit.statistics.adapters import chi2_quantile, gauss_legendre, normal_cdf, t_quantile
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
    groups = {(game.name, one.name): one.group for game in plan.games for one in game.settings}
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
    groups = {(game.name, setting.name): setting.group for game in plan.games for setting in game.settings}
    group = pd.Series(
        [groups.get(key, "") for key in zip(games["game"], games["setting"], strict=True)], games.index
    )
    family = [games["card"], games["bench"], games["metric"], group]
    counted = (games["df"] > 0).groupby(family).transform("sum")
    games["borrowing"] = (counted >= LEAST_GAMES) & (games["df"] > 0) & (not plan.analysis.strict)
    among = level_of_game(level, adjust=plan.analysis.adjust, comparisons=comparisons)
    planned = [_planned(row, plan, levels=(level, among)) for row in games.itertuples()]
    return NOISE_PLAN.frame(pd.concat([games[[*_GAME, "runs", "df"]], pd.DataFrame(planned)], axis=1))


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


#: Nodes of the integral over the estimate of the noise.
_NODES = 400


def chance_of_verdict(effect, sigma, *, margin, n, level: float = 0.05, df=None):
    """Return the chance that a comparison is not left undecided.

    Parameters
    ----------
    effect : true difference, natural log (ratio scale) or unit (difference scale)
    sigma : run-to-run standard deviation of one tuning, same scale, above 0
    margin : smallest difference that matters, same scale
    n : runs per tuning
    level : level of the test against zero, and of each one-sided test against the margin
    df : degrees of freedom; default those of ``n`` own rounds

    Returns
    -------
    Array, broadcast over all inputs; chance from 0 to 1.

    Notes
    -----
    Decided is what differs from zero or lies inside the margin. For an estimate of the noise
    ``q sigma`` the two leave no gap once ``(c_zero + c_margin) q se <= margin``; before that they
    exclude each other, so their chances add. ``q`` is integrated over as in
    `gpubench_kit.statistics.planning.chance_of_difference`.
    """
    error = np.asarray(sigma, dtype=float) * np.sqrt(2 / np.asarray(n, dtype=float))
    df = degrees_of_freedom(n) if df is None else df
    effect, margin, df = np.broadcast_arrays(
        np.asarray(effect) / error, np.asarray(margin) / error, np.asarray(df, dtype=float)
    )
    points, weights = gauss_legendre(_NODES)
    scale = np.sqrt(chi2_quantile(points, df[..., None]) / df[..., None])
    zero = t_quantile(1 - level / 2, df)[..., None] * scale
    inside = margin[..., None] - t_quantile(1 - level, df)[..., None] * scale
    shift = effect[..., None]
    differs = normal_cdf(shift - zero) + normal_cdf(-shift - zero)
    same = np.maximum(0, normal_cdf(inside - shift) - normal_cdf(-inside - shift))
    # The weights add up to 1 but for rounding.
    return np.minimum(np.where(zero <= inside, 1.0, differs + same) @ weights, 1.0)
