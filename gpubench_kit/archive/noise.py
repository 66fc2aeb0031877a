"""What a bench tells: noise of its runs, the spread between restarts, which games decide something."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.archive.store import Store
from gpubench_kit.archive.tables import GAMES, RESTART_SPREAD, RUN_NOISE
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.rules import LEAST_RESTARTS
from gpubench_kit.statistics.adapters import chi2_quantile
from gpubench_kit.statistics.planning import detectable_difference
from gpubench_kit.statistics.restarts import SessionSquares, Spread, sd_interval, session_spread
from gpubench_kit.statistics.units import in_percent


def unit_of(metric: str) -> str:
    """Return the unit of a metric's noise and changes."""
    return "%" if METRICS[metric].scale == "ratio" else METRICS[metric].unit


def in_unit(values: np.ndarray, metrics: Iterable[str]) -> np.ndarray:
    """Return standard deviations as they are printed.

    Parameters
    ----------
    values : array, of the natural log on the ratio scale
    metrics : metric of each

    Returns
    -------
    array: 100 times the natural log on the ratio scale, as plans state a spread; else the values
    """
    ratio = np.array([METRICS[name].scale == "ratio" for name in metrics], dtype=bool)
    return np.where(ratio, 100 * np.asarray(values, dtype=float), values)


def change_in_unit(values: np.ndarray, metrics: Iterable[str]) -> np.ndarray:
    """Return differences as they are printed.

    Parameters
    ----------
    values : array, differences of natural logs on the ratio scale
    metrics : metric of each
    """
    ratio = np.array([METRICS[name].scale == "ratio" for name in metrics], dtype=bool)
    values = np.asarray(values, dtype=float)
    return np.where(ratio, 100 * np.expm1(np.where(ratio, np.clip(values, -30, 30), 0.0)), values)


_POOLED = """
SELECT CASE WHEN grouping(bench) = 1 THEN 'all' ELSE 'bench' END AS scope, coalesce(bench, '') AS bench,
    game, setting, metric, sum(n)::BIGINT AS n, sum(squares) AS squares, sum(n - 1)::DOUBLE AS df,
    count(DISTINCT review) AS n_reviews, count(DISTINCT (review, card, bench, session)) AS n_sessions
FROM cells GROUP BY GROUPING SETS ((game, setting, metric), (bench, game, setting, metric))
HAVING sum(n - 1) > 0 ORDER BY scope, bench, game, setting, metric
"""


def run_noise(store: Store) -> pd.DataFrame:
    """Return the run-to-run noise of each game and metric, over all benches and on each.

    Parameters
    ----------
    store : holds ``cells``

    Returns
    -------
    DataFrame; see ``archive.tables.RUN_NOISE``; games without two runs in any cell have no row

    Notes
    -----
    Squares are taken about the mean of one card, bench, tuning and session of one review, so neither a difference
    between these nor a restart enters. Variances are pooled by their degrees of freedom, as if all tunings and
    cards had the same noise; the interval is that of a chi-squared variance and takes that for granted.
    """
    rows = store.ask(_POOLED)
    sd = np.sqrt(rows["squares"] / rows["df"])
    low, high = sd_interval(sd.to_numpy(dtype=float), df=rows["df"].to_numpy(dtype=float))
    shown = {
        name: in_unit(one, rows["metric"]) for name, one in (("noise", sd), ("ci_low", low), ("ci_high", high))
    }
    return RUN_NOISE.frame(rows.assign(sd=sd, unit=[unit_of(name) for name in rows["metric"]], **shown))


_SESSIONS = ["review", "card", "bench", "tuning"]

