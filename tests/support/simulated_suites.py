"""Thousands of made-up reviews in one run table, sent through the public comparisons, and counted.

A suite is a review of ten games; each is a `group` of its own, and groups are never pooled, so that one
call compares them all. Every number found comes with its standard error, from parts of the suites.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from run_tables import ONE_RESULT, make_plan
from simulated_runs import Design, Noise, make_review

from gpubench_kit.statistics.compare import compare_over_games, compare_tunings

GAMES = 10
SUITES = 4000
#: Where one number comes from each suite and not from each game.
MORE_SUITES = 10_000
FACTORY = "factory"
#: Run-to-run noise of a game [%]: 0.6 * sqrt(4 / chi2_4), drawn for each game of each suite.
NOISE_PCT, NOISE_DF = 0.6, 4
#: Noise of a noisier bench [%]: even between these.
UNIFORM_PCT = (0.6, 1.5)

REAL = ("better", "worse", "better_but_small", "worse_but_small")
SMALL = ("better_but_small", "worse_but_small")
SAME = ("same_within_margin", *SMALL)

_PARTS = 20


@dataclass(frozen=True)
class Found:
    """A number found, its standard error, and from how many suites; exact numbers have none."""

    value: float
    standard_error: float = 0.0
    suites: int = 0


@dataclass(frozen=True)
class Simulated:
    """Runs of many suites, and the true noise [%] of each game (suites, games)."""

    runs: pd.DataFrame
    sigma: np.ndarray


def noise_factors(noise: str, *, seed: int, suites: int) -> np.ndarray:
    """Return the noise of each game in multiples of `NOISE_PCT`, by suite: as ever, or even between two ends."""
    rng, shape = np.random.default_rng(seed), (suites, GAMES)
    if noise == "uniform":
        return rng.uniform(*UNIFORM_PCT, shape) / NOISE_PCT
    return np.sqrt(NOISE_DF / rng.chisquare(NOISE_DF, shape))


def simulate(
    effects: Mapping[str, float], design: Design, *, seed: int, noise: Noise | None = None, is_even: bool = False
) -> Simulated:
    """Make up the runs of many suites.

    Parameters
    ----------
    effects : true change of each tuning against the reference ``factory`` [%]
    design : games, rounds, suites and layout
    seed : the same seed gives the same noise, whatever the effects
    noise : what moves a run beside the game's own noise
    is_even : whether all games have the noise of runs that ``noise`` gives, in place of their own
    """
    if is_even:
        runs = make_review({FACTORY: 0.0, **effects}, design, noise=noise, seed=seed)
        return Simulated(runs, np.full((design.suites, design.games), noise.run_pct))
    rng = np.random.default_rng([seed, 1])
    factors = np.sqrt(NOISE_DF / rng.chisquare(NOISE_DF, (design.suites, design.games)))
    noise = replace(noise or Noise(), run_pct=NOISE_PCT, games_df=np.inf, by_game=factors)
    runs = make_review({FACTORY: 0.0, **effects}, design, noise=noise, seed=seed)
    return Simulated(runs, NOISE_PCT * factors)


def one_tuning(effect: float, rounds: int, *, seed: int, **design) -> Simulated:
    """Make up suites of two tunings in rounds, with the given true change of the second [%]."""
    return simulate({"quiet": effect}, Design(rounds=rounds, **({"suites": SUITES} | design)), seed=seed)


def per_game(runs: pd.DataFrame, *, looks_made: int = 0, **analysis) -> pd.DataFrame:
    """Return the comparisons of the suites, one row per tuning, suite and game; not adjusted unless asked."""
    found = compare_tunings(runs, _plan(runs, analysis), looks_made=looks_made)
    return found.sort_values(["of_tuning", "setting", "game"], ignore_index=True)


def over_games(runs: pd.DataFrame, scope: str, **analysis) -> pd.DataFrame:
    """Return the overall results of the suites in one scope, one row per suite."""
    # A plan of one pair and one metric gives its result over these games 0.8 of the page's level.
    usual = {"confidence": ONE_RESULT} if scope == "these_games" else {}
    found = compare_over_games(runs, _plan(runs, usual | analysis))
    return found[found["scope"] == scope].sort_values("group", ignore_index=True)


def _plan(runs: pd.DataFrame, analysis: dict):
    """Return a plan of the tunings in the runs."""
    others = sorted(set(runs["tuning"].unique()) - {FACTORY})
    return make_plan((FACTORY, *others), **({"adjust": "none"} | analysis))


def by_suite(column, games: int = GAMES) -> np.ndarray:
    """Return a column of `per_game` as array (suites, games)."""
    return np.asarray(column).reshape(-1, games)


def share(true) -> Found:
    """Return the share [%] of an array of truth values, suites along the first axis."""
    return measured(np.asarray(true, dtype=bool), lambda part: 100 * part.mean())


def median(values) -> Found:
    """Return the median of an array, suites along the first axis."""
    return measured(np.asarray(values, dtype=float), np.median)


def measured(values: np.ndarray, statistic: Callable[[np.ndarray], float]) -> Found:
    """Return a statistic of all suites, with its standard error from parts of them."""
    if np.issubdtype(values.dtype, np.floating) and np.isnan(values).any():
        raise ValueError("a suite without a number would be counted as none")
    parts = [statistic(part) for part in np.array_split(values, _PARTS)]
    return Found(float(statistic(values)), float(np.std(parts, ddof=1) / np.sqrt(_PARTS)), len(values))


def excludes_zero(rows: pd.DataFrame, prefix: str = "") -> np.ndarray:
    """Return which intervals of a table do not hold zero."""
    low, high = rows[f"{prefix}ci_low"].to_numpy(), rows[f"{prefix}ci_high"].to_numpy()
    return (low > 0) | (high < 0)


def half_width(rows: pd.DataFrame) -> np.ndarray:
    """Return half the width of each interval [%]."""
    return (rows["ci_high"] - rows["ci_low"]).to_numpy() / 2
