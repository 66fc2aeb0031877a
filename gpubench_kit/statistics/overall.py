"""Over all games of a group: every game counts once, and only the games' own variances are used.

Two scopes: *these games* says nothing about others; *games like these* takes the games measured as a
sample. Where rounds or blocks serve several games, the games are averaged within them first: an
offset of one tuning change hits all games alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.statistics.coded_runs import number_groups
from gpubench_kit.statistics.difference import Estimate, estimate_from_rounds, estimate_two_groups
from gpubench_kit.statistics.layout import CONFOUNDED, NOT_STATED, RESTARTS, ROUNDS
from gpubench_kit.statistics.measure import Measured
from gpubench_kit.statistics.widening import widen
from gpubench_kit.statistics.withheld import DIFFERENCE_STANDS, NEVER_COMPARED

#: Games needed to speak of others like them.
LEAST_FOR_OTHERS = 3


@dataclass(frozen=True)
class OverallEstimate:
    """Results of each family (group) in one scope; arrays over families unless said otherwise.

    Attributes
    ----------
    change, error, df : mean difference, its variance and degrees of freedom
    entered : array (cells,), whether a cell is part of ``change``
    n_games : games in ``change``
    withheld : why there is no verdict; empty where there is one
    spread : standard deviation of the true difference between games; nan in the scope *these games*
    exists : whether the scope is spoken of at all
    """

    change: np.ndarray
    error: np.ndarray
    df: np.ndarray
    entered: np.ndarray
    n_games: np.ndarray
    withheld: np.ndarray
    spread: np.ndarray
    exists: np.ndarray


def these_games(measured: Measured) -> OverallEstimate:
    """Return the result over the games measured.

    Parameters
    ----------
    measured : one pair in one metric

    Returns
    -------
    OverallEstimate

    Notes
    -----
    ``D = mean(D_g)``, ``V = sum(V_g) / G^2`` with own variances and Satterthwaite's degrees of
    freedom; where rounds or blocks are shared, the t test on their means over the games.
    """
    family, classes = measured.pair.family, measured.layout.classes
    n_families = len(measured.layout.shared)
    judged = (measured.withheld == "") & (classes != NOT_STATED)
    weight = game_weights(measured, judged)
    change, error, df = _weighted_mean(measured, weight)
    error, df = _with_restarts(measured, (error, df), weight)
    shared = _shared_estimate(measured, judged)
    within = measured.layout.shared & (np.bincount(family[shared.entered], minlength=n_families) > 0)
    lost = measured.layout.shared & ~within & (np.bincount(family[judged], minlength=n_families) > 0)
    entered = np.where(measured.layout.shared[family], shared.entered, judged)
    change = np.where(within, shared.estimate.change, change)
    error = np.where(within, shared.estimate.error, error)
    df = np.where(within, shared.estimate.df, df)
    withheld = _withheld(measured, entered, (lost, error))
    shown, n_games = _shown(measured, entered, withheld != "")
    change = np.where((withheld != "") & ~np.isfinite(error), _mean(measured, shown), change)
    nothing = np.full(n_families, np.nan)
    exists = np.full(n_families, True)
    return OverallEstimate(change, error, df, shown, n_games, withheld, nothing, exists)


def games_like_these(measured: Measured) -> OverallEstimate:
    """Return the result for games of which those measured are a sample.

    Parameters
    ----------
    measured : one pair in one metric

    Returns
    -------
    OverallEstimate; ``exists`` only with three or more games

    Notes
    -----
    ``V = var(D_g) / G`` with G - 1 degrees of freedom; where rounds or blocks are shared, their own
    variance is added. Games with one run, and confounded games whose tuning changes are their own
    and whose order varies, may enter.
    """
    family, classes, layout = measured.pair.family, measured.layout.classes, measured.layout
    independent = (measured.withheld == "confounded") & layout.own_changes[family]
    stands = np.isin(measured.withheld, DIFFERENCE_STANDS) & (classes != NOT_STATED)
    stands &= (classes != CONFOUNDED) | measured.is_widened
    entered = (stands | independent) & np.isfinite(measured.plain.change)
    weight = game_weights(measured, entered)
    change, variance, n_games = _between_games(measured, weight)
    error, df = variance / np.maximum(n_games, 1), n_games - 1.0
    judged = entered & (measured.withheld == "")
    shared = _shared_estimate(measured, judged)
    error, df = _sum_of_variances((error, df), shared.estimate, layout.shared)
    error, df = _with_restarts(measured, (error, df), weight)
    few = n_games < LEAST_FOR_OTHERS
    lost = layout.shared & ~np.isfinite(shared.estimate.error) & ~few
    withheld = _withheld(measured, entered, (lost, error))
    withheld = np.where((withheld == "") & few, "too_few_games", withheld)
    shown, n_games = _shown(measured, entered, withheld != "")
    change = np.where((withheld != "") & (n_games > 0), _mean(measured, shown), change)
    noise = _mean_error(measured, weight)
    spread = np.sqrt(np.maximum(0.0, variance - noise))
    exists = _games(measured, np.full(len(family), True)) >= LEAST_FOR_OTHERS
    return OverallEstimate(change, error, df, shown, n_games, withheld, spread, exists)


def game_weights(measured: Measured, entered: np.ndarray) -> np.ndarray:
    """Return the weight of each cell in the mean of its family: games count once, however many settings.

    Parameters
    ----------
    measured : one pair in one metric
    entered : array (cells,), cells that count

    Returns
    -------
    array (cells,), sum 1 in every family that has a cell; 0 for cells that do not count
    """
    game = _game(measured)
    settings = np.bincount(game[entered], minlength=int(game.max()) + 1)
    n_games = _games(measured, entered)
    return np.where(entered, 1 / np.maximum(settings[game] * n_games[measured.pair.family], 1), 0.0)


@dataclass(frozen=True)
class _Shared:
    """Estimate of each family from means over the games within each round or block."""

    estimate: Estimate
    entered: np.ndarray


def _game(measured: Measured) -> np.ndarray:
    """Return the game of each cell, counted within its family."""
    pair = measured.pair
    return number_groups([pair.family, pair.runs.codes["game"][pair.example]])


def _games(measured: Measured, entered: np.ndarray) -> np.ndarray:
    """Return the number of games of each family among some of the cells."""
    game, family = _game(measured), measured.pair.family
    home = np.zeros(int(game.max()) + 1, dtype=np.int64)
    home[game] = family
    there = np.bincount(game[entered], minlength=len(home)) > 0
    return np.bincount(home[there], minlength=len(measured.layout.shared))


def _by_family(measured: Measured, values: np.ndarray) -> np.ndarray:
    """Return the sum over the cells of each family."""
    return np.bincount(measured.pair.family, weights=values, minlength=len(measured.layout.shared))


def _weighted_mean(measured: Measured, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return mean, its variance and Satterthwaite's degrees of freedom from the games' own variances."""
    own, counts = measured.plain, weight > 0
    parts = np.where(counts, weight**2 * own.error, 0.0)
    error = _by_family(measured, parts)
    uncertain = _by_family(measured, np.where(counts, parts**2 / np.where(own.df > 0, own.df, 1.0), 0.0))
    df = np.where(uncertain > 0, error**2 / np.where(uncertain > 0, uncertain, 1.0), 0.0)
    change = _by_family(measured, np.where(counts, weight * own.change, 0.0))
    some = _by_family(measured, weight) > 0
    return np.where(some, change, np.nan), np.where(some, error, np.nan), np.where(some, df, np.nan)


