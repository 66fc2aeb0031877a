"""Logs in which a column tells frames apart: frames of several sources, or with several outcomes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.findings import Finding
from gpubench_kit.reading.find_columns import ColumnChoice, Sample
from gpubench_kit.reading.frame_pairs import candidates, pair, rising
from gpubench_kit.reading.text_table import Columns, LogTable

#: Most sources that one log can hold, and most outcomes that frames can have.
_MOST_SOURCES, _MOST_OUTCOMES = 8, 5

#: Outcomes of fewer frames than this share are told; a column with larger ones tells something else.
_RARE = 0.2


def find_source(table: LogTable, sample: Sample) -> int | None:
    """Return the column that tells frames of several sources apart; None where there is none.

    Parameters
    ----------
    table : a log in which the steps of no column equal another
    sample : its first rows

    Notes
    -----
    It is a column of few values, and among the rows of its most frequent one, steps of elapsed time equal frame
    times where they do not among all rows.
    """
    for column in range(table.dialect.n_columns):
        cells = np.array([row[column].strip() for row in table.sample], dtype=object)
        values, counts = np.unique(cells, return_counts=True)
        if not 2 <= values.size <= _MOST_SOURCES:
            continue
        rows = np.flatnonzero(cells == values[np.argmax(counts)])
        if rows.size >= 8 and _has_equal_pair(sample.of_rows(rows)):
            return column
    return None


def _has_equal_pair(sample: Sample) -> bool:
    """Return whether the steps of a column equal another column."""
    times = rising(sample)
    pairs = (pair(sample, frame, elapsed) for frame in candidates(sample) for elapsed in times if frame != elapsed)
    return any(found.is_equal for found in pairs if found)


def sample_of_source(table: LogTable, sample: Sample, source: int) -> Sample:
    """Return the rows of a sample that belong to its most frequent source."""
    cells = np.array([row[source].strip() for row in table.sample], dtype=object)
    values, counts = np.unique(cells, return_counts=True)
    return sample.of_rows(np.flatnonzero(cells == values[np.argmax(counts)]))


def outcome_columns(table: LogTable, sample: Sample, taken: set[int]) -> tuple[int, ...]:
    """Return columns of words that may tell what became of each frame."""
    found = []
    for column in range(table.dialect.n_columns):
        if column in taken or sample.is_numeric[column] or sample.is_clock[column]:
            continue
        words = {row[column].strip() for row in table.sample}
        if len(words) <= _MOST_OUTCOMES and words != {""}:
            found.append(column)
    return tuple(found[:3])


def of_longest_source(table: LogTable, read: Columns, *, source: int, frame_time: ColumnChoice) -> Columns:
    """Return the rows of the source whose frames took longest, and a finding on the others.

    Parameters
    ----------
    table : the log
    read : its columns
    source : column that tells sources apart
    frame_time : column of the frame times
    """
    cells = pd.Series(read.texts[source]).fillna("").astype(str).str.strip()
    lengths = pd.Series(read.numbers[frame_time.column]).groupby(cells).sum()
    longest = lengths.idxmax()
    kept = (cells == longest).to_numpy()
    counts = cells.value_counts()
    others = ", ".join(f"'{name[:40]}' ({counts[name]})" for name in counts.index[:8] if name != longest)
    message = (
        f"{table.name}: {table.label(source)} tells frames of {len(counts)} sources apart; those of "
        f"'{longest[:40]}' took longest and are used ({int(kept.sum())} rows), the others are not: {others}."
    )
    finding = Finding("note", "several_sources", message, found=float(len(counts)), action=_SOURCE_ACTION)
    return replace(
        read,
        numbers={column: values[kept] for column, values in read.numbers.items()},
        texts={column: values[kept] for column, values in read.texts.items()},
        findings=(*read.findings, finding),
    )


_SOURCE_ACTION = "If another source is the game, let the recorder write that one alone."


def rare_outcomes(table: LogTable, read: Columns, columns: tuple[int, ...]) -> list[Finding]:
    """Return a finding for each column in which a few frames have another word than the rest."""
    found = []
    for column in columns:
        counts = pd.Series(read.texts[column]).fillna("").astype(str).str.strip().value_counts()
        rare = counts.iloc[1:]
        if not 1 <= rare.size < _MOST_OUTCOMES or rare.sum() >= _RARE * counts.sum():
            continue
        shown = ", ".join(f"'{name[:40]}' ({count})" for name, count in rare.items())
        message = (
            f"{table.name}: in {table.label(column)} most frames have '{counts.index[0][:40]}' ({counts.iloc[0]}), "
            f"some others: {shown}. All of them are counted."
        )
        action = "If these were not shown, say in the plan which frames count (frames_counted)."
        found.append(
            Finding("note", "other_outcomes", message, found=float(rare.sum()), unit="frames", action=action)
        )
    return found
