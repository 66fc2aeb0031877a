"""The design of a pair: which runs may be compared with which, which games share what was applied, and drift.

Decided from ids and the order done alone; values never enter. Per game the first class that fits wins:

``rounds``      every complete round holds one run of each side, rounds do not overlap in the order
                done, and the tuning was applied anew for each run
``restarts``    each side has at least two blocks (tuning changes, or installations of a card), and
                the blocks are interleaved
``confounded``  else: a difference between the sides cannot be told from one between two restarts

Games under one act of applying a tuning are *linked*: what that act shifts, it shifts in all of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.statistics.adapters import connected_parts, t_tail
from gpubench_kit.statistics.runs import AGAINST, OF, PairRuns, group_ids, rank_within

CLASSES = ("rounds", "restarts", "confounded")
ROUNDS, RESTARTS, CONFOUNDED = range(3)

#: One side first in so many rounds, every time, is no accident.
SAME_ORDER_ROUNDS = 6


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


@dataclass(frozen=True)
class Design:
    """How one pair was measured.

    Attributes
    ----------
    classes : array (cells,), places in ``CLASSES``
    unstated : array (cells,), whether a verdict fails because no order is stated
    used : array (runs,), whether a run enters: runs outside complete rounds do not
    unit : array (runs,), id of the round or block that a run belongs to; -1 where the run itself is
        the unit
    part : array (cells,), number of the linked games that a cell belongs to; a game that shares nothing
        is a part of its own
    shared : array (families,), whether two games are linked
    same_order : array (families,), whether one side came first in every round
    own_changes : array (families,), whether confounded games have tuning changes of their own and
        their order of the sides varies
    by_statement : array (cells,), whether rounds rest on the reviewer's word that runs alternated
    changes : where the tuning changes come from
    """

    classes: np.ndarray
    unstated: np.ndarray
    used: np.ndarray
    unit: np.ndarray
    part: np.ndarray
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


def classify(pair: PairRuns, *, applied: str = "as_recorded", typed_order: str = "not_known") -> Design:
    """Return the class of each game of a pair, and what follows for the pair as a whole.

    Parameters
    ----------
    pair : runs of both sides
    applied : ``as_recorded``, ``each_run`` or ``each_block``: when tunings were applied
    typed_order : ``not_known``, ``alternated`` or ``back_to_back``: the reviewer's statement for
        runs without an order

    Returns
    -------
    Design

    Notes
    -----
    A run sheet with an order but without rounds is read as rounds formed from order and session: the k-th
    run of each side of a game. Rounds without an order show nothing: without a statement they are confounded.
    """
    no_order = pair.any_in_cell(np.isnan(pair.runs.numbers["order"]))
    alternated = no_order & (typed_order == "alternated")
    changes = changes_of_pair(pair, applied=applied)
    rounds = _find_rounds(pair, changes, alternated)
    # Two blocks of each side, not all of one before all of the other.
    sides = group_ids([pair.cell, pair.side])
    blocks = rank_within(sides, changes.block)
    most = np.zeros((pair.n_cells, 2), dtype=np.int64)
    np.maximum.at(most, (pair.cell, pair.side), blocks + 1)
    sequence = np.lexsort((np.nan_to_num(pair.runs.numbers["order"]), pair.cell))
    cell, side = pair.cell[sequence], pair.side[sequence]
    switches = (cell[1:] == cell[:-1]) & (side[1:] != side[:-1])
    several = (most >= 2).all(axis=1) & (np.bincount(cell[1:][switches], minlength=pair.n_cells) >= 2)
    interleaved = several & ~no_order
    classes = np.select([rounds.proper & (~no_order | alternated), interleaved], [ROUNDS, RESTARTS], CONFOUNDED)
    used = np.where(classes[pair.cell] == ROUNDS, rounds.complete, True)
    unit = np.select([classes[pair.cell] == ROUNDS, classes[pair.cell] == RESTARTS], [rounds.id, changes.block], -1)
    if pair.by_card:
        unit = np.where(unit >= 0, pair.runs.codes["card"], -1)
    in_rounds = used & (classes[pair.cell] == ROUNDS)
    part = _linked(pair, changes, (rounds.id, in_rounds), applied=applied)
    families = pair.family[_repeated([part], classes != CONFOUNDED)]
    return Design(
        classes=classes,
        unstated=no_order & (classes == CONFOUNDED) & (typed_order == "not_known"),
        used=used,
        unit=unit,
        part=part,
        shared=np.bincount(families, minlength=int(pair.family.max()) + 1) > 0,
        same_order=_same_side_first(pair, rounds.id, in_rounds),
        own_changes=_varies(pair, part, classes),
        by_statement=alternated & (classes == ROUNDS),
        changes=changes,
    )


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
    own = group_ids([runs.codes[key] for key in keys])
    # Declared ids lie behind the derived ones, so that the two cannot meet.
    return Changes(
        np.where(declared, own + runs.change.max() + 1, runs.change),
        np.where(declared, own + runs.stretch.max() + 1, runs.stretch),
        declared,
        np.where(lacking, "derived", "declared").astype(object),
    )


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
    side = pair.cell * 2 + pair.side
    first = np.unique(group_ids([side, changes.block]), return_index=True)[1]
    return np.bincount(side[first], minlength=2 * pair.n_cells).reshape(-1, 2).min(axis=1) == 1


def _linked(pair: PairRuns, changes: Changes, rounds: tuple, *, applied: str) -> np.ndarray:
    """Return the number of the linked games that each cell belongs to; rounds = (id, whether a run counts).

    Declared ids link the games that they serve. Else rounds are cut, in the order done, after every run
    at which all games begun so far have both sides: games in one piece are linked, while chance neighbours
    under one tuning are not. Blocks that are not declared link games that have two of them in common: one
    may be a chance neighbour.
    """
    id_, in_rounds = rounds
    if pair.by_card:
        return pair.family
    if applied == "each_run" and not pair.across:
        return np.arange(pair.n_cells)
    exact = np.flatnonzero(in_rounds & changes.is_exact)
    ordered = np.flatnonzero(in_rounds & ~changes.is_exact & _has_order(pair))
    blocks = np.flatnonzero(~in_rounds & changes.is_exact)
    links = [
        (pair.cell[exact], changes.change[exact]),
        (pair.cell[ordered], _pieces(pair, id_, ordered, whole=applied == "each_block")),
        (pair.cell[blocks], changes.block[blocks]),
        _block_pairs(pair, changes.block, np.flatnonzero(~in_rounds & ~changes.is_exact & _has_order(pair))),
    ]
    links = [(cell, group_ids([pair.family[cell], link])) for cell, link in links if len(cell)]
    return connected_parts(pair.n_cells, links)


def _pieces(pair: PairRuns, id_: np.ndarray, rows: np.ndarray, *, whole: bool) -> np.ndarray:
    """Return the number of the piece of its round that each of some runs belongs to."""
    round_ = group_ids([pair.family_of_run[rows], id_[rows]])
    if whole:
        return round_
    sequence = np.lexsort((pair.runs.numbers["order"][rows], round_))
    group, cell = round_[sequence], pair.cell[rows][sequence]
    # A complete round has two runs of each game: the first opens it, the second closes it.
    game = group_ids([group, cell])
    opens = np.zeros(len(rows), dtype=np.int64)
    opens[np.unique(game, return_index=True)[1]] = 1
    is_closed = np.cumsum(2 * opens - 1) == 0
    piece = np.empty(len(rows), dtype=np.int64)
    piece[sequence] = np.cumsum(is_closed) - is_closed
    return piece


def _block_pairs(pair: PairRuns, block: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return, for each cell, the pairs of blocks that follow each other in it."""
    first = np.unique(group_ids([pair.cell[rows], block[rows]]), return_index=True)[1]
    cell, found = pair.cell[rows][first], block[rows][first]
    follows = cell[1:] == cell[:-1]
    if not follows.any():
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    return cell[1:][follows], group_ids([found[:-1][follows], found[1:][follows]])


