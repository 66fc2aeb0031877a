"""The time of samples: the column that rises as they do, stamps of a clock, samples in order.

The card was busy in stretches in which load or power is above the middle of its swing.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from gpubench_kit.logs.clock import ClockTimes
from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, LogFormat
from gpubench_kit.logs.frame_evidence import ELAPSED_UNITS_MS, UNITS_MS
from gpubench_kit.logs.log_table import LogRows
from gpubench_kit.logs.text_table import no_such_column
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.metrics import SENSOR_METRICS
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

#: Usual steps between samples that are taken for real [s]; less than a factor of 1,000, so that one unit fits.
PLAUSIBLE_STEP_S = (0.02, 15.0)

#: Rows that the time is told from.
_ROWS = 4000

_HOUR_S = 3600.0


def declared_clock(rows: LogRows, declared: Declaration) -> tuple[ColumnChoice, ...]:
    """Return the declared time column where it holds stamps of a clock.

    Parameters
    ----------
    rows : the log
    declared : what the plan declares

    Raises
    ------
    LogError : the log has no such column
    """
    if declared.sensor_time is None:
        return ()
    place = rows.table.place_of(declared.sensor_time)
    if place is None:
        raise no_such_column(rows.table, declared.sensor_time, "time of the samples")
    stamps = ColumnChoice("clock_time", place, rows.label(place), "", say("evidence.declared"), Certainty.STATED)
    return (stamps,) if place in rows.is_clock else ()


def elapsed_of(rows: LogRows, declared: Declaration, *, has_clock: bool) -> ColumnChoice | None:
    """Return the column that rises by the steps of a sensor log; None where there is none.

    Parameters
    ----------
    rows : the log
    declared : what the plan declares
    has_clock : whether stamps of a clock stand beside
    """
    table, (low, high), found = rows.table, PLAUSIBLE_STEP_S, []
    wanted = table.place_of(declared.sensor_time) if declared.sensor_time else None
    named = {table.place_of(declared.sensors.get(metric, metric)) for metric in SENSOR_METRICS}
    for place in rows.numbers if wanted is None else [wanted]:
        if place not in rows.numbers or (place in named and wanted is None):
            continue
        values, stated, written = rows.numbers[place][:_ROWS], rows.unit_ms(place), rows.units[place]
        if wanted is None and written is not None and written.quantity not in ("time", ""):
            continue
        steps = np.diff(values)
        step = float(np.nanmean(steps)) if np.isfinite(steps).any() else 0.0
        units = UNITS_MS if stated is None else {name: ms for name, ms in ELAPSED_UNITS_MS.items() if ms == stated}
        unit = next((name for name, ms in units.items() if low <= step * ms / 1000.0 < high), "")
        steadiness, is_counter = (
            _steadiness(values, may_stand=not has_clock),
            stated is None and _counts_seconds(values),
        )
        if wanted is None and (steadiness == 0 or (has_clock and (is_counter or steadiness < 0.8))):
            continue
        if unit:
            why = (
                say("evidence.declared")
                if wanted is not None
                else say("evidence.clock.rises_by", step=step, unit=unit)
            )
            certainty = Certainty.STATED if wanted is not None else Certainty.PROVEN
            about = (rows.label(place), unit, why, certainty, ELAPSED_UNITS_MS[unit], rows.steps[place])
            # A row number is as steady as can be; time that stands beside it goes first.
            found.append((steadiness * (0.01 if is_counter else 1.0), ColumnChoice("elapsed_time", place, *about)))
    return max(found, key=lambda one: one[0])[1] if found else None


def _counts_seconds(values: np.ndarray) -> bool:
    """Return whether values could as well number the rows as count seconds."""
    return bool(values.size > 1 and (np.diff(values) == 1).all() and values[0] in (0, 1))


def _steadiness(values: np.ndarray, *, may_stand: bool) -> float:
    """Return the share of steps near the usual one, of values that rise; 0 of others.

    Coarse stamps stand still between steps, which must then be equal.
    """
    steps = np.diff(values[np.isfinite(values)])
    moving = steps[steps > 0]
    if moving.size < 3 or (steps >= 0).mean() < 0.9:
        return 0.0
    usual = float(np.median(moving))
    near = float((np.abs(moving - usual) <= 0.5 * usual).mean())
    return near if (may_stand and near >= 0.8) or moving.size >= 0.9 * steps.size else 0.0


def time_counted(rows: LogRows, elapsed: ColumnChoice | None) -> tuple[Finding, ...]:
    """Return a finding where the only time could as well be the number of the row.

    Parameters
    ----------
    rows : the log
    elapsed : its time; None without
    """
    if elapsed is None or elapsed.certainty == Certainty.STATED or rows.unit_ms(elapsed.column) == elapsed.factor:
        return ()
    if not _counts_seconds(rows.numbers[elapsed.column]):
        return ()
    line = f"[logs] sensor_time = {{ column = {quoted(rows.table.key(elapsed.column))} }}"
    return (note("logs.sensor_time_counted", name=rows.table.name, label=elapsed.label, line=line),)


def no_time(rows: LogRows) -> LogError:
    """Return the error for a sensor log without time.

    Parameters
    ----------
    rows : the log
    """
    table, action = (
        rows.table,
        "Let the recorder write date and time into each row, or the seconds since its start.",
    )
    # What states a unit of something else is never the time.
    could_be = (place for place in rows.numbers if (unit := rows.units[place]) is None or unit.quantity == "time")
    for place in itertools.islice(could_be, 1):
        line = f"sensor_time = {{ column = {quoted(table.key(place))} }}"
        action = f"Say which column it is in the plan, below [logs], for example: {line}"
    problem = "no column rises like the time of samples, and none holds stamps of a clock."
    return LogError(Fault(table.name, problem, action))


def stamps_of(columns: LogFormat, rows: LogRows, clock: ClockTimes | None) -> tuple[np.ndarray, float]:
    """Return the time of each sample [s] and its resolution [s]; a clock without decimals yields to elapsed time.

    Parameters
    ----------
    columns : what the columns are
    rows : the log
    clock : its stamps; None without, or where they cannot be read

    Raises
    ------
    LogError : there is no other time than stamps that cannot be read
    """
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


def in_order(
    name: str, stamps_s: np.ndarray, step_s: float
) -> tuple[np.ndarray, np.ndarray, list[Finding], tuple[tuple[float, float], ...]]:
    """Return which samples are used, their times from the first, what was noticed, and settings of the clock.

    Jumps of one hour, as the change to or from daylight saving makes them, are undone; of times that go back the
    longest stretch in order is used; samples with equal stamps are spread evenly.

    Parameters
    ----------
    name : of the log
    stamps_s : array of shape (n,), time of each sample [s]; nan where it has none
    step_s : resolution of the stamps [s]

    Raises
    ------
    LogError : no sample has a time
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
        findings.append(note("logs.clock_jump", name=name, first=first, found=is_jump.sum()))
    breaks = np.flatnonzero(np.diff(time_s) < 0) + 1
    kept = max(np.split(np.arange(time_s.size), breaks), key=len)
    if breaks.size:
        about: dict[str, Any] = {"count": time_s.size, "used": kept.size, "first": int(kept[0]) + 1}
        findings.append(note("logs.sensor_time_goes_back", name=name, found=breaks.size, **about))
    order, time_s, ahead_s = order[kept], time_s[kept], ahead_s[kept]
    if time_s.size > 4 and (np.diff(time_s) == 0).mean() > 0.3:
        stamps, group, counts = np.unique(time_s, return_inverse=True, return_counts=True)
        place = np.arange(time_s.size) - np.concatenate(([0], np.cumsum(counts)[:-1]))[group]
        width = np.append(np.minimum(np.diff(stamps), 4 * step_s), step_s)
        time_s = time_s + place / counts[group] * width[group]
        findings.append(note("logs.coarse_stamps", name=name, found=step_s, unit="s"))
    time_s = time_s - time_s[0]
    changes = np.flatnonzero(np.diff(ahead_s, prepend=np.inf))
    settings = tuple((float(time_s[place]), float(ahead_s[place] - ahead_s[0])) for place in changes)
    return order, time_s, findings, settings


