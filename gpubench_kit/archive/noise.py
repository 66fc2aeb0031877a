"""What a bench tells: noise of its runs, the spread between restarts, which games decide something."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.archive.gather import GAMES, RESTART_SPREAD, RUN_NOISE
from gpubench_kit.archive.store import QUESTIONS, Store
from gpubench_kit.model.metrics import METRICS, change_unit
from gpubench_kit.model.plan.rules import LEAST_RESTARTS
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.statistics.adapters import chi2_quantile
from gpubench_kit.statistics.planning import detectable_difference
from gpubench_kit.statistics.restarts import SessionSquares, Spread, sd_interval, session_spread
from gpubench_kit.statistics.variance import in_percent


def factor_of(metric: str) -> float:
    """Return what turns a standard deviation of values, natural logs on the ratio scale, into the unit of changes.

    On the ratio scale that is 100 times the natural log, as plans state a spread.
    """
    return 100.0 if METRICS[metric].scale == "ratio" else 1.0


def run_noise(store: Store) -> pd.DataFrame:
    """Return the run-to-run noise of each game and metric, over all benches and on each.

    Parameters
    ----------
    store : holds ``cells``

    Returns
    -------
    DataFrame; see ``archive.gather.RUN_NOISE``; games without two runs in any cell have no row

    Notes
    -----
    Squares are taken about the mean of one card, bench, tuning and session of one review, so neither a difference
    between these nor a restart enters. Variances are pooled by their degrees of freedom, as if all tunings and
    cards had the same noise; the interval is that of a chi-squared variance and takes that for granted.
    """
    rows = store.ask(QUESTIONS["run noise"])
    sd = np.sqrt(rows["squares"].to_numpy(dtype=float) / rows["df"].to_numpy(dtype=float))
    low, high = sd_interval(sd, df=rows["df"].to_numpy(dtype=float))
    factor = np.array([factor_of(name) for name in rows["metric"]], dtype=float)
    unit = [change_unit(METRICS[name]) for name in rows["metric"]]
    ends = {"noise": factor * sd, "ci_low": factor * low, "ci_high": factor * high}
    return RUN_NOISE.frame(rows.assign(sd=sd, **ends, unit=unit))


def restart_spread_table(store: Store, noise: pd.DataFrame) -> pd.DataFrame:
    """Return the spread between restarts of each metric, over all benches and on each.

    Parameters
    ----------
    store : holds ``cells`` and ``tunings``
    noise : see ``archive.gather.RUN_NOISE``

    Returns
    -------
    DataFrame; see ``archive.gather.RESTART_SPREAD``

    Notes
    -----
    Only sessions of one review count, of one card on one bench, in which one tuning was measured. A session serves
    one tuning: that with the most sessions, the reference first, so that no restart counts twice. ``widen_by`` is
    the spread itself where its degrees of freedom are worth at least `LEAST_RESTARTS` restarts. Else it is the
    spread of the sessions' means, the noise of their runs included, which errs on the careful side; else empty.
    """
    own = noise.loc[noise["scope"] == "all", ["game", "setting", "metric", "sd", "df"]]
    own = own.rename(columns={"df": "noise_df"})
    squares = store.ask(QUESTIONS["restarts"]).merge(own, on=["game", "setting", "metric"], how="inner")
    parts = [("all", "", metric, part) for metric, part in squares.groupby("metric", sort=True)]
    by_bench = squares.groupby(["bench", "metric"], sort=True)
    parts += [("bench", bench, metric, part) for (bench, metric), part in by_bench]
    rows = []
    for scope, bench, metric, part in parts:
        group = part.groupby(["review", "card", "bench", "tuning"], sort=False).ngroup().to_numpy()
        games = part.groupby(["game", "setting"], sort=False).ngroup().to_numpy()
        columns = ("squares", "weight", "df", "sd", "noise_df")
        between, weight, df, sd, noise_df = (part[name].to_numpy(dtype=float) for name in columns)
        spread = session_spread(SessionSquares(between, weight, df, sd**2, noise_df, games, group))
        if spread is not None:
            known = {"scope": scope, "bench": bench, "metric": metric, "unit": change_unit(METRICS[metric])}
            counts = {"n_reviews": part["review"].nunique(), "n_games": int(games.max()) + 1}
            rows.append(known | counts | _spread_row(spread, factor_of(metric)))
    return RESTART_SPREAD.frame(rows)


def _spread_row(spread: Spread, factor: float) -> dict[str, Any]:
    """Return a spread in its unit, by how much intervals may be widened, and how many restarts that counts as."""
    high = factor * spread.high if np.isfinite(spread.high) else np.nan
    row = {"spread": factor * spread.sd, "ci_low": factor * spread.low, "ci_high": high}
    row |= {"restarts": spread.restarts, "df": spread.df}
    for sd, df in ((spread.sd, spread.df), (spread.whole_sd, spread.whole_df)):
        restarts = min(1 + math.floor(df + 1e-9), spread.restarts)
        if restarts >= LEAST_RESTARTS:
            return row | {"widen_by": factor * sd, "widen_restarts": restarts}
    return row | {"widen_by": np.nan, "widen_restarts": None}


def usable_spreads(table: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Return by what intervals may be widened, over all benches: variance and its degrees of freedom, by metric.

    Parameters
    ----------
    table : see ``archive.gather.RESTART_SPREAD``
    """
    return {
        row.metric: ((row.widen_by / factor_of(row.metric)) ** 2, float(row.widen_restarts) - 1)
        for row in _known(table).itertuples()
    }


