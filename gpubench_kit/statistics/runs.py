"""The usable runs as arrays, and those of one pair and metric, sorted into games and groups.

Text columns are coded as whole numbers, missing columns filled with defaults. A *cell* is a game at one setting; a
*family* is a group of settings, which is never pooled with another. The *sides* are 0 for what is compared (``of``)
and 1 for what it is compared with (``against``).

The statistics work on thousands of games at once; text is looked up only when results are written.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.table_checks import check_columns

#: Text columns, and what a missing column stands for.
_TEXTS = {
    "tuning": "", "game": "", "metric": "", "card": "", "bench": "", "setting": "", "group": "all",
    "purpose": "measure", "session": "", "tuning_change": "", "power_measured_at": "board_sensor",
    "frames_counted": "rendered", "game_version": "", "withheld_for": "",
}  # fmt: skip

_LARGEST = 2**62

#: Columns in which an empty text stands for the default too.
_NEVER_EMPTY = ("group", "purpose")

_NUMBERS = {
    "round": np.nan, "order": np.nan, "value": np.nan, "step": 0.0, "generated_per_rendered": 0.0,
    "frame_limit_fps": 0.0, "flagged": 0.0,
}  # fmt: skip


@dataclass(frozen=True)
class CodedRuns:
    """One entry per run and metric.

    Attributes
    ----------
    codes : text columns as whole numbers, place in ``names``
    names : texts of each column, in order of first appearance
    numbers : number columns as floats; nan is *not given*
    change, stretch, installation : derived acts of applying a tuning, finest to coarsest; see
        `derive_changes`
    """

    codes: dict[str, np.ndarray]
    names: dict[str, np.ndarray]
    numbers: dict[str, np.ndarray]
    change: np.ndarray
    stretch: np.ndarray
    installation: np.ndarray

    def take(self, rows: np.ndarray) -> CodedRuns:
        """Return some of the runs."""
        codes, numbers = ({name: one[rows] for name, one in part.items()} for part in (self.codes, self.numbers))
        acts = (one[rows] for one in (self.change, self.stretch, self.installation))
        return CodedRuns(codes, self.names, numbers, *acts)

    def code_of(self, column: str, text: str) -> int:
        """Return the code of a text; -1 where no run has it."""
        places = np.flatnonzero(self.names[column] == text)
        return int(places[0]) if len(places) else -1

    def text(self, column: str) -> np.ndarray:
        """Return a text column as texts."""
        return self.names[column][self.codes[column]]

    def is_given(self, column: str) -> np.ndarray:
        """Return where a text column is not empty."""
        return (self.names[column] != "")[self.codes[column]]


def encode_runs(usable: pd.DataFrame) -> CodedRuns:
    """Return the usable runs as arrays.

    Parameters
    ----------
    usable : DataFrame, one row per run and metric; see ``tables.USABLE``. Columns beside ``tuning,
        game, metric, value`` may be missing

    Returns
    -------
    CodedRuns, in the order of the rows; rows without a value are left out

    Raises
    ------
    TableError : a column is missing
    """
    check_columns(usable, ("tuning", "game", "metric", "value"), table="usable")
    usable = usable[usable["value"].notna()]
    codes, names = {}, {}
    for column, default in _TEXTS.items():
        codes[column], names[column] = _coded(usable, column, default)
    codes["model"], names["model"] = _models(usable, codes["card"], names["card"])
    numbers = {column: _floats(usable, column, default) for column, default in _NUMBERS.items()}
    numbers["order"] = _order_over_all(codes, numbers["order"])
    return CodedRuns(codes, names, numbers, *derive_changes(codes, numbers))


def derive_changes(codes: dict[str, np.ndarray], numbers: dict[str, np.ndarray]) -> tuple[np.ndarray, ...]:
    """Return acts of applying a tuning as far as the order done tells.

    Parameters
    ----------
    codes, numbers : columns of `CodedRuns`

    Returns
    -------
    change : a new one at every change of card, tuning, session, game, setting or round
    stretch : a new one at every change of card, tuning or session: runs in unbroken succession
    installation : a new one at every change of card or session

    Notes
    -----
    Benches keep their own order. Ids are whole numbers from 0.
    """
    round_ = np.nan_to_num(numbers["round"], nan=-1.0)
    sequence = np.lexsort(
        (codes["tuning"], codes["game"], np.nan_to_num(numbers["order"], nan=np.inf), codes["bench"])
    )
    coarse = [codes["bench"], codes["card"], codes["session"]]
    middle = [*coarse, codes["tuning"]]
    fine = [*middle, codes["game"], codes["setting"], round_]
    return tuple(_numbered_changes(columns, sequence) for columns in (fine, middle, coarse))


def group_ids(columns: Iterable[np.ndarray]) -> np.ndarray:
    """Return, for each row, the number of its combination of values, from 0, sorted by the columns.

    Parameters
    ----------
    columns : arrays (rows,) of whole numbers or truth values
    """
    combined, count = np.zeros(1, dtype=np.int64), 1
    for column in columns:
        column = column.astype(np.int64)
        column = column - column.min(initial=0)
        size = int(column.max(initial=0)) + 1
        if count > _LARGEST // size:
            # Kept dense, so that many columns cannot run over 64 bits.
            combined = np.unique(combined, return_inverse=True)[1]
            count = int(combined.max(initial=0)) + 1
        combined = combined * size + column
        count *= size
    return np.unique(combined, return_inverse=True)[1]


def rank_within(groups: np.ndarray, labels: np.ndarray) -> np.ndarray:
    """Return the place of each label among the distinct labels of its group, from 0.

    Parameters
    ----------
    groups : array (rows,) of whole numbers from 0
    labels : array (rows,) of whole numbers
    """
    pairs = group_ids([groups, labels])
    first = np.full(int(groups.max(initial=0)) + 1, len(pairs))
    np.minimum.at(first, groups, pairs)
    return pairs - first[groups]


def _order_over_all(codes: dict[str, np.ndarray], order: np.ndarray) -> np.ndarray:
    """Return the order over the whole bench session where it was counted anew for each card or session.

    Two cards or sessions that share a place in the order of one bench give that away; they then follow
    each other as they first appear. Read as one count they would look like turns taken.
    """
    given = np.flatnonzero(~np.isnan(order))
    part = group_ids([codes["card"], codes["session"]])
    place = group_ids([codes["bench"][given], order[given] - order[given].min(initial=0)])
    low, high = np.full(len(given), len(part)), np.full(len(given), -1)
    np.minimum.at(low, place, part[given])
    np.maximum.at(high, place, part[given])
    if not (low < high).any():
        return order
    first = np.full(int(part.max()) + 1, len(part))
    np.minimum.at(first, part, np.arange(len(part)))
    return order + np.argsort(np.argsort(first))[part] * (order[given].max() + 1)


def _numbered_changes(columns: list[np.ndarray], sequence: np.ndarray) -> np.ndarray:
    """Return a number for each row that rises whenever a column changes along the sequence."""
    new = np.zeros(len(sequence), dtype=bool)
    for column in columns:
        ordered = column[sequence]
        new[1:] |= ordered[1:] != ordered[:-1]
    numbered = np.empty(len(sequence), dtype=np.int64)
    numbered[sequence] = np.cumsum(new)
    return numbered


def _coded(usable: pd.DataFrame, column: str, default: str) -> tuple[np.ndarray, np.ndarray]:
    """Return codes and distinct texts of a text column, its default without it; a missing text is empty."""
    if column not in usable.columns:
        return np.zeros(len(usable), dtype=np.int64), np.array([default] * min(len(usable), 1), dtype=object)
    # Objects: on tables of a few runs, as most are, the ways of text columns take most of the time.
    texts = usable[column].to_numpy(dtype=object)
    if column in _NEVER_EMPTY:
        texts = np.where((usable[column] == "").to_numpy(dtype=bool, na_value=False), default, texts)
    codes, names = pd.factorize(texts, use_na_sentinel=False)
    return codes.astype(np.int64), np.array(["" if pd.isna(one) else str(one) for one in names], dtype=object)


def _models(usable: pd.DataFrame, card: np.ndarray, cards: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return codes and names of the model of each run; the card's name where none is given."""
    if "model" not in usable.columns:
        return card, cards
    codes, names = _coded(usable, "model", "")
    models = names[codes]
    codes, names = pd.factorize(np.where(models == "", cards[card], models))
    return codes.astype(np.int64), names


