"""Sensor samples onto the clock of the frames: by wall clock, by a declared offset, or by load edges."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.findings import Finding
from gpubench_kit.reading.frame_log import FrameLog
from gpubench_kit.reading.load_edges import BusyStretch, busy_stretches
from gpubench_kit.reading.sensor_log import SensorLog

_DAY_S, _QUARTER_S, _MINUTE_S = 86_400.0, 900.0, 60.0

#: Signals whose edges are looked for, in this order: sensor, least swing, how surely its edge is the frames' [s].
_SIGNALS = (("load_pct", 30.0, 0.5), ("board_w", 20.0, 1.5), ("wall_w", 30.0, 2.0))

#: Both logs count from zero: an edge must be this far off before it outweighs that.
_OFF_BY_S = 3.0

#: Share of the frames' time that samples should cover.
_OVERLAP_NEEDED = 0.9


@dataclass(frozen=True)
class LineUp:
    """How samples were brought onto the frames' clock.

    Attributes
    ----------
    method : ``clock``, ``declared``, ``same_clock``, ``load_edge``, ``power_edge``, ``together``, ``same_rows`` or
        ``none``
    shift_s : what is added to the samples' time [s]; nan where they could not be lined up
    quality : the evidence, in words
    overlap : share of the frames' time that has samples
    findings : the shift found, and what was noticed
    """

    method: str
    shift_s: float
    quality: str
    overlap: float
    findings: tuple[Finding, ...] = ()


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
    if frame_log.clock is not None and sensor_log.clock is not None:
        lined = _by_clock(frame_log, sensor_log, offset_s or 0.0)
        return lined if offset_s is not None else _held_against_edges(lined, frame_log, sensor_log, limit_s)
    if offset_s is not None:
        shift_s = (sensor_log.origin_s or 0.0) - offset_s
        return _with_overlap(LineUp("declared", shift_s, "declared in the plan", 0.0), sensor_log, run_s)
    expected_s = started_at_s - (np.nan if sensor_log.clock is None else sensor_log.clock)
    edge = _by_edges(sensor_log, run_s, expected_s)
    if frame_log.origin_s is not None and sensor_log.origin_s is not None:
        edge = _same_clock_or(edge, frame_log, sensor_log)
    return _with_overlap(edge or _together(sensor_log, run_s), sensor_log, run_s)


def _by_clock(frame_log: FrameLog, sensor_log: SensorLog, offset_s: float) -> LineUp:
    """Return the line-up by two wall clocks; a difference of whole quarters of an hour is another time zone."""
    run_s, found = frame_log.frames.end_s, ()
    shift_s = sensor_log.clock - frame_log.clock - offset_s
    if "time_of_day" in (frame_log.clock_kind, sensor_log.clock_kind):
        shift_s = (shift_s + _DAY_S / 2) % _DAY_S - _DAY_S / 2
    away_s = _zone_difference(sensor_log, run_s, shift_s)
    if away_s:
        message = (
            f"{sensor_log.name}: its clock and that of {frame_log.name} differ by {away_s / 3600:g} h, as time "
            "zones or daylight saving would; the difference was taken out."
        )
        found = (Finding("note", "clocks_differ", message, found=away_s / 3600, unit="h"),)
    lined = LineUp("clock", shift_s - away_s, "wall clocks of both logs", 0.0, found)
    return _with_overlap(lined, sensor_log, run_s)


def _held_against_edges(lined: LineUp, frame_log: FrameLog, sensor_log: SensorLog, limit_s: float) -> LineUp:
    """Return the line-up by clocks, with a finding where a busy stretch as long as the run lies elsewhere."""
    run_s, shift_s = frame_log.frames.end_s, lined.shift_s
    whole = [
        (metric, stretch)
        for metric, stretch, slack_s in _busy(sensor_log)
        if stretch.has_start and stretch.has_end and _fits(stretch, run_s, slack_s)
    ]
    if not whole:
        return lined
    metric, nearest = min(whole, key=lambda one: abs(one[1].start_s + shift_s))
    apart_s = nearest.start_s + shift_s
    if not limit_s < abs(apart_s) < run_s:
        return lined
    message = (
        f"{sensor_log.name}: by the clocks of both logs, {metric} rises {apart_s:+.1f} s from the first frame and "
        f"stays up for {nearest.length_s:.1f} s, as long as the run ({run_s:.1f} s): the clocks seem to differ. "
        "The samples were joined by the clocks."
    )
    ahead_s = sensor_log.clock - frame_log.clock + nearest.start_s
    action = (
        "If the load is right, say in the plan how far ahead the sensors' clock is: "
        f"[logs] sensor_offset_s = {ahead_s:.2f}"
    )
    finding = Finding("note", "clocks_against_load", message, found=apart_s, limit=limit_s, unit="s", action=action)
    return replace(lined, findings=(*lined.findings, finding))


def _busy(sensor_log: SensorLog) -> list[tuple[str, BusyStretch, float]]:
    """Return the busy stretches of the surest signal: its name, the stretch, how sure edges are [s]."""
    surest = [one for one in _SIGNALS if one[0] in sensor_log.values][:1]
    return [
        (metric, stretch, slack_s)
        for metric, least_swing, slack_s in surest
        for stretch in busy_stretches(sensor_log.time_s, sensor_log.values[metric], least_swing=least_swing)
    ]


def _zone_difference(sensor_log: SensorLog, run_s: float, shift_s: float) -> float:
    """Return whole quarters of an hour [s] by which two clocks differ where the logs do not overlap at all."""
    if _overlap(sensor_log, run_s, shift_s) > 0:
        return 0.0
    middle_s = shift_s + float(sensor_log.time_s[-1]) / 2 - run_s / 2
    away_s = round(middle_s / _QUARTER_S) * _QUARTER_S
    is_zone = 0 < abs(away_s) <= 14 * 3600 and _overlap(sensor_log, run_s, shift_s - away_s) > 0.5
    return away_s if is_zone else 0.0


def _by_edges(sensor_log: SensorLog, run_s: float, expected_s: float) -> LineUp | None:
    """Return the line-up by the one busy stretch that is as long as the run; None where there is none.

    Of several, it is the one that begins within a minute of the time expected, if no other does.
    """
    for metric, least_swing, slack_s in _SIGNALS:
        signal = sensor_log.values.get(metric)
        if signal is None:
            continue
        stretches = busy_stretches(sensor_log.time_s, signal, least_swing=least_swing)
        fitting = [stretch for stretch in stretches if _fits(stretch, run_s, slack_s)]
        near = [stretch for stretch in fitting if abs(stretch.start_s - expected_s) <= _MINUTE_S]
        fitting = near if len(fitting) > 1 and len(near) == 1 else fitting
        if len(fitting) == 1:
            return _by_stretch(sensor_log, fitting[0], (metric, slack_s), run_s)
        if len(fitting) > 1:
            return _ambiguous(sensor_log, metric, fitting, run_s)
    return None


def _fits(stretch: BusyStretch, run_s: float, slack_s: float) -> bool:
    """Return whether a stretch can be the run: it has an edge, and its length is right as far as it was seen."""
    longest = run_s + 2 * slack_s + 0.05 * run_s
    shortest = run_s - 2 * slack_s - 0.05 * run_s
    if stretch.has_start and stretch.has_end:
        return shortest <= stretch.length_s <= longest
    return (stretch.has_start or stretch.has_end) and 0.5 * run_s <= stretch.length_s <= longest


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
    has_overlap = _overlap(sensor_log, frame_log.frames.end_s, shift_s) > 0
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


def _overlap(sensor_log: SensorLog, run_s: float, shift_s: float) -> float:
    """Return the share of the frames' time that has samples."""
    start_s, end_s = max(0.0, shift_s), min(run_s, float(sensor_log.time_s[-1]) + shift_s)
    return max(0.0, end_s - start_s) / run_s if run_s > 0 else 0.0


