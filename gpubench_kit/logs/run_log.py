"""The logs of one run, read and lined up, with small facts about them; a pure function, fit for processes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.logs.find_columns import Declaration
from gpubench_kit.logs.frame_log import FrameLog, Frames, read_frame_log
from gpubench_kit.logs.join import line_up
from gpubench_kit.logs.layout_memory import LayoutMemory
from gpubench_kit.logs.lined import LineUp
from gpubench_kit.logs.run_facts import RunFacts, frame_facts, sensor_facts
from gpubench_kit.logs.sensor_log import SensorLog, read_sensor_log
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding


# Tasks of thousands of runs are kept: with slots, and paths as text, they take a third of the memory.
@dataclass(frozen=True, slots=True)
class RunTask:
    """What is needed to read one run.

    Attributes
    ----------
    run : name of the run
    frame_path, sensor_path : paths of the files; None where there is none
    frame_name, sensor_name : what to call them in messages
    declared : what the plan declares about the logs of this card
    gap_ms : a frame longer than this is a gap [ms]
    line_up_s : a busy stretch farther than this from where two clocks put the run is told [s]
    sensor_edge_s : left out of sensor means at each end [s]
    n_bins : pieces of the trace that is kept for pictures
    started_at_s : start of the run as typed, seconds since 1970; nan where not given
    """

    run: str
    frame_path: str | None
    frame_name: str = ""
    sensor_path: str | None = None
    sensor_name: str = ""
    declared: Declaration = field(default_factory=Declaration)
    gap_ms: float = 1000.0
    line_up_s: float = 3.0
    sensor_edge_s: float = 1.0
    n_bins: int = 240
    started_at_s: float = np.nan


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
    """

    run: str
    frames: Frames | None
    sensor_time_s: np.ndarray
    sensors: dict[str, np.ndarray]
    facts: RunFacts
    findings: tuple[Finding, ...]
    faults: tuple[Fault, ...] = ()

    @property
    def samples(self) -> pd.DataFrame | None:
        """The samples as a table: ``time_s`` on the frames' clock, and a column for each sensor; None without."""
        if not self.sensors:
            return None
        return pd.DataFrame({"time_s": self.sensor_time_s, **self.sensors})


def read_run(task: RunTask, *, memory: LayoutMemory | None = None) -> RunLog:
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
    sensor_memory = memory or LayoutMemory()
    try:
        # Sensors beside the frames matter only where no sensor log does.
        frame_log = read_frame_log(
            Path(task.frame_path),
            name=task.frame_name,
            declared=_declared_for_frames(task, sensor_memory),
            with_sensors=task.sensor_path is None,
            memory=memory,
        )
    except LogError as error:
        return replace(empty, faults=(*_named(error, task.run), *_faults_of_sensors(task)))
    facts = frame_facts(task.run, frame_log, gap_ms=task.gap_ms, n_bins=task.n_bins)
    run_log = replace(empty, frames=frame_log.frames, facts=facts, findings=_of_run(frame_log.findings, task.run))
    return _with_sensors(run_log, frame_log, task, memory=sensor_memory)


def _declared_for_frames(task: RunTask, memory: LayoutMemory) -> Declaration:
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


def _with_sensors(run_log: RunLog, frame_log: FrameLog, task: RunTask, *, memory: LayoutMemory) -> RunLog:
    """Return the run with its samples, from the sensor log or from columns beside the frames."""
    if task.sensor_path is None:
        if not frame_log.sensors:
            return run_log
        lined = LineUp("same_rows", 0.0, "sensors stand beside the frames", 1.0)
        return _joined(run_log, (frame_log.frames.time_s, frame_log.sensors), lined, task)
    try:
        sensor_log = memory.sensor_log(Path(task.sensor_path), name=task.sensor_name, declared=task.declared)
    except LogError as error:
        return replace(run_log, faults=_named(error, task.run))
    offset_s = task.declared.sensor_offset_s
    lined = line_up(
        frame_log, sensor_log, offset_s=offset_s, started_at_s=task.started_at_s, limit_s=task.line_up_s
    )
    run_log = replace(
        run_log,
        facts=_with_sensor_log(run_log.facts, sensor_log, lined),
        findings=_without_settled((*run_log.findings, *_of_run((*sensor_log.findings, *lined.findings), task.run))),
    )
    if not lined.overlap > 0:
        return run_log
    return _joined(run_log, (sensor_log.time_s + lined.shift_s, sensor_log.values), lined, task)


def _without_settled(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return findings without a doubt about dates that the other log's clock settled."""
    is_settled = any(one.check == "date_order_by_clocks" for one in findings)
    return tuple(one for one in findings if not (is_settled and one.check == "date_order_in_doubt"))


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
        clock_end_s=start_s + facts.duration_s,
        other_clock_start_s=np.nan if sensor_log.other_clock is None else sensor_log.other_clock - lined.shift_s,
        clock_kind=sensor_log.clock_kind,
        clock_from="sensor_log",
    )


def _joined(
    run_log: RunLog, samples: tuple[np.ndarray, dict[str, np.ndarray]], lined: LineUp, task: RunTask
) -> RunLog:
    """Return the run with samples on the frames' clock, facts about them, and a word on power that still moves."""
    time_s, sensors = samples
    window = (task.sensor_edge_s, run_log.frames.end_s - task.sensor_edge_s)
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