def _find_rounds(pair: PairRuns, changes: Changes, alternated: np.ndarray) -> _Rounds:
    """Return the rounds; a round is a number within a session, and within a card that is the unit."""
    round_ = pair.runs.numbers["round"]
    by_turn = pair.any_in_cell(np.isnan(round_))
    # The place of each run among those of its side, by order, round, row; within a session if ordered.
    given = [np.nan_to_num(pair.runs.numbers[name], nan=np.inf) for name in ("round", "order")]
    turn = np.empty(len(pair.cell))
    sequence = np.lexsort((np.arange(len(turn)), *given))
    session = np.where(alternated[pair.cell], 0, pair.runs.codes["session"])
    groups = group_ids([pair.cell, pair.side, session])[sequence]
    turn[sequence] = rank_within(groups, np.arange(len(turn)))
    label = np.where(by_turn[pair.cell], turn, np.nan_to_num(round_, nan=-1.0))
    keys = [label, pair.runs.codes["session"]]
    strict = pair.cell
    if pair.by_card:
        keys.append(pair.runs.codes["card"])
        strict = group_ids([pair.cell, pair.runs.codes["card"]])
    id_ = group_ids(keys)
    place = group_ids([pair.cell, id_])
    counts = np.bincount(place * 2 + pair.side, minlength=2 * (int(place.max()) + 1)).reshape(-1, 2)
    complete = (counts == 1).all(axis=1)[place]
    broken = np.zeros(pair.n_cells, dtype=bool)
    ordered = complete & _has_order(pair)
    broken[pair.cell[_overlapping(strict, place, (pair.runs.numbers["order"], ordered))]] = True
    # Rounds formed from the order are acts of their own, as written ones are.
    formed = by_turn & (changes.source == "derived")[pair.family]
    broken |= pair.any_in_cell(_repeated([strict, changes.change], complete)) & ~alternated & ~formed
    proper = pair.any_in_cell(complete) & ~broken
    if pair.by_card:
        proper &= ~np.full(pair.n_cells, pair.across)
    return _Rounds(id_, complete, proper)


