"""The logs of one run, read and aligned, with small facts about them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from gpubench_kit.logs.align import Alignment, align
from gpubench_kit.logs.format import Certainty, RunTask, Witness
from gpubench_kit.logs.frame_timing import Frames
from gpubench_kit.logs.read_frames import FormatMemory, FrameLog, read_frame_log
from gpubench_kit.logs.read_samples import SensorLog
from gpubench_kit.logs.run_facts import RunFacts, frame_facts, sensor_facts
from gpubench_kit.logs.sample_time import surest_stretches
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.tables import Finding
from gpubench_kit.model.words import fold
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

#: Shorter busy stretches are too short to tell one reading of a log from another [s].
_LONG_S = 20.0


@dataclass(frozen=True)
class RunLog:
    """One run as read.

    Attributes
    ----------
    run : name of the run
    facts : small facts for checks and pictures
    frames : its frames; None where the log cannot be used
    sensor_time_s : array of shape (m,), times of the samples on the frames' clock [s]; empty without samples
    sensors : array of shape (m,) by sensor metric
    findings : what was noticed, each with the run's name
    faults : why a log cannot be used
    certainty : of the frame times
    """

    run: str
    facts: RunFacts
    frames: Frames | None = None
    sensor_time_s: np.ndarray = field(default_factory=lambda: np.empty(0))
    sensors: Mapping[str, np.ndarray] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    faults: tuple[Fault, ...] = ()
    certainty: Certainty = Certainty.PROVEN

    def certainty_of(self, metric: str) -> Certainty:
        """Return how sure the column of a sensor is."""
        choices = (*self.facts.sensor_columns, *self.facts.frame_columns)
        return next((one.certainty for one in choices if one.role == metric), Certainty.PROVEN)


def read_run(task: RunTask, *, memory: FormatMemory | None = None) -> RunLog:
    """Read the logs of one run and align them.

    Parameters
    ----------
    task : the files and what is declared about them
    memory : layouts of logs read before; the result is the same with and without

    Returns
    -------
    RunLog. A log that cannot be used gives faults in place of an error, so that all runs can be told of at once;
    a sensor log that cannot be used leaves the frames usable, but is a fault too. Samples whose frames are missing
    or cannot be read say nothing of a run's length; those of a run without frames, such as one with the card idle,
    stand alone.
    """
    frame_log, sensor_log, faults = _read_logs(task, memory)
    if frame_log is None and (task.frame_name or task.frame_path is not None or sensor_log is None):
        return RunLog(task.run, RunFacts(task.run), faults=faults)
    certainty, alignment = Certainty.PROVEN, None
    time_s, sensors, findings = np.empty(0), dict[str, np.ndarray](), tuple[Finding, ...]()
    if frame_log is None:
        facts = RunFacts(task.run)
    else:
        facts = frame_facts(task.run, frame_log, gap_ms=task.gap_ms, n_bins=task.n_bins)
        findings, certainty = frame_log.findings, frame_log.certainty
        time_s, sensors = frame_log.frames.time_s, frame_log.sensors
        if task.sensor_path is None and sensors:
            alignment = Alignment("same_rows", 0.0, say("evidence.aligned.same_rows"), 1.0)
    if sensor_log is not None:
        if frame_log is None:
            alignment = Alignment("alone", 0.0, say("evidence.aligned.no_frames"), 1.0)
        else:
            has_clocks = frame_log.clock is not None and sensor_log.clock is not None
            is_stated = task.declared.same_machine and has_clocks and getattr(task.clock, "source", "") != "denied"
            alignment = align(
                frame_log,
                sensor_log,
                offset_s=task.declared.sensor_offset_s,
                started_at_s=task.started_at_s,
                limit_s=task.align_limit_s,
                clock=None if is_stated else task.clock,
            )
        facts = _with_sensor_log(facts, sensor_log, alignment)
        findings = (*findings, *sensor_log.findings, *alignment.findings)
        if any(one.check == "date_order_by_clocks" for one in findings):
            # The clocks of both logs settled the doubt about dates.
            findings = tuple(one for one in findings if one.check != "date_order_in_doubt")
        time_s, sensors = sensor_log.time_s + alignment.shift_s, sensor_log.values
    if alignment is None or not alignment.overlap > 0:
        time_s, sensors = np.empty(0), {}
    else:
        end_s = facts.duration_s if frame_log is None else frame_log.frames.end_s
        window = (task.sensor_edge_s, end_s - task.sensor_edge_s)
        if frame_log is not None:
            sensors, standing = _without_standing(time_s, sensors, window)
            findings = (*findings, *standing)
            drawn = (frame_log.frames, facts.share_at_interval)
            sensors, unsettled = _without_averaged(time_s, sensors, window, drawn=drawn)
            findings = (*findings, *unsettled)
        facts = sensor_facts(facts, time_s, sensors, alignment=alignment, window=window)
    if task.declared.other_names:
        findings = (*findings, *_of_other_card(frame_log, task), *_of_other_card(sensor_log, task))
    findings = tuple(replace(finding, run=task.run) for finding in findings)
    frames = None if frame_log is None else frame_log.frames
    return RunLog(task.run, facts, frames, time_s, sensors, findings, faults, certainty)


def _read_logs(
    task: RunTask, memory: FormatMemory | None
) -> tuple[FrameLog | None, SensorLog | None, tuple[Fault, ...]]:
    """Return both logs, None for what is not there or cannot be used, and why not."""
    frame_log, sensor_log, errors = None, None, []
    if task.sensor_path is not None:
        path, of_sensors = Path(task.sensor_path), memory or FormatMemory()
        try:
            sensor_log = of_sensors.sensor_log(path, name=task.sensor_name, declared=task.declared)
        except LogError as error:
            errors.append(error)
    if task.frame_path is not None:
        try:
            frame_log = _frame_log(Path(task.frame_path), sensor_log, task, memory)
        except LogError as error:
            errors.insert(0, error)
    of_run = f"run '{task.run}', " if task.run else ""
    faults = (fault for error in errors for fault in error.faults)
    return frame_log, sensor_log, tuple(replace(fault, where=f"{of_run}{fault.where}") for fault in faults)


def _frame_log(path: Path, sensor_log: SensorLog | None, task: RunTask, memory: FormatMemory | None) -> FrameLog:
    """Return the frame log of a run; where it is not sure itself, the length that its sensor log shows is asked."""
    declared = task.declared
    if sensor_log is not None and declared.count_only:
        declared = replace(declared, told_in_sensors=sensor_log.told_apart)
    # Sensors beside the frames matter only where no sensor log does.
    with_sensors = task.sensor_path is None
    read = partial(read_frame_log, path, name=task.frame_name, declared=declared, with_sensors=with_sensors)
    try:
        frame_log = read(memory=memory)
    except LogError:
        witnesses = _witnesses(task, sensor_log)
        if not witnesses:
            raise
        return read(witnesses=witnesses)
    witnesses = () if frame_log.certainty >= Certainty.STATED else _witnesses(task, sensor_log)
    return read(witnesses=witnesses) if witnesses else frame_log


def _witnesses(task: RunTask, sensor_log: SensorLog | None) -> tuple[Witness, ...]:
    """Return the length that the desk saw, and that of the one busy stretch that the run's own sensor log shows."""
    seen = () if task.witness is None else (task.witness,)
    if sensor_log is None or task.clock is not None:
        return seen
    stretches = [one for _, one, _ in surest_stretches(sensor_log.time_s, sensor_log.values)]
    if len(stretches) != 1 or not (stretches[0].has_start and stretches[0].has_end):
        return seen
    length_s = stretches[0].length_s
    busy = Witness(say("evidence.frames.busy", seconds=length_s), length_s, 1.0)
    return (*seen, busy) if length_s >= _LONG_S else seen


