"""How far a value is from those of its fellows, and how far runs of its game usually are."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.registry import METRICS
from gpubench_kit.statistics.variance import borrow_variance, resolution_variance


def is_flagged(rated: pd.DataFrame, limit: float) -> np.ndarray:
    """Return which values are farther from their fellows than so many usual spreads.

    Parameters
    ----------
    rated : with the columns of `distance_from_fellows`
    limit : in usual spreads of the game
    """
    return (rated["distance"].abs() > limit * rated["spread"]).to_numpy(dtype=bool)


def distance_from_fellows(values: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return how far each value is from its fellows, and how far runs of its game usually are.

    Parameters
    ----------
    values : rows of ``Evidence.values``

    Returns
    -------
    dict of arrays (rows,): ``distance`` from the median of the fellows and ``center``, that median,
    natural log on the ratio scale, else in the unit; ``spread``, the usual standard deviation of runs
    of this game without the run itself, borrowed from the other games where there are six; nan where
    there is nothing to hold a value against
    """
    found = {name: np.full(len(values), np.nan) for name in ("distance", "center", "spread")}
    places = pd.Series(np.arange(len(values)), index=values.index)
    for (metric, *_), rows in places.groupby([values[name] for name in ("metric", "card", "bench", "purpose")]):
        same = values.loc[rows.index]
        is_ratio = METRICS[metric].scale == "ratio"
        y, step = _scaled(same, is_ratio=is_ratio)
        cell, game = (pd.factorize(same[name])[0] for name in ("cell", "of_game"))
        center = pd.Series(y).groupby(cell).transform("median").to_numpy()
        found["center"][rows] = center
        found["distance"][rows] = y - center
        found["spread"][rows] = _spread_without_each(y, step, cell=cell, game=game)
    return found


def _scaled(values: pd.DataFrame, *, is_ratio: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return values and steps on the scale on which they are compared; nan where that is not possible."""
    value, step = values["value"].to_numpy(dtype=float), values["step"].fillna(0).to_numpy(dtype=float)
    if not is_ratio:
        return value, step
    above = np.where(value > 0, value, np.nan)
    return np.log(above), step / above


def _spread_without_each(y: np.ndarray, step: np.ndarray, *, cell: np.ndarray, game: np.ndarray) -> np.ndarray:
    """Return for each run the usual spread of its game, reckoned without the run itself."""
    known = np.isfinite(y)
    spread = np.full(len(y), np.nan)
    y, step, cell, game = y[known], step[known], cell[known], game[known]
    n = np.bincount(cell)[cell].astype(float)
    mean = (np.bincount(cell, weights=y) / np.maximum(np.bincount(cell), 1))[cell]
    squares = np.bincount(game, weights=(y - mean) ** 2)
    df = np.bincount(game) - np.bincount(game, weights=1 / n)
    # Leaving one run out of a cell of n takes n / (n - 1) times its squared distance from the sum.
    own_squares = np.maximum(squares[game] - (y - mean) ** 2 * n / np.maximum(n - 1, 1), 0.0)
    own_df = np.where(n > 1, df[game] - 1, 0.0)
    floor = np.maximum(resolution_variance(step), 1e-12)
    own = np.where(own_df > 0, own_squares / np.maximum(own_df, 1), np.nan)
    others = np.where(df > 0, squares / np.maximum(df, 1), np.nan)
    rows = np.arange(len(y))
    table, degrees = np.tile(others, (len(y), 1)), np.tile(df, (len(y), 1))
    table[rows, game], degrees[rows, game] = own, own_df
    borrowed = borrow_variance(np.nan_to_num(table), np.rint(degrees)).variance[rows, game]
    spread[known] = np.where(own_df > 0, np.sqrt(np.maximum(borrowed, floor)), np.nan)
    return spread