#: A session serves the tuning with the most sessions, the reference first; then squares between the sessions of it.
_SQUARES = """
WITH measured AS (SELECT DISTINCT review, card, bench, tuning, session FROM cells WHERE session <> ''),
counted AS (SELECT *, count(*) OVER (PARTITION BY review, card, bench, tuning) AS sessions FROM measured),
served AS (
    SELECT m.review, m.card, m.bench, m.session, m.tuning
    FROM counted m LEFT JOIN tunings t ON t.review = m.review AND t.name = m.tuning
    QUALIFY row_number() OVER (PARTITION BY m.review, m.card, m.bench, m.session
        ORDER BY m.sessions DESC, coalesce(t.reference, '') <> 'True', m.tuning) = 1),
kept AS (
    SELECT c.review, c.card, c.bench, c.tuning, c.game, c.setting, c.metric, c.n, c.mean,
        sum(c.n * c.mean) OVER cell / sum(c.n) OVER cell AS centre
    FROM cells c JOIN served s USING (review, card, bench, session, tuning)
    WINDOW cell AS (PARTITION BY c.review, c.card, c.bench, c.tuning, c.game, c.setting, c.metric))
SELECT review, card, bench, tuning, game, setting, metric, sum(n * (mean - centre) ** 2) AS squares,
    sum(n) - sum(n * n) / sum(n) AS weight, count(*) - 1.0 AS df
FROM kept GROUP BY ALL HAVING count(*) > 1 ORDER BY ALL
"""


def restart_spread_table(store: Store, noise: pd.DataFrame) -> pd.DataFrame:
    """Return the spread between restarts of each metric, over all benches and on each.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    noise : see ``archive.tables.RUN_NOISE``

    Returns
    -------
    DataFrame; see ``archive.tables.RESTART_SPREAD``

    Notes
    -----
    Only sessions of one review count, of one card on one bench, in which one tuning was measured. A session serves
    one tuning: that with the most sessions, the reference first, so that no restart counts twice. ``widen_by`` is
    the spread itself where it is known from at least 6 restarts' worth of data (5 degrees of freedom). Else it is
    the spread of the sessions' means, the noise of their runs included, which errs on the careful side; else empty.
    """
    own = noise.loc[noise["scope"] == "all", ["game", "setting", "metric", "sd", "df"]]
    own = own.rename(columns={"df": "noise_df"})
    squares = store.ask(_SQUARES).merge(own, on=["game", "setting", "metric"], how="inner")
    rows = [_row(part, "all", "", metric) for metric, part in squares.groupby("metric", sort=True)]
    by_bench = squares.groupby(["bench", "metric"], sort=True)
    rows += [_row(part, "bench", bench, metric) for (bench, metric), part in by_bench]
    return RESTART_SPREAD.frame(row for row in rows if row)


def usable_spreads(table: pd.DataFrame, bench: str = "") -> dict[str, tuple[float, float]]:
    """Return by what intervals may be widened: variance and its degrees of freedom, by metric.

    Parameters
    ----------
    table : see ``archive.tables.RESTART_SPREAD``
    bench : bench whose own spread is preferred; without one, or where it lacks restarts, that over all benches
    """
    known = table[table["widen_by"].notna()]
    rows = [*known[known["scope"] == "all"].itertuples()]
    rows += [*known[(known["scope"] == "bench") & (known["bench"] == bench)].itertuples()] if bench else []
    share = {row.metric: 100.0 if row.unit == "%" else 1.0 for row in rows}
    return {row.metric: ((row.widen_by / share[row.metric]) ** 2, float(row.widen_restarts) - 1) for row in rows}


def plan_line(table: pd.DataFrame) -> str:
    """Return the line for ``[analysis]`` of a plan that states the spread; empty where none is known.

    Parameters
    ----------
    table : see ``archive.tables.RESTART_SPREAD``

    Notes
    -----
    The plan has one number of restarts for all metrics: the least of them.
    """
    known = table[(table["scope"] == "all") & table["widen_by"].notna()]
    if not len(known):
        return ""
    spreads = [f"{row.metric} = {_safe(row.widen_by)}" for row in known.itertuples()]
    return f"restart_spread = {{ {', '.join(spreads)}, restarts = {int(known['widen_restarts'].min())} }}"


def _safe(value: float) -> str:
    """Return a spread with three significant digits, rounded up."""
    if value <= 0:
        return "0.0"
    step = 10.0 ** (math.floor(math.log10(value)) - 2)
    return f"{math.ceil(value / step - 1e-9) * step:.6g}"


