"""The wall clock at the start of a frame log, from stamps beside the frames."""

from __future__ import annotations

import numpy as np

from gpubench_kit.reading.clock_columns import clock_of_sample
from gpubench_kit.reading.find_frame_columns import FrameColumns
from gpubench_kit.reading.frame_timing import TimedRows
from gpubench_kit.reading.text_table import LogTable

#: Stamps of this resolution or coarser are cut off, not rounded: the first one may be a whole step early [s].
_COARSE_S = 0.5


def clock_at_start(table: LogTable, columns: FrameColumns, timed: TimedRows) -> tuple[float | None, str]:
    """Return the wall clock at the start of the first frame, and what kind of clock it is.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    timed : its rows

    Returns
    -------
    seconds since 1970 (of the day without a date) and ``zoned``, ``dated`` or ``time_of_day``; None and an empty
    text without a clock

    Notes
    -----
    Of whole-second stamps each says that the clock was at least that late. The start is the latest of what they
    say, each less the time that had passed.
    """
    clock = clock_of_sample(table, columns.clock) if columns.clock else None
    if clock is None:
        return None, ""
    kind = "zoned" if clock.has_zone else "dated" if clock.has_date else "time_of_day"
    n_rows = min(clock.time_s.size, timed.start_ms.size)
    passed_s = (timed.start_ms[:n_rows] - timed.start_ms[0]) / 1000.0
    at_end_s = timed.frame_ms[:n_rows] / 1000.0 * (timed.stamped == "end")
    early_s = clock.time_s[:n_rows] - passed_s - at_end_s
    known = early_s[np.isfinite(early_s)]
    if known.size == 0:
        return None, ""
    return clock.start_s + float(known.max() if clock.step_s >= _COARSE_S else known[0]), kind


def has_coarse_clock(table: LogTable, columns: FrameColumns) -> bool:
    """Return whether a log's clock shows whole seconds only, so that many stamps are needed to tell its start."""
    clock = clock_of_sample(table, columns.clock) if columns.clock else None
    return clock is not None and clock.step_s >= _COARSE_S