def _floats(usable: pd.DataFrame, column: str, default: float) -> np.ndarray:
    """Return a number column as floats, the default where it is missing."""
    if column not in usable.columns:
        return np.full(len(usable), default)
    floats = usable[column].to_numpy(dtype=float, na_value=np.nan)
    return np.where(np.isnan(floats), default, floats)


OF, AGAINST = 0, 1


@dataclass(frozen=True)
class PairRuns:
    """Runs of both sides, and where each belongs.

    Attributes
    ----------
    metric : name of the metric
    runs : the runs (R)
    side, cell : arrays (R,)
    family : array (cells,)
    example : array (cells,), a run of each cell, to look up names
    across : whether the sides are different cards or benches
    names_benches : whether the pair names different benches
    by_card : whether several samples of a model are compared, so that the card is the unit
    """

    metric: str
    runs: CodedRuns
    side: np.ndarray
    cell: np.ndarray
    family: np.ndarray
    example: np.ndarray
    across: bool
    names_benches: bool
    by_card: bool

    @property
    def n_cells(self) -> int:
        """Number of games at one setting."""
        return len(self.family)

    @property
    def family_of_run(self) -> np.ndarray:
        """Family of each run."""
        return self.family[self.cell]

    def cell_text(self, column: str) -> np.ndarray:
        """Return a text column for each cell."""
        return self.runs.names[column][self.runs.codes[column][self.example]]

    def count(self, of_runs: np.ndarray) -> np.ndarray:
        """Return how many runs of each cell and side fulfil a condition, array (cells, 2)."""
        places = self.cell[of_runs] * 2 + self.side[of_runs]
        return np.bincount(places, minlength=2 * self.n_cells).reshape(-1, 2)

    def any_in_cell(self, condition: np.ndarray) -> np.ndarray:
        """Return which cells have a run that fulfils a condition."""
        return np.bincount(self.cell[condition], minlength=self.n_cells) > 0