def _row(part: pd.DataFrame, scope: str, bench: Any, metric: Any) -> dict[str, Any] | None:
    """Return the row of one metric; None where nothing was measured after a restart again."""
    spread = session_spread(_arrays(part))
    if spread is None:
        return None
    known = {"scope": scope, "bench": bench, "metric": metric, "unit": unit_of(metric), "restarts": spread.restarts}
    known |= {"n_reviews": part["review"].nunique(), "n_games": len(part[["game", "setting"]].drop_duplicates())}
    shown = {
        "spread": spread.sd,
        "ci_low": spread.low,
        "ci_high": spread.high if np.isfinite(spread.high) else np.nan,
    }
    known |= {name: float(in_unit(np.array([value]), [metric])[0]) for name, value in shown.items()}
    return known | {"df": spread.df} | _widening(spread, metric)


def _arrays(part: pd.DataFrame) -> SessionSquares:
    """Return the squares of one metric as arrays."""
    group = part.groupby(_SESSIONS, sort=False).ngroup().to_numpy()
    scene = part.groupby(["game", "setting"], sort=False).ngroup().to_numpy()
    columns: Iterable = (part[name].to_numpy(dtype=float) for name in ("squares", "weight", "df", "sd", "noise_df"))
    squares, weight, df, sd, noise_df = columns
    return SessionSquares(squares, weight, df, sd**2, noise_df, scene, group)


def _widening(spread: Spread, metric: str) -> Mapping[str, Any]:
    """Return by how much intervals may be widened, and how many restarts that counts as."""
    for sd, df in ((spread.sd, spread.df), (spread.whole_sd, spread.whole_df)):
        restarts = min(1 + math.floor(df + 1e-9), spread.restarts)
        if restarts >= LEAST_RESTARTS:
            return {"widen_by": float(in_unit(np.array([sd]), [metric])[0]), "widen_restarts": restarts}
    return {"widen_by": np.nan, "widen_restarts": None}


#: Two games say the same only if they did so in this many reviews.
LEAST_REVIEWS = 6
#: Their changes must then agree to within this share of the margin.
SHARE_OF_MARGIN = 0.5

#: So many games are kept whatever they say: fewer lend each other no noise, and stand for no others.
LEAST_GAMES = 6

_SCENE = ["game", "setting"]


def games_table(comparisons: pd.DataFrame, noise: pd.DataFrame, metrics: Iterable[str]) -> pd.DataFrame:
    """Return what each game has decided, and whether it is worth its time.

    Parameters
    ----------
    comparisons : DataFrame: review, pair, game, setting, metric, change, n, margin, verdict, reason
    noise : see ``archive.tables.RUN_NOISE``
    metrics : metrics that decide, on the ratio scale

    Returns
    -------
    DataFrame; see ``archive.tables.GAMES``

    Notes
    -----
    Drop: every comparison was held by a cap (``held_by_cap``); or even with the least noise inside its interval the
    usual rounds could not find a difference of the margin with a chance of 80 % (``too_noisy``); or over at least
    `LEAST_REVIEWS` reviews its changes and those of a less noisy game that is kept lay within half the margin, by
    the upper 95 % limit of their spread (``redundant``), where `LEAST_GAMES` others are kept. More runs: the usual
    rounds could not find such a difference with the noise as estimated.
    """
    wanted = [name for name in dict.fromkeys(metrics) if METRICS[name].scale == "ratio"]
    rows = [row for metric in wanted for row in _of_metric(comparisons, noise, metric)]
    return GAMES.frame(rows)


