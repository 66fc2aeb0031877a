"""The columns of a log that hold its wall clock, and the stamps in its first rows."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from gpubench_kit.logs.cell_text import number
from gpubench_kit.logs.clock import (
    ClockTimes,
    begins_at_zero,
    clock_of_numbers,
    clock_of_texts,
    is_date_only,
    is_time_only,
    join_date_and_time,
    rises,
)
from gpubench_kit.logs.format import Certainty, ColumnChoice
from gpubench_kit.logs.rows import LogRows
from gpubench_kit.logs.text_table import LogTable
from gpubench_kit.model.findings import Finding

#: Longest recording [s].
_LONGEST_S = 7 * 86_400.0


def find_clock(rows: LogRows) -> tuple[ColumnChoice, ...]:
    """Return the columns of the wall clock: none, one, or a date and a time of day.

    Times that begin at zero serve only where there are no other stamps; see `passed_since_zero`.

    Parameters
    ----------
    rows : the log
    """
    table, first = rows.table, rows.table.sample[0]
    texts = sorted(rows.is_clock)
    dates = [column for column in texts if is_date_only(first[column])]
    times = [column for column in texts if is_time_only(first[column])]
    if dates and times:
        times.sort(key=lambda column: begins_at_zero(first[column]))
        why = "one column holds dates, another times of day"
        return tuple(_clock_column(table, column, why) for column in (dates[0], times[0]))
    stamps = [column for column in texts if column not in dates]
    if stamps:
        column = min(stamps, key=lambda column: begins_at_zero(first[column]))
        return (_clock_column(table, column, f"it holds stamps such as {first[column].strip()[:40]!r}"),)
    for column, values in rows.numbers.items():
        if values.size and values[0] > 1e9 and rises(values) and _is_clock_of_days(values):
            why = "it rises, and its values are seconds (or parts of them) since 1970"
            return (_clock_column(table, column, why),)
    return ()


def _is_clock_of_days(values: np.ndarray) -> bool:
    """Return whether numbers are seconds since 1970 that span no more than a recording can."""
    clock = clock_of_numbers(values)
    return clock is not None and float(np.nanmax(clock.time_s)) <= _LONGEST_S


def _clock_column(table: LogTable, column: int, why: str) -> ColumnChoice:
    """Return the choice of a column of stamps."""
    return ColumnChoice("clock_time", column, table.label(column), "", why, Certainty.PROVEN)


def clock_of_rows(rows: LogRows, clock: tuple[ColumnChoice, ...], *, date_order: str = "") -> ClockTimes | None:
    """Return the clock's stamps in all rows; None where they cannot be read.

    Parameters
    ----------
    rows : the log
    clock : its columns of the clock, none to two
    date_order : as declared; see `clock_of_texts`
    """
    if not clock:
        return None
    first = clock[0].column
    if first in rows.numbers:
        stamps = clock_of_numbers(rows.numbers[first])
        written_s = rows.steps[first] * stamps.step_s if stamps is not None else 0.0
        return None if stamps is None else replace(stamps, step_s=max(written_s, 5e-7))
    cells = [np.array([str(cell) for cell in rows.texts[choice.column]], dtype=object) for choice in clock]
    texts = join_date_and_time(*cells) if len(cells) == 2 else cells[0]
    return clock_of_texts(texts, date_order=date_order)


def passed_since_zero(table: LogTable, clock: tuple[ColumnChoice, ...]) -> ColumnChoice | None:
    """Return stamps as the elapsed time that they are; None where they are those of a clock.

    Parameters
    ----------
    table : the log
    clock : its columns of the clock; one that the plan declares is a clock
    """
    if len(clock) != 1 or clock[0].certainty == Certainty.STATED:
        return None
    first = table.sample[0][clock[0].column].strip()[:40]
    if not begins_at_zero(first):
        return None
    why = f"its times begin at {first!r}, and no date stands beside them: time that has passed, no time of day"
    return replace(clock[0], role="elapsed_time", why=why)


def passed_told(table: LogTable, passed: ColumnChoice, *, can_declare: bool) -> Finding:
    """Return the finding that stamps were read as elapsed time.

    Parameters
    ----------
    table : the log
    passed : the column
    can_declare : whether a line in the plan makes it a clock
    """
    first = table.sample[0][passed.column].strip()[:40]
    message = (
        f"{table.name}: times in {passed.label} begin at {first!r} and have no date; they were read as the time "
        "that has passed, not as the time of day."
    )
    line = f"sensor_time = {{ column = {json.dumps(table.key(passed.column), ensure_ascii=False)} }}"
    action = f"If the recording began at midnight, say so in the plan: [logs] {line}" if can_declare else ""
    return Finding("note", "counted_from_zero", message, action=action)


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
