"""The logs of one run, read and lined up, with small facts about them; the one clock of logs of several runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.logs.busy_stretches import SIGNALS, find_one_clock, surest_stretches
from gpubench_kit.logs.format import Certainty, Declaration, OneClock, RunTask, Witness
from gpubench_kit.logs.frame_timing import Frames
from gpubench_kit.logs.join import LineUp, by_both_edges, by_same_machine, line_up, with_overlap
from gpubench_kit.logs.read_frames import FormatMemory, FrameLog, read_ends, read_frame_log
from gpubench_kit.logs.read_samples import SensorLog, read_sensor_log
from gpubench_kit.logs.run_facts import RunFacts, frame_facts, sensor_facts
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

_HALF_A_DAY_S = 43_200.0


@dataclass(frozen=True)
class RunTimes:
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
    for sensor_path, places in by_log.items():
        if len(places) < 2 or tasks[places[0]].declared.sensor_offset_s is not None:
            continue
        if tasks[places[0]].declared.same_machine:
            clock = OneClock(False, why="the plan states that both clocks are one")
        else:
            clock, notes = _clock_of(Path(sensor_path), [tasks[place] for place in places])
            findings += notes
        for place in places:
            changed[place] = replace(tasks[place], clock=clock)
    return tuple(changed), findings


def _clock_of(sensor_path: Path, tasks: list[RunTask]) -> tuple[OneClock, list[Finding]]:
    """Return the clock of one sensor log, with the finding on it."""
    memory, times = FormatMemory(), []
    first = tasks[0]
    try:
        sensor_log = memory.sensor_log(sensor_path, name=first.sensor_name, declared=first.declared)
    except LogError:
        return OneClock(False, why="the sensor log cannot be read"), []
    for task in tasks:
        if task.frame_path is None:
            continue
        path = Path(task.frame_path)
        try:
            frame_log = read_ends(path, name=task.frame_name, declared=task.declared, memory=memory)
        except LogError:
            continue
        start_s, source = start_of(frame_log, task.started_at_s)
        times.append(RunTimes(task.run, start_s, frame_log.frames.end_s, source))
    clock = clock_of_starts(times, sensor_log)
    return clock, [_told(clock, sensor_log, times)]


def clock_of_starts(times: list[RunTimes], sensor_log: SensorLog) -> OneClock:
    """Return the clock of a sensor log by the starts of runs: those of one source, the most frequent one.

    Parameters
    ----------
    times : of the runs that it spans
    sensor_log : as read
    """
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


def _told(clock: OneClock, sensor_log: SensorLog, times: list[RunTimes]) -> Finding:
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


#: Shorter busy stretches are too short to tell one reading of a log from another [s].
_LONG_S = 20.0


@dataclass(frozen=True)
class RunLog:
    """One run as read.

    Attributes
    ----------
    run : name of the run
    frames : its frames; None where the log cannot be used
    sensor_time_s : array of shape (m,), times of the samples on the frames' clock [s]; empty without samples
    sensors : array of shape (m,) by sensor metric
    facts : small facts for checks and pictures
    findings : what was noticed, each with the run's name
    faults : why a log cannot be used
    certainty : of the frame times
    """

    run: str
    frames: Frames | None
    sensor_time_s: np.ndarray
    sensors: dict[str, np.ndarray]
    facts: RunFacts
    findings: tuple[Finding, ...]
    faults: tuple[Fault, ...] = ()
    certainty: Certainty = Certainty.PROVEN

    def certainty_of(self, metric: str) -> Certainty:
        """Return how sure the column of a sensor is."""
        choices = (*self.facts.sensor_columns, *self.facts.frame_columns)
        return next((one.certainty for one in choices if one.role == metric), Certainty.PROVEN)

    @property
    def samples(self) -> pd.DataFrame | None:
        """The samples as a table: ``time_s`` on the frames' clock, and a column for each sensor; None without."""
        if not self.sensors:
            return None
        return pd.DataFrame({"time_s": self.sensor_time_s, **self.sensors})


def read_run(task: RunTask, *, memory: FormatMemory | None = None) -> RunLog:
    """Read the logs of one run and line them up.

    Parameters
    ----------
    task : the files and what is declared about them
    memory : layouts of logs read before; the result is the same with and without

    Returns
    -------
    RunLog. A log that cannot be used gives faults in place of an error, so that all runs can be told of at once;
    a sensor log that cannot be used leaves the frames usable, but is a fault too.
    """
    empty = _nothing(task)
    if task.frame_path is None and task.frame_name:
        # The frames are missing, which is told elsewhere: samples alone say nothing of a run's length.
        return replace(empty, faults=_faults_of_sensors(task))
    if task.frame_path is None:
        return _sensors_alone(empty, task)
    sensor_memory = memory or FormatMemory()
    try:
        frame_log = _frame_log(Path(task.frame_path), task, memory, sensor_memory)
    except LogError as error:
        return replace(empty, faults=(*_named(error, task.run), *_faults_of_sensors(task)))
    facts = frame_facts(task.run, frame_log, gap_ms=task.gap_ms, n_bins=task.n_bins)
    run_log = replace(
        empty,
        frames=frame_log.frames,
        facts=facts,
        findings=_of_run(frame_log.findings, task.run),
        certainty=frame_log.certainty,
    )
    return _with_sensors(run_log, frame_log, task, memory=sensor_memory)