#: Signals whose edges are looked for, in this order: sensor, least swing, how surely its edge is the frames' [s].
SIGNALS = (("load_pct", 30.0, 0.5), ("board_w", 20.0, 1.5), ("wall_w", 30.0, 2.0))

#: Dips shorter than this do not end a stretch [s]: a loading pause, a sensor's stray zero.
_DIP_S = 2.0

#: A card that ran is busy for so long at least [s].
_SHORTEST_RUN_S = 20.0

#: Least swing between idle and busy, as a share of the busy level.
_LEAST_SHARE = 0.4


@dataclass(frozen=True)
class BusyStretch:
    """A stretch of time in which the card was busy.

    Attributes
    ----------
    start_s, end_s : when the signal crossed the middle between idle and busy [s]
    has_start, has_end : whether the edge lies within the log
    """

    start_s: float
    end_s: float
    has_start: bool
    has_end: bool

    @property
    def length_s(self) -> float:
        """How long it lasted [s]."""
        return self.end_s - self.start_s


def busy_stretches(time_s: np.ndarray, signal: np.ndarray, *, least_swing: float) -> list[BusyStretch]:
    """Return the stretches in which a signal was above the middle between idle and busy.

    Parameters
    ----------
    time_s, signal : arrays of shape (n,)
    least_swing : where the signal swings by less than this between idle and busy, or by less than two fifths
        of the busy level, there are no edges: power also climbs as a card warms

    Returns
    -------
    list of BusyStretch, in order; dips shorter than two seconds do not part them
    """
    is_number = np.isfinite(signal)
    time_s, signal = time_s[is_number], signal[is_number]
    if time_s.size < 4:
        return []
    idle, length_s = float(signal.min()), float(time_s[-1] - time_s[0])
    # In a log of hours that shows one run, the card is busy for less than a tenth of the time.
    for share in (0.9, 1.0 - _SHORTEST_RUN_S / length_s if length_s > 0 else 0.9):
        busy = float(np.quantile(signal, max(0.9, share)))
        if busy - idle >= max(least_swing, _LEAST_SHARE * busy):
            break
    else:
        return []
    middle = (idle + busy) / 2.0
    is_busy = signal > middle
    rises = np.flatnonzero(~is_busy[:-1] & is_busy[1:])
    falls = np.flatnonzero(is_busy[:-1] & ~is_busy[1:])
    starts = [_crossing(time_s, signal, place, middle) for place in rises]
    ends = [_crossing(time_s, signal, place, middle) for place in falls]
    starts = [float(time_s[0]), *starts] if is_busy[0] else starts
    ends = [*ends, float(time_s[-1])] if is_busy[-1] else ends
    found = [
        BusyStretch(start, end, start > time_s[0], end < time_s[-1])
        for start, end in zip(starts, ends, strict=True)
    ]
    joined: list[BusyStretch] = []
    for stretch in found:
        if joined and stretch.start_s - joined[-1].end_s < min(_DIP_S, 0.2 * joined[-1].length_s):
            before = joined.pop()
            stretch = BusyStretch(before.start_s, stretch.end_s, before.has_start, stretch.has_end)
        joined.append(stretch)
    return joined


