"""Over all games of a group: every game counts once, and only the games' own variances are used.

Two scopes: *these games* says nothing about others; *games like these* takes the games measured as a sample.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.statistics.comparison import Measured
from gpubench_kit.statistics.design import CONFOUNDED
from gpubench_kit.statistics.equivalence import Uncertainty
from gpubench_kit.statistics.games import Games, Pooled, ratio_or_nan
from gpubench_kit.statistics.runs import group_ids, members_of
from gpubench_kit.statistics.withheld import DIFFERENCE_STANDS, NEVER_COMPARED, TOO_COARSE

#: Games needed to speak of others like them.
LEAST_FOR_OTHERS = 3


@dataclass(frozen=True)
class OverallEstimate:
    """Results of each family (group) in one scope; arrays over families unless said otherwise.

    Attributes
    ----------
    change, found : mean difference and how well it is known
    entered : array (cells,), whether a cell is part of ``change``
    n_games : games in ``change``
    withheld : why there is no verdict; empty where there is one
    spread : standard deviation of the true difference between games; nan in the scope *these games*
    exists : whether the scope is spoken of at all
    pooled : the mean over these games
    """

    change: np.ndarray
    found: Uncertainty
    entered: np.ndarray
    n_games: np.ndarray
    withheld: np.ndarray
    spread: np.ndarray
    exists: np.ndarray
    pooled: Pooled


def noise_ratios(results: list[tuple[Games, Pooled]]) -> list[np.ndarray]:
    """Return how noisy each unit is against the others, by all that was measured, and by its metric alone.

    Parameters
    ----------
    results : the games of every pair and metric, and their mean; at least one

    Returns
    -------
    list of arrays (2, units), one for each entry: over all pairs and metrics, and over the pairs of its metric;
    nan where a unit has no noise of its own (at the floor of its resolution everywhere)

    Notes
    -----
    The geometric mean of a game's variance over the median of the games, for each pair and metric. Linked games
    count by what they add to the variance of the mean.
    """
    keys, logs = [], []
    for games, pooled in results:
        keys.append(_unit_keys(games))
        logs.append(_log_ratios(games, pooled))
    metric = [np.full(len(log), place) for place, log in enumerate(logs)]
    names = [games.measured.pair.metric for games, _ in results]
    metric = np.unique(np.array(names, dtype=object).astype(str), return_inverse=True)[1][np.concatenate(metric)]
    key, log = np.concatenate(keys), np.concatenate(logs)
    there = np.isfinite(log)
    means = []
    for group in (group_ids([key]), group_ids([key, metric])):
        total = np.bincount(group[there], weights=log[there], minlength=int(group.max()) + 1)
        means.append(ratio_or_nan(total, np.bincount(group[there], minlength=len(total)))[group])
    ends = np.cumsum([len(one) for one in logs])[:-1]
    return np.split(np.exp(np.array(means)), ends, axis=1)


def guarded(games: Games, pooled: Pooled, ratios: np.ndarray) -> Uncertainty:
    """Return the uncertainty of a mean with degrees of freedom that hold far out in the tails.

    Parameters
    ----------
    games, pooled : the games and their mean
    ratios : array (2, units), see `noise_ratios`

    Notes
    -----
    Satterthwaite's df rises where a noisy game happens to show little noise. So
    ``df = min(df, K(r), K(r_m))``, ``K(r) = (sum r_g / n_g)^2 / sum((r_g / n_g)^2 / df_g)`` with the noise ratios r
    over all pairs and metrics, and over those of this metric.
    """
    home = np.zeros(len(pooled.unit_error), dtype=np.int64)
    home[games.unit] = games.family
    share = np.where(
        games.is_unit_linked, pooled.unit_error > 0, ratio_or_nan(pooled.unit_error, _unit_variance(games))
    )
    df = pooled.found.df
    for ratio in ratios:
        part = np.where(np.isfinite(ratio) & (pooled.unit_error > 0), ratio * share, 0.0)
        part = np.nan_to_num(part)
        total = np.bincount(home, weights=part, minlength=games.n_families)
        uncertain = np.bincount(
            home, weights=part**2 / np.where(pooled.unit_df > 0, pooled.unit_df, 1.0), minlength=games.n_families
        )
        df = np.fmin(df, ratio_or_nan(total**2, uncertain))
    return replace(pooled.found, df=df)


def these_games(games: Games, pooled: Pooled, found: Uncertainty) -> OverallEstimate:
    """Return the result over the games measured.

    Parameters
    ----------
    games, pooled : the games and their mean
    found : how well the mean is known, see `guarded`

    Notes
    -----
    ``D = mean(D_g)``, ``V = sum(V_g) / G^2`` with own variances; see `Games.pool` for games that are linked.
    """
    measured = games.measured
    judged = np.isin(measured.withheld, ("", TOO_COARSE))
    entered = pooled.entered & judged
    lost = games.any_in_family(judged) & ~games.any_in_family(entered)
    withheld = _withheld(games, entered, (lost, found.error))
    shown = np.where(games.any_in_family(pooled.entered)[games.family], pooled.entered, _comparable(measured))
    change = np.where(np.isfinite(pooled.change), pooled.change, games.mean(shown))
    nothing = np.full(games.n_families, np.nan)
    exists = np.full(games.n_families, True)
    return OverallEstimate(change, found, shown, games.count(shown), withheld, nothing, exists, pooled)


def games_like_these(games: Games, pooled: Pooled) -> OverallEstimate:
    """Return the result for games of which those measured are a sample.

    Parameters
    ----------
    games, pooled : the games and the mean over these

    Returns
    -------
    OverallEstimate; ``exists`` only with three or more games

    Notes
    -----
    ``V = var(D_g) / G`` with G - 1 degrees of freedom; where games are linked, the variance of their rounds or
    blocks is added. Games with one run, and confounded games whose tuning changes are their own and whose order
    varies, may enter.
    """
    measured, design = games.measured, games.measured.design
    independent = (measured.withheld == "confounded") & design.own_changes[games.family]
    stands = np.isin(measured.withheld, DIFFERENCE_STANDS)
    stands &= (design.classes != CONFOUNDED) | measured.is_widened
    entered = (stands | independent) & np.isfinite(measured.own.change)
    weight = games.weights(entered)
    change, variance, n_games = _between_games(games, weight)
    error, df = variance / np.maximum(n_games, 1), n_games - 1.0
    total = error + pooled.found.error
    uncertain = error**2 / np.maximum(df, 1) + pooled.found.error**2 / np.maximum(pooled.found.df, 1e-300)
    error, df = (
        np.where(design.shared, total, error),
        np.where(design.shared, ratio_or_nan(total**2, uncertain), df),
    )
    found = Uncertainty(error, df)
    if measured.spread is not None:
        share = games.sum_in_family(np.where(measured.is_widened, weight, 0.0))
        found = Uncertainty(error, df, measured.spread.variance * share**2, measured.spread.df)
    few = n_games < LEAST_FOR_OTHERS
    lost = design.shared & ~np.isfinite(pooled.found.error) & ~few
    withheld = _withheld(games, entered, (lost, error))
    withheld = np.where((withheld == "") & few, "too_few_games", withheld)
    none = (withheld != "") & ~games.any_in_family(entered)
    shown = np.where(none[games.family], _comparable(measured), entered)
    n_shown = games.count(shown)
    change = np.where((withheld != "") & (n_shown > 0), games.mean(shown), change)
    spread = np.sqrt(np.maximum(0.0, variance - _mean_error(games, weight)))
    exists = games.count(np.full(len(games.family), True)) >= LEAST_FOR_OTHERS
    return OverallEstimate(change, found, shown, n_shown, withheld, spread, exists, pooled)


def _unit_keys(games: Games) -> np.ndarray:
    """Return what names each unit in every pair and metric: its group and its first game."""
    codes, example = games.measured.pair.runs.codes, games.measured.pair.example
    count = len(games.measured.pair.runs.names["game"])
    key = np.full(int(games.unit.max()) + 1, np.iinfo(np.int64).max)
    np.minimum.at(key, games.unit, codes["group"][example] * count + games.name)
    return key


def _unit_variance(games: Games) -> np.ndarray:
    """Return the variance of one run of each unit: the mean over a game's settings that are not at their floor."""
    own = games.measured.own
    usable = games.judged & ~own.at_floor.astype(bool) & (own.variance > 0)
    n = np.bincount(games.unit[usable], minlength=int(games.unit.max()) + 1)
    return ratio_or_nan(np.bincount(games.unit[usable], weights=own.variance[usable], minlength=len(n)), n)


