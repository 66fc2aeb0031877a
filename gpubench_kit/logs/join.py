"""Sensor samples onto the clock of the frames: by wall clock, by a declared offset, or by load edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gpubench_kit.logs.clock_line_up import by_clocks, within_a_day
from gpubench_kit.logs.lined import LineUp, overlap_share, with_overlap
from gpubench_kit.logs.load_edges import SIGNALS, BusyStretch, busy_stretches, fits_run
from gpubench_kit.logs.read_frames import FrameLog
from gpubench_kit.logs.read_samples import SensorLog
from gpubench_kit.model.findings import Finding

_MINUTE_S = 60.0

#: Both logs count from zero: an edge must be this far off before it outweighs that.
_OFF_BY_S = 3.0


def line_up(
    frame_log: FrameLog,
    sensor_log: SensorLog,
    *,
    offset_s: float | None = None,
    started_at_s: float = np.nan,
    limit_s: float = 3.0,
) -> LineUp:
    """Find what to add to the samples' time so that it is the frames'.

    Parameters
    ----------
    frame_log, sensor_log : the logs of one run
    offset_s : declared in the plan: the sensor log's time at which the frame log starts [s], in its elapsed time,
        or since its first sample where it has a clock only; with two clocks, how far the sensors' clock is ahead
    started_at_s : start of the run as typed, in seconds since 1970; tells which of several busy stretches it is
    limit_s : two clocks that put the run farther than this from a busy stretch as long as it are told [s]

    Returns
    -------
    LineUp. The shift found and its quality are a finding, unless two clocks or a declaration gave it.

    Notes
    -----
    Power sensors average over about a second, so that their edge comes late; the load is asked first. At the
    start of a sensor log, power may still show the end of the run before.
    """
    run_s = frame_log.frames.end_s
    if offset_s is None:
        frame_log, sensor_log = _through_midnight(frame_log, sensor_log, limit_s)
    if frame_log.clock is not None and sensor_log.clock is not None:
        return by_clocks(frame_log, sensor_log, offset_s=offset_s, limit_s=limit_s)
    if offset_s is not None:
        shift_s = (sensor_log.origin_s or 0.0) - offset_s
        return with_overlap(LineUp("declared", shift_s, "declared in the plan", 0.0), sensor_log, run_s)
    expected_s = started_at_s - (np.nan if sensor_log.clock is None else sensor_log.clock)
    edge = _by_edges(sensor_log, run_s, expected_s)
    if frame_log.origin_s is not None and sensor_log.origin_s is not None:
        edge = _same_clock_or(edge, frame_log, sensor_log)
    return with_overlap(edge or _together(sensor_log, run_s), sensor_log, run_s)


def by_both_edges(frame_log: FrameLog, sensor_log: SensorLog, *, started_at_s: float = np.nan) -> LineUp | None:
    """Return the line-up by the one busy stretch that is seen whole and as long as the run; None without one.

    Parameters
    ----------
    frame_log, sensor_log : the logs of one run; the sensor log is that of other runs too
    started_at_s : start of the run as typed, seconds since 1970
    """
    run_s = frame_log.frames.end_s
    expected_s = started_at_s - (np.nan if sensor_log.clock is None else sensor_log.clock)
    edge = _by_edges(sensor_log, run_s, expected_s)
    if edge is None or not np.isfinite(edge.shift_s) or "rise and fall" not in edge.quality:
        return None
    return with_overlap(edge, sensor_log, run_s)


def by_same_machine(frame_log: FrameLog, sensor_log: SensorLog, *, limit_s: float) -> LineUp:
    """Return the line-up by two clocks that are stated to be one; none where the card idled during the run.

    Parameters
    ----------
    frame_log, sensor_log : the logs of one run, each with a clock
    limit_s : as for `line_up`
    """
    lined = by_clocks(frame_log, sensor_log, offset_s=None, limit_s=limit_s)
    run_s = frame_log.frames.end_s
    if not lined.overlap > 0 or not _idles(sensor_log, lined.shift_s, run_s):
        return lined
    message = (
        f"{sensor_log.name}: by the clocks, which the plan states to be one, the card idled for most of this run "
        f"of {run_s:.1f} s; its samples are not used."
    )
    action = "Look whether this is the run's sensor log, and whether the clocks were one."
    finding = Finding("note", "not_lined_up", message, action=action)
    return LineUp("none", np.nan, "the card idled", 0.0, (finding,))


def _idles(sensor_log: SensorLog, shift_s: float, run_s: float) -> bool:
    """Return whether the surest signal stayed below its middle for most of a run."""
    for metric, least_swing, _ in SIGNALS:
        signal = sensor_log.values.get(metric)
        if signal is None:
            continue
        low, high = np.nanquantile(signal, [0.02, 0.99])
        first, behind = np.searchsorted(sensor_log.time_s + shift_s, (0.0, run_s))
        of_run = signal[first:behind][np.isfinite(signal[first:behind])]
        return bool(high - low >= least_swing and of_run.size and np.median(of_run) < (low + high) / 2)
    return False


def _through_midnight(frame_log: FrameLog, sensor_log: SensorLog, limit_s: float) -> tuple[FrameLog, SensorLog]:
    """Return both logs, with a clock where times from zero are times of day: the other clock runs on through them.

    A busy stretch as long as the run that lies elsewhere speaks against it.
    """
    if (frame_log.clock is None) == (sensor_log.clock is None):
        return frame_log, sensor_log
    clocked = _as_time_of_day(frame_log), _as_time_of_day(sensor_log)
    if any(log.clock is None for log in clocked):
        return frame_log, sensor_log
    run_s = frame_log.frames.end_s
    shift_s = within_a_day(clocked[1].clock - clocked[0].clock, *clocked)
    edge = _by_edges(sensor_log, run_s, np.nan)
    is_elsewhere = edge is not None and abs(edge.shift_s - shift_s) > limit_s
    is_through = overlap_share(sensor_log, run_s, shift_s) > 0 and not is_elsewhere
    return clocked if is_through else (frame_log, sensor_log)


def _as_time_of_day(log: FrameLog | SensorLog) -> FrameLog | SensorLog:
    """Return a log with a clock where its times begin at zero; others as they are."""
    if log.midnight_clock is None:
        return log
    return replace(log, clock=log.midnight_clock, clock_kind="time_of_day")


def _by_edges(sensor_log: SensorLog, run_s: float, expected_s: float) -> LineUp | None:
    """Return the line-up by the one busy stretch that is as long as the run; None where there is none.

    Of several, it is the one that begins within a minute of the time expected, if no other does.
    """
    for metric, least_swing, slack_s in SIGNALS:
        signal = sensor_log.values.get(metric)
        if signal is None:
            continue
        stretches = busy_stretches(sensor_log.time_s, signal, least_swing=least_swing)
        fitting = [stretch for stretch in stretches if fits_run(stretch, run_s, slack_s)]
        near = [stretch for stretch in fitting if abs(stretch.start_s - expected_s) <= _MINUTE_S]
        fitting = near if len(fitting) > 1 and len(near) == 1 else fitting
        if len(fitting) == 1:
            return _by_stretch(sensor_log, fitting[0], (metric, slack_s), run_s)
        if len(fitting) > 1:
            return _ambiguous(sensor_log, metric, fitting, run_s)
    return None


def _by_stretch(sensor_log: SensorLog, stretch: BusyStretch, how: tuple[str, float], run_s: float) -> LineUp:
    """Return the line-up by a busy stretch: its start on the frames' start, or its end on their end."""
    metric, slack_s = how
    shift_s = -stretch.start_s if stretch.has_start else run_s - stretch.end_s
    seen = "rise and fall" if stretch.has_start and stretch.has_end else "rise" if stretch.has_start else "fall"
    lengths = f"busy for {stretch.length_s:.2f} s, frames for {run_s:.2f} s"
    quality = f"{seen} of {metric}: {lengths}; sure to about {slack_s:g} s"
    method = "load_edge" if metric == "load_pct" else "power_edge"
    message = (
        f"{sensor_log.name}: lined up with the frames by the {quality}; {shift_s:+.3f} s was added to its time."
    )
    offset_s = (sensor_log.origin_s or 0.0) - shift_s
    action = f"If that is wrong, put the right value into the plan: [logs] sensor_offset_s = {offset_s:.3f}"
    finding = Finding("note", "lined_up_by_edge", message, found=shift_s, unit="s", action=action)
    return LineUp(method, shift_s, quality, 0.0, (finding,))