def _of_other_card(log: FrameLog | SensorLog | None, task: RunTask) -> tuple[Finding, ...]:
    """Return the finding that a log, or else its name, names another card of the plan and not the run's own."""
    names = (*task.declared.names, *task.declared.other_names)
    if log is None:
        return ()
    found = _names_in(log.head.decode("utf-8", "replace"), names) or _names_in(log.name, names)
    if not found or found & set(task.declared.names):
        return ()
    check = "log_of_another_card" if isinstance(log, FrameLog) else "sensor_log_of_another_card"
    told = note(f"logs.{check}", name=log.name, other=min(found), card=task.declared.names[0])
    return (replace(told, severity="stop"),)


#: Shortest name that is looked for in a text.
_SHORTEST_NAME = 4


def _names_in(text: str, names: Iterable[str]) -> frozenset[str]:
    """Return which names stand in a text, however their words are joined; of names in each other the longest."""
    words = {name: re.findall(r"[^\W_]+", fold(name)) for name in names}
    joined = " " + " ".join(re.findall(r"[^\W_]+", fold(text))) + " "
    found = frozenset[str]()
    for name in sorted(words, key=lambda one: -len(words[one])):
        if len("".join(words[name])) >= _SHORTEST_NAME and f" {' '.join(words[name])} " in joined:
            found |= {name}
            joined = joined.replace(f" {' '.join(words[name])} ", "  ")
    return found


