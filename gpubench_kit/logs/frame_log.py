"""A frame log to frames: when each frame began, and how long it took."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from gpubench_kit.logs.clock_columns import passed_since_zero
from gpubench_kit.logs.find_columns import ColumnChoice, Declaration
from gpubench_kit.logs.find_frame_columns import FrameColumns, find_frame_columns
from gpubench_kit.logs.frame_clock import clock_at_start, has_coarse_clock, with_time_of_stamps
from gpubench_kit.logs.frame_pairs import SHARE_EQUAL
from gpubench_kit.logs.frame_sources import counted_rows, declared_for_frames, of_sources, rare_outcomes
from gpubench_kit.logs.frame_timing import Frames, TimedRows, frames_of, timed_rows, with_time_of_others
from gpubench_kit.logs.late_sources import (
    DOUBTFUL_STEPS,
    columns_in_doubt,
    sources_in_doubt,
    with_late_source,
    with_stamps_of_rows,
)
from gpubench_kit.logs.layout_memory import LayoutMemory
from gpubench_kit.logs.log_bytes import read_log_bytes
from gpubench_kit.logs.named_sensors import converted
from gpubench_kit.logs.repeated_rows import without_repeated_rows
from gpubench_kit.logs.text_table import Columns, LogTable, read_columns, read_regular, table_of
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

#: A log with fewer frames is no run, and its numbers do not tell which of its columns is which.
LEAST_FRAMES = 10


@dataclass(frozen=True)
class FrameLog:
    """A frame log as read.

    Attributes
    ----------
    name, sha256 : of the file
    dialect : how its rows are written, in words
    frames : its frames
    clock : wall clock of the first frame's start, in seconds since 1970 (of the day without a date); None without
    clock_kind : ``dated``, ``zoned`` or ``time_of_day``; empty without a clock
    other_clock : the clock with day and month exchanged, where the dates do not tell; else None
    origin_s : the log's own elapsed time at the start of the first frame [s]; None without elapsed time
    sensors : array of shape (n,) by sensor metric, from columns beside the frames
    choices : which column is what
    stamped : whether the time column marks a frame's ``start`` or its ``end``; empty without one
    n_mismatched : steps of the time column that differ from the frame time
    findings : what was noticed
    midnight_clock : where times begin at zero and were taken for elapsed time: the clock, were they times of day
    """

    name: str
    sha256: str
    dialect: str
    frames: Frames
    clock: float | None
    clock_kind: str
    other_clock: float | None
    origin_s: float | None
    sensors: dict[str, np.ndarray]
    choices: tuple[ColumnChoice, ...]
    stamped: str
    n_mismatched: int
    findings: tuple[Finding, ...]
    midnight_clock: float | None = None


def read_frame_log(
    path: Path,
    *,
    name: str = "",
    declared: Declaration | None = None,
    with_sensors: bool = True,
    memory: LayoutMemory | None = None,
) -> FrameLog:
    """Read a frame log.

    Parameters
    ----------
    path : the file
    name : what to call it in messages
    declared : what the plan declares about logs
    with_sensors : whether sensors that stand beside the frames are read too
    memory : layouts of logs read before; the result is the same with and without

    Returns
    -------
    FrameLog

    Raises
    ------
    LogError : the file cannot be read, holds fewer than 10 frames, or no column can be told to be the frame times
    """
    declared = declared or Declaration()
    content = read_log_bytes(path, name=name)
    recalled = memory.recall(content, declared) if memory else None
    if recalled is not None:
        frame_log = _proved(*recalled, with_sensors=with_sensors)
        if frame_log is not None:
            return frame_log
    table = table_of(content)
    columns = find_frame_columns(table, declared_for_frames(table, declared))
    frame_log = _read(table, columns, with_sensors=with_sensors)
    is_lasting = not (columns.sources or has_coarse_clock(table, columns))
    if memory and _is_proved(frame_log) and is_lasting:
        memory.keep(table, columns, declared)
    return frame_log


def _proved(table: LogTable, columns: FrameColumns, *, with_sensors: bool) -> FrameLog | None:
    """Return the frame log read as another was; None where its rows do not prove the columns right."""
    try:
        frame_log = _read(table, columns, with_sensors=with_sensors, only_regular=True)
    except LogError:
        return None
    return frame_log if _is_proved(frame_log) else None


def _is_proved(frame_log: FrameLog) -> bool:
    """Return whether nearly all steps of the time column equal the frame times."""
    n_steps, n_mismatched = frame_log.frames.frame_ms.size - 1, frame_log.n_mismatched
    is_equal = n_mismatched <= (1 - SHARE_EQUAL) * n_steps and n_mismatched < DOUBTFUL_STEPS
    return bool(frame_log.stamped) and n_steps > 8 and is_equal


def _read(table: LogTable, columns: FrameColumns, *, with_sensors: bool, only_regular: bool = False) -> FrameLog:
    """Return the frame log of a table whose columns are known."""
    sensors = columns.sensors if with_sensors else ()
    read = _columns_read(table, columns, [sensor.column for sensor in sensors], only_regular=only_regular)
    timed = timed_rows(table, columns, read)
    told_apart = None if only_regular else _told_apart(table, columns, timed)
    if told_apart is not None:
        return _read(table, told_apart, with_sensors=with_sensors)
    clock = clock_at_start(table, columns, timed, used=with_stamps_of_rows(table, columns, read))
    counts, not_counted = counted_rows(table, read, counted=columns.counted, n_rows=timed.frame_ms.size)
    timed = with_time_of_others(timed, counts)
    frames, has_length, findings = frames_of(table, timed)
    _check_number(table, frames)
    kept = np.flatnonzero(counts)[has_length]
    findings += [*not_counted, *rare_outcomes(table, read, columns.outcomes)]
    findings += sources_in_doubt(table, columns, read)
    return FrameLog(
        name=table.name,
        sha256=table.sha256,
        dialect=table.dialect.in_words(),
        frames=frames,
        clock=clock.start_s,
        clock_kind=clock.kind,
        other_clock=clock.other_start_s,
        origin_s=clock.midnight_s if timed.origin_s is None or columns.has_stamps_only else timed.origin_s,
        sensors={
            sensor.role: _kept(sensor.in_unit_of_role(read.numbers[sensor.column]), kept) for sensor in sensors
        },
        choices=_told(columns, sensors, timed, _stamps_told(table, columns)),
        stamped=timed.stamped,
        n_mismatched=timed.n_mismatched,
        findings=(
            *table.findings,
            *_doubts(table, columns, sensors),
            *clock.findings,
            *read.findings,
            *timed.findings,
            *findings,
        ),
        midnight_clock=clock.midnight_s,
    )


def _told_apart(table: LogTable, columns: FrameColumns, timed: TimedRows) -> FrameColumns | None:
    """Return the columns with one that tells sources apart, where rows beyond the first ones show it; else None."""
    asked = columns_in_doubt(table, columns, timed)
    if not asked:
        return None
    read = _columns_read(table, replace(columns, outcomes=asked), [], only_regular=False)
    return with_late_source(columns, read, asked)


def _check_number(table: LogTable, frames: Frames) -> None:
    """Refuse a file of a few rows."""
    n_frames = frames.frame_ms.size
    if n_frames < LEAST_FRAMES:
        counted = f"{n_frames} frame" if n_frames == 1 else f"{n_frames} frames"
        problem = f"it holds {counted}; at least {LEAST_FRAMES} are expected, and a run has thousands."
        raise LogError(Fault(table.name, problem, "Record the run again, or take its row off the run sheet."))


def _kept(values: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Return the values of the rows that are frames."""
    return values if kept.size == values.size else values[kept]


