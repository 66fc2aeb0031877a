"""Which games decide something on this bench, and which could be left out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.archive.tables import GAMES
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.adapters import chi2_quantile
from gpubench_kit.statistics.planning import detectable_difference
from gpubench_kit.statistics.units import in_percent

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