def _frame_log(path: Path, task: RunTask, memory: FormatMemory | None, sensor_memory: FormatMemory) -> FrameLog:
    """Return the frame log of a run; where it is not sure itself, the length that its sensor log shows is asked."""
    read = partial(
        read_frame_log,
        path,
        name=task.frame_name,
        declared=_declared_for_frames(task, sensor_memory),
        # Sensors beside the frames matter only where no sensor log does.
        with_sensors=task.sensor_path is None,
    )
    try:
        frame_log = read(memory=memory)
    except LogError:
        witnesses = _witnesses(task, sensor_memory)
        if not witnesses:
            raise
        return read(witnesses=witnesses)
    if frame_log.certainty >= Certainty.STATED:
        return frame_log
    witnesses = _witnesses(task, sensor_memory)
    return read(witnesses=witnesses) if witnesses else frame_log


def _witnesses(task: RunTask, memory: FormatMemory) -> tuple[Witness, ...]:
    """Return the length that the desk saw, and that of the one busy stretch that the run's own sensor log shows."""
    seen = () if task.witness is None else (task.witness,)
    if task.sensor_path is None or task.clock is not None:
        return seen
    try:
        sensor_log = memory.sensor_log(Path(task.sensor_path), name=task.sensor_name, declared=task.declared)
    except LogError:
        return seen
    stretches = [one for _, one, _ in surest_stretches(sensor_log.time_s, sensor_log.values)]
    if len(stretches) != 1 or not (stretches[0].has_start and stretches[0].has_end):
        return seen
    length_s = stretches[0].length_s
    busy = Witness(f"the {length_s:.1f} s that the card was busy", length_s, 1.0)
    return (*seen, busy) if length_s >= _LONG_S else seen


def _declared_for_frames(task: RunTask, memory: FormatMemory) -> Declaration:
    """Return what is declared, with the headings that tell rows of the run's sensor log apart."""
    if task.sensor_path is None or not task.declared.count_only:
        return task.declared
    try:
        sensor_log = memory.sensor_log(Path(task.sensor_path), name=task.sensor_name, declared=task.declared)
    except LogError:
        # Told with the samples.
        return task.declared
    return replace(task.declared, told_in_sensors=sensor_log.told_apart)


def _faults_of_sensors(task: RunTask) -> tuple[Fault, ...]:
    """Return why the sensor log of a run whose frames cannot be used cannot be used either."""
    alone = replace(task, frame_path=None, frame_name="")
    return () if task.sensor_path is None else _sensors_alone(_nothing(task), alone).faults


def _nothing(task: RunTask) -> RunLog:
    """Return a run of which nothing was read yet."""
    return RunLog(task.run, None, np.empty(0), {}, RunFacts(task.run), ())


def _sensors_alone(empty: RunLog, task: RunTask) -> RunLog:
    """Return a run without frames, such as one with the card idle: its samples from the first on."""
    if task.sensor_path is None:
        return empty
    try:
        sensor_log = read_sensor_log(Path(task.sensor_path), name=task.sensor_name, declared=task.declared)
    except LogError as error:
        return replace(empty, faults=_named(error, task.run))
    lined = LineUp("alone", 0.0, "no frames", 1.0)
    facts = replace(_with_sensor_log(empty.facts, sensor_log, lined), duration_s=float(sensor_log.time_s[-1]))
    window = (task.sensor_edge_s, facts.duration_s - task.sensor_edge_s)
    facts = sensor_facts(facts, sensor_log.time_s, sensor_log.values, lined=lined, window=window)
    findings = _of_run(sensor_log.findings, task.run)
    return RunLog(task.run, None, sensor_log.time_s, sensor_log.values, facts, findings)


def _with_sensors(run_log: RunLog, frame_log: FrameLog, task: RunTask, *, memory: FormatMemory) -> RunLog:
    """Return the run with its samples, from the sensor log or from columns beside the frames."""
    run_s = frame_log.frames.end_s
    if task.sensor_path is None:
        if not frame_log.sensors:
            return run_log
        lined = LineUp("same_rows", 0.0, "sensors stand beside the frames", 1.0)
        return _joined(run_log, (frame_log.frames.time_s, frame_log.sensors), lined, task, run_s=run_s)
    try:
        sensor_log = memory.sensor_log(Path(task.sensor_path), name=task.sensor_name, declared=task.declared)
    except LogError as error:
        return replace(run_log, faults=_named(error, task.run))
    lined = _lined_up(frame_log, sensor_log, task)
    findings = (*run_log.findings, *_of_run((*sensor_log.findings, *lined.findings), task.run))
    is_settled = any(one.check == "date_order_by_clocks" for one in findings)
    without_settled = tuple(one for one in findings if not (is_settled and one.check == "date_order_in_doubt"))
    run_log = replace(
        run_log,
        facts=_with_sensor_log(run_log.facts, sensor_log, lined),
        findings=without_settled,
    )
    if not lined.overlap > 0:
        return run_log
    return _joined(run_log, (sensor_log.time_s + lined.shift_s, sensor_log.values), lined, task, run_s=run_s)


