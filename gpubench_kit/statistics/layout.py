"""The class of a pair's layout: which runs may be compared with which, from ids and order alone.

Values never enter. Per game the first class that fits wins:

``rounds``      every complete round holds one run of each side, rounds do not overlap in the order
                done, and the tuning was applied anew for each run
``restarts``    each side has at least two blocks (tuning changes, or installations of a card), and
                the blocks are interleaved
``confounded``  else: a difference between the sides cannot be told from one between two restarts
``not_stated``  order or round is missing
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.statistics.coded_runs import number_groups, rank_within
from gpubench_kit.statistics.pair_runs import AGAINST, OF, PairRuns
from gpubench_kit.statistics.tuning_changes import (
    Changes,
    blocks_are_shared,
    changes_of_pair,
    rounds_are_shared,
    serves_several,
)

CLASSES = ("rounds", "restarts", "confounded", "not_stated")
ROUNDS, RESTARTS, CONFOUNDED, NOT_STATED = range(4)

#: One side first in so many rounds, every time, is no accident.
SAME_ORDER_ROUNDS = 6


@dataclass(frozen=True)
class Layout:
    """How one pair was measured.

    Attributes
    ----------
    classes : array (cells,), places in ``CLASSES``
    used : array (runs,), whether a run enters: runs outside complete rounds do not
    unit : array (runs,), id of the round or block that a run belongs to; -1 where the run itself is
        the unit
    complete_rounds : array (cells,)
    shared : array (families,), whether rounds or blocks serve several games
    same_order : array (families,), whether one side came first in every round
    own_changes : array (families,), whether confounded games have tuning changes of their own and
        their order of the sides varies
    by_statement : array (cells,), whether rounds rest on the reviewer's word that runs alternated
    changes : where the tuning changes come from
    """

    classes: np.ndarray
    used: np.ndarray
    unit: np.ndarray
    complete_rounds: np.ndarray
    shared: np.ndarray
    same_order: np.ndarray
    own_changes: np.ndarray
    by_statement: np.ndarray
    changes: Changes


@dataclass(frozen=True)
class _Rounds:
    """Rounds of each run's game: id, whether complete, and which cells are made of proper rounds."""

    id: np.ndarray
    complete: np.ndarray
    proper: np.ndarray


def classify(pair: PairRuns, *, applied: str = "as_recorded", typed_order: str = "not_known") -> Layout:
    """Return the class of each game of a pair, and what follows for the pair as a whole.

    Parameters
    ----------
    pair : runs of both sides
    applied : ``as_recorded``, ``each_run`` or ``each_block``: when tunings were applied
    typed_order : ``not_known``, ``alternated`` or ``back_to_back``: the reviewer's statement for
        runs without order or round

    Returns
    -------
    Layout
    """
    order, round_ = pair.runs.numbers["order"], pair.runs.numbers["round"]
    unstated = pair.any_in_cell(np.isnan(order) | np.isnan(round_))
    alternated = unstated if typed_order == "alternated" else np.zeros_like(unstated)
    changes = changes_of_pair(pair, applied=applied)
    rounds = _find_rounds(pair, changes, alternated)
    interleaved = _has_interleaved_blocks(pair, changes) & ~unstated
    lacking = NOT_STATED if typed_order == "not_known" else CONFOUNDED
    classes = np.select(
        [rounds.proper & (~unstated | alternated), unstated, interleaved], [ROUNDS, lacking, RESTARTS], CONFOUNDED
    )
    used = np.where(classes[pair.cell] == ROUNDS, rounds.complete, True)
    unit = np.select([classes[pair.cell] == ROUNDS, classes[pair.cell] == RESTARTS], [rounds.id, changes.block], -1)
    if pair.by_card:
        unit = np.where(unit >= 0, pair.runs.codes["card"], -1)
    in_rounds = used & (classes[pair.cell] == ROUNDS)
    in_blocks = classes[pair.cell] == RESTARTS
    shared = rounds_are_shared(pair, changes, in_rounds) | blocks_are_shared(pair, changes, in_blocks)
    return Layout(
        classes=classes,
        used=used,
        unit=unit,
        complete_rounds=_rounds_per_cell(pair, rounds),
        shared=shared | pair.by_card,
        same_order=_same_side_first(pair, rounds.id, in_rounds),
        own_changes=_varies(pair, changes, classes),
        by_statement=alternated & (classes == ROUNDS),
        changes=changes,
    )


def _find_rounds(pair: PairRuns, changes: Changes, alternated: np.ndarray) -> _Rounds:
    """Return the rounds; a round is a number within a session, and within a card that is the unit."""
    round_ = pair.runs.numbers["round"]
    by_turn = alternated & pair.any_in_cell(np.isnan(round_))
    label = np.where(by_turn[pair.cell], _turn(pair), np.nan_to_num(round_, nan=-1.0))
    keys = [label, pair.runs.codes["session"]]
    strict = pair.cell
    if pair.by_card:
        keys.append(pair.runs.codes["card"])
        strict = number_groups([pair.cell, pair.runs.codes["card"]])
    id_ = number_groups(keys)
    place = number_groups([pair.cell, id_])
    counts = np.bincount(place * 2 + pair.side, minlength=2 * (int(place.max()) + 1)).reshape(-1, 2)
    complete = (counts == 1).all(axis=1)[place]
    broken = np.zeros(pair.n_cells, dtype=bool)
    ordered = complete & _has_order(pair)
    broken[pair.cell[_overlapping(strict, place, (pair.runs.numbers["order"], ordered))]] = True
    broken |= pair.any_in_cell(_repeated([strict, changes.change], complete)) & ~alternated
    proper = pair.any_in_cell(complete) & ~broken
    if pair.by_card:
        proper &= ~np.full(pair.n_cells, pair.across)
    return _Rounds(id_, complete, proper)