def _with_restarts(measured: Measured, estimate: tuple, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return variance and degrees of freedom with what restarts add: confounded games share theirs."""
    error, df = estimate
    if measured.spread is None:
        return error, df
    share = _by_family(measured, np.where(measured.is_widened, weight, 0.0))
    wide, wide_df = widen(error, df, measured.spread, weight=share)
    return np.where(share > 0, wide, error), np.where(share > 0, wide_df, df)


def _shared_estimate(measured: Measured, judged: np.ndarray) -> _Shared:
    """Return the estimate from means over games within each shared round or block.

    Rounds (or blocks) that fewer than half of the games have are left out, then games that are not
    in all that remain.
    """
    family, layout = measured.pair.family, measured.layout
    n_families, width = len(layout.shared), measured.units.means.shape[2]
    in_blocks = layout.shared & (
        np.bincount(family[judged & (layout.classes == RESTARTS)], minlength=n_families) > 0
    )
    wanted = np.where(in_blocks, RESTARTS, ROUNDS)[family]
    cells = judged & layout.shared[family] & (layout.classes == wanted)
    values = measured.units.means
    # A round counts for both sides or for neither.
    complete = ~np.isnan(values).any(axis=1, keepdims=True)
    there = np.where(in_blocks[family][:, None, None], ~np.isnan(values), complete) & cells[:, None, None]
    counts = np.zeros((n_families, 2, width))
    np.add.at(counts, family, there)
    kept = 2 * counts >= np.maximum(np.bincount(family[cells], minlength=n_families), 1)[:, None, None]
    entered = cells & ~(kept[family] & ~there).any(axis=(1, 2))
    weight = game_weights(measured, entered)[:, None, None]
    means = np.zeros((n_families, 2, width))
    np.add.at(means, family, np.where(entered[:, None, None] & there, weight * np.nan_to_num(values), 0.0))
    some = np.bincount(family[entered], minlength=n_families) > 0
    means = np.where(kept & some[:, None, None], means, np.nan)
    estimate = estimate_two_groups(means).where(in_blocks, estimate_from_rounds(means))
    return _Shared(estimate, entered)


def _between_games(measured: Measured, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return mean, variance between games and number of games of each family."""
    game, family, change = _game(measured), measured.pair.family, measured.plain.change
    n_games = _games(measured, weight > 0)
    mean = _by_family(measured, np.where(weight > 0, weight * np.nan_to_num(change), 0.0))
    of_game = np.zeros(int(game.max()) + 1)
    home = np.zeros(len(of_game), dtype=np.int64)
    home[game] = family
    np.add.at(of_game, game, np.where(weight > 0, weight * np.nan_to_num(change), 0.0) * n_games[family])
    there = np.bincount(game[weight > 0], minlength=len(of_game)) > 0
    squares = np.where(there, (of_game - mean[home]) ** 2, 0.0)
    variance = np.bincount(home, weights=squares, minlength=len(n_games)) / np.maximum(n_games - 1, 1)
    return np.where(n_games > 0, mean, np.nan), np.where(n_games > 1, variance, np.nan), n_games


def _mean_error(measured: Measured, weight: np.ndarray) -> np.ndarray:
    """Return the mean over games of the variance of their differences, as far as it is known."""
    known = (weight > 0) & np.isfinite(measured.plain.error)
    again = game_weights(measured, known)
    # A mean over k settings of one game has 1/k of their mean variance.
    parts = np.where(known, again**2 * measured.plain.error, 0.0)
    return _by_family(measured, parts) * _games(measured, known)


def _sum_of_variances(between: tuple, shared: Estimate, is_shared: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the variance between games plus that of shared rounds or blocks, with Satterthwaite's df."""
    error, df = between
    total = error + shared.error
    uncertain = error**2 / np.maximum(df, 1) + shared.error**2 / np.maximum(shared.df, 1)
    total_df = np.where(uncertain > 0, total**2 / np.where(uncertain > 0, uncertain, 1.0), df)
    return np.where(is_shared, total, error), np.where(is_shared, total_df, df)


def _withheld(measured: Measured, entered: np.ndarray, facts: tuple) -> np.ndarray:
    """Return why each family has no verdict; facts = (no common games, variance)."""
    lost, error = facts
    family, layout = measured.pair.family, measured.layout
    some = np.bincount(family[entered], minlength=len(lost)) > 0
    withheld = np.full(len(lost), "", dtype=object)
    withheld[~(error > 0)] = "no_spread"
    withheld[np.isnan(error)] = "one_run"
    for number in np.flatnonzero(~some & ~lost):
        withheld[number] = _commonest(measured, number)
    withheld[lost] = "no_common_games"
    withheld[layout.same_order] = "order_same_every_time"
    return withheld


def _commonest(measured: Measured, family: int) -> str:
    """Return the commonest reason among the games of a family; the order not stated is one."""
    cells = measured.pair.family == family
    reasons = np.where(
        (measured.withheld == "") & (measured.layout.classes == NOT_STATED), "not_stated", measured.withheld
    )[cells]
    words, counts = np.unique(reasons.astype(str), return_counts=True)
    return str(words[counts.argmax()])


def _shown(measured: Measured, entered: np.ndarray, lacking: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which cells the change shown is made of, and how many games: all comparable ones without a verdict."""
    family = measured.pair.family
    comparable = ~np.isin(measured.withheld, NEVER_COMPARED) & np.isfinite(measured.plain.change)
    none = lacking & (np.bincount(family[entered], minlength=len(lacking)) == 0)
    shown = np.where(none[family], comparable, entered)
    return shown, _games(measured, shown)


def _mean(measured: Measured, shown: np.ndarray) -> np.ndarray:
    """Return the mean difference of each family over some of the cells."""
    weight = game_weights(measured, shown)
    total = _by_family(measured, np.where(shown, weight * np.nan_to_num(measured.plain.change), 0.0))
    return np.where(_by_family(measured, weight) > 0, total, np.nan)