def _ambiguous(sensor_log: SensorLog, metric: str, fitting: list[BusyStretch], run_s: float) -> LineUp:
    """Return no line-up where several stretches are as long as the run."""
    starts = ", ".join(f"{stretch.start_s:.1f} s" for stretch in fitting[:6])
    message = (
        f"{sensor_log.name}: {len(fitting)} stretches of {metric} are as long as the frames ({run_s:.1f} s; they "
        f"begin at {starts}), so that the samples of this run cannot be told; they are not used."
    )
    action = "Declare sensor_offset_s in the plan, below [logs], or let both logs write the wall clock."
    finding = Finding("note", "not_lined_up", message, found=float(len(fitting)), action=action)
    return LineUp("none", np.nan, "several stretches fit", 0.0, (finding,))


def _same_clock_or(edge: LineUp | None, frame_log: FrameLog, sensor_log: SensorLog) -> LineUp:
    """Return the line-up of two logs that count seconds: one clock, unless an edge is far from it."""
    shift_s = sensor_log.origin_s - frame_log.origin_s
    has_overlap = overlap_share(sensor_log, frame_log.frames.end_s, shift_s) > 0
    if edge is not None and (not has_overlap or abs(edge.shift_s - shift_s) > _OFF_BY_S):
        return edge
    message = (
        f"{sensor_log.name}: both logs count seconds, and no edge of load or power speaks against it: they were "
        f"taken as one clock ({shift_s:+.3f} s between their first rows)."
    )
    action = "If they were started apart, declare sensor_offset_s in the plan, below [logs]."
    finding = Finding("note", "same_clock_taken", message, found=shift_s, unit="s", action=action)
    return LineUp("same_clock", shift_s, "both logs count seconds", 0.0, (finding,))


def _together(sensor_log: SensorLog, run_s: float) -> LineUp:
    """Return the line-up of logs without clock and edge: started together if they are as long, else none."""
    length_s = float(sensor_log.time_s[-1])
    if abs(length_s - run_s) > max(3.0, 0.05 * run_s):
        message = (
            f"{sensor_log.name}: it has no clock in common with the frames and no edge of load or power as long as "
            f"the run ({run_s:.1f} s; the log is {length_s:.1f} s long), so that its samples are not used."
        )
        action = "Declare sensor_offset_s in the plan, below [logs], or record load_pct beside power."
        return LineUp("none", np.nan, "", 0.0, (Finding("note", "not_lined_up", message, action=action),))
    message = (
        f"{sensor_log.name}: it has no clock in common with the frames and no edge of load or power; it is as long "
        "as the run, so both were taken to start together."
    )
    action = "If they were started apart, declare sensor_offset_s in the plan, below [logs]."
    finding = Finding("note", "started_together_taken", message, found=0.0, unit="s", action=action)
    return LineUp("together", 0.0, "equal lengths", 0.0, (finding,))