def _of_metric(comparisons: pd.DataFrame, noise: pd.DataFrame, metric: str) -> list[dict[str, Any]]:
    """Return the rows of one metric, the least noisy game first."""
    own = comparisons[comparisons["metric"] == metric]
    known = noise[(noise["scope"] == "all") & (noise["metric"] == metric)].set_index(_SCENE)
    rows = [
        {
            "game": game,
            "setting": setting,
            "metric": metric,
            **_counts(part),
            **_outlook(known, (game, setting), part),
        }
        for (game, setting), part in own.groupby(_SCENE, sort=True)
    ]
    rows.sort(key=lambda row: (not np.isfinite(row["noise"]), row["noise"], row["game"], row["setting"]))
    changes = _changes(own)
    kept: list[dict[str, Any]] = []
    for row in rows:
        row |= _likeness(row, kept, changes)
        row |= _advice(row, enough=len(kept) >= LEAST_GAMES)
        if row["advice"] == "keep":
            kept.append(row)
    return rows


def _counts(part: pd.DataFrame) -> dict[str, Any]:
    """Return how often a game was compared and what came of it."""
    held = part["reason"].str.contains("held_by_cap|frame_limit_declared", regex=True)
    return {
        "n_reviews": part["review"].nunique(),
        "n_comparisons": len(part),
        "n_decided": int((~part["verdict"].isin(["undecided", "no_verdict"])).sum()),
        "n_held": int(held.sum()),
        "rounds": max(2, round(float(part["n"].median()))),
        "margin": float(part["margin"].median()),
    }


def _outlook(known: pd.DataFrame, scene: tuple[str, str], part: pd.DataFrame) -> dict[str, float]:
    """Return a game's noise and what its usual rounds can find."""
    if scene not in known.index:
        return dict.fromkeys(("noise", "noise_ci_low", "detectable", "detectable_at_best"), np.nan)
    row, rounds = known.loc[scene], max(2, round(float(part["n"].median())))
    found = in_percent(detectable_difference(np.array([row["noise"], row["ci_low"]]) / 100, n=rounds))
    return {
        "noise": row["noise"],
        "noise_ci_low": row["ci_low"],
        "detectable": found[0],
        "detectable_at_best": found[1],
    }


def _changes(own: pd.DataFrame) -> pd.DataFrame:
    """Return the changes in logs, one row for each review and pair, a column for each game."""
    known = own[own["change"] > -100]
    logs = known.assign(log=np.log1p(known["change"] / 100))
    pair = ["review", "of_card", "of_tuning", "of_bench", "against_card", "against_tuning", "against_bench"]
    return logs.pivot_table(index=pair, columns=_SCENE, values="log", aggfunc="first", observed=True)


def _likeness(row: Mapping[str, Any], kept: list[dict[str, Any]], changes: pd.DataFrame) -> dict[str, Any]:
    """Return the kept game whose changes lie nearest, and how far apart they may be [%]."""
    scene = (row["game"], row["setting"])
    limit = SHARE_OF_MARGIN * row["margin"]
    best, apart = "", np.inf
    for other in kept if scene in changes else ():
        found = _apart(changes[scene] - changes[other["game"], other["setting"]])
        if found < apart:
            best, apart = ", ".join(filter(None, (other["game"], other["setting"]))), found
    is_same = apart <= limit
    return {"says_the_same_as": best if is_same else "", "apart": apart if np.isfinite(apart) else np.nan}


def _apart(differences: pd.Series) -> float:
    """Return the upper 95 % limit of the spread of differences about zero [%]; infinite for too few reviews."""
    known = differences.dropna()
    reviews = known.index.get_level_values("review").nunique()
    if reviews < LEAST_REVIEWS:
        return np.inf
    return 100 * float(np.sqrt((known**2).mean() * reviews / chi2_quantile(0.05, reviews)))


def _advice(row: Mapping[str, Any], *, enough: bool) -> dict[str, str]:
    """Return what to do with a game, and by which rule."""
    if row["n_held"] == row["n_comparisons"]:
        return {"advice": "drop", "why": "held_by_cap"}
    if not np.isfinite(row["detectable"]):
        return {"advice": "more_runs", "why": "not_known"}
    if row["detectable_at_best"] > row["margin"]:
        return {"advice": "drop", "why": "too_noisy"}
    if row["says_the_same_as"] and enough:
        return {"advice": "drop", "why": "redundant"}
    if row["detectable"] > row["margin"]:
        return {"advice": "more_runs", "why": "noisy"}
    return {"advice": "keep", "why": "decides"}