#: A sensor of power stands still for so many seconds, samples, and times its usual steps at least.
_STANDS_S, _STANDS_SAMPLES, _STANDS_STEPS = 10.0, 8, 8.0
_STANDS_LOOKED_S = 0.25

#: Power is written finer than this share of it, and elsewhere spans more steps than this, where it can be told.
_STANDS_WRITTEN, _STANDS_FLICKERS, _STANDS_SPAN = 0.01, 0.001, 4.0


#: A power that averages rises for at most so long [s], to within this share of its level, at one frame rate
#: (share), and when its mean begins it has come this share of the way at most.
_LONGEST_RISE_S, _SETTLED, _SAME_RATE, _WAY = 12.0, 0.03, 0.05, 0.6

#: Share of frames of one length from which on something holds the frame rate, whatever the scene is.
_HELD = 0.3


def _without_standing(
    time_s: np.ndarray, sensors: Mapping[str, np.ndarray], window: tuple[float, float]
) -> tuple[dict[str, np.ndarray], tuple[Finding, ...]]:
    """Return sensors without a power that stood still for a run or a part of it, and the findings on it.

    A card that draws frames never draws the same to the last decimal for long; temperatures, fans and clocks that
    are held do. Power written so coarsely that it may is left as it is.
    """
    first, behind = np.searchsorted(time_s, window)
    # Of samples in the rows of frames a few a second are enough.
    dense = (behind - first) * _STANDS_LOOKED_S / max(window[1] - window[0], _STANDS_LOOKED_S)
    inside = slice(first, behind, max(1, int(dense)))
    findings, kept = [], dict(sensors)
    for metric in ("board_w", "wall_w"):
        values = sensors.get(metric, np.empty(0))
        is_known = np.isfinite(values[inside])
        times, watts = time_s[inside][is_known], values[inside][is_known]
        least = max(_STANDS_SAMPLES, 0.8 * watts.size * _STANDS_S / max(window[1] - window[0], _STANDS_S))
        moves = np.abs(np.diff(watts))
        # Nearly all runs are done with here.
        if watts.size < _STANDS_SAMPLES or (moves <= 1.01 * _STANDS_FLICKERS * watts.max()).sum() < least - 1:
            continue
        levels = np.unique(watts)
        steps = np.diff(levels if levels.size > 1 else np.unique(values[np.isfinite(values)]))
        step = float(steps.min()) if steps.size else 0.0
        # The last digit of a fine one may flicker.
        slack = 1.01 * step if step <= _STANDS_FLICKERS * levels[-1] else 0.0
        starts = np.append(0, np.flatnonzero(moves > slack) + 1)
        ends = np.append(starts[1:], watts.size)
        held_s = times[np.minimum(ends, watts.size - 1)] - times[starts]
        longest = int(np.argmax(held_s))
        stands_s, where = float(held_s[longest]), np.s_[starts[longest] : ends[longest]]
        same, others = watts[where], np.delete(watts, where)
        usual_s = float(np.median(np.delete(held_s, longest))) if held_s.size > 1 else 0.0
        is_long = stands_s >= max(_STANDS_S, _STANDS_STEPS * usual_s) and same.size >= _STANDS_SAMPLES
        # Where it moved, it has to move by more than the last digit; where it never did, the digit has to be fine.
        is_fine = step <= _STANDS_WRITTEN * same[0] and np.ptp(same) <= 2 * slack
        is_moving = others.size < _STANDS_SAMPLES or np.ptp(others) > _STANDS_SPAN * step
        # Zeros throughout are told as values that cannot be.
        if not (is_long and is_fine and is_moving and same[0] > 0):
            continue
        del kept[metric]
        about: dict[str, Any] = {"metric": metric, "value": float(same[0])}
        findings.append(note("logs.power_stands", found=stands_s, limit=_STANDS_S, unit="s", **about))
    return kept, tuple(findings)


