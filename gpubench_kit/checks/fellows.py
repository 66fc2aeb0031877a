"""How far a value is from those of its fellows, and how far runs of its game usually are."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.adapters import t_quantile
from gpubench_kit.statistics.variance import borrow_variance, resolution_variance

#: Chance, for one run, of being flagged where the spread rests on few runs.
_CHANCE = 0.002
# Equal values without a known resolution still differ by more than this: a millionth.
_LEAST_VARIANCE = 1e-12


def is_flagged(rated: pd.DataFrame, limit: float) -> np.ndarray:
    """Return which values are farther from their fellows than so many usual spreads.

    Parameters
    ----------
    rated : with the columns of `distance_from_fellows`
    limit : in usual spreads of the game
    """
    return np.abs(rated["distance"].to_numpy(dtype=float)) > flag_bound(rated, limit)


def flag_bound(rated: pd.DataFrame, limit: float) -> np.ndarray:
    """Return the distance from its fellows beyond which each value is flagged.

    Parameters
    ----------
    rated, limit : as in `is_flagged`

    Returns
    -------
    array (rows,): ``limit`` usual spreads; where the spread itself rests on fewer than eight degrees of
    freedom, as many as chance exceeds once in 500 runs (Student's t), so that a few runs do not flag
    each other; nan where there is nothing to hold a value against
    """
    by_chance = t_quantile(1 - _CHANCE / 2, rated["spread_df"].to_numpy(dtype=float))
    return np.maximum(limit, by_chance) * rated["spread"].to_numpy(dtype=float)


def distance_from_fellows(values: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return how far each value is from its fellows, and how far runs of its game usually are.

    Parameters
    ----------
    values : rows of ``Evidence.values``

    Returns
    -------
    dict of arrays (rows,): ``distance`` from the median of the fellows and ``center``, that median,
    natural log on the ratio scale, else in the unit; ``spread``, the usual standard deviation of runs
    of this game without the run itself, borrowed from the other games where there are six, and its
    degrees of freedom, ``spread_df``; nan where there is nothing to hold a value against
    """
    found = {name: np.full(len(values), np.nan) for name in ("distance", "center", "spread", "spread_df")}
    places = pd.Series(np.arange(len(values)), index=values.index)
    numbers = values[["value", "step", "cell", "of_game"]]
    for (metric, *_), rows in places.groupby([values[name] for name in ("metric", "card", "bench", "purpose")]):
        same = numbers.iloc[rows]
        y, step = _scaled(same, is_ratio=METRICS[metric].scale == "ratio")
        cell, game = (pd.factorize(same[name])[0] for name in ("cell", "of_game"))
        center = pd.Series(y).groupby(cell).transform("median").to_numpy()
        found["center"][rows] = center
        found["distance"][rows] = y - center
        found["spread"][rows], found["spread_df"][rows] = _spread_without_each(y, step, cell=cell, game=game)
    return found


def _scaled(values: pd.DataFrame, *, is_ratio: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return values and steps on the scale on which they are compared; nan where that is not possible."""
    value, step = values["value"].to_numpy(dtype=float), values["step"].fillna(0).to_numpy(dtype=float)
    if not is_ratio:
        return value, step
    above = np.where(value > 0, value, np.nan)
    return np.log(above), step / above


def _spread_without_each(
    y: np.ndarray, step: np.ndarray, *, cell: np.ndarray, game: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return for each run the usual spread of its game, reckoned without the run itself, and its df."""
    known = np.isfinite(y)
    spread, spread_df = np.full(len(y), np.nan), np.full(len(y), np.nan)
    y, step, cell, game = y[known], step[known], cell[known], game[known]
    n = np.bincount(cell)[cell].astype(float)
    mean = (np.bincount(cell, weights=y) / np.maximum(np.bincount(cell), 1))[cell]
    squares = np.bincount(game, weights=(y - mean) ** 2)
    df = np.rint(np.bincount(game) - np.bincount(game, weights=1 / n))
    # Leaving one run out of a cell of n takes n / (n - 1) times its squared distance from the sum.
    own_squares = np.maximum(squares[game] - (y - mean) ** 2 * n / np.maximum(n - 1, 1), 0.0)
    own_df = np.where(n > 1, df[game] - 1, 0.0)
    rows = np.arange(len(y))
    table, degrees = np.tile(squares / np.maximum(df, 1), (len(y), 1)), np.tile(df, (len(y), 1))
    table[rows, game], degrees[rows, game] = own_squares / np.maximum(own_df, 1), own_df
    borrowed = borrow_variance(table, degrees)
    floor = np.maximum(resolution_variance(step), _LEAST_VARIANCE)
    usual = np.sqrt(np.maximum(borrowed.variance[rows, game], floor))
    spread[known] = np.where(own_df > 0, usual, np.nan)
    spread_df[known] = np.where(own_df > 0, borrowed.df[rows, game], np.nan)
    return spread, spread_df