def _has_order(pair: PairRuns) -> np.ndarray:
    """Return which runs are of a cell in which every run has an order."""
    return ~pair.any_in_cell(np.isnan(pair.runs.numbers["order"]))[pair.cell]


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
        groups = group_ids([key[among] for key in keys])
        repeated[among] = np.bincount(groups)[groups] > 1
    return repeated


def _same_side_first(pair: PairRuns, round_id: np.ndarray, used: np.ndarray) -> np.ndarray:
    """Return which families have one side first in each of at least six rounds."""
    n_families = int(pair.family.max()) + 1
    order = pair.runs.numbers["order"]
    rows = np.flatnonzero(used & _has_order(pair))
    rows = rows[np.lexsort((order[rows], group_ids([pair.cell, round_id])[rows]))][0::2]
    family = pair.family_of_run[rows]
    counts = np.bincount(family * 2 + pair.side[rows], minlength=2 * n_families).reshape(-1, 2)
    return (counts.sum(axis=1) >= SAME_ORDER_ROUNDS) & (counts == 0).any(axis=1)


def _varies(pair: PairRuns, part: np.ndarray, classes: np.ndarray) -> np.ndarray:
    """Return which families have confounded games with own tuning changes and either side first."""
    n_families = int(pair.family.max()) + 1
    confounded = classes == CONFOUNDED
    order = np.nan_to_num(pair.runs.numbers["order"], nan=np.inf)
    sequence = np.lexsort((order, pair.cell))
    starts = np.searchsorted(pair.cell[sequence], np.arange(pair.n_cells))
    first = pair.side[sequence][starts]
    varies = np.ones(n_families, dtype=bool)
    for side in (OF, AGAINST):
        families = pair.family[(first == side) & confounded]
        varies &= np.bincount(families, minlength=n_families) > 0
    linked = pair.family[_repeated([part], confounded)]
    return varies & ~(np.bincount(linked, minlength=n_families) > 0) & ~_sessions_are_shared(pair, confounded)