def _has_order(pair: PairRuns) -> np.ndarray:
    """Return which runs are of a cell in which every run has an order."""
    return ~pair.any_in_cell(np.isnan(pair.runs.numbers["order"]))[pair.cell]


def _turn(pair: PairRuns) -> np.ndarray:
    """Return the place of each run among those of its side: by round, by order, by row."""
    given = [np.nan_to_num(pair.runs.numbers[name], nan=np.inf) for name in ("order", "round")]
    turn = np.empty(len(pair.cell))
    sequence = np.lexsort((np.arange(len(turn)), *given))
    groups = (pair.cell * 2 + pair.side)[sequence]
    turn[sequence] = rank_within(groups, np.arange(len(turn)))
    return turn


def _overlapping(cell: np.ndarray, place: np.ndarray, rounds: tuple) -> np.ndarray:
    """Return a run of each complete round that starts before an earlier one of its cell has ended."""
    order, complete = rounds
    rows = np.flatnonzero(complete)
    rows = rows[np.lexsort((order[rows], place[rows]))]
    first, second = rows[0::2], rows[1::2]
    by_start = np.lexsort((order[first], cell[first]))
    first, second = first[by_start], second[by_start]
    same_cell = cell[first[1:]] == cell[first[:-1]]
    return first[1:][same_cell & (order[first[1:]] <= order[second[:-1]])]


def _repeated(keys: list[np.ndarray], among: np.ndarray) -> np.ndarray:
    """Return which rows share their keys with another row among those given."""
    repeated = np.zeros(len(among), dtype=bool)
    if among.any():
        groups = number_groups([key[among] for key in keys])
        repeated[among] = np.bincount(groups)[groups] > 1
    return repeated


def _has_interleaved_blocks(pair: PairRuns, changes: Changes) -> np.ndarray:
    """Return which cells have two blocks of each side, not all of one before all of the other."""
    sides = number_groups([pair.cell, pair.side])
    blocks = rank_within(sides, changes.block)
    most = np.zeros((pair.n_cells, 2), dtype=np.int64)
    np.maximum.at(most, (pair.cell, pair.side), blocks + 1)
    sequence = np.lexsort((np.nan_to_num(pair.runs.numbers["order"]), pair.cell))
    cell, side = pair.cell[sequence], pair.side[sequence]
    switches = (cell[1:] == cell[:-1]) & (side[1:] != side[:-1])
    return (most >= 2).all(axis=1) & (np.bincount(cell[1:][switches], minlength=pair.n_cells) >= 2)


def _rounds_per_cell(pair: PairRuns, rounds: _Rounds) -> np.ndarray:
    """Return the number of complete rounds of each cell."""
    return pair.count(rounds.complete)[:, OF]


def _same_side_first(pair: PairRuns, round_id: np.ndarray, used: np.ndarray) -> np.ndarray:
    """Return which families have one side first in each of at least six rounds."""
    n_families = int(pair.family.max()) + 1
    order = pair.runs.numbers["order"]
    rows = np.flatnonzero(used & _has_order(pair))
    rows = rows[np.lexsort((order[rows], number_groups([pair.cell, round_id])[rows]))][0::2]
    family = pair.family_of_run[rows]
    counts = np.bincount(family * 2 + pair.side[rows], minlength=2 * n_families).reshape(-1, 2)
    return (counts.sum(axis=1) >= SAME_ORDER_ROUNDS) & (counts == 0).any(axis=1)


def _varies(pair: PairRuns, changes: Changes, classes: np.ndarray) -> np.ndarray:
    """Return which families have confounded games with own tuning changes and either side first."""
    n_families = int(pair.family.max()) + 1
    inside = classes[pair.cell] == CONFOUNDED
    first = _first_side(pair)
    varies = np.ones(n_families, dtype=bool)
    for side in (OF, AGAINST):
        families = pair.family[(first == side) & (classes == CONFOUNDED)]
        varies &= np.bincount(families, minlength=n_families) > 0
    return varies & ~blocks_are_shared(pair, changes, inside) & ~_sessions_are_shared(pair, inside)


def _first_side(pair: PairRuns) -> np.ndarray:
    """Return the side of each cell's first run."""
    order = np.nan_to_num(pair.runs.numbers["order"], nan=np.inf)
    sequence = np.lexsort((order, pair.cell))
    starts = np.searchsorted(pair.cell[sequence], np.arange(pair.n_cells))
    return pair.side[sequence][starts]


def _sessions_are_shared(pair: PairRuns, inside: np.ndarray) -> np.ndarray:
    """Return which families have a session that holds one side only of several games."""
    session = number_groups([pair.cell, pair.runs.codes["session"]])
    both = np.zeros((int(session.max()) + 1, 2), dtype=bool)
    both[session, pair.side] = True
    lonely = inside & ~both[session].all(axis=1) & pair.runs.is_given("session")
    return serves_several(pair, pair.runs.codes["session"], lonely)
