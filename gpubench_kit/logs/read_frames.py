"""A frame log to frames, by its format: straight, and held against the time beside them.

Logs of one recorder look alike: the format of one is tried first on the next, and verified row by row. Nothing is
taken on trust: the result never depends on which logs were read before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from gpubench_kit.logs.cells import looks_numeric, split_line
from gpubench_kit.logs.clock import passed_since_zero
from gpubench_kit.logs.damage import doubt_of_rows, take_turns, with_rules, without_repeated_rows
from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, LogFormat, Witness
from gpubench_kit.logs.frame_timing import (
    FRAME_SHARES,
    Frames,
    StartClock,
    TimedRows,
    clock_at_start,
    frames_of,
    timed_rows,
    with_time_of_others,
    with_time_of_stamps,
)
from gpubench_kit.logs.log_bytes import LogBytes, read_log_bytes
from gpubench_kit.logs.log_table import HEAD_BYTES, Columns, LogTable
from gpubench_kit.logs.lone_evidence import is_pace
from gpubench_kit.logs.read_samples import SensorLog, possible_samples, read_sensor_log
from gpubench_kit.logs.row_doubts import ends_agree, needs_all_columns
from gpubench_kit.logs.sniff_frames import LEAST_FRAMES, sniff_frames, too_few
from gpubench_kit.logs.sources import counted_rows, declared_for_frames, of_sources, rare_outcomes, two_kinds
from gpubench_kit.logs.text_table import read_columns, read_regular, table_of
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

_MOST_KEPT = 6

#: First rows that a clock's start is told from.
_ROWS_KEPT = 96


class FormatMemory:
    """Headings met so far, with the dialect and the format that was found below them."""

    def __init__(self):
        self._known: list[tuple[bytes, Declaration, LogTable, LogFormat]] = []
        self._sensors: tuple[Path, Declaration, SensorLog] | None = None

    def sensor_log(self, path: Path, *, name: str, declared: Declaration) -> SensorLog:
        """Return a sensor log, read anew unless it is the one read last.

        Parameters
        ----------
        path, name, declared : as for `read_sensor_log`

        Raises
        ------
        LogError : as from `read_sensor_log`
        """
        if self._sensors is None or self._sensors[:2] != (path, declared):
            self._sensors = path, declared, read_sensor_log(path, name=name, declared=declared)
        return self._sensors[2]

    def recall(self, content: LogBytes, declared: Declaration) -> tuple[LogTable, LogFormat] | None:
        """Return table and format of a log with a heading met before, to be verified; None where there is none.

        Parameters
        ----------
        content : text of the log
        declared : what the plan declares about it
        """
        alike = (
            _table(content, head, known, log_format)
            for head, known_declared, known, log_format in self._known
            if content.text.startswith(head) and declared == known_declared
        )
        return next((found for found in alike if found is not None), None)

    def keep(self, table: LogTable, log_format: LogFormat, declared: Declaration) -> None:
        """Keep the format found below a heading, where the rows of each log can verify it.

        Parameters
        ----------
        table : the log
        log_format : how it is read
        declared : what the plan declares about it
        """
        head = table.text[: table.dialect.first_row]
        # Units in cells do not show in the heading.
        has_units_in_cells = any(table.dialect.units) and not table.dialect.units_line
        shows = table.dialect.heading and not table.dialect.has_keys
        if shows and not (table.dialect.marks_in_doubt or has_units_in_cells):
            self._known.insert(0, (head, declared, replace(table, text=b"", sample=[]), log_format))
            del self._known[_MOST_KEPT:]


def _table(
    content: LogBytes, head: bytes, known: LogTable, log_format: LogFormat
) -> tuple[LogTable, LogFormat] | None:
    """Return table and format, with the first rows as sample; None where the first is no such row."""
    dialect, told = known.dialect, log_format.findings
    told = tuple(replace(one, message=one.message.replace(known.name, content.name, 1)) for one in told)
    log_format = replace(log_format, findings=told) if told else log_format
    whole = (content.name, content.sha256, content.encoding, content.text, dialect)
    if not log_format.clock:
        # Each row is held against the others in reading, the first one too.
        return LogTable(*whole, [], content.findings), log_format
    lines = content.text[len(head) : len(head) + 400 * _ROWS_KEPT].split(b"\n", _ROWS_KEPT)[:_ROWS_KEPT]
    rows = [split_line(line.decode("utf-8", "replace").rstrip("\r"), dialect.separator) for line in lines]
    sample = [row for row in rows if len(row) == dialect.n_columns]
    times = [choice.column for choice in (log_format.frame_time, log_format.elapsed) if choice]
    if not sample or len(rows[0]) != dialect.n_columns or not all(looks_numeric(rows[0][place]) for place in times):
        return None
    return LogTable(*whole, sample, content.findings), log_format


#: Frame times written coarser than this share of the 99th percentile are too coarse for lows and pacing.
_COARSE = 0.01


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
    certainty : of the frame times
    format : how it was read
    midnight_clock : where times begin at zero and were taken for elapsed time: the clock, were they times of day
    head : its text as far as the first rows
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
    certainty: Certainty
    format: LogFormat
    midnight_clock: float | None = None
    head: bytes = b""


def read_frame_log(
    path: Path,
    *,
    name: str = "",
    declared: Declaration | None = None,
    with_sensors: bool = True,
    memory: FormatMemory | None = None,
    witnesses: Sequence[Witness] = (),
) -> FrameLog:
    """Find out how a frame log is read, and read it.

    Parameters
    ----------
    path : the file
    name : what to call it in messages
    declared : what the plan declares and confirms
    with_sensors : whether sensors that stand beside the frames are read too
    memory : formats of logs read before; the result is the same with and without
    witnesses : lengths of the run that are known from outside

    Returns
    -------
    FrameLog

    Raises
    ------
    LogError : the file cannot be read, holds fewer than 10 frames or samples, or asks which column is which
    """
    declared = declared or Declaration()
    content = read_log_bytes(path, name=name)
    recalled = memory.recall(content, declared) if memory else None
    if recalled is not None:
        frame_log = _verified(*recalled, with_sensors=with_sensors)
        if frame_log is not None:
            return frame_log
    table = table_of(content)
    log_format = sniff_frames(table, declared_for_frames(table, declared), witnesses=witnesses)
    frame_log = read_frames(table, log_format, with_sensors=with_sensors)
    # What is in doubt in one log need not be in the next one.
    is_of_rows = log_format.sources or log_format.row_rules or witnesses or log_format.certainty < Certainty.STATED
    if memory and not is_of_rows and _is_verified(frame_log) and not needs_all_columns(table, log_format):
        memory.keep(table, log_format, declared)
    return frame_log


def read_ends(path: Path, *, name: str, declared: Declaration, memory: FormatMemory) -> FrameLog:
    """Read a frame log for its start and its end alone: of a format met before, the first rows and the last ones.

    Parameters
    ----------
    path, name, declared, memory : as for `read_frame_log`

    Returns
    -------
    FrameLog, whose clock and ``frames.end_s`` are those of the whole log; other rows may be missing

    Raises
    ------
    LogError : as from `read_frame_log`
    """
    text = (content := read_log_bytes(path, name=name)).text
    behind_first = -1
    for _ in range(_ROWS_KEPT):
        behind_first = text.find(b"\n", behind_first + 1)
    last = text.rfind(b"\n", 0, text.rfind(b"\n", 0, -1)) + 1
    if 0 <= behind_first < last:
        ends = replace(content, text=text[: behind_first + 1] + text[last:])
        recalled = memory.recall(ends, declared)
        frame_log = _verified(*recalled, with_sensors=False, n_gaps=1) if recalled else None
        if frame_log is not None:
            return frame_log
    return read_frame_log(path, name=name, declared=declared, with_sensors=False, memory=memory)


def read_frames(table: LogTable, log_format: LogFormat, *, with_sensors: bool = True) -> FrameLog:
    """Read a frame log by its format.

    Parameters
    ----------
    table : the log
    log_format : as `sniff_frames` found it
    with_sensors : whether sensors that stand beside the frames are read too

    Raises
    ------
    LogError : the format asks or refuses, or the rows do not fit it
    """
    log_format.raise_fault()
    return _read(table, log_format, with_sensors=with_sensors)


def _verified(table: LogTable, log_format: LogFormat, *, with_sensors: bool, n_gaps: int = 0) -> FrameLog | None:
    """Return the frame log read by the format of others; None where its rows do not prove it."""
    try:
        frame_log = _read(table, log_format, with_sensors=with_sensors, only_regular=True)
    except LogError:
        return None
    frames = frame_log.frames
    has_others = log_format.numbers or log_format.times or log_format.clock
    span_ms, n_rows = 1e3 * frames.end_s, frames.frame_ms.size
    is_whole = n_gaps > 0 or not has_others or ends_agree(table, log_format, span_ms=span_ms, n_rows=n_rows)
    return frame_log if is_whole and _is_verified(frame_log, n_gaps=n_gaps) else None


def _is_verified(frame_log: FrameLog, *, n_gaps: int = 0) -> bool:
    """Return whether a log proves its format by itself: every step of its time, gaps apart, is a frame time."""
    has_column = frame_log.format.frame_time is not None and frame_log.format.elapsed is not None
    # What is told of one log's rows need not be true of the next one's.
    of_rows = ("rows_without_frame_time", "cells_denied", "repeated_rows", "frames_of_two_kinds")
    has_no_hole = not any(one.check in of_rows for one in frame_log.findings)
    is_in_step = bool(frame_log.stamped) and frame_log.n_mismatched <= n_gaps and has_no_hole
    frame_ms = frame_log.frames.frame_ms
    return (
        has_column
        and is_in_step
        and not (doubt_of_rows(frame_ms, frame_log.choices[0].label) or take_turns(frame_ms))
    )


def _read(table: LogTable, log_format: LogFormat, *, with_sensors: bool, only_regular: bool = False) -> FrameLog:
    """Return the frame log of a table whose format is known."""
    sensors = log_format.sensors if with_sensors else ()
    read = _columns_read(table, log_format, [sensor.column for sensor in sensors], only_regular=only_regular)
    timed = timed_rows(table, log_format, read)
    clock = StartClock()
    stamps: tuple[ColumnChoice, ...] = ()
    if log_format.clock:
        clock = clock_at_start(table, log_format, timed, used=_with_stamps_of_rows(table, log_format, read))
        passed = passed_since_zero(table, log_format.clock)
        stamps = log_format.clock if passed is None else (passed,) if log_format.elapsed is None else ()
    counts = np.ones(timed.frame_ms.size, dtype=bool)
    not_counted: tuple[Finding, ...] = ()
    if log_format.counted:
        counts, not_counted = counted_rows(table, read, counted=log_format.counted, n_rows=timed.frame_ms.size)
        timed = with_time_of_others(timed, counts)
    frames, has_length, findings = frames_of(table, timed)
    if frames.frame_ms.size < LEAST_FRAMES:
        raise LogError(too_few(table, frames.frame_ms.size))
    kept = np.flatnonzero(counts)[has_length]
    of_frames = {sensor.column: _kept(read.numbers[sensor.column], kept) for sensor in sensors}
    values, on_values = possible_samples(table.name, sensors, of_frames) if sensors else ({}, [])
    on_sensors = (
        log_format.findings if with_sensors else [one for one in log_format.findings if "sensor" not in one.check]
    )
    findings += (*not_counted, *on_values)
    if is_too_coarse(frames):
        findings.append(note("logs.too_coarse", name=table.name, found=frames.step_ms, unit="ms"))
    findings += rare_outcomes(table, read, log_format.outcomes) if log_format.outcomes else []
    if only_regular and log_format.outcomes:
        findings += two_kinds(table, read, log_format.outcomes, or_programs=True)
    return FrameLog(
        name=table.name,
        sha256=table.sha256,
        dialect=table.dialect.in_words,
        frames=frames,
        clock=clock.start_s,
        clock_kind=clock.kind,
        other_clock=clock.other_start_s,
        origin_s=clock.midnight_s if timed.origin_s is None or log_format.has_stamps_only else timed.origin_s,
        sensors=values,
        choices=_told(log_format, sensors, timed, stamps),
        stamped=timed.stamped,
        n_mismatched=timed.n_mismatched,
        findings=(*table.findings, *on_sensors, *clock.findings, *read.findings, *timed.findings, *findings),
        certainty=log_format.certainty,
        format=log_format,
        midnight_clock=clock.midnight_s,
        head=table.text[:HEAD_BYTES],
    )


def is_too_coarse(frames: Frames) -> bool:
    """Return whether lows and pacing cannot be told from frame times as coarse as these.

    Parameters
    ----------
    frames : of one run
    """
    return frames.step_ms > _COARSE * float(frames.quantiles_ms[FRAME_SHARES.index(99.0)])


def _kept(values: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Return the values of the rows that are frames."""
    return values if kept.size == values.size else values[kept]