def _sessions_are_shared(pair: PairRuns, confounded: np.ndarray) -> np.ndarray:
    """Return which families have a session that holds one side only of several games."""
    session = group_ids([pair.cell, pair.runs.codes["session"]])
    both = np.zeros((int(session.max()) + 1, 2), dtype=bool)
    both[session, pair.side] = True
    lonely = confounded[pair.cell] & ~both[session].all(axis=1) & pair.runs.is_given("session")
    first = np.unique(session[lonely], return_index=True)[1]
    cell = pair.cell[lonely][first]
    sessions = group_ids([pair.family[cell], pair.runs.codes["session"][lonely][first]])
    several = pair.family[cell][np.bincount(sessions)[sessions] > 1] if len(cell) else cell
    return np.bincount(several, minlength=int(pair.family.max()) + 1) > 0


def _all(count: int, source: str) -> np.ndarray:
    """Return the same text for each family."""
    return np.full(count, source, dtype=object)


#: Level at which a drift is no chance.
LEVEL = 0.05


@dataclass(frozen=True)
class Drift:
    """Slope per run of each family, beside a mean of its own for every cell.

    Attributes
    ----------
    slope, se : per run, of ln y on the ratio scale; nan where order or runs are lacking
    df, p : degrees of freedom and two-sided p-value
    """

    slope: np.ndarray
    se: np.ndarray
    df: np.ndarray
    p: np.ndarray

    def is_visible(self, limit: float) -> np.ndarray:
        """Return which slopes are above a limit (per run) and not chance."""
        return (np.abs(self.slope) > limit) & (self.p < LEVEL)


def estimate_drift(values: np.ndarray, order: np.ndarray, *, cell: np.ndarray, family: np.ndarray) -> Drift:
    """Estimate the slope of the values on the order done.

    Parameters
    ----------
    values : array (runs,), natural log on the ratio scale; nan is left out
    order : array (runs,), place in the order done; nan is left out
    cell : array (runs,), whole numbers from 0: runs that share a mean (a game under one tuning)
    family : array (runs,), whole numbers from 0: runs that share a slope

    Returns
    -------
    Drift, arrays (families,)

    Notes
    -----
    Least squares of ``y ~ cell + order``: both sides centred within their cells.
    """
    n_families = int(family.max(initial=-1)) + 1
    rows = ~(np.isnan(values) | np.isnan(order))
    values, order, cell, family = values[rows], order[rows], cell[rows], family[rows]
    y, x = _centred(values, cell), _centred(order, cell)
    sxx, sxy, syy = (np.bincount(family, weights=w, minlength=n_families) for w in (x * x, x * y, y * y))
    home = np.full(int(cell.max(initial=-1)) + 1, -1)
    home[cell] = family
    cells = np.bincount(home[home >= 0], minlength=n_families)
    df = np.bincount(family, minlength=n_families) - cells - 1.0
    fine = (sxx > 0) & (df > 0)
    safe_xx, safe_df = np.where(fine, sxx, 1.0), np.where(fine, df, 1.0)
    slope = np.where(fine, sxy / safe_xx, np.nan)
    se = np.sqrt(np.maximum(syy - sxy**2 / safe_xx, 0.0) / safe_df / safe_xx)
    t = np.divide(np.abs(slope), se, out=np.full(n_families, np.inf), where=se > 0)
    p = np.where(slope == 0, 1.0, 2 * t_tail(t, safe_df))
    return Drift(slope, np.where(fine, se, np.nan), np.where(fine, df, np.nan), np.where(fine, p, np.nan))


def _centred(values: np.ndarray, cell: np.ndarray) -> np.ndarray:
    """Return the values less the mean of their cell."""
    n = np.maximum(np.bincount(cell), 1)
    return values - (np.bincount(cell, weights=values) / n)[cell]
