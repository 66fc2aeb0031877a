"""Over all games of a group: every game counts once, and only the games' own variances are used.

Two scopes: *these games* says nothing about others; *games like these* takes the games measured as a sample.
All results of a page are true together: the levels of their intervals add up to that of the page (Bonferroni,
weighted), so that any of them may be picked after they were seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.model.errors import DesignError, PlanError
from gpubench_kit.model.metrics import headline_metrics
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import ladder_of
from gpubench_kit.statistics.comparison import DIFFERENCE_STANDS, NEVER_COMPARED, TOO_COARSE, Measured
from gpubench_kit.statistics.design import CONFOUNDED
from gpubench_kit.statistics.games import Games, Pooled
from gpubench_kit.statistics.runs import group_ids, members_of
from gpubench_kit.statistics.testing import Uncertainty, half_width
from gpubench_kit.statistics.variance import direction_of, ratio_or_nan

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
        # What names each unit in every pair and metric: its group and its first game.
        runs, example = games.measured.pair.runs, games.measured.pair.example
        keys.append(np.full(int(games.unit.max()) + 1, np.iinfo(np.int64).max))
        np.minimum.at(keys[-1], games.unit, runs.codes["group"][example] * len(runs.names["game"]) + games.name)
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
    # The mean over games of the variance of their differences, as far as it is known; a mean over k settings of one
    # game has 1/k of their mean variance.
    known = (weight > 0) & np.isfinite(measured.own.error)
    parts = np.where(known, games.weights(known) ** 2 * np.nan_to_num(measured.own.error), 0.0)
    mean_error = games.sum_in_family(parts) * games.count(known)
    spread = np.sqrt(np.maximum(0.0, variance - mean_error))
    exists = games.count(np.full(len(games.family), True)) >= LEAST_FOR_OTHERS
    return OverallEstimate(change, found, shown, n_shown, withheld, spread, exists, pooled)


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


#: Shares of the page's level: the primary metric in the main group, its companion there, all others.
SHARES = (0.4, 0.4, 0.2)
#: Without a game, an influence is looked for from so many games on.
LEAST_FOR_INFLUENCE = 3

#: Word for "every game of the pair" in the place of a metric and a group.
_EVERY_GAME = ("", "")


@dataclass(frozen=True)
class MemberLevels:
    """Levels of all results over games that the page can speak of.

    Attributes
    ----------
    level : of the page
    levels : by number of the pair in the plan, metric and group
    main_group : group with most games
    groups : groups of the plan
    """

    level: float
    levels: Mapping[tuple[int, str, str], float]
    main_group: str
    groups: tuple[str, ...]

    def of(self, place: int, metric: str, group: str) -> float:
        """Return the level of a result; nan where it is no member. A group that the plan lacks is the main one."""
        group = group if group in self.groups else self.main_group
        return self.levels.get((place, metric, group), float("nan"))

    def every_game(self, place: int) -> float:
        """Return the level of "in every game" of the primary metric; nan where it is no member."""
        return self.levels.get((place, *_EVERY_GAME), float("nan"))


def member_levels(plan: ReviewPlan, level: float) -> MemberLevels:
    """Return the level of every result over games, from the plan alone: missing data change nothing.

    Parameters
    ----------
    plan : ReviewPlan
    level : of the page

    Returns
    -------
    MemberLevels

    Notes
    -----
    Members are one result per pair, metric with a direction and group, and one per pair for "in every game" of the
    primary metric. 0.4 of the level go to the primary metric in the main group, shared by the pairs; 0.4 to the
    first low (or pacing) there; 0.2 to all others. A share without members goes to the first that has some. The
    same pair on several benches is one, whose level the benches share. Steps of a sweep are no members.
    """
    found: dict[str, set[str]] = {}
    for game in plan.games:
        for setting in game.settings:
            found.setdefault(setting.group, set()).add(game.name)
    groups = {group: len(names) for group, names in found.items()}
    main = max(groups, key=groups.__getitem__)
    metrics = [name for name in plan.analysis.metrics if direction_of(name)]
    primary = plan.analysis.primary
    companion = next((name for name in headline_metrics("lows") if name in metrics and name != primary), "")
    first, second = (primary, main), (companion, main)
    others = [(metric, group) for group in groups for metric in metrics if (metric, group) not in (first, second)]
    kinds = [
        [first] * (primary in metrics),
        [second] * bool(companion),
        [*others, *[_EVERY_GAME] * (primary in metrics)],
    ]
    shares = np.array(SHARES)
    filled = np.array([len(one) > 0 for one in kinds])
    if not filled.any():
        return MemberLevels(level, {}, main, tuple(groups))
    shares[filled.argmax()] += shares[~filled].sum()
    pairs = _pairs_over_benches(plan)
    levels = {
        (place, *one): level * share / (len(pairs) * len(kind) * len(places))
        for kind, share in zip(kinds, shares, strict=True)
        for one in kind
        for places in pairs
        for place in places
    }
    return MemberLevels(level, levels, main, tuple(groups))


def ladder_steps(plan: ReviewPlan) -> frozenset[str]:
    """Return the tunings that are steps of a ``[sweep]``; none where the plan names no ladder."""
    if not plan.sweep.ladder:
        return frozenset()
    try:
        ladder = ladder_of(plan)
    except (PlanError, DesignError):
        return frozenset()
    return frozenset(setting.tuning for line in ladder.lines for setting in line.settings)


def influence(
    games: Games, result: OverallEstimate, ratios: np.ndarray, *, level: np.ndarray, margin: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the game without which a result would be another, and the mean difference without it.

    Parameters
    ----------
    games, result : the games of one pair and metric, and their result
    ratios : see `gpubench_kit.statistics.overall.noise_ratios`
    level : array (families,), of each result
    margin : smallest difference that matters, on the scale of the tests; nan for none

    Returns
    -------
    arrays (families,): place of the game within its family, -1 for none; difference, nan for none

    Notes
    -----
    Each game in turn is left out, from three games on. It carries the result where without it (i) the opposite
    would be said: a difference the other way, or one beyond the margin instead of none; or (ii) a difference
    would not be found and be at most half as large.
    """
    found, wanted = result.found, (result.withheld == "") & (result.n_games >= LEAST_FOR_INFLUENCE)
    carried, without = np.full(games.n_families, -1), np.full(games.n_families, np.nan)
    if not wanted.any():
        return carried, without
    change, half = result.change, half_width(level, found)
    real, inside = np.abs(change) > half, np.abs(change) + half < margin
    most = np.zeros(games.n_families)
    for place in range(int(games.place.max()) + 1):
        pooled = games.pool(result.entered & (games.place != place))
        moved, half = pooled.change, half_width(level, guarded(games, pooled, ratios))
        still, fits = np.abs(moved) > half, np.abs(moved) + half < margin
        same_way = np.sign(moved) == np.sign(change)
        opposite = np.where(real, still & ~same_way, inside & still & ~fits)
        gone = real & ~(still & same_way) & (np.abs(moved) <= np.abs(change) / 2)
        distance = np.abs(change - moved)
        flagged = wanted & (opposite | gone) & np.isfinite(half) & (distance > most)
        carried, without = np.where(flagged, place, carried), np.where(flagged, moved, without)
        most = np.where(flagged, distance, most)
    return carried, without