def surest_stretches(time_s: np.ndarray, values: Mapping[str, np.ndarray]) -> list[tuple[str, BusyStretch, float]]:
    """Return the busy stretches of the surest signal: its name, the stretch, how sure its edges are [s].

    Parameters
    ----------
    time_s : array of shape (n,)
    values : array of shape (n,) by sensor metric
    """
    surest = [one for one in SIGNALS if one[0] in values][:1]
    return [
        (metric, stretch, slack_s)
        for metric, least_swing, slack_s in surest
        for stretch in busy_stretches(time_s, values[metric], least_swing=least_swing)
    ]


def fits_run(stretch: BusyStretch, run_s: float, slack_s: float) -> bool:
    """Return whether a stretch can be a run: it has an edge, and its length is right as far as it was seen.

    Parameters
    ----------
    stretch : of load or power
    run_s : length of the run [s]
    slack_s : how sure an edge is [s]
    """
    longest = run_s + 2 * slack_s + 0.05 * run_s
    shortest = run_s - 2 * slack_s - 0.05 * run_s
    if stretch.has_start and stretch.has_end:
        return shortest <= stretch.length_s <= longest
    return (stretch.has_start or stretch.has_end) and 0.5 * run_s <= stretch.length_s <= longest


def _crossing(time_s: np.ndarray, signal: np.ndarray, place: np.signedinteger, middle: float) -> float:
    """Return when the straight line between two samples crosses the middle."""
    share = (middle - signal[place]) / (signal[place + 1] - signal[place])
    return float(time_s[place] + share * (time_s[place + 1] - time_s[place]))


def surest_signal(values: Mapping[str, np.ndarray]) -> np.ndarray | None:
    """Return the surest signal of a log that shows when the card was busy; None without one.

    Parameters
    ----------
    values : array of shape (n,) by sensor metric
    """
    return next((values[metric] for metric, *_ in SIGNALS if metric in values), None)


#: A stretch of a session's log is at least so long [s].
_SHORTEST_S = 8.0

#: Least swing of the signal between idle and busy, in its own unit.
LEAST_SWING = 20.0


def busy_edges(time_s: np.ndarray, signal: np.ndarray) -> np.ndarray:
    """Return starts and ends of the stretches in which a signal was above its middle; infinite where it is cut off.

    Parameters
    ----------
    time_s, signal : arrays of shape (n,), without holes

    Returns
    -------
    array of shape (stretches, 2) [s]; none where the signal does not swing
    """
    edges = [
        (one.start_s if one.has_start else -np.inf, one.end_s if one.has_end else np.inf)
        for one in busy_stretches(time_s, signal, least_swing=LEAST_SWING)
        if one.length_s > _SHORTEST_S or not (one.has_start and one.has_end)
    ]
    return np.array(edges).reshape(-1, 2)
