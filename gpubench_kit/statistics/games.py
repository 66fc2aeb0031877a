"""The games of one pair in one metric, and means over any of them with their uncertainty.

Every game counts once, however many settings it has. Games that one act of applying a tuning serves are averaged
within its rounds or blocks first: an offset of that act hits all of them alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from gpubench_kit.statistics.comparison import (
    TOO_COARSE,
    Estimate,
    Measured,
    estimate_from_rounds,
    estimate_two_groups,
)
from gpubench_kit.statistics.design import CONFOUNDED, RESTARTS
from gpubench_kit.statistics.runs import group_ids, rank_within
from gpubench_kit.statistics.testing import Uncertainty
from gpubench_kit.statistics.variance import ratio_or_nan, shared_rounding

#: Reasons of a game that two blocks explain; what they would need for it is told.
TWO_BLOCKS = ("confounded", "not_stated")


@dataclass(frozen=True)
class Pooled:
    """Mean over games; arrays over families unless said otherwise.

    Attributes
    ----------
    change, found : mean difference and how well it is known
    entered : array (cells,), cells that are part of it
    weight : array (cells,), of each cell
    cell_change : array (cells,), the difference of each cell that entered
    unit_error, unit_df : arrays (units,), what each unit adds to the variance, and its df; a unit is a game, or
        games that are linked
    """

    change: np.ndarray
    found: Uncertainty
    entered: np.ndarray
    weight: np.ndarray
    cell_change: np.ndarray
    unit_error: np.ndarray
    unit_df: np.ndarray


class Games:
    """The games of one pair in one metric, and their means over any of them.

    Attributes
    ----------
    measured : one pair in one metric
    family : array (cells,), group of each cell
    game : array (cells,), game of each cell, counted over all families
    """

    def __init__(self, measured: Measured):
        self.measured, self.family = measured, measured.pair.family
        self.n_families = len(measured.design.shared)
        self.game = group_ids([self.family, self.name])
        self._home = np.zeros(int(self.game.max()) + 1, dtype=np.int64)
        self._home[self.game] = self.family

    @property
    def name(self) -> np.ndarray:
        """Code of the game's name of each cell."""
        return self.measured.pair.runs.codes["game"][self.measured.pair.example]

    @cached_property
    def place(self) -> np.ndarray:
        """Place of each cell's game within its family, from 0."""
        return rank_within(self.family, self.game)

    @cached_property
    def judged(self) -> np.ndarray:
        """Which cells count in a result over these games; where a family has none, those of two blocks."""
        withheld, known = self.measured.withheld, self.measured.own.error > 0
        judged = np.isin(withheld, ("", TOO_COARSE))
        two_blocks = np.isin(withheld, TWO_BLOCKS) & known
        return judged | (two_blocks & ~self.any_in_family(judged)[self.family])

    @cached_property
    def unit(self) -> np.ndarray:
        """Unit of each cell: its game; in a family with linked games the games that are linked."""
        linked = self.any_in_family(self._is_linked(self.judged))[self.family]
        return group_ids([linked, np.where(linked, self.measured.design.part, self.game)])

    @cached_property
    def is_unit_linked(self) -> np.ndarray:
        """Which units are of a family with linked games, array (units,)."""
        found = np.zeros(int(self.unit.max()) + 1, dtype=bool)
        found[self.unit[self.any_in_family(self._is_linked(self.judged))[self.family]]] = True
        return found

    def groups(self) -> np.ndarray:
        """Return the group of each family, as text."""
        groups = np.full(self.n_families, "", dtype=object)
        groups[self.family] = self.measured.pair.cell_text("group")
        return groups

    def any_in_family(self, cells: np.ndarray) -> np.ndarray:
        """Return which families have one of some cells."""
        return np.bincount(self.family[cells], minlength=self.n_families) > 0

    def sum_in_family(self, values: np.ndarray) -> np.ndarray:
        """Return the sum over the cells of each family."""
        return np.bincount(self.family, weights=values, minlength=self.n_families)

    def count(self, cells: np.ndarray) -> np.ndarray:
        """Return the number of games of each family among some cells."""
        there = np.bincount(self.game[cells], minlength=len(self._home)) > 0
        return np.bincount(self._home[there], minlength=self.n_families)

    def weights(self, cells: np.ndarray) -> np.ndarray:
        """Return the weight of each cell in the mean of its family: games count once, however many settings.

        The sum is 1 in every family that has a cell; 0 for cells that do not count.
        """
        settings = np.bincount(self.game[cells], minlength=len(self._home))
        return np.where(cells, 1 / np.maximum(settings[self.game] * self.count(cells)[self.family], 1), 0.0)

    def mean(self, cells: np.ndarray) -> np.ndarray:
        """Return the mean difference of each family over some cells; nan for none."""
        weight = self.weights(cells)
        total = self.sum_in_family(np.where(cells, weight * np.nan_to_num(self.measured.own.change), 0.0))
        return np.where(self.any_in_family(cells), total, np.nan)

    def by_game(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the sum over the cells of each game, and the family of each game."""
        return np.bincount(self.game, weights=values, minlength=len(self._home)), self._home

    def pool(self, cells: np.ndarray, *, gain: np.ndarray | None = None) -> Pooled:
        """Return the mean over some cells with its uncertainty.

        Parameters
        ----------
        cells : array (cells,) of truth values
        gain : array (cells,), factor on the differences of each cell where the mean is in another unit

        Notes
        -----
        ``V = sum(w_C^2 var_b(x_C) / n_C)`` over the linked games C, where ``x_C`` is the mean over the games of C
        in each round (or block) that all of them have; a game that is not linked adds its own variance. The df is
        Satterthwaite's (1946).
        """
        own, gain = self.measured.own, np.ones(len(cells)) if gain is None else gain
        linked = _LinkedGames(self, self._is_linked(cells))
        entered = linked.stays | (cells & ~linked.cells)
        weight = self.weights(entered)
        alone, scaled = entered & ~linked.cells, weight * gain
        parts = np.where(alone, scaled**2 * np.nan_to_num(own.error), 0.0)
        uncertain = np.where(alone, parts**2 / np.where(own.df > 0, own.df, 1.0), 0.0)
        change = np.where(entered, own.change, np.nan)
        unit_error = np.bincount(self.unit, weights=parts)
        unit_uncertain = np.bincount(self.unit, weights=uncertain)
        if linked.stays.any():
            found, unit, change[linked.rows] = linked.estimate(weight, gain)
            np.add.at(unit_error, unit, found.error)
            np.add.at(unit_uncertain, unit, found.error**2 / np.maximum(found.df, 1e-300))
        home = np.zeros(len(unit_error), dtype=np.int64)
        home[self.unit] = self.family
        error, spread = (
            np.bincount(home, weights=one, minlength=self.n_families) for one in (unit_error, unit_uncertain)
        )
        some = self.any_in_family(entered)
        return Pooled(
            change=np.where(
                some, self.sum_in_family(np.where(entered, weight * np.nan_to_num(change), 0.0)), np.nan
            ),
            found=self._with_parts(np.where(some, error, np.nan), ratio_or_nan(error**2, spread), scaled),
            entered=entered,
            weight=weight,
            cell_change=change,
            unit_error=unit_error,
            unit_df=ratio_or_nan(unit_error**2, unit_uncertain),
        )

    def _with_parts(self, error: np.ndarray, df: np.ndarray, scaled: np.ndarray) -> Uncertainty:
        """Return the uncertainty with what restarts add, which confounded games share, and with rounding."""
        measured = self.measured
        floor = measured.floor
        rounding = np.zeros(len(error))
        if (floor > 0).any():
            rounding = self.sum_in_family(
                scaled**2 * 2 * shared_rounding(floor, np.nan_to_num(measured.own.variance))
            )
        if measured.spread is None:
            return Uncertainty(error, df, rounding_error=rounding)
        share = self.sum_in_family(np.where(measured.is_widened, scaled, 0.0))
        return Uncertainty(error, df, measured.spread.variance * share**2, measured.spread.df, rounding)

    def _is_linked(self, cells: np.ndarray) -> np.ndarray:
        """Return which of some cells share what was applied with another of them."""
        design = self.measured.design
        among = cells & (design.classes != CONFOUNDED)
        return among & (np.bincount(design.part[among], minlength=len(cells))[design.part] > 1)


class _LinkedGames:
    """Cells that share rounds or blocks: which rounds all have, and the mean over the cells in each."""

    def __init__(self, games: Games, cells: np.ndarray):
        self.cells, self.stays = cells, np.zeros(len(cells), dtype=bool)
        if not cells.any():
            return
        design, rows = games.measured.design, np.flatnonzero(cells)
        part = np.unique(design.part[rows], return_inverse=True)[1]
        values, in_blocks = games.measured.units.means[rows], design.classes[rows] == RESTARTS
        there = ~np.isnan(values)
        # A round counts for both sides or for neither.
        there = np.where(in_blocks[:, None, None], there, there.all(axis=1, keepdims=True))
        counts = _sum_by(part, there)
        kept = 2 * counts >= np.bincount(part)[:, None, None]
        stays = ~(kept[part] & ~there).any(axis=(1, 2)) & (kept.sum(axis=2).min(axis=1) >= 2)[part]
        self.stays[rows] = stays
        self.rows, self._games, self._in_blocks = rows[stays], games, in_blocks[stays]
        self._part = np.unique(part[stays], return_inverse=True)[1]
        self._values = np.where(kept[part[stays]], values[stays], np.nan)

    def estimate(self, weight: np.ndarray, gain: np.ndarray) -> tuple[Estimate, np.ndarray, np.ndarray]:
        """Return what each part adds to the variance of the mean, its unit, and the difference of each cell."""
        scaled = (weight * gain)[self.rows][:, None, None]
        means = _sum_by(self._part, np.nan_to_num(self._values) * scaled)
        means[_sum_by(self._part, np.isnan(self._values)) > 0] = np.nan
        in_blocks = np.zeros(len(means), dtype=bool)
        in_blocks[self._part] = self._in_blocks
        unit = np.zeros(len(means), dtype=np.int64)
        unit[self._part] = self._games.unit[self.rows]
        found = estimate_two_groups(means).where(in_blocks, estimate_from_rounds(means))
        sides = np.nanmean(self._values, axis=2)
        return found, unit, sides[:, 0] - sides[:, 1]


def _sum_by(groups: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return the sum of arrays over each group, along the first axis."""
    size = int(np.prod(values.shape[1:]))
    place = groups[:, None] * size + np.arange(size)
    total = np.bincount(place.ravel(), weights=values.reshape(len(values), -1).ravel().astype(float))
    return total.reshape(-1, *values.shape[1:])
