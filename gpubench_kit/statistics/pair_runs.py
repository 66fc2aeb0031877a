"""The runs of one pair and one metric, sorted into games and groups.

A *cell* here is a game at one setting; a *family* is a group of settings, which is never pooled with
another. The *sides* are 0 for what is compared (``of``) and 1 for what it is compared with
(``against``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.coded_runs import CodedRuns, number_groups, rank_within

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
    cell = number_groups([runs.codes["group"], runs.codes["game"], runs.codes["setting"]])
    example = np.full(int(cell.max()) + 1, -1)
    example[cell] = np.arange(len(cell))
    side = np.where(of[rows], OF, AGAINST)
    same_subject = (pair.of.card, pair.of.bench) == (pair.against.card, pair.against.bench)
    return PairRuns(
        metric=metric,
        runs=runs,
        side=side,
        cell=cell,
        family=number_groups([runs.codes["group"][example]]),
        example=example,
        across=not same_subject,
        names_benches=pair.of.bench != pair.against.bench,
        by_card=any(
            subject.card and len(np.unique(runs.codes["card"][side == one])) > 1
            for one, subject in ((OF, pair.of), (AGAINST, pair.against))
        ),
    )


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
