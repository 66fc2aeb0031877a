"""Flagged runs: verdicts with and without them, of which the weaker one stands."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.statistics.coded_runs import CodedRuns
from gpubench_kit.statistics.multiplicity import NO_VERDICT, weaker_verdict
from gpubench_kit.wording.reasons import SEPARATOR

_IDENTITY = ("place", "metric", "group", "game", "setting", "scope")


def without_flagged(coded: CodedRuns) -> CodedRuns:
    """Return the runs that are not flagged."""
    return coded.take(np.flatnonzero(coded.numbers["flagged"] == 0))


def take_weaker(rows: pd.DataFrame, without: pd.DataFrame | None) -> pd.DataFrame:
    """Return the rows, with the weaker verdict where it changes without the flagged runs.

    Parameters
    ----------
    rows : judged rows with every run; ``flagged`` marks those with a flagged run
    without : the same without flagged runs; None where nothing is left to compare

    Returns
    -------
    DataFrame: numbers as with every run; the verdict is what both claim, ``no_loss`` holds only in
    both, and the reason names both verdicts
    """
    rows = rows.copy()
    keys = [name for name in _IDENTITY if name in rows]
    others = {}
    if without is not None and len(without):
        others = dict(zip(_keys(without, keys), without.itertuples(), strict=True))
    changed = rows["flagged"].to_numpy() & (rows["verdict"] != NO_VERDICT).to_numpy()
    for place in np.flatnonzero(changed):
        row = rows.loc[place]
        other = others.get(tuple(row[keys]))
        rows.loc[place, ["verdict", "reason", "no_loss"]] = _weaker(row, other)
    return rows


def _weaker(row: pd.Series, other) -> list:
    """Return verdict, reason and no_loss of a row that is judged twice."""
    second = NO_VERDICT if other is None else other.verdict
    no_loss = row["no_loss"]
    if other is None or (not pd.isna(other.no_loss) and not other.no_loss):
        no_loss = no_loss if pd.isna(no_loss) else False
    if second == row["verdict"]:
        return [second, row["reason"], no_loss]
    verdict = weaker_verdict(row["verdict"], second)
    word = f"flagged_run:{row['verdict']}/{second}"
    if verdict == NO_VERDICT:
        return [verdict, word, pd.NA]
    return [verdict, SEPARATOR.join(part for part in (word, row["reason"]) if part), no_loss]


def _keys(rows: pd.DataFrame, names: list[str]) -> list[tuple]:
    """Return what identifies each row."""
    return list(rows[names].itertuples(index=False, name=None))
