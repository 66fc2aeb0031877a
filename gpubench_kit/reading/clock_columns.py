"""The columns of a log that hold its wall clock, and the stamps in its first rows."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from gpubench_kit.findings import Finding
from gpubench_kit.reading.cell_text import number
from gpubench_kit.reading.clock import (
    ClockTimes,
    clock_of_numbers,
    clock_of_texts,
    is_date_only,
    is_time_only,
    join_date_and_time,
)
from gpubench_kit.reading.find_columns import ColumnChoice, Sample
from gpubench_kit.reading.text_table import LogTable


def find_clock(table: LogTable, sample: Sample) -> tuple[ColumnChoice, ...]:
    """Return the columns of the wall clock: none, one, or a date and a time of day."""
    texts = [column for column in range(table.dialect.n_columns) if sample.is_clock[column]]
    dates = [column for column in texts if is_date_only(table.sample[0][column])]
    times = [column for column in texts if is_time_only(table.sample[0][column])]
    if dates and times:
        why = "one column holds dates, another times of day"
        return tuple(ColumnChoice("clock_time", c, table.label(c), "", why, 0.95) for c in (dates[0], times[0]))
    for column in (column for column in texts if column not in dates):
        first = table.sample[0][column].strip()[:40]
        return (
            ColumnChoice("clock_time", column, table.label(column), "", f"it holds stamps such as {first!r}", 0.95),
        )
    for column in np.flatnonzero(sample.is_numeric):
        values = sample.values[:, column]
        if values[0] > 1e9 and sample.rising[column] >= 0.95 and clock_of_numbers(values) is not None:
            why = "it rises, and its values are seconds (or parts of them) since 1970"
            return (ColumnChoice("clock_time", int(column), table.label(int(column)), "", why, 0.9),)
    return ()


def clock_of_sample(table: LogTable, clock: tuple[ColumnChoice, ...], *, date_order: str = "") -> ClockTimes | None:
    """Return the clock's stamps in the rows of the look-ahead; None where they cannot be read.

    Parameters
    ----------
    table : the log
    clock : its columns of the clock, one or two
    date_order : as declared; see `clock_of_texts`
    """
    cells = [np.array([row[choice.column] for row in table.sample], dtype=object) for choice in clock]
    if len(cells) == 2:
        return clock_of_texts(join_date_and_time(*cells), date_order=date_order)
    as_text = clock_of_texts(cells[0], date_order=date_order)
    if as_text is not None:
        return as_text
    numbers = [number(cell, table.dialect.decimal, table.dialect.thousands) for cell in cells[0]]
    return clock_of_numbers(np.array([np.nan if one is None else one for one in numbers]))


def date_doubt(name: str, clock: ClockTimes) -> Finding:
    """Return the finding that day and month of a log's dates could be exchanged, with the line that pins them.

    Parameters
    ----------
    name : of the log
    clock : its stamps, read day first
    """
    read, other = (f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d}" for at in (clock.start_s, clock.other_start_s))
    message = f"{name}: its dates could begin with the day or the month; they were read as {read}, not as {other}."
    action = 'Pin it in the plan: [logs] date_order = "day_first" (or "month_first").'
    return Finding("note", "date_order_in_doubt", message, action=action)