def _with_sensor_log(facts: RunFacts, sensor_log: SensorLog, alignment: Alignment) -> RunFacts:
    """Return the facts with those of the sensor log; its clock serves where the frames have none."""
    facts = replace(
        facts,
        sensor_log=sensor_log.name,
        sensor_log_sha256=sensor_log.sha256,
        sensor_columns=sensor_log.choices,
        shift_s=alignment.shift_s,
        duration_s=facts.duration_s if facts.n_frames else float(sensor_log.time_s[-1]),
    )
    if np.isfinite(facts.clock_start_s) or sensor_log.clock is None or not np.isfinite(alignment.shift_s):
        return facts
    other_s = np.nan if sensor_log.other_clock is None else sensor_log.other_clock - alignment.shift_s
    return replace(
        facts,
        clock_start_s=sensor_log.clock - alignment.shift_s,
        other_clock_start_s=other_s,
        clock_kind=sensor_log.clock_kind,
        clock_from="sensor_log",
    )


def _without_averaged(
    time_s: np.ndarray, sensors: dict[str, np.ndarray], window: tuple[float, float], *, drawn: tuple[Frames, float]
) -> tuple[dict[str, np.ndarray], tuple[Finding, ...]]:
    """Return sensors without a power that still rises when its mean begins, and the finding on it.

    Where the frame rate is what it is later, and nothing holds it, the card drew as much: the sensor averages over
    seconds. Else the scene may start lighter, and all of its power counts.
    """
    inside, power = slice(*np.searchsorted(time_s, window)), sensors.get("board_w", np.empty(0))
    known = np.isfinite(power[inside])
    times, watts = time_s[inside][known], power[inside][known]
    if watts.size < 8:
        return sensors, ()
    n_first = max(1, int((times <= window[0] + 0.5).sum()))
    first, usual = float(watts[:n_first].mean()), float(watts[watts.size // 4 :].mean())
    difference_pct = 100.0 * (first / usual - 1.0) if usual > 0 else 0.0
    if abs(difference_pct) <= 10.0 or float(watts.std()) < 2.0:
        return sensors, ()
    rising = watts[: int(np.argmax(watts >= (1 - _SETTLED) * usual)) + 1]
    until_s, before, (frames, share_alike) = float(times[rising.size - 1]), power[: inside.start], drawn
    idle = float(np.nanmin(before)) if np.isfinite(before).any() else np.nan
    early, late = (frames.frame_ms[part] for part in (frames.time_s < until_s, frames.time_s >= until_s))
    about: dict[str, Any] = {"start_s": window[0], "first_w": first, "usual_w": usual}
    if (
        # Edges of no length are a decision for the whole run.
        window[0] > 0
        and first - idle < _WAY * (usual - idle)
        and until_s <= _LONGEST_RISE_S
        and (np.diff(rising) > -_SETTLED * usual).all()
        and share_alike < _HELD
        and late.size
        and abs(early.mean() / late.mean() - 1) <= _SAME_RATE
    ):
        told = note("logs.power_averages", found=until_s, unit="s", edge_s=np.ceil(until_s), **about)
        return {metric: values for metric, values in sensors.items() if metric != "board_w"}, (told,)
    return sensors, (note("logs.power_not_settled", found=difference_pct, limit=10.0, unit="%", **about),)
