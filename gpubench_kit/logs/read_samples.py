"""A sensor log to samples on its own clock: stamps in order, each sensor in its unit."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gpubench_kit.logs.busy_stretches import SIGNALS, busy_stretches
from gpubench_kit.logs.clock import ClockTimes, clock_of_rows, date_doubt
from gpubench_kit.logs.damage import without_repeated_rows
from gpubench_kit.logs.format import ColumnChoice, Declaration, LogFormat
from gpubench_kit.logs.log_table import LogRows
from gpubench_kit.logs.sensor_rows import check_one_source, of_counted, samples_declared, with_sample_that_counts
from gpubench_kit.logs.sniff_sensors import possible_samples, sniff_sensors
from gpubench_kit.logs.text_table import open_table, rows_of
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.questions import quoted

_HOUR_S = 3600.0

#: A load or a power that rises by less than this from idle to busy, as the other one tells them, is not the card's.
_RISES_BY = 1.15
#: Samples that each of both medians needs.
_SAMPLES_ENOUGH = 6

#: Share of impossible samples from which on a sensor is not used.
_MOST_IMPOSSIBLE = 0.2


@dataclass(frozen=True)
class SensorLog:
    """A sensor log as read.

    Attributes
    ----------
    name, sha256 : of the file
    dialect : how its rows are written, in words
    time_s : array of shape (n,), from the first sample [s], never falling
    values : array of shape (n,) by sensor metric, in the metric's unit; nan where there is no value
    clock : wall clock of the first sample, in seconds since 1970 (of the day without a date); None without
    clock_kind : ``dated``, ``zoned`` or ``time_of_day``; empty without a clock
    other_clock : the clock with day and month exchanged, where the dates do not tell; else None
    origin_s : the log's own elapsed time at the first sample [s]; None where only a clock was read
    choices : which column is what
    findings : what was noticed
    clock_settings : from when on [s], and by how much its clock was then ahead of that of the first sample [s]:
        more than one where it was set by an hour within the log
    midnight_clock : where times begin at zero and were taken for elapsed time: the clock, were they times of day
    told_apart : headings by which the plan says which rows count, and which this log has
    format_id : short name of the format
    """

    name: str
    sha256: str
    dialect: str
    time_s: np.ndarray
    values: dict[str, np.ndarray]
    clock: float | None
    clock_kind: str
    other_clock: float | None
    origin_s: float | None
    choices: tuple[ColumnChoice, ...]
    findings: tuple[Finding, ...]
    clock_settings: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    midnight_clock: float | None = None
    told_apart: tuple[str, ...] = ()
    format_id: str = ""

    def ahead_of(self, clock: float | None) -> float:
        """Return how far this log's clock is ahead of another log's at their first rows [s]; nan without either.

        Parameters
        ----------
        clock : of the other log, seconds since 1970 or of the day; None where it has none
        """
        return float("nan") if self.clock is None or clock is None else self.clock - clock


def read_sensor_log(path: Path, *, name: str = "", declared: Declaration | None = None) -> SensorLog:
    """Read a sensor log.

    Parameters
    ----------
    path : the file
    name : what to call it in messages
    declared : what the plan declares about logs

    Returns
    -------
    SensorLog

    Raises
    ------
    LogError : the file cannot be read, has no time, no sample with a time, or rows of several cards or sensors
    """
    declared = declared or Declaration()
    table = open_table(path, name=name)
    counted = samples_declared(table, declared)
    rows = rows_of(with_sample_that_counts(table, counted))
    return read_samples(rows, sniff_sensors(of_counted(rows, counted), declared), declared)


def read_samples(rows: LogRows, columns: LogFormat, declared: Declaration) -> SensorLog:
    """Read a sensor log whose columns are known.

    Parameters
    ----------
    rows : the log
    columns : what its columns are
    declared : what the plan declares about logs

    Raises
    ------
    LogError : no sample has a time, or rows are of several cards or sensors
    """
    table, elapsed = rows.table, columns.elapsed
    counted = samples_declared(table, declared)
    if elapsed is not None and not columns.clock and rows.n_rows >= 3:
        rows = without_repeated_rows(table, rows, rows.numbers[elapsed.column], step=elapsed.step)
    rows = of_counted(rows, counted)
    clock = clock_of_rows(rows, columns.clock, date_order=declared.date_order)
    stamps_s, step_s = _stamps(columns, rows, clock)
    check_one_source(rows, columns, stamps_s)
    order, time_s, findings, settings = _in_order(table.name, stamps_s, step_s)
    first = float(stamps_s[order[0]])
    midnight = clock.start_s + first if clock and columns.begins_at_zero else None
    clock = None if columns.begins_at_zero else clock
    values, on_values = _possible(rows.of(order), columns)
    on_values += _leave_out_what_stays(rows, columns, time_s, values)
    doubt = (date_doubt(table.name, clock),) if clock and clock.in_doubt else ()
    has_origin = clock is None and (midnight is not None or elapsed is not None)
    return SensorLog(
        name=table.name,
        sha256=table.sha256,
        dialect=table.dialect.in_words,
        time_s=time_s,
        values=values,
        clock=clock.start_s + first if clock else None,
        clock_kind=clock.kind if clock else "",
        other_clock=clock.other_start_s + first if clock and clock.in_doubt else None,
        origin_s=(first if midnight is None else midnight) if has_origin else None,
        choices=columns.choices,
        findings=(*table.findings, *columns.findings, *doubt, *rows.findings, *findings, *on_values),
        clock_settings=settings,
        midnight_clock=midnight,
        told_apart=tuple(heading for heading in declared.count_only if table.place_of(heading) in dict(counted)),
        format_id=columns.format_id,
    )


def _possible(rows: LogRows, columns: LogFormat) -> tuple[dict[str, np.ndarray], list[Finding]]:
    """Return the samples of each sensor without impossible ones, and what is said of these."""
    name, values, findings = rows.table.name, {}, []
    for sensor in columns.sensors:
        taken = sensor.in_unit_of_role(rows.numbers[sensor.column])
        kept, n_bad = possible_samples(taken, sensor.role)
        if n_bad > _MOST_IMPOSSIBLE * taken.size:
            what = f"{n_bad} of {taken.size} samples of {sensor.label} cannot be {sensor.role}"
            message = f"{name}: {what}; it is not used."
            action = "Look at the log, and declare another column or unit below [logs] in the plan."
            findings.append(Finding("note", "sensor_impossible", message, found=float(n_bad), action=action))
            continue
        values[sensor.role] = kept
        if n_bad:
            shown = "1 sample" if n_bad == 1 else f"{n_bad} samples"
            message = f"{name}: {shown} of {sensor.role} cannot be, or are stray zeros; left out."
            findings.append(Finding("note", "samples_left_out", message, found=float(n_bad)))
    return values, findings


def _leave_out_what_stays(
    rows: LogRows, columns: LogFormat, time_s: np.ndarray, values: dict[str, np.ndarray]
) -> list[Finding]:
    """Take out a load or a power that does not rise where the surer one of both says that the card was busy."""
    choices = {one.role: one for one in columns.sensors}
    least_swings = {metric: least_swing for metric, least_swing, _ in SIGNALS}
    for metric, other in (("board_w", "load_pct"), ("load_pct", "board_w")):
        if not {metric, other} <= values.keys() or choices[metric].certainty > choices[other].certainty:
            continue
        is_busy = np.zeros(time_s.size, dtype=bool)
        for one in busy_stretches(time_s, values[other], least_swing=least_swings[other]):
            is_busy |= (time_s >= one.start_s) & (time_s <= one.end_s)
        signal = values[metric]
        busy, idle = (signal[part & np.isfinite(signal)] for part in (is_busy, ~is_busy))
        are_enough = min(busy.size, idle.size) >= _SAMPLES_ENOUGH and not choices[metric].is_named
        if are_enough and np.median(busy) < _RISES_BY * np.median(idle):
            del values[metric]
            message = (
                f"{rows.table.name}: {choices[metric].label} does not rise where {choices[other].label} does: it is"
                f" not the card's {metric}, and not used."
            )
            line = f"sensors = {{ {metric} = {quoted(rows.table.key(choices[metric].column))} }}"
            action = f"If it is, declare it in the plan: [logs] {line}"
            return [Finding("note", "sensor_stays", message, action=action)]
    return []


def _stamps(columns: LogFormat, rows: LogRows, clock: ClockTimes | None) -> tuple[np.ndarray, float]:
    """Return the time of each sample [s] and its resolution; a clock without decimals yields to elapsed time."""
    elapsed = columns.elapsed
    if elapsed is None:
        if clock is None:
            cell = rows.cells(columns.clock[0].column).iloc[0]
            problem = f"{columns.clock[0].label} holds no stamps that can be read (the first is {cell[:40]!r})."
            action = "Dates as 2026-11-02 or 02.11.2026 and times as 21:04:05.5 are read."
            raise LogError(Fault(rows.table.name, problem, action))
        return clock.time_s, clock.step_s
    elapsed_s = rows.numbers[elapsed.column] * elapsed.factor / 1000.0
    step_s = elapsed.step * elapsed.factor / 1000.0
    if clock is None:
        return elapsed_s, step_s
    is_finer = step_s < clock.step_s and clock.step_s >= 0.5
    return (elapsed_s - elapsed_s[0], step_s) if is_finer else (clock.time_s, clock.step_s)


def _in_order(
    name: str, stamps_s: np.ndarray, step_s: float
) -> tuple[np.ndarray, np.ndarray, list[Finding], tuple[tuple[float, float], ...]]:
    """Return which samples are used, their times from the first, what was noticed, and settings of the clock.

    Jumps of one hour, as the change to or from daylight saving makes them, are undone; of times that go back the
    longest stretch in order is used.
    """
    findings: list[Finding] = []
    order = np.flatnonzero(np.isfinite(stamps_s))
    if order.size == 0:
        raise LogError(Fault(name, "no sample has a time.", "Record the run again."))
    time_s = stamps_s[order] - stamps_s[order[0]]
    steps = np.diff(time_s)
    usual = float(np.median(steps)) if steps.size else 0.0
    jumps = np.round(steps / _HOUR_S)
    is_jump = (np.abs(jumps) == 1) & (np.abs(steps - jumps * _HOUR_S - usual) <= max(2.0, 3 * usual))
    ahead_s = np.concatenate(([0.0], np.cumsum(np.where(is_jump, jumps * _HOUR_S, 0.0))))
    time_s = time_s - ahead_s
    if is_jump.any():
        first = int(np.argmax(is_jump)) + 2
        message = f"{name}: the clock jumps by one hour at sample {first}; the jump was undone."
        findings.append(Finding("note", "clock_jump", message, found=float(is_jump.sum())))
    breaks = np.flatnonzero(np.diff(time_s) < 0) + 1
    kept = max(np.split(np.arange(time_s.size), breaks), key=len)
    if breaks.size:
        message = (
            f"{name}: time goes back {breaks.size} times; of the {time_s.size} samples the longest stretch in "
            f"order, {kept.size} samples from sample {int(kept[0]) + 1} on, is used."
        )
        findings.append(Finding("note", "sensor_time_goes_back", message, found=float(breaks.size)))
    order, time_s, ahead_s = order[kept], time_s[kept], ahead_s[kept]
    if time_s.size > 4 and (np.diff(time_s) == 0).mean() > 0.3:
        stamps, group, counts = np.unique(time_s, return_inverse=True, return_counts=True)
        place = np.arange(time_s.size) - np.concatenate(([0], np.cumsum(counts)[:-1]))[group]
        width = np.append(np.minimum(np.diff(stamps), 4 * step_s), step_s)
        time_s = time_s + place / counts[group] * width[group]
        message = f"{name}: stamps are coarser than the samples; samples with equal stamps were spread evenly."
        findings.append(Finding("note", "coarse_stamps", message, found=step_s, unit="s"))
    time_s = time_s - time_s[0]
    changes = np.flatnonzero(np.diff(ahead_s, prepend=np.inf))
    settings = tuple((float(time_s[place]), float(ahead_s[place] - ahead_s[0])) for place in changes)
    return order, time_s, findings, settings
