"""Sensor samples onto the clock of the frames: by wall clocks, by a declared offset, or by load edges."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TypeVar

import numpy as np

from gpubench_kit.logs.busy_stretches import SIGNALS, BusyStretch, busy_stretches, fits_run, surest_stretches
from gpubench_kit.logs.read_frames import FrameLog
from gpubench_kit.logs.read_samples import SensorLog
from gpubench_kit.model.findings import Finding

#: Share of the frames' time that samples should cover.
_OVERLAP_NEEDED = 0.9
_Log = TypeVar("_Log", FrameLog, SensorLog)


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


def overlap_share(sensor_log: SensorLog, run_s: float, shift_s: float) -> float:
    """Return the share of the frames' time that has samples."""
    start_s, end_s = max(0.0, shift_s), min(run_s, float(sensor_log.time_s[-1]) + shift_s)
    return max(0.0, end_s - start_s) / run_s if run_s > 0 else 0.0


def with_overlap(lined: LineUp, sensor_log: SensorLog, run_s: float) -> LineUp:
    """Return the line-up with the share of the frames that has samples, and a finding where there is none."""
    if not np.isfinite(lined.shift_s):
        return lined
    overlap, findings = overlap_share(sensor_log, run_s, lined.shift_s), lined.findings
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
        return Finding("note", "sensor_log_of_another_run", message, found=lined.shift_s, unit="s", action=action)
    message = (
        f"{sensor_log.name}: its samples cover {overlap:.0%} of the {run_s:.1f} s of frames; means speak of these."
    )
    action = "Start the sensor log before the run and stop it after the run."
    limit = 100.0 * _OVERLAP_NEEDED
    return Finding("note", "sensors_cover_part", message, "", 100.0 * overlap, limit, "%", action)


_DAY_S, _QUARTER_S, _HOUR_S = 86_400.0, 900.0, 3600.0

#: Clocks differ by at most so many quarters of an hour from zone to zone.
_MOST_QUARTERS = 56


def by_clocks(frame_log: FrameLog, sensor_log: SensorLog, *, offset_s: float | None, limit_s: float) -> LineUp:
    """Return the line-up by two wall clocks.

    Parameters
    ----------
    frame_log, sensor_log : the logs of one run, each with a clock
    offset_s : declared in the plan: how far the sensors' clock is ahead [s]
    limit_s : clocks that put the run farther than this from a busy stretch as long as it are told [s]

    Notes
    -----
    A sensors' clock that was set by an hour within its log gives one hour twice when it goes back: there, the load
    tells which of the two it was, or the samples are not used. Logs that do not overlap differ by a time zone,
    which is whole quarters of an hour; of several that fit, the load tells which, else the only whole hour.
    Dates that could begin with the day or the month are read as their logs were, or else month first where only
    then the logs overlap.
    """
    lined = _by_clocks_as_read(frame_log, sensor_log, offset_s=offset_s, limit_s=limit_s)
    if lined.overlap > 0 or (frame_log.other_clock is None and sensor_log.other_clock is None):
        return lined
    other = _by_clocks_as_read(_exchanged(frame_log), _exchanged(sensor_log), offset_s=offset_s, limit_s=limit_s)
    if not other.overlap > 0:
        return lined
    return replace(other, findings=(_date_order_found(frame_log, sensor_log), *other.findings))


def _exchanged(log: _Log) -> _Log:
    """Return a log with day and month of its clock exchanged, where they could be; others as they are."""
    return log if log.other_clock is None else replace(log, clock=log.other_clock, other_clock=None)


def _date_order_found(frame_log: FrameLog, sensor_log: SensorLog) -> Finding:
    """Return the finding that the clocks of both logs tell the order of day and month."""
    log, other = (frame_log, sensor_log) if sensor_log.other_clock is None else (sensor_log, frame_log)
    whose = "its dates" if other.other_clock is None else f"its dates and those of {other.name}"
    clocks = (at for at in (log.other_clock, log.clock) if at is not None)
    read, first = (f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d}" for at in clocks)
    message = (
        f"{log.name}: {whose} were read month first after all ({read}, not {first}) to line the logs up: only so "
        f"does its clock meet that of {other.name}."
    )
    action = 'Pin it in the plan: [logs] date_order = "month_first"'
    return Finding("note", "date_order_by_clocks", message, action=action)


def _by_clocks_as_read(
    frame_log: FrameLog, sensor_log: SensorLog, *, offset_s: float | None, limit_s: float
) -> LineUp:
    """Return the line-up by two wall clocks whose dates are as they were read; see `by_clocks`."""
    run_s = frame_log.frames.end_s
    found: tuple[Finding, ...] = ()
    shifts = _shifts(frame_log, sensor_log, offset_s or 0.0)
    shift_s = _told_by_load(shifts, sensor_log, run_s, limit_s) if len(shifts) > 1 else shifts[0]
    if shift_s is None:
        return _hour_twice(sensor_log, shifts)
    away_s = _zone_difference(sensor_log, run_s, shift_s, limit_s)
    if away_s:
        message = (
            f"{sensor_log.name}: its clock and that of {frame_log.name} differ by {away_s / _HOUR_S:g} h, as time "
            "zones or daylight saving would; the difference was taken out."
        )
        found = (Finding("note", "clocks_differ", message, found=away_s / _HOUR_S, unit="h"),)
    lined = with_overlap(
        LineUp("clock", shift_s - away_s, "wall clocks of both logs", 0.0, found), sensor_log, run_s
    )
    return lined if offset_s is not None else _held_against_edges(lined, frame_log, sensor_log, limit_s)