def _doubts(table: LogTable, columns: FrameColumns, sensors: tuple[ColumnChoice, ...]) -> list[Finding]:
    """Return findings where nothing proves which column holds the frame times, or a sensor's unit was taken."""
    choice, found = columns.frame_time, converted(table, sensors)
    if choice is None or choice.confidence >= 0.9:
        return found
    heading = json.dumps(table.key(choice.column), ensure_ascii=False)
    action = f'Pin it in the plan: [logs] frame_time = {{ column = {heading}, unit = "{choice.unit}" }}'
    message = f"{table.name}: {choice.label} was taken for the frame time: {choice.why}."
    return [*found, Finding("note", "frame_time_guessed", message, found=choice.confidence, action=action)]


def _stamps_told(table: LogTable, columns: FrameColumns) -> tuple[ColumnChoice, ...]:
    """Return the columns of the clock; as elapsed time where they begin at zero and no other column holds it."""
    passed = passed_since_zero(table, columns.clock)
    if passed is None:
        return columns.clock
    return (passed,) if columns.elapsed is None else ()


def _told(
    columns: FrameColumns,
    sensors: tuple[ColumnChoice, ...],
    timed: TimedRows,
    stamps: tuple[ColumnChoice, ...],
) -> tuple[ColumnChoice, ...]:
    """Return the choices with the evidence of all rows in place of the first ones."""
    frame_time, n_steps = columns.frame_time, timed.frame_ms.size - 1
    if frame_time is not None and timed.stamped and frame_time.confidence < 1 and n_steps > 0:
        n_equal = n_steps - timed.n_mismatched
        equal = f"{n_equal} of {n_steps} steps of {columns.elapsed.label} [{columns.elapsed.unit}]"
        why = f"{equal} equal the frame time of the row where they {timed.stamped}"
        frame_time = replace(frame_time, why=why if n_equal > n_steps / 2 else frame_time.why)
    times = tuple(choice for choice in (frame_time, columns.elapsed) if choice)
    return (*times, *stamps, *sensors)


def _columns_read(table: LogTable, columns: FrameColumns, sensors: list[int], *, only_regular: bool) -> Columns:
    """Return the columns needed, without repeated rows."""
    numbers = () if columns.has_stamps_only else (columns.frame_time, columns.elapsed)
    times = [choice.column for choice in numbers if choice]
    telling = [column for column, _ in (*columns.sources, *columns.counted)]
    stamps = [choice.column for choice in columns.clock] if columns.has_stamps_only or columns.sources else []
    texts = list(dict.fromkeys([*telling, *columns.outcomes, *stamps]))
    read = (read_regular if only_regular else read_columns)(table, [*times, *sensors], texts=texts)
    if read is None or read.n_rows == 0:
        raise LogError(
            Fault(table.name, "there are no rows; one row per frame is expected.", "Record the run again.")
        )
    if columns.sources:
        frame_time = columns.frame_time.column if columns.frame_time else None
        elapsed = columns.elapsed.column if columns.elapsed else None
        read = of_sources(table, read, sources=columns.sources, frame_time=frame_time, elapsed=elapsed)
    if columns.has_stamps_only:
        read = with_time_of_stamps(table, columns, read)
    if columns.elapsed is None:
        return read
    return without_repeated_rows(table, read, read.numbers[columns.elapsed.column], step=columns.elapsed.step)
