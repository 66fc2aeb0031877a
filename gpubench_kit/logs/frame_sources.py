"""Logs in which a column tells frames apart: frames of several sources, or with several outcomes."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.find_columns import Declaration, Sample
from gpubench_kit.logs.frame_pairs import candidates, pair, rising
from gpubench_kit.logs.text_table import Columns, LogTable
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

#: Most sources that one log can hold, and most outcomes that frames can have.
_MOST_SOURCES, _MOST_OUTCOMES = 8, 5

#: Outcomes of fewer frames than this share are told; a column with larger ones tells something else.
_RARE = 0.2

#: Rows of a source that the columns can be told from.
_ROWS_ENOUGH = 8

#: Sources that last at least this share of the longest one may as well be the game.
_NEARLY_AS_LONG = 0.9

#: Columns, each with the values of the rows wanted.
Sources = tuple[tuple[int, tuple[str, ...]], ...]


def declared_for_frames(table: LogTable, declared: Declaration) -> Declaration:
    """Return what is declared about frames: without what tells rows of the run's sensor log apart, and none here.

    Parameters
    ----------
    table : the frame log
    declared : what the plan declares about logs
    """
    # A number is that of a column without heading.
    has_headings = any(table.dialect.names)
    elsewhere = [
        heading
        for heading in declared.told_in_sensors
        if table.place_of(heading) is None or (heading.isdecimal() and has_headings)
    ]
    if not elsewhere:
        return declared
    kept = {heading: values for heading, values in declared.count_only.items() if heading not in elsewhere}
    return replace(declared, count_only=kept)


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
        if rows.size >= _ROWS_ENOUGH and has_equal_pair(sample.of_rows(rows)):
            return column
    return None


def has_equal_pair(sample: Sample) -> bool:
    """Return whether the steps of a column equal another column, so that there is one source of frames."""
    times = rising(sample)
    pairs = (pair(sample, frame, elapsed) for frame in candidates(sample) for elapsed in times if frame != elapsed)
    return any(found.is_equal for found in pairs if found)


def sample_of_sources(table: LogTable, sample: Sample, sources: Sources) -> Sample:
    """Return the rows of a sample that belong to the sources wanted, or else to the most frequent one.

    Parameters
    ----------
    table, sample : the log and its first rows
    sources : columns, each with the values wanted; see `FrameColumns`

    Returns
    -------
    Sample; as it is where too few of its rows belong
    """
    kept = np.ones(len(table.sample), dtype=bool)
    for column, wanted in sources:
        cells = np.array([row[column].strip() for row in table.sample], dtype=object)
        values, counts = np.unique(cells, return_counts=True)
        kept &= np.isin(cells, wanted or values[[np.argmax(counts)]])
    return sample.of_rows(np.flatnonzero(kept)) if kept.sum() >= _ROWS_ENOUGH else sample


def outcome_columns(table: LogTable, sample: Sample, taken: set[int]) -> tuple[int, ...]:
    """Return columns of words, or of a few whole numbers, that may tell what became of each frame."""
    found = []
    for column in range(table.dialect.n_columns):
        if column in taken or sample.is_clock[column]:
            continue
        words = {row[column].strip() for row in table.sample}
        is_flag = not sample.is_numeric[column] or (len(words) > 1 and all(word.isdecimal() for word in words))
        if is_flag and len(words) <= _MOST_OUTCOMES and words != {""}:
            found.append(column)
    return tuple(found[:3])


def of_sources(
    table: LogTable, read: Columns, *, sources: Sources, frame_time: int | None, elapsed: int | None = None
) -> Columns:
    """Return the rows of the sources wanted, or else of the one whose frames took longest; with a finding.

    Parameters
    ----------
    table : the log
    read : its columns
    sources : columns, each with the values wanted; see `FrameColumns`
    frame_time, elapsed : columns of the frame times and of the time that has passed; None where there is none

    Raises
    ------
    LogError : no row has a declared value
    """
    for column, wanted in sources:
        cells, rivals = cells_as_text(read, column), None
        if not wanted:
            used, rivals = longest_source(read, cells, frame_time=frame_time, elapsed=elapsed)
            wanted = (used,)
        kept = _wanted(table, cells, (column, wanted))
        finding = _sources_told(table, column, (cells, kept), rivals=rivals)
        read = replace(
            read,
            numbers={column: values[kept] for column, values in read.numbers.items()},
            texts={column: values[kept] for column, values in read.texts.items()},
            findings=(*read.findings, finding),
        )
    return read


def longest_source(
    read: Columns, cells: pd.Series, *, frame_time: int | None, elapsed: int | None
) -> tuple[str, tuple[str, ...]]:
    """Return the source whose frames took longest, and those that last about as long.

    Parameters
    ----------
    read : columns of a log
    cells : of the column that tells its sources apart
    frame_time, elapsed : as for `of_sources`; with neither, the source with most rows counts as the longest

    Notes
    -----
    What is shown beside a game lasts as long as the game does, so that frames decide between sources that last
    about as long: it is the one with more.
    """
    counts = cells.value_counts(sort=False).astype(float)
    lasted = counts
    if frame_time is not None:
        lasted = pd.Series(read.numbers[frame_time], index=cells.index).groupby(cells).sum()
    elif elapsed in read.numbers:
        times = pd.Series(read.numbers[elapsed], index=cells.index).groupby(cells)
        lasted = times.max() - times.min()
    near = lasted.index[lasted >= _NEARLY_AS_LONG * lasted.max()]
    used = counts[near].idxmax()
    return used, tuple(name for name in near if name != used)


def _sources_told(
    table: LogTable, column: int, told: tuple[pd.Series, np.ndarray], *, rivals: tuple[str, ...] | None
) -> Finding:
    """Return the finding on sources that were told apart; without ``rivals`` those used are declared."""
    cells, kept = told
    counts, used = cells.value_counts(), cells[kept].unique()
    others = ", ".join(f"'{name[:40]}' ({counts[name]})" for name in counts.index[:8] if name not in used)
    shown = ", ".join(f"'{name[:40]}'" for name in used[:8])
    chosen = "are declared and" if rivals is None else "took longest and are"
    doubt = ""
    if rivals:
        chosen = "are the most of those that last longest and are"
        doubt = f" Those of {_listed(rivals)} last about as long, so that the game may be another one."
    message = (
        f"{table.name}: {table.label(column)} tells frames of {len(counts)} sources apart; those of "
        f"{shown} {chosen} used ({int(kept.sum())} rows), the others are not: {others or 'none'}.{doubt}"
    )
    example = (*(rivals or ()), *(name for name in counts.index if name not in used), used[0])[0]
    line = line_of_count(table, column, example)
    action = "" if rivals is None else f"If another source is the game, say so: {line}"
    return Finding("note", "several_sources", message, found=float(len(counts)), action=action)


def counted_rows(
    table: LogTable, read: Columns, *, counted: Sources, n_rows: int
) -> tuple[np.ndarray, tuple[Finding, ...]]:
    """Return which rows are frames that count, as the plan declares, and a finding on the others.

    Parameters
    ----------
    table : the log
    read : its columns
    counted : columns, each with the values of frames that count; see `FrameColumns`
    n_rows : rows that are frames

    Raises
    ------
    LogError : no row has a declared value
    """
    kept, findings = np.ones(n_rows, dtype=bool), []
    for column, wanted in counted:
        cells = cells_as_text(read, column).iloc[:n_rows]
        counts_here = _wanted(table, cells, (column, wanted))
        kept &= counts_here
        others = ", ".join(
            f"'{name[:40]}' ({n})" for name, n in cells[~counts_here].value_counts().iloc[:8].items()
        )
        message = (
            f"{table.name}: the plan counts frames with {_listed(wanted)} in {table.label(column)} "
            f"({int(counts_here.sum())}); others do not count, and their time went to the frame before: "
            f"{others or 'none'}."
        )
        n_others = float((~counts_here).sum())
        findings.append(Finding("note", "frames_not_counted", message, found=n_others, unit="frames"))
    return kept, tuple(findings)


def rare_outcomes(table: LogTable, read: Columns, columns: tuple[int, ...]) -> list[Finding]:
    """Return a finding for each column in which a few frames have another word than the rest.

    Parameters
    ----------
    table : the log
    read : its columns
    columns : those that may tell what became of each frame
    """
    found = []
    for column in columns:
        counts = cells_as_text(read, column).value_counts()
        rare = counts.iloc[1:]
        if not 1 <= rare.size < _MOST_OUTCOMES or rare.sum() >= _RARE * counts.sum():
            continue
        shown = ", ".join(f"'{name[:40]}' ({count})" for name, count in rare.items())
        message = (
            f"{table.name}: in {table.label(column)} most frames have '{counts.index[0][:40]}' ({counts.iloc[0]}), "
            f"some others: {shown}. All of them are counted."
        )
        action = f"If only the former count, say so: {line_of_count(table, column, counts.index[0])}"
        found.append(
            Finding("note", "other_outcomes", message, found=float(rare.sum()), unit="frames", action=action)
        )
    return found


def cells_as_text(read: Columns, column: int) -> pd.Series:
    """Return the cells of a column as text.

    Parameters
    ----------
    read : columns of a log
    column : its place, from 0
    """
    return pd.Series(read.texts[column]).fillna("").astype(str).str.strip()


def _wanted(table: LogTable, cells: pd.Series, asked: tuple[int, tuple[str, ...]]) -> np.ndarray:
    """Return which cells have a value wanted; raise where none has."""
    column, wanted = asked
    kept = cells.isin(wanted).to_numpy()
    if not kept.any():
        found = ", ".join(f"'{name[:40]}'" for name in cells.value_counts().index[:8])
        problem = f"no row has {_listed(wanted)} in {table.label(column)}, as count_only declares (found: {found})."
        raise LogError(Fault(table.name, problem, "Correct count_only in the plan, below [logs]."))
    return kept


def line_of_count(table: LogTable, column: int, value: str) -> str:
    """Return the line of a plan that declares which rows count.

    Parameters
    ----------
    table : the log
    column : the column that tells rows apart
    value : that of the rows that count
    """
    key, shown = (json.dumps(text, ensure_ascii=False) for text in (table.key(column), value))
    return f"[logs] count_only = {{ {key} = [{shown}] }}"


def _listed(values: tuple[str, ...]) -> str:
    """Return values as text."""
    return " or ".join(f"'{value[:40]}'" for value in values[:8])
