"""All results over games of a review, true together: their levels, changes in watts, and one game's influence.

Every sentence about a result over games rests on its interval; the levels of all intervals add up to that of the
page (Bonferroni, weighted), so that any of them may be picked after they were seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.errors import DesignError, PlanError
from gpubench_kit.model.metrics import headline_metrics
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.ladder import ladder_of
from gpubench_kit.statistics.equivalence import half_width
from gpubench_kit.statistics.games import Games
from gpubench_kit.statistics.overall import OverallEstimate, guarded
from gpubench_kit.statistics.units import direction_of

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