def members_of(family: np.ndarray) -> np.ndarray:
    """Return the places of each family's entries, one row per family, filled up with -1.

    Parameters
    ----------
    family : array of whole numbers from 0, all of them used
    """
    if len(family) == 0:
        return np.empty((0, 0), dtype=np.int64)
    place = np.arange(len(family))
    rank = rank_within(family, place)
    table = np.full((int(family.max()) + 1, int(rank.max()) + 1), -1)
    table[family, rank] = place
    return table


def select_pair(coded: CodedRuns, pair, *, metric: str, purpose: str | None = None) -> PairRuns | None:
    """Return the runs of a pair.

    Parameters
    ----------
    coded : all usable runs
    pair : has ``of`` and ``against``, each with ``card`` (or model), ``tuning`` and ``bench``; an
        empty card or bench stands for any
    metric : name of the metric
    purpose : purpose of the runs to use; default that of the metric

    Returns
    -------
    PairRuns; None where one side has no run at all
    """
    wanted = coded.codes["metric"] == coded.code_of("metric", metric)
    wanted &= coded.codes["purpose"] == coded.code_of("purpose", purpose or METRICS[metric].purpose)
    of = wanted & _matches(coded, pair.of)
    against = wanted & _matches(coded, pair.against) & ~of
    if not of.any() or not against.any():
        return None
    rows = np.flatnonzero(of | against)
    runs = coded.take(rows)
    cell = group_ids([runs.codes["group"], runs.codes["game"], runs.codes["setting"]])
    example = np.full(int(cell.max()) + 1, -1)
    example[cell] = np.arange(len(cell))
    side = np.where(of[rows], OF, AGAINST)
    same_subject = (pair.of.card, pair.of.bench) == (pair.against.card, pair.against.bench)
    by_card = any(
        subject.card and len(np.unique(runs.codes["card"][side == one])) > 1
        for one, subject in ((OF, pair.of), (AGAINST, pair.against))
    )
    family, names_benches = group_ids([runs.codes["group"][example]]), pair.of.bench != pair.against.bench
    return PairRuns(metric, runs, side, cell, family, example, not same_subject, names_benches, by_card)


def _matches(coded: CodedRuns, subject) -> np.ndarray:
    """Return which runs belong to a subject; its card may be a model with several samples."""
    fits = coded.codes["tuning"] == coded.code_of("tuning", subject.tuning)
    if subject.bench:
        fits &= coded.codes["bench"] == coded.code_of("bench", subject.bench)
    if not subject.card:
        return fits
    models = coded.codes["model"] == coded.code_of("model", subject.card)
    cards = coded.codes["card"] == coded.code_of("card", subject.card)
    return fits & (models if (fits & models).any() else cards)