def change_in_unit(
    games: Games, result: OverallEstimate, ratios: np.ndarray, *, level: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the mean over games of their differences in the unit of a metric on the ratio scale, and its interval.

    Parameters
    ----------
    games, result, ratios, level : as in `influence`

    Notes
    -----
    With means ``A`` and ``B = A exp(D)`` the standard error of ``B - A`` is ``sqrt((A^2 + B^2) / 2)`` times that of
    ``D`` (to first order). All else is as for the change in percent.
    """
    against = np.exp(games.measured.units.side_means[:, 1])
    entered = result.pooled.entered
    log = np.where(entered, result.pooled.cell_change, 0.0)
    gain = against * np.sqrt((1 + np.exp(2 * log)) / 2)
    pooled = games.pool(entered, gain=np.where(entered, gain, 0.0))
    weight = np.where(entered, pooled.weight, 0.0)
    change = games.sum_in_family(np.where(entered, weight * np.nan_to_num(against) * np.expm1(log), 0.0))
    change = np.where(games.any_in_family(entered), change, np.nan)
    half = half_width(level, guarded(games, pooled, ratios))
    return change, change - half, change + half


def _pairs_over_benches(plan: ReviewPlan) -> list[list[int]]:
    """Return the numbers of the pairs that count, those of one pair on several benches together."""
    steps = ladder_steps(plan)
    found: dict[tuple, list[int]] = {}
    for place, pair in enumerate(plan.pairs()):
        is_step = pair.of.card == pair.against.card and {pair.of.tuning, pair.against.tuning} & steps
        if is_step:
            continue
        key: tuple = (pair.of.card, pair.of.tuning, pair.against.card, pair.against.tuning)
        if pair.of.bench != pair.against.bench:
            key = (*key, pair.of.bench, pair.against.bench)
        found.setdefault(key, []).append(place)
    return list(found.values())