def _log_ratios(games: Games, pooled: Pooled) -> np.ndarray:
    """Return the log of each unit's variance over the median of its family; nan where it has none."""
    size = np.where(games.is_unit_linked, pooled.unit_error, _unit_variance(games))
    home = np.zeros(len(size), dtype=np.int64)
    home[games.unit] = games.family
    logs = np.log(np.where(size > 0, size, np.nan))
    table = members_of(home)
    inside = np.sort(np.where(table >= 0, logs[table], np.nan), axis=1)
    count = np.maximum(np.isfinite(inside).sum(axis=1, keepdims=True), 1)
    middle = [np.take_along_axis(np.exp(inside), place, axis=1) for place in ((count - 1) // 2, count // 2)]
    return logs - np.log((middle[0] + middle[1]) / 2)[home, 0]


def _between_games(games: Games, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return mean, variance between games and number of games of each family."""
    n_games = games.count(weight > 0)
    part = np.where(weight > 0, weight * np.nan_to_num(games.measured.own.change), 0.0)
    mean = games.sum_in_family(part)
    of_game, home = games.by_game(part * n_games[games.family])
    there = games.by_game((weight > 0) * 1.0)[0] > 0
    squares = np.where(there, (of_game - mean[home]) ** 2, 0.0)
    variance = np.bincount(home, weights=squares, minlength=len(n_games)) / np.maximum(n_games - 1, 1)
    return np.where(n_games > 0, mean, np.nan), np.where(n_games > 1, variance, np.nan), n_games


def _mean_error(games: Games, weight: np.ndarray) -> np.ndarray:
    """Return the mean over games of the variance of their differences, as far as it is known."""
    error = games.measured.own.error
    known = (weight > 0) & np.isfinite(error)
    # A mean over k settings of one game has 1/k of their mean variance.
    parts = np.where(known, games.weights(known) ** 2 * np.nan_to_num(error), 0.0)
    return games.sum_in_family(parts) * games.count(known)


def _withheld(games: Games, entered: np.ndarray, facts: tuple) -> np.ndarray:
    """Return why each family has no verdict; facts = (no common games, variance)."""
    lost, error = facts
    withheld = np.full(len(lost), "", dtype=object)
    withheld[~(error > 0)] = "no_spread"
    withheld[np.isnan(error)] = "one_run"
    for number in np.flatnonzero(~games.any_in_family(entered) & ~lost):
        words, counts = np.unique(games.measured.withheld[games.family == number].astype(str), return_counts=True)
        withheld[number] = str(words[counts.argmax()])
    withheld[lost] = "no_common_games"
    withheld[games.measured.design.same_order] = "order_same_every_time"
    return withheld


def _comparable(measured: Measured) -> np.ndarray:
    """Return which cells have a difference that may be shown."""
    return ~np.isin(measured.withheld, NEVER_COMPARED) & np.isfinite(measured.own.change)