#: A change of driver is judged by a spread seen over so many restarts.
_FEW_RESTARTS = 6


def plan_line(table: pd.DataFrame) -> str:
    """Return the line for ``[analysis]`` of a plan that states the spread; empty where none is known.

    Parameters
    ----------
    table : see ``archive.gather.RESTART_SPREAD``

    Notes
    -----
    Spreads have three significant digits, rounded up. The plan has one number of restarts for all metrics: the
    least of them.
    """
    known, spreads = _known(table), []
    for row in known.itertuples():
        step = 10.0 ** (math.floor(math.log10(row.widen_by)) - 2) if row.widen_by > 0 else 1.0
        text = f"{math.ceil(row.widen_by / step - 1e-9) * step:.6g}" if row.widen_by > 0 else "0.0"
        spreads.append(f"{row.metric} = {text}")
    if not spreads:
        return ""
    return f"restart_spread = {{ {', '.join(spreads)}, restarts = {int(known['widen_restarts'].min())} }}"


def little_known(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the plan's line that rest on fewer restarts than a change of driver is judged by.

    Parameters
    ----------
    table : see ``archive.gather.RESTART_SPREAD``
    """
    known = _known(table)
    return known[known["widen_restarts"] < _FEW_RESTARTS]


def _known(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows over all benches by which intervals may be widened."""
    return table[(table["scope"] == "all") & table["widen_by"].notna()]


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
    noise : see ``archive.gather.RUN_NOISE``
    metrics : metrics that decide, on the ratio scale

    Returns
    -------
    DataFrame; see ``archive.gather.GAMES``

    Notes
    -----
    Drop: every comparison was held by a cap (``held_by_cap``); or even with the least noise inside its interval the
    usual rounds could not find a difference of the margin with a chance of 80 % (``too_noisy``); or over at least
    `LEAST_REVIEWS` reviews its changes and those of a less noisy game that is kept lay within half the margin, by
    the upper 95 % limit of their spread (``redundant``), where `LEAST_GAMES` others are kept. More runs: the usual
    rounds could not find such a difference with the noise as estimated.
    """
    rows = []
    pair = ["review", "of_card", "of_tuning", "of_bench", "against_card", "against_tuning", "against_bench"]
    for metric in dict.fromkeys(name for name in metrics if METRICS[name].scale == "ratio"):
        own = comparisons[comparisons["metric"] == metric]
        known = noise[(noise["scope"] == "all") & (noise["metric"] == metric)].set_index(_SCENE)
        games = [_game(known, scene, part) | {"metric": metric} for scene, part in own.groupby(_SCENE, sort=True)]
        games.sort(key=lambda row: (not np.isfinite(row["noise"]), row["noise"], row["game"], row["setting"]))
        # Changes in logs: one row for each review and pair, a column for each game.
        logs = own[own["change"] > -100].assign(log=lambda rows: np.log1p(rows["change"] / 100))
        changes = logs.pivot_table(index=pair, columns=_SCENE, values="log", aggfunc="first", observed=True)
        kept: list[dict[str, Any]] = []
        for row in games:
            row |= _likeness(row, kept, changes)
            row |= _advice(row, enough=len(kept) >= LEAST_GAMES)
            if row["advice"] == "keep":
                kept.append(row)
        rows += games
    return GAMES.frame(rows)


def _game(known: pd.DataFrame, scene: tuple[str, str], part: pd.DataFrame) -> dict[str, Any]:
    """Return how often a game was compared, what came of it, its noise and what its usual rounds can find."""
    held = part["reason"].str.contains("held_by_cap|frame_limit_declared", regex=True)
    rounds = max(2, round(float(part["n"].median())))
    noise, low = known.loc[scene, ["noise", "ci_low"]].astype(float) if scene in known.index else (np.nan, np.nan)
    found = in_percent(detectable_difference(np.array([noise, low]) / 100, n=rounds))
    return {
        "game": scene[0],
        "setting": scene[1],
        "n_reviews": part["review"].nunique(),
        "n_comparisons": len(part),
        "n_decided": int((~part["verdict"].isin([name for name, row in VERDICTS.items() if row.is_open])).sum()),
        "n_held": int(held.sum()),
        "rounds": rounds,
        "margin": float(part["margin"].median()),
        "noise": noise,
        "noise_ci_low": low,
        "detectable": found[0],
        "detectable_at_best": found[1],
    }


def _likeness(row: Mapping[str, Any], kept: list[dict[str, Any]], changes: pd.DataFrame) -> dict[str, Any]:
    """Return the kept game whose changes lie nearest, and how far apart they may be [%].

    That is the upper 95 % limit of the spread of their differences about zero; nan for too few reviews.
    """
    scene, best, apart = (row["game"], row["setting"]), "", np.inf
    for other in kept if scene in changes else ():
        known = (changes[scene] - changes[other["game"], other["setting"]]).dropna()
        reviews = known.index.get_level_values("review").nunique()
        if reviews < LEAST_REVIEWS:
            continue
        found = 100 * float(np.sqrt((known**2).mean() * reviews / chi2_quantile(0.05, reviews)))
        if found < apart:
            best, apart = ", ".join(filter(None, (other["game"], other["setting"]))), found
    is_same = apart <= SHARE_OF_MARGIN * row["margin"]
    return {"says_the_same_as": best if is_same else "", "apart": apart if np.isfinite(apart) else np.nan}


def _advice(row: Mapping[str, Any], *, enough: bool) -> dict[str, str]:
    """Return what to do with a game, and by which rule."""
    rules = (
        (row["n_held"] == row["n_comparisons"], "drop", "held_by_cap"),
        (not np.isfinite(row["detectable"]), "more_runs", "not_known"),
        (row["detectable_at_best"] > row["margin"], "drop", "too_noisy"),
        (row["says_the_same_as"] and enough, "drop", "redundant"),
        (row["detectable"] > row["margin"], "more_runs", "noisy"),
        (True, "keep", "decides"),
    )
    return next({"advice": advice, "why": why} for holds, advice, why in rules if holds)
