"""What each setting of a sweep loses or gains against the factory state, over the games of each group.

The numbers are those of any other comparison: rounds or blocks as the layout allows, own variances, every
game counted once. Nothing is pooled between settings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from gpubench_kit.statistics.coded_runs import CodedRuns
from gpubench_kit.statistics.comparison import measure_pair
from gpubench_kit.statistics.equivalence import Uncertainty, half_width, one_sided_p
from gpubench_kit.statistics.games import Games
from gpubench_kit.statistics.looks import without_flagged
from gpubench_kit.statistics.overall import these_games
from gpubench_kit.statistics.units import direction_of, scaled_margin


@dataclass(frozen=True)
class Losses:
    """Settings against the factory state in one metric; arrays (settings, groups).

    Attributes
    ----------
    change : mean difference of natural logs (or in the unit)
    found : how well it is known
    n : rounds, or units of the side that has fewer, of the game that has fewest
    n_games : games in ``change``
    withheld : why nothing can be judged; empty where something can
    """

    change: np.ndarray
    found: Uncertainty
    n: np.ndarray
    n_games: np.ndarray
    withheld: np.ndarray

    @property
    def se(self) -> np.ndarray:
        """Standard error; nan where nothing can be judged."""
        judged = (self.withheld == "") & (self.found.error > 0)
        return np.sqrt(np.where(judged, self.found.error, np.nan))

    @property
    def df(self) -> np.ndarray:
        """Degrees of freedom of the standard error."""
        return self.found.df

    def half_width(self, level: float) -> np.ndarray:
        """Return half of the interval, two-sided at a level; nan where nothing can be judged."""
        return np.where(np.isfinite(self.se), half_width(level, self.found), np.nan)


@dataclass(frozen=True)
class MarginTests:
    """One-sided tests of every setting against the margin; arrays (settings, groups).

    Attributes
    ----------
    p_non_inferiority : against a loss as large as the margin or larger
    p_too_much : against a loss smaller than the margin
    p_no_loss_on_card : the larger of ``p_non_inferiority`` and that over the games limited by the card alone
    worst_loss : one-sided end of the interval: no more than this is lost [natural log, positive]
    """

    p_non_inferiority: np.ndarray
    p_too_much: np.ndarray
    p_no_loss_on_card: np.ndarray
    worst_loss: np.ndarray

    @property
    def p(self) -> np.ndarray:
        """The p-value that a step must pass: over all games, and over those limited by the card; nan: neither."""
        return np.maximum(self.p_non_inferiority, self.p_no_loss_on_card)


def measure_settings(coded: CodedRuns, pairs: Sequence, *, groups: Sequence[str], metric: str, plan) -> Losses:
    """Measure settings against the factory state.

    Parameters
    ----------
    coded : usable runs
    pairs : each setting against the factory state
    groups : groups of game settings, which are never pooled
    metric : name of the metric
    plan : ReviewPlan

    Returns
    -------
    Losses, arrays (pairs, groups)
    """
    shape = (len(pairs), len(groups))
    change = np.full(shape, np.nan)
    parts = {field.name: np.zeros(shape) for field in fields(Uncertainty)}
    parts |= {name: np.full(shape, np.nan) for name in ("error", "df")}
    counts = {name: np.zeros(shape, dtype=np.int64) for name in ("n", "n_games")}
    withheld = np.full(shape, "not_measured", dtype=object)
    place_of = {group: place for place, group in enumerate(groups)}
    for row, pair in enumerate(pairs):
        measured = measure_pair(coded, pair, place=row, metric=metric, plan=plan)
        if measured is None:
            continue
        games = Games(measured)
        pooled = games.pool(games.judged)
        result = these_games(games, pooled, pooled.found)
        names = np.full(len(result.change), "", dtype=object)
        names[measured.pair.family] = measured.pair.cell_text("group")
        columns = np.array([place_of[name] for name in names])
        change[row, columns] = result.change
        for name, array in parts.items():
            array[row, columns] = getattr(result.found, name)
        counts["n_games"][row, columns] = result.n_games
        counts["n"][row, columns] = _fewest(measured.used.n_units, measured.pair.family, result.entered)
        withheld[row, columns] = result.withheld
    return Losses(change, Uncertainty(**parts), **counts, withheld=withheld)


def judge_settings(
    coded: CodedRuns, pairs: Sequence, *, groups: Sequence[str], metric: str, plan, level: float
) -> tuple[Losses, MarginTests]:
    """Measure settings and hold each against the margin.

    Parameters
    ----------
    coded, pairs, groups, metric, plan : as in `measure_settings`
    level : of each one-sided test

    Returns
    -------
    tuple of Losses and MarginTests

    Notes
    -----
    With a flagged run each test is made with and without it, and the larger p-value stands. Games not
    limited by the card hardly depend on its tuning; so that they cannot hide a loss, a step must pass over
    the card's games alone too. Both must hold, so no correction is needed (Berger 1982).
    """
    direction, margin = direction_of(metric), scaled_margin(plan, metric)
    variants = [coded, without_flagged(coded)] if coded.numbers["flagged"].any() else [coded]
    measured = [measure_settings(one, pairs, groups=groups, metric=metric, plan=plan) for one in variants]
    losses, on_all = measured[0], [_margin_p(one, margin, direction) for one in measured]
    p_card = on_all[0][0]
    for one, everywhere in zip(variants, on_all, strict=True):
        narrow = _on_card(one, plan)
        if narrow is not None:
            card = measure_settings(narrow, pairs, groups=groups, metric=metric, plan=plan)
            p_narrow = _margin_p(card, margin, direction)[0]
            # Where no game of a group is limited by the card, there is nothing that could be hidden.
            p_card = np.maximum(p_card, np.where(card.withheld == "not_measured", everywhere[0], p_narrow))
    worst = losses.half_width(2 * level) - direction * losses.change
    p_non_inferiority, p_too_much = (np.maximum.reduce([one[way] for one in on_all]) for way in (0, 1))
    return losses, MarginTests(p_non_inferiority, p_too_much, p_card, worst)


def _margin_p(losses: Losses, margin: float, direction: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the p-values against a loss of at least, and of less than, the margin."""
    lost = direction * losses.change + margin
    known = np.isfinite(losses.se)
    return tuple(np.where(known, one_sided_p(way * lost, losses.found), np.nan) for way in (1, -1))


def _on_card(coded: CodedRuns, plan) -> CodedRuns | None:
    """Return the runs of games limited by the card; None where the plan has no others."""
    limited = {game.name: game.limited_by == "card" for game in plan.games}
    if all(limited.values()):
        return None
    of_game = np.array([limited.get(name, True) for name in coded.names["game"]], dtype=bool)
    return coded.take(np.flatnonzero(of_game[coded.codes["game"]]))


def _fewest(units: np.ndarray, family: np.ndarray, entered: np.ndarray) -> np.ndarray:
    """Return the fewest units of any game that entered, for each family; 0 where none did."""
    fewest = np.full(int(family.max(initial=-1)) + 1, np.iinfo(np.int64).max)
    np.minimum.at(fewest, family[entered], units[entered].astype(np.int64))
    return np.where(fewest == np.iinfo(np.int64).max, 0, fewest)
