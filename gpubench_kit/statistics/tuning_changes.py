"""Acts of applying a tuning: as declared, as pinned by the plan, or as derived from the order done."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.statistics.coded_runs import number_groups
from gpubench_kit.statistics.pair_runs import PairRuns

#: Neighbours of one tuning by chance come in twos; three games in succession do not.
_LEAST_SUCCESSION = 3


@dataclass(frozen=True)
class Changes:
    """Ids of the acts of applying a tuning, or of installing a card.

    Attributes
    ----------
    change : array (runs,), what has to differ between the runs of one side in rounds
    block : array (runs,), what runs are averaged over where blocks are the units
    is_exact : array (runs,), whether ids are declared; a derived id that serves several games may
        do so by chance
    source : array (families,) of ``declared``, ``derived``, ``each_run``, ``each_block`` or
        ``installation``
    """

    change: np.ndarray
    block: np.ndarray
    is_exact: np.ndarray
    source: np.ndarray


def changes_of_pair(pair: PairRuns, *, applied: str) -> Changes:
    """Return the tuning changes of a pair; installations where cards or benches are compared.

    Parameters
    ----------
    pair : runs of both sides
    applied : ``as_recorded``, ``each_run`` or ``each_block``

    Returns
    -------
    Changes

    Notes
    -----
    As recorded, a family uses its declared ids where every run has one. Else every change of card,
    tuning, session, game, setting or round in the order done counts as a new act, and as block
    counts what was run in unbroken succession. Between cards every exchange in the order done is an
    installation, and so is every new session.
    """
    runs, n_families = pair.runs, int(pair.family.max()) + 1
    each = np.arange(len(pair.cell))
    if pair.across:
        block = runs.codes["card"] if pair.by_card else runs.installation
        return Changes(block, block, np.full(len(each), True), _all(n_families, "installation"))
    if applied == "each_run":
        return Changes(each, each, np.full(len(each), True), _all(n_families, "each_run"))
    if applied == "each_block":
        return Changes(runs.stretch, runs.stretch, np.full(len(each), False), _all(n_families, "each_block"))
    lacking = np.bincount(pair.family_of_run[~runs.is_given("tuning_change")], minlength=n_families) > 0
    declared = ~lacking[pair.family_of_run]
    keys = ("card", "bench", "session", "tuning", "tuning_change")
    own = number_groups([runs.codes[key] for key in keys])
    # Declared ids lie behind the derived ones, so that the two cannot meet.
    return Changes(
        np.where(declared, own + runs.change.max() + 1, runs.change),
        np.where(declared, own + runs.stretch.max() + 1, runs.stretch),
        declared,
        np.where(lacking, "derived", "declared").astype(object),
    )


def rounds_are_shared(pair: PairRuns, changes: Changes, used: np.ndarray) -> np.ndarray:
    """Return which families have tuning changes that serve several games of a round.

    Parameters
    ----------
    pair, changes : runs and their tuning changes
    used : array (runs,), runs in complete rounds

    Returns
    -------
    array (families,) of truth values

    Notes
    -----
    Derived ids share only where, in every round, at least half of each side's games were run in
    unbroken succession, and more than chance neighbours.
    """
    n_families = int(pair.family.max()) + 1
    declared = serves_several(pair, changes.change, used & changes.is_exact)
    rows = np.flatnonzero(used & ~changes.is_exact)
    if not len(rows):
        return declared
    keys = [pair.family_of_run, pair.runs.codes["session"], pair.runs.numbers["round"], pair.side]
    turn = number_groups([np.nan_to_num(key[rows], nan=-1) for key in keys])
    games = _distinct(turn, pair.cell[rows])
    succession = number_groups([turn, changes.block[rows]])
    in_succession = _distinct(succession, pair.cell[rows])[succession]
    longest = np.zeros(len(games), dtype=np.int64)
    np.maximum.at(longest, turn, in_succession)
    enough = (2 * longest >= games) & ((longest >= _LEAST_SUCCESSION) | (longest == games))
    family = np.zeros(len(games), dtype=np.int64)
    family[turn] = pair.family_of_run[rows]
    several = games >= 2
    failed = np.bincount(family[several & ~enough], minlength=n_families) > 0
    seen = np.bincount(family[several], minlength=n_families) > 0
    return declared | (seen & ~failed)


def blocks_are_shared(pair: PairRuns, changes: Changes, used: np.ndarray) -> np.ndarray:
    """Return which families have blocks that serve several games.

    Parameters
    ----------
    pair, changes : runs and their tuning changes
    used : array (runs,), runs whose block counts

    Returns
    -------
    array (families,) of truth values; derived blocks share only where they serve half of the games
    on average, so that chance neighbours do not count
    """
    n_families = int(pair.family.max()) + 1
    declared = serves_several(pair, changes.block, used & changes.is_exact)
    rows = np.flatnonzero(used & ~changes.is_exact)
    if not len(rows):
        return declared
    family = pair.family_of_run[rows]
    block = number_groups([family, changes.block[rows]])
    games = _distinct(block, pair.cell[rows])
    home = np.zeros(len(games), dtype=np.int64)
    home[block] = family
    blocks = np.bincount(home, minlength=n_families)
    mean = np.bincount(home, weights=games, minlength=n_families) / np.maximum(blocks, 1)
    return declared | (mean >= np.maximum(2, _games_per_family(pair, rows) / 2))


def installed_once(pair: PairRuns, changes: Changes) -> np.ndarray:
    """Return in which cells two cards are compared of which one was installed only once.

    Parameters
    ----------
    pair, changes : runs and their installations

    Returns
    -------
    array (cells,) of truth values; False everywhere for one card, or where the card is the unit
    """
    if not pair.across or pair.by_card or len(np.unique(pair.runs.codes["card"])) < 2:
        return np.zeros(pair.n_cells, dtype=bool)
    found = _distinct(pair.cell * 2 + pair.side, changes.block)
    counts = np.zeros(2 * pair.n_cells, dtype=np.int64)
    counts[: len(found)] = found
    return counts.reshape(-1, 2).min(axis=1) == 1


def serves_several(pair: PairRuns, ids: np.ndarray, used: np.ndarray) -> np.ndarray:
    """Return which families have an id that serves more than one cell.

    Parameters
    ----------
    pair : runs of both sides
    ids : array (runs,) of whole numbers
    used : array (runs,), runs that count

    Returns
    -------
    array (families,) of truth values
    """
    family = pair.family_of_run[used]
    groups = number_groups([family, ids[used]])
    several = _distinct(groups, pair.cell[used])[groups] > 1
    return np.bincount(family[several], minlength=int(pair.family.max()) + 1) > 0


def _games_per_family(pair: PairRuns, rows: np.ndarray) -> np.ndarray:
    """Return how many cells of each family have a run among the rows."""
    games = np.zeros(int(pair.family.max()) + 1)
    np.add.at(games, pair.family[np.unique(pair.cell[rows])], 1)
    return games


def _distinct(groups: np.ndarray, labels: np.ndarray) -> np.ndarray:
    """Return the number of distinct labels in each group."""
    pairs = number_groups([groups, labels])
    first = np.zeros(int(pairs.max(initial=-1)) + 1, dtype=np.int64)
    first[pairs] = groups
    return np.bincount(first, minlength=int(groups.max(initial=-1)) + 1)


def _all(count: int, source: str) -> np.ndarray:
    """Return the same text for each family."""
    return np.full(count, source, dtype=object)
