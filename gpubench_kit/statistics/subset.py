"""The result over some of the games, from the table of comparisons: for claims that must hold for a part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.statistics.adapters import t_quantile, t_tail
from gpubench_kit.statistics.in_unit import game_weights_of
from gpubench_kit.statistics.mirrored import scaled
from gpubench_kit.statistics.overall import LEAST_FOR_OTHERS

#: Layout in which the games do not share what their runs have in common.
_INDEPENDENT = "rounds"


@dataclass(frozen=True)
class PartResult:
    """Mean change over a part of the games, on the scale of the tests.

    Attributes
    ----------
    n_games : games in it
    change, se, df : mean, standard error and degrees of freedom; nan where they are not known
    """

    n_games: int
    change: float
    se: float
    df: float

    def p_loss(self, margin: float, *, direction: int) -> float:
        """Return the p-value against a loss as large as the margin; nan where nothing is known."""
        return float(t_tail((direction * self.change + margin) / self.se, self.df)) if self.se > 0 else float("nan")

    def lower(self, level: float, *, direction: int) -> float:
        """Return the one-sided lower end of the change for the better."""
        return float(direction * self.change - t_quantile(1 - level, self.df) * self.se)


def over_part(games: pd.DataFrame, *, scope: str, layout: str) -> PartResult:
    """Return the mean change over games with its standard error.

    Parameters
    ----------
    games : rows of ``comparisons`` of one pair, metric and group
    scope : ``these_games`` or ``games_like_these``
    layout : of the overall result

    Returns
    -------
    PartResult

    Notes
    -----
    Every game counts once, its settings averaged first. These games: ``V = sum(w^2 V_g)`` with own
    variances and Satterthwaite's df; where games share rounds or restarts, what they have in common is
    not in the table, so the standard error is the mean of the games', which no correlation exceeds, with
    the fewest df of any. Games like these: one-sample t on the games' changes, for at least three games.
    """
    n_games = games["game"].nunique() if len(games) else 0
    if not n_games:
        return PartResult(0, *[float("nan")] * 3)
    weight, change = game_weights_of(games), scaled(games, "change")
    mean, is_shared = float(weight @ change), layout != _INDEPENDENT
    se, df = _own_errors(games)
    error, error_df = (weight @ se, df.min()) if is_shared else _sum(weight * se, df)
    if scope == "these_games":
        return PartResult(n_games, mean, float(error), float(error_df))
    if n_games < LEAST_FOR_OTHERS:
        return PartResult(n_games, mean, float("nan"), float("nan"))
    of_game = pd.Series(change).groupby(games["game"].to_numpy()).mean()
    between = float(of_game.std(ddof=1) / np.sqrt(n_games))
    parts = np.array([between, error if is_shared and np.isfinite(error) else 0.0])
    error, error_df = _sum(parts, np.array([n_games - 1, max(error_df, 1) if np.isfinite(error_df) else 1]))
    return PartResult(n_games, mean, float(error), float(error_df))


def _own_errors(games: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return standard error and degrees of freedom of each game from its own runs alone."""
    borrowed = games["borrowed"].fillna(False).to_numpy(dtype=bool)
    level, df = 1 - games["confidence"].to_numpy(dtype=float), games["df"].to_numpy(dtype=float)
    # Noise is borrowed in rounds only, where a game of n rounds has n - 1 degrees of freedom of its own.
    df = np.where(borrowed, games["n_blocks"].to_numpy(dtype=float) - 1, df)
    half = (scaled(games, "own_ci_high") - scaled(games, "own_ci_low")) / 2
    own = half / t_quantile(1 - level / 2, df)
    return np.where(borrowed, own, games["se"].to_numpy(dtype=float)), df


def _sum(errors: np.ndarray, df: np.ndarray) -> tuple[float, float]:
    """Return the standard error of a sum of independent parts, and its degrees of freedom (Satterthwaite 1946)."""
    total, uncertain = (errors**2).sum(), (errors**4 / df).sum()
    return float(np.sqrt(total)), float(total**2 / uncertain) if uncertain > 0 else float("nan")
