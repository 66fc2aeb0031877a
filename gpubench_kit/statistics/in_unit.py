"""Changes in percent as differences in the metric's unit: "45 W less" instead of "18 % less".

Ratios are tested on natural logs. A sentence, or a bill, speaks of watts. The difference of the two
means carries the interval of the ratio, by the delta method.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.statistics.multiplicity import NO_VERDICT
from gpubench_kit.wording.reasons import SEPARATOR

_ENDS = ("ci_low", "ci_high", "equivalence_ci_low", "equivalence_ci_high")


@dataclass(frozen=True)
class UnitChange:
    """A difference in the metric's unit with its intervals; nan where they are not known.

    Attributes
    ----------
    change, ci_low, ci_high, equivalence_ci_low, equivalence_ci_high : as in the tables, in the unit
    of_value, against_value : means of both sides, over the games with equal weight
    n_games : games that entered
    """

    change: float
    ci_low: float
    ci_high: float
    equivalence_ci_low: float
    equivalence_ci_high: float
    of_value: float
    against_value: float
    n_games: int


def game_in_unit(row, *, strict: bool = False) -> UnitChange:
    """Return the difference of one game in the metric's unit.

    Parameters
    ----------
    row : row of ``comparisons``
    strict : whether to use the interval from the game's own runs alone

    Returns
    -------
    UnitChange

    Notes
    -----
    With means ``A`` (against) and ``B = A exp(D)`` and equal noise on both sides the standard error of
    ``B - A`` is ``sqrt((A^2 + B^2)/2)`` times that of ``D``.
    """
    log = {name: _log(getattr(row, f"own_{name}" if strict else name), row.scale) for name in _ENDS}
    return _in_unit(pd.DataFrame([row._asdict()]), log)


def games_in_unit(games: pd.DataFrame, row) -> UnitChange:
    """Return the mean difference over games in the metric's unit, with the interval of the overall result.

    Parameters
    ----------
    games : rows of ``comparisons`` that entered the overall result, see `entered_games`
    row : row of ``overall``, scope ``these_games``

    Returns
    -------
    UnitChange : every game counts once, its settings averaged first

    Notes
    -----
    The half-width is that of the overall change on natural logs, times
    ``sqrt(sum w^2 g^2 v / sum w^2 v)`` with weights ``w``, error variances ``v`` of the games and
    ``g^2 = (A^2 + B^2)/2``: exact (to first order) for independent games, and no narrower than needed
    where all games share their rounds.
    """
    # One interval decides all of a result over games.
    one = {name: getattr(row, name, getattr(row, name.removeprefix("equivalence_"))) for name in _ENDS}
    ends = {name: _log(end, row.scale) for name, end in one.items()}
    return _in_unit(games, ends)


def has_entered(game, row) -> bool:
    """Return whether a game is part of a result over games.

    Parameters
    ----------
    game : row of ``comparisons`` of the same pair, metric and group
    row : row of ``overall``
    """
    if not np.isfinite(game.change) or (game.verdict == NO_VERDICT and row.scope == "these_games"):
        return False
    return not {game.game, f"{game.game} ({game.setting})"} & set(row.games_left_out.split(SEPARATOR))


def entered_games(comparisons: pd.DataFrame, row) -> pd.DataFrame:
    """Return the rows of ``comparisons`` that a result over games is made of.

    Parameters
    ----------
    comparisons : DataFrame, see ``tables.COMPARISONS``
    row : row of ``overall``
    """
    names = (*PAIR_KEY, "group", "metric")
    games = comparisons[np.logical_and.reduce([comparisons[name] == getattr(row, name) for name in names])]
    return games[[has_entered(game, row) for game in games.itertuples()]]


def game_weights_of(games: pd.DataFrame) -> np.ndarray:
    """Return weights that count every game once, its settings sharing the weight; their sum is 1."""
    settings = games.groupby("game", sort=False)["setting"].transform("count").to_numpy(dtype=float)
    return 1 / (settings * max(games["game"].nunique(), 1))


def _in_unit(games: pd.DataFrame, log: dict[str, float]) -> UnitChange:
    """Return the mean difference over games, with ends that stand as far off as on the log scale."""
    weight = game_weights_of(games)
    against = games["against_value"].to_numpy(dtype=float)
    change = games["change"].to_numpy(dtype=float)
    is_ratio = bool((games["scale"] == "ratio").all())
    of = against * (1 + change / 100) if is_ratio else against + change
    middle = weight @ (np.log(of / against) if is_ratio else change)
    gain = _gain(weight, (of, against), games["se"].to_numpy(dtype=float)) if is_ratio else 1.0
    mean = float(weight @ (of - against))
    halves = {
        "ci_low": log["ci_high"] - log["ci_low"],
        "equivalence_ci_low": log["equivalence_ci_high"] - log["equivalence_ci_low"],
    }
    centre = {
        "ci_low": (log["ci_high"] + log["ci_low"]) / 2,
        "equivalence_ci_low": (log["equivalence_ci_high"] + log["equivalence_ci_low"]) / 2,
    }
    ends = {}
    for name, other in (("ci_low", "ci_high"), ("equivalence_ci_low", "equivalence_ci_high")):
        # The centre of an interval is the change, but for games that share rounds of which some are cut.
        at, half = mean + gain * (centre[name] - middle), gain * halves[name] / 2
        ends |= {name: float(at - half), other: float(at + half)}
    levels = {"of_value": float(weight @ of), "against_value": float(weight @ against)}
    return UnitChange(mean, **ends, **levels, n_games=int(games["game"].nunique()))


def _gain(weight: np.ndarray, sides: tuple[np.ndarray, np.ndarray], se: np.ndarray) -> float:
    """Return by how much a standard error on natural logs grows in the unit."""
    squares = (sides[0] ** 2 + sides[1] ** 2) / 2
    shares = weight**2 * (se**2 if np.isfinite(se).all() and (se > 0).any() else 1.0)
    return float(np.sqrt((shares @ squares) / shares.sum()))


def _log(change: float, scale: str) -> float:
    """Return a change on the scale of the tests."""
    return float(np.log1p(change / 100)) if scale == "ratio" else float(change)
