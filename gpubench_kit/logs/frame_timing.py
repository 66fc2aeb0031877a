"""When each frame began and how long it took, from columns of time, and the clock at the start."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from gpubench_kit.logs.clock import (
    clock_of_sample,
    clock_of_texts,
    date_doubt,
    join_date_and_time,
    passed_since_zero,
    passed_told,
)
from gpubench_kit.logs.format import LogFormat
from gpubench_kit.logs.frame_evidence import PLAUSIBLE_MS, SHARE_EQUAL
from gpubench_kit.logs.log_table import Columns, LogTable
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

#: Times written no finer than this show in the lows [ms].
_COARSE_MS = 0.5

#: A cell that differs from the step of the time by this share of a usual frame is denied; up to as many of all as
#: may differ where steps equal a column, so that none is left in what they prove.
_DENIED_SHARE, _MOST_DENIED = 0.05, 1 - SHARE_EQUAL

#: A longer step that no cell shows is a pause [ms].
_PAUSE_MS = 1000.0

#: Shares of the frames [%] up to whose length a run's quantiles are kept, for the percentile curve.
FRAME_SHARES = (50.0, 75.0, 90.0, 95.0, 97.0, 98.0, 99.0, 99.5, 99.8, 99.9)


@dataclass(frozen=True)
class Frames:
    """The frames of one run.

    Attributes
    ----------
    time_s : array of shape (n,), when each frame began, from the start of the first one [s]
    frame_ms : array of shape (n,), how long each took [ms]
    step_ms : resolution of the frame times as recorded [ms]
    """

    time_s: np.ndarray
    frame_ms: np.ndarray
    step_ms: float

    @property
    def end_s(self) -> float:
        """When the last frame ended, from the start of the first one [s]."""
        return float(self.time_s[-1] + self.frame_ms[-1] / 1000.0)

    @cached_property
    def _parted(self) -> tuple[np.ndarray, np.ndarray]:
        """`quantiles_ms` and `slowest_ms`: to part the frame times at the ranks needed is quicker than to sort."""
        last = self.frame_ms.size - 1
        ranks = np.multiply(FRAME_SHARES, last / 100.0)
        below = np.floor(ranks).astype(int)
        above = np.minimum(below + 1, last)
        first_slow = max(0, last - -(-self.frame_ms.size // 100))
        parted = np.partition(self.frame_ms, np.unique((*below, *above, first_slow)))
        lower_ms = parted[below]
        return lower_ms + (parted[above] - lower_ms) * (ranks - below), np.sort(parted[first_slow:])

    @property
    def quantiles_ms(self) -> np.ndarray:
        """Frame time that each of `FRAME_SHARES` does not exceed [ms], by linear interpolation."""
        return self._parted[0]

    @property
    def slowest_ms(self) -> np.ndarray:
        """The slowest hundredth of the frames and one more, in rising order [ms]."""
        return self._parted[1]


@dataclass(frozen=True)
class TimedRows:
    """Start and length of each row's frame, before rows without a length are left out.

    Attributes
    ----------
    start_ms, frame_ms : arrays of shape (rows,) [ms]
    step_ms : resolution of the frame times [ms]
    origin_s : elapsed time of the log at the start of the first frame [s]; None without elapsed time
    stamped : whether the time column marks the ``start`` or the ``end`` of a frame; empty without one
    n_mismatched : steps of the time column that differ from the frame time
    findings : what was noticed
    """

    start_ms: np.ndarray
    frame_ms: np.ndarray
    step_ms: float
    origin_s: float | None
    stamped: str = ""
    n_mismatched: int = 0
    findings: tuple[Finding, ...] = ()


def timed_rows(table: LogTable, columns: LogFormat, read: Columns) -> TimedRows:
    """Return when the frame of each row began and how long it took.

    Parameters
    ----------
    table : the log
    columns : what its columns are
    read : the columns as read

    Raises
    ------
    LogError : time goes back where it is all there is
    """
    if columns.frame_time is None:
        elapsed = columns.time_axis
        time_ms = read.numbers[elapsed.column] * elapsed.factor
        time_ms = time_ms[np.isfinite(time_ms)]
        step_ms = elapsed.step * elapsed.factor
        how = "coarse" if step_ms >= _COARSE_MS else "fine"
        told: dict[str, Any] = {"name": table.name, "label": elapsed.label} | (
            {"step": step_ms} if how == "coarse" else {}
        )
        finding = note(f"logs.frame_times_from_steps.{how}", check="frame_times_from_steps", **told)
        frame_ms = np.diff(time_ms)
        if frame_ms.size == 0 or (frame_ms < 0).any():
            where = f"row {int(np.argmax(frame_ms < 0)) + 2}" if frame_ms.size else "the only row"
            problem = (
                f"time goes back at {where} of {elapsed.label}, so that frame times cannot be taken from its steps."
            )
            raise LogError(Fault(table.name, problem, "Record the run again, or declare a column of frame times."))
        return TimedRows(time_ms[:-1], frame_ms, step_ms, float(time_ms[0]) / 1000.0, "start", findings=(finding,))
    choice = columns.frame_time
    values = read.numbers[choice.column]
    if choice.role == "frame_rate":
        with np.errstate(divide="ignore"):
            frame_ms = np.where(values > 0, 1000.0 / values, np.nan)
        step_ms = choice.step * float(np.nanmedian(frame_ms)) ** 2 / 1000.0
    else:
        frame_ms, step_ms = values * choice.factor, choice.step * choice.factor
    if columns.elapsed is None:
        ends_ms = np.nancumsum(frame_ms)
        return TimedRows(ends_ms - np.nan_to_num(frame_ms), frame_ms, step_ms, None)
    elapsed_ms = read.numbers[columns.elapsed.column] * columns.elapsed.factor
    steps_ms = (columns.elapsed.step * columns.elapsed.factor, step_ms)
    moved = np.diff(elapsed_ms)
    slack = 1.01 * steps_ms[0] + 0.51 * steps_ms[1] + 1e-12 * float(np.nanmax(np.abs(elapsed_ms), initial=0.0))
    n_at_end, n_at_start = (_n_equal(moved, one, slack) for one in (frame_ms[1:], frame_ms[:-1]))
    is_end = n_at_end > n_at_start or (n_at_end == n_at_start and abs(elapsed_ms[0] - frame_ms[0]) <= slack)
    n_agree = max(n_at_end, n_at_start)
    findings: tuple[Finding, ...] = ()
    if n_agree < moved.size / 2:
        is_end, findings = False, (note("logs.stamps_unclear", name=table.name),)
    start_ms = elapsed_ms - frame_ms if is_end else elapsed_ms
    origin_s = float(start_ms[0]) / 1000.0
    stamped = "end" if is_end else "start"
    timed = TimedRows(start_ms, frame_ms, steps_ms[1], origin_s, stamped, moved.size - n_agree, findings)
    return _with_denied_cells(table, timed, elapsed_ms) if n_agree >= SHARE_EQUAL * moved.size else timed


def _n_equal(steps: np.ndarray, lengths: np.ndarray, slack: float) -> int:
    """Return how many steps are as long as the frames, within the slack."""
    off = steps - lengths
    return int(np.count_nonzero(np.abs(off, out=off) <= slack))


def _with_denied_cells(table: LogTable, timed: TimedRows, elapsed_ms: np.ndarray) -> TimedRows:
    """Return the rows with the step of the time in place of single cells that it denies, and of empty cells.

    A step beyond a second that no cell shows is a pause between frames, and no frame.
    """
    steps, is_end = np.diff(elapsed_ms), timed.stamped == "end"
    bare = 0 if is_end else -1
    if timed.frame_ms[bare] > _PAUSE_MS:
        # No step reaches the cell at this end of the log: such a one may have lost its decimal mark.
        frame_ms, start_ms = timed.frame_ms.copy(), timed.start_ms.copy()
        frame_ms[bare] = start_ms[bare] = np.nan
        origin_s = float(start_ms[1]) / 1000.0 if is_end else timed.origin_s
        timed = replace(timed, frame_ms=frame_ms, start_ms=start_ms, origin_s=origin_s)
    if timed.n_mismatched == 0:
        return timed
    cells = timed.frame_ms[1:] if is_end else timed.frame_ms[:-1]
    off = steps - cells
    usual = float(np.nanmedian(timed.frame_ms))
    is_empty = ~np.isfinite(cells) & (steps > 0) & (steps <= _PAUSE_MS)
    is_denied = (np.abs(off) > max(_DENIED_SHARE * usual, 3 * timed.step_ms)) & (off <= _PAUSE_MS) & (steps > 0)
    # Where stamps stand still or go back it is they that are wrong, and a time below zero is no time.
    stands = steps <= 0
    near = stands | np.append(stands[1:], False) | np.insert(stands[:-1], 0, False)
    # Rows that were lost lengthen a step; the cell is wrong only where it is farther from the usual frame.
    is_wrong = np.abs(cells - usual) > np.abs(steps - usual)
    is_denied &= (steps <= _PAUSE_MS) & ~near & (cells >= 0) & is_wrong
    places = np.flatnonzero(is_empty | is_denied)
    if places.size == 0 or places.size > _MOST_DENIED * timed.frame_ms.size:
        return timed
    frame_ms = timed.frame_ms.copy()
    rows = places + is_end
    first, written = int(rows[0]), frame_ms[rows[0]]
    frame_ms[rows] = steps[places]
    start_ms = elapsed_ms - frame_ms if is_end else elapsed_ms
    shown = say("answer.no_value") if np.isnan(written) else f"{written:.4g} ms"
    about: dict[str, Any] = {"empty": int(is_empty[places].sum()), "row": first + 1, "told": frame_ms[first]}
    finding = note("logs.cells_denied", name=table.name, found=rows.size, shown=shown, **about)
    n_mismatched = max(0, timed.n_mismatched - rows.size)
    return replace(
        timed, start_ms=start_ms, frame_ms=frame_ms, n_mismatched=n_mismatched, findings=(*timed.findings, finding)
    )


def with_time_of_others(timed: TimedRows, counts: np.ndarray) -> TimedRows:
    """Return the rows that count; the time of others goes to the one before, so that no time is lost.

    Parameters
    ----------
    timed : the rows of a log
    counts : array of shape (rows,), whether each row is a frame that counts
    """
    if counts.all():
        return timed
    places = np.flatnonzero(counts)
    frame_ms = np.add.reduceat(np.nan_to_num(timed.frame_ms), places)
    return replace(timed, start_ms=timed.start_ms[places], frame_ms=frame_ms)


def frames_of(table: LogTable, timed: TimedRows) -> tuple[Frames, np.ndarray, list[Finding]]:
    """Return the frames that have a length, which rows they are, and what was noticed.

    Parameters
    ----------
    table : the log
    timed : its rows

    Raises
    ------
    LogError : there are none, or the numbers cannot be frame times
    """
    kept, findings = np.isfinite(timed.frame_ms), []
    start_ms, frame_ms = timed.start_ms, timed.frame_ms
    if not kept.all():
        n_holes = int((~kept).sum())
        findings.append(note("logs.rows_without_frame_time", name=table.name, found=n_holes, rows=kept.size))
        start_ms, frame_ms = start_ms[kept], frame_ms[kept]
    if not np.isfinite(start_ms).all():
        known = np.isfinite(start_ms)
        rows = np.arange(start_ms.size)
        start_ms = np.interp(rows, rows[known], start_ms[known]) if known.any() else np.cumsum(frame_ms) - frame_ms
    action = "If the column is another one, or in another unit, declare frame_time in the plan, below [logs]."
    if frame_ms.size == 0:
        raise LogError(Fault(table.name, "no row has a frame time.", "Record the run again."))
    if frame_ms.min() < 0:
        row = int(np.argmin(frame_ms)) + 1
        raise LogError(
            Fault(table.name, f"row {row} has a frame time of {frame_ms.min():g} ms, below zero.", action)
        )
    mean, (low, high) = float(frame_ms.mean()), PLAUSIBLE_MS
    if not low / 10 <= mean <= high * 10:
        problem = f"the mean frame time would be {mean:g} ms; {low:g} to {high:g} ms is expected."
        raise LogError(Fault(table.name, problem, action))
    time_s = start_ms - start_ms[0]
    time_s /= 1000.0
    return Frames(time_s, frame_ms, timed.step_ms), kept, findings


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
    texts = [read.cells(choice.column).to_numpy(dtype=object) for choice in columns.clock]
    cells = join_date_and_time(*texts) if len(texts) == 2 else texts[0]
    clock = clock_of_texts(cells, date_order=columns.date_order)
    time_s = np.full(len(cells), np.nan) if clock is None else clock.time_s
    bad = np.flatnonzero(~np.isfinite(time_s))
    if bad.size:
        row = int(bad[0])
        problem = f"row {row + 1} has no stamp in {columns.time_axis.label} ({cells[row][:40]!r} was found)."
        action = "One stamp for each frame is expected, since no column holds frame times. Record the run again."
        raise LogError(Fault(table.name, problem, action))
    return replace(read, numbers={**read.numbers, columns.time_axis.column: time_s})
