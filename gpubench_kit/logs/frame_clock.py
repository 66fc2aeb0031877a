"""The wall clock at the start of a frame log, from stamps beside the frames."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.logs.clock import clock_of_texts, join_date_and_time
from gpubench_kit.logs.clock_columns import clock_of_sample, date_doubt, passed_since_zero, passed_told
from gpubench_kit.logs.format import LogFormat
from gpubench_kit.logs.frame_timing import TimedRows
from gpubench_kit.logs.text_table import Columns, LogTable
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

#: Stamps of this resolution or coarser are cut off, not rounded: the first one may be a whole step early [s].
_COARSE_S = 0.5


@dataclass(frozen=True)
class StartClock:
    """The wall clock at the start of the first frame.

    Attributes
    ----------
    start_s : seconds since 1970, of the day without a date; None without a clock
    kind : ``zoned``, ``dated`` or ``time_of_day``; empty without a clock
    other_start_s : the same with day and month exchanged, where the dates do not tell; else None
    midnight_s : where times begin at zero: the start as it would be if they were times of day; else None
    findings : a doubt about dates, or times that begin at zero
    """

    start_s: float | None = None
    kind: str = ""
    other_start_s: float | None = None
    midnight_s: float | None = None
    findings: tuple[Finding, ...] = ()


def clock_at_start(
    table: LogTable, columns: LogFormat, timed: TimedRows, *, used: LogTable | None = None
) -> StartClock:
    """Return the wall clock at the start of the first frame.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    timed : its rows
    used : the log with the first rows that are used as its sample, where these are not simply its first ones

    Notes
    -----
    Of whole-second stamps each says that the clock was at least that late. The start is the latest of what they
    say, each less the time that had passed.
    """
    clock = clock_of_sample(used or table, columns.clock, date_order=columns.date_order) if columns.clock else None
    if clock is None:
        return StartClock()
    n_rows = min(clock.time_s.size, timed.start_ms.size)
    passed_s = (timed.start_ms[:n_rows] - timed.start_ms[0]) / 1000.0
    at_end_s = timed.frame_ms[:n_rows] / 1000.0 * (timed.stamped == "end")
    early_s = clock.time_s[:n_rows] - passed_s - at_end_s
    known = early_s[np.isfinite(early_s)]
    if known.size == 0:
        return StartClock()
    moved_s = float(known.max() if clock.step_s >= _COARSE_S else known[0])
    start_s = clock.start_s + moved_s
    passed = passed_since_zero(table, columns.clock)
    if passed is not None:
        return StartClock(midnight_s=start_s, findings=(passed_told(table, passed, can_declare=False),))
    if not clock.in_doubt:
        return StartClock(start_s, clock.kind)
    doubt = date_doubt(table.name, clock)
    return StartClock(start_s, clock.kind, clock.other_start_s + moved_s, findings=(doubt,))


def with_time_of_stamps(table: LogTable, columns: LogFormat, read: Columns) -> Columns:
    """Return columns in which the clock's stamps stand as seconds since the first one.

    Parameters
    ----------
    table : the log
    columns : what its columns are; frame times are the steps of the clock
    read : the columns as read

    Raises
    ------
    LogError : a row has no stamp
    """
    texts = [np.array([str(cell) for cell in read.texts[choice.column]], dtype=object) for choice in columns.clock]
    cells = join_date_and_time(*texts) if len(texts) == 2 else texts[0]
    clock = clock_of_texts(cells, date_order=columns.date_order)
    time_s = np.full(len(cells), np.nan) if clock is None else clock.time_s
    bad = np.flatnonzero(~np.isfinite(time_s))
    if bad.size:
        row = int(bad[0])
        problem = f"row {row + 1} has no stamp in {columns.elapsed.label} ({cells[row][:40]!r} was found)."
        action = "One stamp for each frame is expected, since no column holds frame times. Record the run again."
        raise LogError(Fault(table.name, problem, action))
    return replace(read, numbers={**read.numbers, columns.elapsed.column: time_s})