def _with_overlap(lined: LineUp, sensor_log: SensorLog, run_s: float) -> LineUp:
    """Return the line-up with the share of the frames that has samples, and a finding where there is none."""
    if not np.isfinite(lined.shift_s):
        return lined
    overlap, findings = _overlap(sensor_log, run_s, lined.shift_s), lined.findings
    if overlap < _OVERLAP_NEEDED:
        findings = (*findings, _little_overlap(lined, sensor_log, run_s, overlap))
    return LineUp(lined.method, lined.shift_s, lined.quality, overlap, findings)


def _little_overlap(lined: LineUp, sensor_log: SensorLog, run_s: float, overlap: float) -> Finding:
    """Return the finding that samples cover little or nothing of the frames' time."""
    if overlap == 0.0:
        message = (
            f"{sensor_log.name}: its samples do not overlap with the frames in time ({lined.quality}; they begin "
            f"{lined.shift_s:.1f} s after the first frame): it may be the log of another run."
        )
        action = "Name the run's own sensor log in the run sheet."
        if sensor_log.other_clock is not None:
            action += (
                ' If the months of its dates come first, say so in the plan: [logs] date_order = "month_first"'
            )
        return Finding("note", "sensor_log_of_another_run", message, found=lined.shift_s, unit="s", action=action)
    message = (
        f"{sensor_log.name}: its samples cover {overlap:.0%} of the {run_s:.1f} s of frames; means speak of these."
    )
    action = "Start the sensor log before the run and stop it after the run."
    limit = 100.0 * _OVERLAP_NEEDED
    return Finding("note", "sensors_cover_part", message, "", 100.0 * overlap, limit, "%", action)
