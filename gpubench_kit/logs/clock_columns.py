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
)
from gpubench_kit.logs.find_columns import ColumnChoice, Sample
from gpubench_kit.logs.text_table import LogTable
from gpubench_kit.model.findings import Finding

#: Stamps that frame times are taken from are written at least this finely [s].
_FINE_S = 0.0011

#: Usual steps of stamps, one row a frame, that are frame times; and how many of them have to be seen.
_USUAL_STEP_S = (0.002, 0.05)
_STEPS_NEEDED = 8


def find_clock(table: LogTable, sample: Sample) -> tuple[ColumnChoice, ...]:
    """Return the columns of the wall clock: none, one, or a date and a time of day.

    Times that begin at zero serve only where there are no other stamps; see `passed_since_zero`.
    """
    texts = [column for column in range(table.dialect.n_columns) if sample.is_clock[column]]
    dates = [column for column in texts if is_date_only(table.sample[0][column])]
    times = [column for column in texts if is_time_only(table.sample[0][column])]
    if dates and times:
        times.sort(key=lambda column: begins_at_zero(table.sample[0][column]))
        why = "one column holds dates, another times of day"
        return tuple(ColumnChoice("clock_time", c, table.label(c), "", why, 0.95) for c in (dates[0], times[0]))
    stamps = [column for column in texts if column not in dates]
    for column in sorted(stamps, key=lambda column: begins_at_zero(table.sample[0][column])):
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


def passed_since_zero(table: LogTable, clock: tuple[ColumnChoice, ...]) -> ColumnChoice | None:
    """Return stamps as the elapsed time that they are; None where they are those of a clock.

    Parameters
    ----------
    table : the log
    clock : its columns of the clock; one that the plan declares is a clock
    """
    if len(clock) != 1 or clock[0].confidence == 1.0:
        return None
    first = table.sample[0][clock[0].column].strip()[:40]
    if not begins_at_zero(first):
        return None
    why = f"its times begin at {first!r}, and no date stands beside them: time that has passed, no time of day"
    return replace(clock[0], role="elapsed_time", why=why, confidence=0.9)


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


def steps_of_clock(
    table: LogTable, clock: tuple[ColumnChoice, ...], *, date_order: str = ""
) -> ColumnChoice | None:
    """Return the stamps as a time whose steps are the frame times; None where they are too coarse or too far apart.

    Parameters
    ----------
    table : the log
    clock : its columns of the clock
    date_order : as declared; see `clock_of_texts`
    """
    if not clock or ":" not in table.sample[0][clock[-1].column]:
        return None
    stamps = clock_of_sample(table, clock, date_order=date_order)
    if stamps is None or stamps.step_s > _FINE_S or not np.isfinite(stamps.time_s).all():
        return None
    steps = np.diff(stamps.time_s)
    usual_s = float(np.median(steps)) if steps.size >= _STEPS_NEEDED else 0.0
    if (steps < 0).any() or not _USUAL_STEP_S[0] <= usual_s <= _USUAL_STEP_S[1]:
        return None
    last, step_ms = clock[-1], 1000.0 * stamps.step_s
    why = f"its stamps are {1000 * usual_s:.3g} ms apart (median) and written to {step_ms:g} ms"
    return ColumnChoice("elapsed_time", last.column, last.label, "s", why, 0.8, 1000.0, stamps.step_s)


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
