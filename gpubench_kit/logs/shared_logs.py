"""Sensor logs that several runs name: their one clock, from the starts and lengths of all these runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from gpubench_kit.logs.format_memory import FormatMemory
from gpubench_kit.logs.load_edges import SIGNALS
from gpubench_kit.logs.one_clock import OneClock, find_one_clock
from gpubench_kit.logs.read_frames import FrameLog, read_frame_log
from gpubench_kit.logs.read_samples import SensorLog
from gpubench_kit.logs.run_task import RunTask
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.findings import Finding

_HALF_A_DAY_S = 43_200.0

#: A clock ahead by less than this is not worth a word [s].
_NOT_WORTH_S = 1.5


@dataclass(frozen=True)
class _Times:
    """Start [s] and length [s] of one run, and where the start is from."""

    run: str
    start_s: float
    length_s: float
    source: str


def start_of(frame_log: FrameLog, started_at_s: float) -> tuple[float, str]:
    """Return when a run started [s], and from where: a kind of clock, ``typed``, or its own ``elapsed`` time.

    Parameters
    ----------
    frame_log : of the run
    started_at_s : as typed, seconds since 1970; nan where not given
    """
    if frame_log.clock is not None:
        return frame_log.clock, frame_log.clock_kind
    if np.isfinite(started_at_s):
        return started_at_s, "typed"
    return (np.nan if frame_log.origin_s is None else frame_log.origin_s), "elapsed"


def place_of_run(frame_log: FrameLog, sensor_log: SensorLog, *, clock: OneClock, started_at_s: float) -> float:
    """Return what is added to the samples' time so that it is the frames' [s]; nan where it is not known.

    Parameters
    ----------
    frame_log, sensor_log : the logs of one run; the sensor log is that of other runs too
    clock : how far the sensor log's clock is ahead of the runs' starts
    started_at_s : start of the run as typed, seconds since 1970
    """
    start_s, source = start_of(frame_log, started_at_s)
    if not clock.is_proven or source != clock.source or not np.isfinite(start_s):
        return float("nan")
    if source == "time_of_day" and start_s < clock.middle_s - _HALF_A_DAY_S:
        start_s += 2 * _HALF_A_DAY_S
    return (sensor_log.clock or 0.0) - start_s - clock.at(start_s)


def with_clocks(tasks: Sequence[RunTask]) -> tuple[tuple[RunTask, ...], list[Finding]]:
    """Return the tasks with the clock of each sensor log that several of them name, and what is said of it.

    Parameters
    ----------
    tasks : what is needed to read each run

    Notes
    -----
    The frames of these runs are read for their starts and lengths. A log that cannot be read tells so elsewhere.
    """
    by_log: dict[str, list[int]] = {}
    for place, task in enumerate(tasks):
        if task.sensor_path is not None and task.frame_path is not None:
            by_log.setdefault(task.sensor_path, []).append(place)
    changed, findings = list(tasks), []
    for places in by_log.values():
        if len(places) < 2 or tasks[places[0]].declared.sensor_offset_s is not None:
            continue
        if tasks[places[0]].declared.same_machine:
            clock, notes = OneClock(False, why="the plan states that both clocks are one"), []
        else:
            clock, notes = _clock_of([tasks[place] for place in places])
        findings += notes
        for place in places:
            changed[place] = replace(tasks[place], clock=clock)
    return tuple(changed), findings


def _clock_of(tasks: list[RunTask]) -> tuple[OneClock, list[Finding]]:
    """Return the clock of one sensor log, with the finding on it."""
    memory, times = FormatMemory(), []
    first = tasks[0]
    try:
        sensor_log = memory.sensor_log(Path(first.sensor_path), name=first.sensor_name, declared=first.declared)
    except LogError:
        return OneClock(False, why="the sensor log cannot be read"), []
    for task in tasks:
        try:
            frame_log = read_frame_log(
                Path(task.frame_path),
                name=task.frame_name,
                declared=task.declared,
                with_sensors=False,
                memory=memory,
            )
        except LogError:
            continue
        start_s, source = start_of(frame_log, task.started_at_s)
        times.append(_Times(task.run, start_s, frame_log.frames.end_s, source))
    clock = _solved(times, sensor_log)
    return clock, [_told(clock, sensor_log, times)]


def _solved(times: list[_Times], sensor_log: SensorLog) -> OneClock:
    """Return the clock by the starts of one source, the most frequent one."""
    sources = [one.source for one in times if np.isfinite(one.start_s)]
    if not sources:
        return OneClock(False, why="no run says when it started")
    source = max(set(sources), key=sources.count)
    alike = [one for one in times if one.source == source and np.isfinite(one.start_s)]
    starts, lengths = (np.array([getattr(one, name) for one in alike]) for name in ("start_s", "length_s"))
    if source == "time_of_day" and np.ptp(starts) > _HALF_A_DAY_S:
        starts = np.where(starts < _HALF_A_DAY_S, starts + 2 * _HALF_A_DAY_S, starts)
    signal = next((sensor_log.values[name] for name, *_ in SIGNALS if name in sensor_log.values), None)
    if signal is None:
        return OneClock(False, why="the log holds neither load nor power that could show the runs")
    clock = find_one_clock(starts, lengths, time_s=(sensor_log.clock or 0.0) + sensor_log.time_s, signal=signal)
    return replace(clock, source=source)


def _told(clock: OneClock, sensor_log: SensorLog, times: list[_Times]) -> Finding:
    """Return the finding on the clock of a sensor log that several runs name."""
    name = sensor_log.name
    if clock.is_proven:
        has_clocks = sensor_log.clock is not None and all(one.source not in ("typed", "elapsed") for one in times)
        how = "its samples were placed"
        if has_clocks and abs(clock.offset_s) < 12 * 3600:
            ahead = "ahead of" if clock.offset_s >= 0 else "behind"
            how = f"its clock is {abs(clock.offset_s):.1f} s {ahead} the frame logs', which was taken out"
        message = f"{name}: {how} ({clock.why})."
        return Finding("note", "one_clock", message, found=clock.offset_s, unit="s")
    message = (
        f"{name}: it spans {len(times)} runs, and its clock is not proven against theirs: {clock.why}. Its samples "
        "are not used where a run has no busy stretch of its own length alone."
    )
    action = (
        'If both recorders ran on one machine, say so in the plan: [logs] sensor_clock = "same_machine"; or state '
        "how far its clock is ahead: [logs] sensor_offset_s = 0.0"
    )
    return Finding("note", "clock_not_proven", message, action=action)
