"""Two wall clocks onto each other: one clock set by an hour, clocks of other zones, clocks against the load."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from gpubench_kit.logs.lined import LineUp, overlap_share, with_overlap
from gpubench_kit.logs.load_edges import fits_run, surest_stretches
from gpubench_kit.logs.read_frames import FrameLog
from gpubench_kit.logs.read_samples import SensorLog
from gpubench_kit.model.findings import Finding

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
    exchanged = _exchanged(frame_log), _exchanged(sensor_log)
    other = _by_clocks_as_read(*exchanged, offset_s=offset_s, limit_s=limit_s)
    if not other.overlap > 0:
        return lined
    return replace(other, findings=(_date_order_found(frame_log, sensor_log), *other.findings))


def _exchanged(log: FrameLog | SensorLog) -> FrameLog | SensorLog:
    """Return a log with day and month of its clock exchanged, where they could be; others as they are."""
    return log if log.other_clock is None else replace(log, clock=log.other_clock, other_clock=None)


def _date_order_found(frame_log: FrameLog, sensor_log: SensorLog) -> Finding:
    """Return the finding that the clocks of both logs tell the order of day and month."""
    log, other = (frame_log, sensor_log) if sensor_log.other_clock is None else (sensor_log, frame_log)
    whose = "its dates" if other.other_clock is None else f"its dates and those of {other.name}"
    read, first = (f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d}" for at in (log.other_clock, log.clock))
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
    run_s, found = frame_log.frames.end_s, ()
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
    run_s, base_s, found = frame_log.frames.end_s, sensor_log.clock - frame_log.clock - offset_s, []
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
    ahead_s = sensor_log.clock - frame_log.clock + nearest.start_s
    action = (
        "If the load is right, say in the plan how far ahead the sensors' clock is: "
        f"[logs] sensor_offset_s = {ahead_s:.2f}"
    )
    finding = Finding("note", "clocks_against_load", message, found=apart_s, limit=limit_s, unit="s", action=action)
    return replace(lined, findings=(*lined.findings, finding))