def _shifts(frame_log: FrameLog, sensor_log: SensorLog, offset_s: float) -> list[float]:
    """Return what may be added to the samples' time: one for each setting of their clock that the run falls into.

    Without any, it is that of the clock as it stood at first.
    """
    settings = (*sensor_log.clock_settings, (np.inf, 0.0))
    run_s, base_s, found = frame_log.frames.end_s, sensor_log.ahead_of(frame_log.clock) - offset_s, []
    for (from_s, ahead_s), (until_s, _) in itertools.pairwise(settings):
        shift_s = within_a_day(base_s + ahead_s, frame_log, sensor_log)
        is_begun = -shift_s >= from_s or from_s == 0.0
        has_samples = overlap_share(sensor_log, run_s, shift_s) > 0
        found += [shift_s] if is_begun and -shift_s < until_s and has_samples else []
    return found or [within_a_day(base_s, frame_log, sensor_log)]


def within_a_day(shift_s: float, frame_log: FrameLog, sensor_log: SensorLog) -> float:
    """Return a shift, of at most half a day where one of the clocks tells the time of day only.

    Parameters
    ----------
    shift_s : how far the sensors' clock is ahead [s]
    frame_log, sensor_log : logs with clocks
    """
    if "time_of_day" not in (frame_log.clock_kind, sensor_log.clock_kind):
        return shift_s
    return (shift_s + _DAY_S / 2) % _DAY_S - _DAY_S / 2


def _told_by_load(shifts: list[float], sensor_log: SensorLog, run_s: float, limit_s: float) -> float | None:
    """Return the one shift that puts the run's start onto the start of a busy stretch as long; None without one."""
    starts = [stretch.start_s for _, stretch in _whole_stretches(sensor_log, run_s)]
    near = [shift_s for shift_s in shifts if any(abs(start_s + shift_s) <= limit_s for start_s in starts)]
    return near[0] if len(near) == 1 else None


def _whole_stretches(sensor_log: SensorLog, run_s: float) -> Iterator[tuple]:
    """Yield signal and stretch where it is seen whole and as long as the run."""
    for metric, stretch, slack_s in surest_stretches(sensor_log.time_s, sensor_log.values):
        if stretch.has_start and stretch.has_end and fits_run(stretch, run_s, slack_s):
            yield metric, stretch


def _hour_twice(sensor_log: SensorLog, shifts: list[float]) -> LineUp:
    """Return no line-up where the sensors' clock shows the hour of the run twice and the load does not tell."""
    places = " or ".join(f"{-shift_s:.1f} s" for shift_s in shifts)
    message = (
        f"{sensor_log.name}: its clock was set back by an hour, so that it shows the time of this run twice "
        f"({places} into the log), and the load does not tell which it was; the samples are not used."
    )
    action = "Record load_pct beside power, or give the run a sensor log of its own."
    finding = Finding("note", "not_lined_up", message, found=float(len(shifts)), action=action)
    return LineUp("none", np.nan, "the clock shows the hour twice", 0.0, (finding,))


def _zone_difference(sensor_log: SensorLog, run_s: float, shift_s: float, limit_s: float) -> float:
    """Return whole quarters of an hour [s] by which two clocks differ where the logs do not overlap at all.

    It is 0 where none fits, or where several do and nothing tells which.
    """
    if overlap_share(sensor_log, run_s, shift_s) > 0:
        return 0.0
    quarters = (_QUARTER_S * number for number in range(-_MOST_QUARTERS, _MOST_QUARTERS + 1) if number)
    fitting = [away_s for away_s in quarters if overlap_share(sensor_log, run_s, shift_s - away_s) > 0.5]
    if len(fitting) < 2:
        return fitting[0] if fitting else 0.0
    lined = _told_by_load([shift_s - away_s for away_s in fitting], sensor_log, run_s, limit_s)
    if lined is not None:
        return shift_s - lined
    hours = [away_s for away_s in fitting if away_s % _HOUR_S == 0]
    has_signal = any(True for _ in surest_stretches(sensor_log.time_s, sensor_log.values))
    return hours[0] if len(hours) == 1 and not has_signal else 0.0


def _held_against_edges(lined: LineUp, frame_log: FrameLog, sensor_log: SensorLog, limit_s: float) -> LineUp:
    """Return the line-up by clocks, with a finding where a busy stretch as long as the run lies elsewhere."""
    run_s, shift_s = frame_log.frames.end_s, lined.shift_s
    whole = list(_whole_stretches(sensor_log, run_s))
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
    ahead_s = sensor_log.ahead_of(frame_log.clock) + nearest.start_s
    action = (
        "If the load is right, say in the plan how far ahead the sensors' clock is: "
        f"[logs] sensor_offset_s = {ahead_s:.2f}"
    )
    finding = Finding("note", "clocks_against_load", message, found=apart_s, limit=limit_s, unit="s", action=action)
    return replace(lined, findings=(*lined.findings, finding))


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
        edge = _same_clock_or(edge, sensor_log, sensor_log.origin_s - frame_log.origin_s, run_s)
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
    shift_s = within_a_day(clocked[1].ahead_of(clocked[0].clock), *clocked)
    edge = _by_edges(sensor_log, run_s, np.nan)
    is_elsewhere = edge is not None and abs(edge.shift_s - shift_s) > limit_s
    is_through = overlap_share(sensor_log, run_s, shift_s) > 0 and not is_elsewhere
    return clocked if is_through else (frame_log, sensor_log)


def _as_time_of_day(log: _Log) -> _Log:
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


def _same_clock_or(edge: LineUp | None, sensor_log: SensorLog, shift_s: float, run_s: float) -> LineUp:
    """Return the line-up of two logs that count seconds: one clock, unless an edge is far from it."""
    has_overlap = overlap_share(sensor_log, run_s, shift_s) > 0
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