def _lined_up(frame_log: FrameLog, sensor_log: SensorLog, task: RunTask) -> LineUp:
    """Return how samples are brought onto the frames' clock."""
    declared, clock = task.declared, task.clock
    offset_s = declared.sensor_offset_s
    if clock is None or offset_s is not None:
        return line_up(
            frame_log, sensor_log, offset_s=offset_s, started_at_s=task.started_at_s, limit_s=task.line_up_s
        )
    if declared.same_machine and frame_log.clock is not None and sensor_log.clock is not None:
        return by_same_machine(frame_log, sensor_log, limit_s=task.line_up_s)
    shift_s = place_of_run(frame_log, sensor_log, clock=clock, started_at_s=task.started_at_s)
    if np.isfinite(shift_s):
        return with_overlap(LineUp("one_clock", shift_s, clock.why, 0.0), sensor_log, frame_log.frames.end_s)
    return by_both_edges(frame_log, sensor_log, started_at_s=task.started_at_s) or LineUp(
        "none", np.nan, clock.why, 0.0
    )


def _with_sensor_log(facts: RunFacts, sensor_log: SensorLog, lined: LineUp) -> RunFacts:
    """Return the facts with those of the sensor log; its clock serves where the frames have none."""
    facts = replace(
        facts, sensor_log=sensor_log.name, sensor_log_sha256=sensor_log.sha256, sensor_columns=sensor_log.choices
    )
    if np.isfinite(facts.clock_start_s) or sensor_log.clock is None or not np.isfinite(lined.shift_s):
        return facts
    start_s = sensor_log.clock - lined.shift_s
    return replace(
        facts,
        clock_start_s=start_s,
        other_clock_start_s=np.nan if sensor_log.other_clock is None else sensor_log.other_clock - lined.shift_s,
        clock_kind=sensor_log.clock_kind,
        clock_from="sensor_log",
    )


def _joined(
    run_log: RunLog,
    samples: tuple[np.ndarray, dict[str, np.ndarray]],
    lined: LineUp,
    task: RunTask,
    *,
    run_s: float,
) -> RunLog:
    """Return the run with samples on the frames' clock, facts about them, and a word on power that still moves."""
    time_s, sensors = samples
    window = (task.sensor_edge_s, run_s - task.sensor_edge_s)
    facts = sensor_facts(run_log.facts, time_s, sensors, lined=lined, window=window)
    findings = (*run_log.findings, *_of_run(_unsettled(time_s, sensors, window), task.run))
    return replace(run_log, sensor_time_s=time_s, sensors=sensors, facts=facts, findings=findings)


def _unsettled(
    time_s: np.ndarray, sensors: dict[str, np.ndarray], window: tuple[float, float]
) -> tuple[Finding, ...]:
    """Return a finding where power at the start of the window is far from what it is later."""
    power = sensors.get("board_w")
    if power is None:
        return ()
    inside = slice(*np.searchsorted(time_s, window))
    times, watts = time_s[inside], power[inside]
    if not np.isfinite(watts.sum()):
        times, watts = times[np.isfinite(watts)], watts[np.isfinite(watts)]
    if watts.size < 8:
        return ()
    n_first = max(1, int((times <= window[0] + 0.5).sum()))
    first, usual = float(watts[:n_first].mean()), float(watts[watts.size // 4 :].mean())
    difference_pct = 100.0 * (first / usual - 1.0) if usual > 0 else 0.0
    if abs(difference_pct) <= 10.0 or float(watts.std()) < 2.0:
        return ()
    message = (
        f"power has not settled when its mean begins, {window[0]:g} s into the run: {first:.1f} W there, "
        f"{usual:.1f} W after its first quarter."
    )
    action = "A slow sensor needs a larger sensor_edge_s in the plan; else look whether the scene starts lighter."
    return (
        Finding("note", "power_not_settled", message, found=difference_pct, limit=10.0, unit="%", action=action),
    )


def _named(error: LogError, run: str) -> tuple[Fault, ...]:
    """Return the faults of an error with the run's name, if it has one, before their place."""
    of_run = f"run '{run}', " if run else ""
    return tuple(Fault(f"{of_run}{fault.where}", fault.problem, fault.action) for fault in error.faults)


def _of_run(findings: tuple[Finding, ...], run: str) -> tuple[Finding, ...]:
    """Return findings with the run's name."""
    return tuple(replace(finding, run=run) for finding in findings)