def _told(
    log_format: LogFormat,
    sensors: tuple[ColumnChoice, ...],
    timed: TimedRows,
    stamps: tuple[ColumnChoice, ...],
) -> tuple[ColumnChoice, ...]:
    """Return the choices, with the number of rows that prove the frame time."""
    frame_time, elapsed, n_steps = log_format.frame_time, log_format.elapsed, timed.frame_ms.size - 1
    is_proven = timed.stamped and frame_time is not None and frame_time.certainty == Certainty.PROVEN
    if frame_time is not None and elapsed is not None and is_proven and n_steps > 0:
        n_equal = n_steps - timed.n_mismatched
        why = say(
            f"evidence.frames.steps_{timed.stamped}_rows",
            equal=n_equal,
            steps=n_steps,
            label=elapsed.label,
            unit=elapsed.unit,
        )
        frame_time = replace(frame_time, why=why if n_equal > n_steps / 2 else frame_time.why)
    times = tuple(choice for choice in (frame_time, elapsed) if choice)
    return (*times, *stamps, *sensors)


def _columns_read(table: LogTable, log_format: LogFormat, sensors: list[int], *, only_regular: bool) -> Columns:
    """Return the columns needed, by the rules for rows, without repeated rows."""
    numbers = () if log_format.has_stamps_only else (log_format.frame_time, log_format.elapsed)
    times = [choice.column for choice in numbers if choice] + (list(log_format.rates) if only_regular else [])
    telling = [column for column, _ in (*log_format.sources, *log_format.counted)]
    needs_stamps = log_format.has_stamps_only or log_format.sources
    stamps = [choice.column for choice in log_format.clock] if needs_stamps else []
    texts = list(dict.fromkeys([*telling, *log_format.outcomes, *stamps]))
    read = (read_regular if only_regular else read_columns)(table, [*times, *sensors], texts=texts)
    if read is None or (not only_regular and read.n_rows == 0):
        raise LogError(too_few(table, 0))
    if only_regular and log_format.rates and log_format.frame_time is not None:
        mean_ms = float(
            np.nanmean(log_format.frame_time.in_unit_of_role(read.numbers[log_format.frame_time.column]))
        )
        if not all(is_pace(read.numbers[place], mean_ms) for place in log_format.rates):
            # Such a log is looked at afresh.
            raise LogError(Fault(table.name, "its frame rates say another pace.", "Record the run again."))
    if log_format.row_rules:
        read = with_rules(read, log_format.row_rules)
    if log_format.sources:
        read = of_sources(table, read, log_format.sources)
    if log_format.has_stamps_only:
        read = with_time_of_stamps(table, log_format, read)
    if log_format.elapsed is None:
        return read
    passed = read.numbers[log_format.elapsed.column]
    if (passed[1:] > passed[:-1]).all():
        return read
    return without_repeated_rows(table, read, passed, step=log_format.elapsed.step)


def _with_stamps_of_rows(table: LogTable, log_format: LogFormat, read: Columns) -> LogTable:
    """Return the table with the stamps of the first rows used as its sample, as its own may be of other sources."""
    if not log_format.clock or not (log_format.sources or log_format.row_rules):
        return table
    places = [choice.column for choice in log_format.clock]
    if not all(place in read.texts for place in places):
        stamps = with_rules(read_columns(table, [], texts=places), log_format.row_rules)
        cells = [stamps.cells(place) for place in places]
    else:
        cells = [read.cells(place) for place in places]
    sample = [[""] * table.dialect.n_columns for _ in table.sample[: read.n_rows]]
    for place, column in zip(places, cells, strict=True):
        for row, cell in zip(sample, column, strict=False):
            row[place] = cell
    return replace(table, sample=sample)
