"""Sources of frames that show only beyond the first rows, looked for where all rows speak against one source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.logs.cell_text import is_clock, looks_numeric
from gpubench_kit.logs.find_frame_columns import FrameColumns
from gpubench_kit.logs.frame_pairs import SHARE_EQUAL
from gpubench_kit.logs.frame_sources import cells_as_text, line_of_count, longest_source
from gpubench_kit.logs.frame_timing import TimedRows
from gpubench_kit.logs.text_table import Columns, LogTable
from gpubench_kit.model.findings import Finding

#: From so many steps on that differ from the frame times, it is asked whether rows of another source stand between.
DOUBTFUL_STEPS = 8

#: Most values in the first rows of a column that may tell sources apart, and most values in all of them.
_MOST_AT_FIRST, _MOST_IN_ALL = 8, 64

#: Steps over rows of other sources that prove a column right where they equal frame times, and where nothing does.
_BRIDGES_TIMED, _BRIDGES_ALONE = 4, 32

#: A step over rows of other sources is no longer than this many others; one over rows of the same source is twice.
_STEP_OVER_OTHERS = 1.5

#: Largest distance of places within steps from an even spread, as between their distribution functions.
_FAR_FROM_EVEN = 0.15

#: Share of rows from which on values come and change often, and how far frame times of sources differ at least.
_OFTEN, _DIFFER = 0.2, 1.2


def columns_in_doubt(table: LogTable, columns: FrameColumns, timed: TimedRows) -> tuple[int, ...]:
    """Return the columns that may tell sources apart where rows do not bear out that there is one; else none.

    Parameters
    ----------
    table : the log
    columns : what its columns are, by the first rows
    timed : all rows
    """
    is_borne_out = columns.frame_time is not None and timed.n_mismatched < DOUBTFUL_STEPS
    if columns.elapsed is None or is_borne_out:
        return ()
    taken = {choice.column for choice in columns.choices} | {column for column, _ in columns.sources}
    free = (column for column in range(table.dialect.n_columns) if column not in taken)
    return tuple(column for column in free if _may_tell({row[column].strip() for row in table.sample}))


def _may_tell(words: set[str]) -> bool:
    """Return whether cells are a few words, or a few whole numbers."""
    if len(words) > _MOST_AT_FIRST or words == {""}:
        return False
    return not any(is_clock(word) or (looks_numeric(word) and not word.isdecimal()) for word in words)


def with_late_source(columns: FrameColumns, read: Columns, asked: tuple[int, ...]) -> FrameColumns | None:
    """Return the columns with one more that tells sources apart; None where none does.

    Parameters
    ----------
    columns : what the columns are
    read : all rows, with the columns asked as text
    asked : as from `columns_in_doubt`

    Notes
    -----
    A column tells sources apart where steps over rows of others equal the frame times of the source itself. Where
    no column holds frame times, its steps must not depend on whether rows of others stand between.
    """
    wanted_of = dict(columns.counted)
    for column in sorted(asked, key=lambda one: one not in wanted_of):
        wanted = wanted_of.get(column, ())
        is_used = _used(columns, read, column, wanted)
        if is_used is not None and _are_apart(columns, read, np.flatnonzero(is_used)):
            counted = tuple(one for one in columns.counted if one[0] != column)
            return replace(columns, sources=(*columns.sources, (column, wanted)), counted=counted)
    return None


def _used(columns: FrameColumns, read: Columns, column: int, wanted: tuple[str, ...]) -> np.ndarray | None:
    """Return which rows are of the sources wanted, or else of the longest one; None where they are no sources."""
    cells = cells_as_text(read, column)
    if not 2 <= cells.nunique() <= _MOST_IN_ALL:
        return None
    if not wanted:
        frame_time = columns.frame_time.column if columns.frame_time else None
        wanted = (longest_source(read, cells, frame_time=frame_time, elapsed=columns.elapsed.column)[0],)
    return cells.isin(wanted).to_numpy()


def _are_apart(columns: FrameColumns, read: Columns, rows: np.ndarray) -> bool:
    """Return whether the rows of a source are those of one of its own."""
    time_ms = read.numbers[columns.elapsed.column] * columns.elapsed.factor
    if columns.frame_time is None:
        return _are_independent(time_ms, rows)
    frame_ms = read.numbers[columns.frame_time.column] * columns.frame_time.factor
    written_ms = 1.01 * columns.elapsed.step * columns.elapsed.factor
    written_ms += 0.51 * columns.frame_time.step * columns.frame_time.factor
    slack = written_ms + 1e-12 * float(np.nanmax(np.abs(time_ms), initial=0.0))
    bridges = np.flatnonzero(np.diff(rows) > 1)
    if bridges.size < _BRIDGES_TIMED:
        return False
    steps = time_ms[rows[bridges + 1]] - time_ms[rows[bridges]]
    sides = (frame_ms[rows[bridges]], frame_ms[rows[bridges + 1]])
    return any((np.abs(steps - side) <= slack).mean() >= SHARE_EQUAL for side in sides)


def _are_independent(time_ms: np.ndarray, rows: np.ndarray) -> bool:
    """Return whether rows of others fall anywhere between those of a source, and leave its steps as they are."""
    steps, n_between = np.diff(time_ms[rows]), np.diff(rows) - 1
    bridges = n_between > 0
    if bridges.sum() < _BRIDGES_ALONE or not (steps >= 0).all() or np.median(steps) <= 0:
        return False
    free = steps[~bridges]
    if free.size < _BRIDGES_ALONE:
        # Rows that always come in the same number, such as frames made up between others, have one cause.
        is_regular = (n_between == np.median(n_between)).mean() >= SHARE_EQUAL
    else:
        is_regular = np.median(steps[bridges]) > _STEP_OVER_OTHERS * np.median(free)
    return not is_regular and _distance_from_even(time_ms, rows) <= _FAR_FROM_EVEN


def _distance_from_even(time_ms: np.ndarray, rows: np.ndarray) -> float:
    """Return how far the places of other rows, within the steps they fall into, are from an even spread."""
    others = np.setdiff1d(np.arange(rows[0], rows[-1]), rows)
    before = np.searchsorted(rows, others) - 1
    start_ms, end_ms = time_ms[rows[before]], time_ms[rows[before + 1]]
    # Coarse stamps may put a whole step, with what lies in it, at one time.
    wide = end_ms > start_ms
    places = np.sort((time_ms[others] - start_ms)[wide] / (end_ms - start_ms)[wide])
    if places.size == 0:
        return 1.0
    below = np.arange(places.size) / places.size
    return float(np.maximum(np.abs(places - below), np.abs(places - below - 1 / places.size)).max())


def sources_in_doubt(table: LogTable, columns: FrameColumns, read: Columns) -> list[Finding]:
    """Return a finding on each column whose values take turns and differ in frame time, where no time proves more.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    read : the rows used, with the columns that may tell outcomes as text
    """
    if columns.elapsed is not None or columns.frame_time is None:
        return []
    found, frame_ms = [], read.numbers[columns.frame_time.column] * columns.frame_time.factor
    for column in columns.outcomes:
        cells = cells_as_text(read, column)
        counts = cells.value_counts()
        counts = counts[counts >= _OFTEN * len(cells)]
        usual = pd.Series(frame_ms, index=cells.index).groupby(cells).median()[counts.index]
        turns = (cells.to_numpy()[1:] != cells.to_numpy()[:-1]).mean()
        if len(counts) < 2 or turns < _OFTEN or usual.max() < _DIFFER * usual.min():
            continue
        shown = ", ".join(f"'{name[:40]}' ({counts[name]}; {usual[name]:.3g} ms)" for name in counts.index[:8])
        message = (
            f"{table.name}: rows with different values in {table.label(column)} take turns and differ in their "
            f"median frame time: {shown}. All of them are counted; no time tells whether they are of one game."
        )
        action = f"If only some count, say so: {line_of_count(table, column, counts.index[0])}"
        found.append(Finding("note", "sources_in_doubt", message, found=float(len(counts)), action=action))
    return found


def with_stamps_of_rows(table: LogTable, columns: FrameColumns, read: Columns) -> LogTable:
    """Return the table with the stamps of the first rows used as its sample, as its own may be of other sources.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    read : the rows used, with the stamps of the clock as text
    """
    if not (columns.sources and columns.clock):
        return table
    sample = [[""] * table.dialect.n_columns for _ in table.sample[: read.n_rows]]
    for choice in columns.clock:
        for row, cell in zip(sample, read.texts[choice.column], strict=False):
            row[choice.column] = str(cell or "")
    return replace(table, sample=sample)
