"""Sensor logs in which a column tells rows apart that share their time: of several cards, or of several sensors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.cell_text import looks_numeric
from gpubench_kit.logs.format import Declaration, Sources
from gpubench_kit.logs.frame_sources import cells_as_text, line_of_count
from gpubench_kit.logs.sniff_sensors import SensorColumns
from gpubench_kit.logs.text_table import Columns, LogTable, read_columns
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

#: Most values of a column of words, and of one of whole numbers, that tells rows apart.
_MOST_WORDS, _MOST_NUMBERS = 64, 16

#: Longest name of a card or a sensor; a damaged line can be one cell of thousands of letters.
_LONGEST_WORD = 80

#: Rows that must be seen.
_ROWS_ENOUGH = 16

#: Share of rows with the time of the row before, or an earlier one, from which on several rows may share stamps.
_SHARE_SHARED = 0.3

#: Share of rows that must stand in order, or come in turn.
_NEARLY_ALL = 0.95

#: Least share of a card's steps near its usual one; with several cards' rows in one log fewer of all steps are.
_STEADY, _UNSTEADY = 0.9, 0.6

#: Rows of several cards differ this much more from row to row than from one row of a card to its next.
_MORE_APART = 1.5


def counted_columns(table: LogTable, declared: Declaration) -> Sources:
    """Return the columns of a sensor log of which the plan says which rows count, each with their values.

    Parameters
    ----------
    table : the log
    declared : what the plan declares; numbers of columns are those of the frame log, unless this one has no heading
    """
    found = []
    for heading, values in declared.count_only.items():
        column = table.place_of(heading)
        if column is not None and not (heading.isdecimal() and any(table.dialect.names)):
            found.append((column, values))
    return tuple(found)


def with_sample_that_counts(table: LogTable, counted: Sources) -> LogTable:
    """Return the table with a sample of rows that count; as it is where none has a declared value.

    Parameters
    ----------
    table : the log
    counted : as from `counted_columns`
    """
    if not counted:
        return table
    sample = _rows_that_count(table.sample, counted)
    if len(sample) < min(_ROWS_ENOUGH, len(table.sample)):
        read = read_columns(table, [], texts=list(range(table.dialect.n_columns)))
        columns = [cells_as_text(read, column) for column in range(table.dialect.n_columns)]
        sample = _rows_that_count([list(row) for row in zip(*columns, strict=True)], counted)[: len(table.sample)]
    return replace(table, sample=sample) if sample else table


def _rows_that_count(rows: list[list[str]], counted: Sources) -> list[list[str]]:
    """Return the rows that have a declared value in each column."""
    return [row for row in rows if all(row[column].strip() in values for column, values in counted)]


def of_counted(table: LogTable, read: Columns, counted: Sources) -> Columns:
    """Return the samples that count, as the plan declares, with a finding on the others.

    Parameters
    ----------
    table : the log
    read : its columns
    counted : as from `counted_columns`; a column in which no row has a declared value is the frame log's
    """
    for column, values in counted:
        cells = cells_as_text(read, column)
        kept = cells.isin(values).to_numpy()
        if not kept.any() or kept.all():
            continue
        shown = " or ".join(f"'{value[:40]}'" for value in values[:8])
        message = (
            f"{table.name}: the plan counts rows with {shown} in {table.label(column)} ({int(kept.sum())}); "
            f"the others are not used: {_counts_told(cells[~kept])}."
        )
        finding = Finding("note", "samples_not_counted", message, found=float((~kept).sum()))
        read = replace(
            read,
            numbers={place: one[kept] for place, one in read.numbers.items()},
            texts={place: one[kept] for place, one in read.texts.items()},
            findings=(*read.findings, finding),
        )
    return read


def columns_in_doubt(table: LogTable, columns: SensorColumns, stamps_s: np.ndarray) -> list[int]:
    """Return the columns that may tell rows of several cards or sensors apart; none where rows are in order.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    stamps_s : array of shape (n,), the time of each row [s]
    """
    taken = {choice.column for choice in columns.choices}
    free = [place for place in range(table.dialect.n_columns) if place not in taken]
    cells = {place: [row[place].strip() for row in table.sample] for place in free}
    few = [place for place in free if _is_few(set(cells[place]))]
    if stamps_s.size < _ROWS_ENOUGH or not few:
        return []
    steps = np.diff(stamps_s)
    if (steps < 0).any() or (steps <= 0).mean() >= _SHARE_SHARED or _steadiness(steps) < _UNSTEADY:
        return few
    return [place for place in few if _come_in_turn(np.array(cells[place], dtype=object))]


def _is_few(words: set[str]) -> bool:
    """Return whether cells are a few words, or a few whole numbers."""
    if words == {""} or any(looks_numeric(word) and not word.isdecimal() for word in words):
        return False
    if max(map(len, words), default=0) > _LONGEST_WORD:
        return False
    return len(words) <= (_MOST_NUMBERS if _are_numbers(words) else _MOST_WORDS)


def _are_numbers(words: set[str]) -> bool:
    """Return whether all cells that hold anything are whole numbers."""
    return all(word.isdecimal() or not word for word in words)


def _come_in_turn(cells: np.ndarray) -> bool:
    """Return whether values come in turn, each once before the first comes again."""
    n_values = len(set(cells))
    if not 2 <= n_values <= cells.size // 4:
        return False
    return bool((cells[n_values:] == cells[:-n_values]).mean() >= _NEARLY_ALL and len(set(cells[:n_values])) > 1)


def check_one_source(table: LogTable, columns: SensorColumns, read: Columns, *, stamps_s: np.ndarray) -> None:
    """Raise where a column tells rows of several cards or sensors apart.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    read : its columns, with those in doubt as text
    stamps_s : array of shape (n,), the time of each row [s]
    """
    for column in columns_in_doubt(table, columns, stamps_s):
        cells = cells_as_text(read, column)
        if not _is_few(set(cells.unique())) or not _are_apart(columns, cells, stamps_s):
            continue
        if _are_numbers(set(cells.unique())) and not _differ(columns, read, cells):
            continue
        raise _mixed(table, column, cells)


def _are_apart(columns: SensorColumns, cells: pd.Series, stamps_s: np.ndarray) -> bool:
    """Return whether the rows of each value stand in order, though all rows together do not; or come in turn."""
    if cells.nunique() < 2:
        return False
    if _come_in_turn(cells.to_numpy()):
        return True
    steps = np.diff(stamps_s)
    own_steps = pd.Series(stamps_s).groupby(cells.to_numpy()).diff().dropna()
    if own_steps.empty or (own_steps <= 0).mean() > 0.01:
        return False
    if (steps <= 0).mean() >= _SHARE_SHARED:
        return True
    if _steadiness(steps) < _UNSTEADY and _are_steady(stamps_s, cells):
        return True
    # Recordings one below the other count from zero each; a clock does not.
    n_stretches = 1 + int((cells.to_numpy()[1:] != cells.to_numpy()[:-1]).sum())
    return bool((steps < 0).any() and (columns.clock or n_stretches > cells.nunique()))


def _are_steady(stamps_s: np.ndarray, cells: pd.Series) -> bool:
    """Return whether the rows of each value come at a steady pace of their own."""
    own = [stamps_s[cells.to_numpy() == value] for value in cells.unique()]
    return all(one.size >= _ROWS_ENOUGH and _steadiness(np.diff(one)) >= _STEADY for one in own)


def _steadiness(steps: np.ndarray) -> float:
    """Return the share of steps near the usual one."""
    usual = np.median(steps)
    return float((np.abs(steps - usual) <= 0.2 * usual).mean())


def _differ(columns: SensorColumns, read: Columns, cells: pd.Series) -> bool:
    """Return whether a sensor differs more between neighbouring rows than between one of a value and its next.

    Whole numbers that only count the samples of a second differ in no sensor.
    """
    for sensor in columns.sensors:
        values = pd.Series(read.numbers[sensor.column])
        between = float(values.diff().abs().median())
        within = float(values.groupby(cells.to_numpy()).diff().abs().median())
        if between > _MORE_APART * within:
            return True
    return False


def _mixed(table: LogTable, column: int, cells: pd.Series) -> LogError:
    """Return the error for a log whose rows belong to several cards or sensors."""
    problem = (
        f"rows of {cells.nunique()} cards or sensors are mixed, and {table.label(column)} tells them apart: "
        f"{_counts_told(cells)}; the samples of one card, with a column for each sensor, are expected."
    )
    line = line_of_count(table, column, str(cells.iloc[0]))
    action = f"Say in the plan which rows count: {line}, or let the recorder write one row per sample."
    return LogError(Fault(table.name, problem, action))


def _counts_told(cells: pd.Series) -> str:
    """Return values, and how many rows have each, as text."""
    counts = cells.value_counts()
    shown = ", ".join(f"'{name[:40]}' ({count})" for name, count in counts.iloc[:8].items())
    return f"{shown} and {len(counts) - 8} more" if len(counts) > 8 else shown
