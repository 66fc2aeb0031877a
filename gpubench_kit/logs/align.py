"""Samples onto the clock of one run's frames: by wall clocks, a stated offset or busy stretches, or not at all."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, TypeVar

import numpy as np

from gpubench_kit.logs.format import OneClock
from gpubench_kit.logs.one_clock import place_of_run
from gpubench_kit.logs.read_frames import FrameLog
from gpubench_kit.logs.read_samples import SensorLog
from gpubench_kit.logs.sample_time import (
    LEAST_SWING,
    SIGNALS,
    BusyStretch,
    busy_stretches,
    fits_run,
    surest_signal,
    surest_stretches,
)
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

_Log = TypeVar("_Log", FrameLog, SensorLog)

#: Share of the frames' time that samples should cover.
_OVERLAP_NEEDED = 0.9

_DAY_S, _HOUR_S, _QUARTER_S, _MINUTE_S = 86_400.0, 3600.0, 900.0, 60.0

#: Clocks differ by at most so many quarters of an hour from zone to zone.
_MOST_QUARTERS = 56

#: A start is typed so many seconds early or late at most [s].
_TYPED_S = 10.0

#: Power that stays below this [W] and rises by less than this is that of a card that draws no frames, unless its
#: load reaches this [%].
_IDLE_W, _RISES_BY, _BUSY_PCT = 20.0, 1.5, 10.0
_UNKNOWN = np.full(1, np.nan)

#: Both logs count from zero: an edge must be this far off before it outweighs that [s].
_OFF_BY_S = 3.0


@dataclass(frozen=True)
class Alignment:
    """How samples were brought onto the frames' clock.

    Attributes
    ----------
    method : ``clock``, ``declared``, ``one_clock``, ``same_clock``, ``load_edge``, ``power_edge``, ``together``,
        ``same_rows``, ``alone`` or ``none``
    shift_s : what is added to the samples' time [s]; nan where they could not be aligned
    quality : the evidence, in words
    is_whole : whether the busy stretch that it is aligned by has both edges
    overlap : share of the frames' time that has samples
    findings : the shift found, and what was noticed
    """

    method: str
    shift_s: float
    quality: str
    overlap: float = 0.0
    findings: tuple[Finding, ...] = ()
    is_whole: bool = False

    def over(self, sensor_log: SensorLog, run_s: float) -> Alignment:
        """Return it with the share of the frames that has samples, and a finding where that is little.

        Parameters
        ----------
        sensor_log : whose samples are aligned
        run_s : length of the run [s]
        """
        if not np.isfinite(self.shift_s):
            return self
        name, overlap = sensor_log.name, _overlap(sensor_log, run_s, self.shift_s)
        little = []
        if overlap == 0.0:
            little = [
                note(
                    "logs.sensor_log_of_another_run", name=name, quality=self.quality, found=self.shift_s, unit="s"
                )
            ]
        elif overlap < _OVERLAP_NEEDED:
            found_pct, limit_pct = 100.0 * overlap, 100.0 * _OVERLAP_NEEDED
            little = [
                note("logs.sensors_cover_part", name=name, run_s=run_s, found=found_pct, limit=limit_pct, unit="%")
            ]
        return replace(self, overlap=overlap, findings=(*self.findings, *little))


def _overlap(sensor_log: SensorLog, run_s: float, shift_s: float) -> float:
    """Return the share of the frames' time that has samples."""
    start_s, end_s = max(0.0, shift_s), min(run_s, float(sensor_log.time_s[-1]) + shift_s)
    return max(0.0, end_s - start_s) / run_s if run_s > 0 else 0.0


def _not_aligned(quality: str, finding: Finding) -> Alignment:
    """Return that samples are not used; the finding tells why, and what to do."""
    return Alignment("none", np.nan, quality, 0.0, (finding,))


def align(
    frame_log: FrameLog,
    sensor_log: SensorLog,
    *,
    offset_s: float | None = None,
    started_at_s: float = np.nan,
    limit_s: float = 3.0,
    clock: OneClock | None = None,
) -> Alignment:
    """Find what to add to the samples' time so that it is the frames'.

    Parameters
    ----------
    frame_log, sensor_log : the logs of one run
    offset_s : declared in the plan: the sensor log's time at which the frame log starts [s], in its elapsed time,
        or since its first sample where it has a clock only; with two clocks, how far the sensors' clock is ahead;
        places no run without a clock in the sensor log of several, whose ``clock`` has heeded it
    started_at_s : start of the run as typed, in seconds since 1970; tells which of several busy stretches it is
    limit_s : two clocks that put the run farther than this from a busy stretch as long as it are told [s]
    clock : of a sensor log that other runs name too; None for one of this run alone, or of the same machine

    Returns
    -------
    Alignment. The shift found and its quality are a finding, unless two clocks or a declaration gave it.

    Notes
    -----
    Power sensors average over about a second, so that their edge comes late; the load is asked first. At the
    start of a sensor log, power may still show the end of the run before.
    """
    run_s = frame_log.frames.end_s
    watts, load = (sensor_log.values.get(metric, _UNKNOWN) for metric in ("board_w", "load_pct"))
    lowest_w, highest_w = np.nanquantile(watts, [0.02, 0.98]) if np.isfinite(watts).any() else (np.nan, np.nan)
    if highest_w < min(_IDLE_W, _RISES_BY * lowest_w) and not np.nanmax(load, initial=0.0) >= _BUSY_PCT:
        finding = note("logs.not_aligned.idle_card", check="not_aligned", name=sensor_log.name, found=highest_w)
        return _not_aligned(say("evidence.aligned.idle"), finding)
    expected_s = started_at_s - (np.nan if sensor_log.clock is None else sensor_log.clock)
    has_clocks = frame_log.clock is not None and sensor_log.clock is not None
    if clock is not None and clock.source == "files":
        if offset_s is None and not has_clocks:
            finding = note("logs.not_aligned.files", check="not_aligned", name=sensor_log.name, other=clock.why)
            return _not_aligned(say("evidence.aligned.files"), finding)
        clock = None
    if clock is not None and (offset_s is None or not has_clocks or clock.source == "denied"):
        shift_s = place_of_run(frame_log, sensor_log, clock=clock, started_at_s=started_at_s)
        if clock.source == "typed":
            # A start is typed seconds early or late, which would give the run idle watts.
            starts = [stretch.start_s for _, stretch in _whole_stretches(sensor_log, run_s)]
            near = [start_s for start_s in starts if abs(start_s + shift_s) <= _TYPED_S]
            shift_s = -near[0] if len(near) == 1 else float("nan")
        if np.isfinite(shift_s):
            return Alignment("one_clock", shift_s, clock.why).over(sensor_log, run_s)
        # A start on an unproven clock tells no stretch from its neighbours.
        edge = _by_edges(sensor_log, run_s, np.nan)
        return edge.over(sensor_log, run_s) if edge and edge.is_whole else Alignment("none", np.nan, clock.why)
    if offset_s is None:
        frame_log, sensor_log = _through_midnight(frame_log, sensor_log, limit_s)
    if frame_log.clock is not None and sensor_log.clock is not None:
        return _by_clocks(frame_log, sensor_log, offset_s=offset_s, limit_s=limit_s)
    if offset_s is not None:
        shift_s = (sensor_log.origin_s or 0.0) - offset_s
        stated = Alignment("declared", shift_s, say("evidence.declared")).over(sensor_log, run_s)
        return _held_against_idling(stated, sensor_log, run_s)
    found = _by_edges(sensor_log, run_s, expected_s)
    if frame_log.origin_s is not None and sensor_log.origin_s is not None:
        # Two logs that count seconds have one clock, unless an edge is far from it.
        shift_s = sensor_log.origin_s - frame_log.origin_s
        if found is None or (
            _overlap(sensor_log, run_s, shift_s) > 0 and abs(found.shift_s - shift_s) <= _OFF_BY_S
        ):
            finding = note("logs.same_clock_taken", name=sensor_log.name, found=shift_s, unit="s")
            found = Alignment("same_clock", shift_s, say("evidence.aligned.both_count"), 0.0, (finding,))
    return (found or _together(sensor_log, run_s)).over(sensor_log, run_s)


# By two wall clocks


def _by_clocks(frame_log: FrameLog, sensor_log: SensorLog, *, offset_s: float | None, limit_s: float) -> Alignment:
    """Return the alignment by two wall clocks.

    Dates that could begin with the day or the month are read as their logs were, or else month first where only
    then the logs overlap.
    """
    found = _by_clocks_as_read(frame_log, sensor_log, offset_s or 0.0, limit_s)
    in_doubt = frame_log.other_clock is not None or sensor_log.other_clock is not None
    if in_doubt and not found.overlap > 0:
        month_first = _exchanged(frame_log), _exchanged(sensor_log)
        other = _by_clocks_as_read(*month_first, offset_s or 0.0, limit_s)
        if other.overlap > 0:
            log, unread = (frame_log, sensor_log) if sensor_log.other_clock is None else (sensor_log, frame_log)
            whose = "clocks" if unread.other_clock is None else "both_clocks"
            clocks = (at for at in (log.other_clock, log.clock) if at is not None)
            read, first = (f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d}" for at in clocks)
            finding = note(
                f"logs.date_order_by_{whose}",
                check="date_order_by_clocks",
                name=log.name,
                read=read,
                first=first,
                other=unread.name,
            )
            found, (frame_log, sensor_log) = replace(other, findings=(finding, *other.findings)), month_first
    if not found.overlap > 0:
        return found
    if offset_s is not None:
        return _held_against_idling(found, sensor_log, frame_log.frames.end_s)
    return _held_against_load(found, frame_log, sensor_log, limit_s)


def _by_clocks_as_read(frame_log: FrameLog, sensor_log: SensorLog, offset_s: float, limit_s: float) -> Alignment:
    """Return the alignment by two wall clocks whose dates are as they were read.

    A sensors' clock that was set by an hour within its log gives one hour twice when it goes back: there, the load
    tells which of the two it was, or the samples are not used. Logs that do not overlap differ by a time zone,
    which is whole quarters of an hour; of several that fit, the load tells which, else the only whole hour.
    """
    run_s, name, away_s = frame_log.frames.end_s, sensor_log.name, 0.0
    # One shift for each setting of the sensors' clock that the run falls into; else that of the clock at first.
    base_s, shifts = sensor_log.ahead_of(frame_log.clock) - offset_s, []
    for (from_s, ahead_s), (until_s, _) in itertools.pairwise((*sensor_log.clock_settings, (np.inf, 0.0))):
        moved_s = _within_a_day(base_s + ahead_s, frame_log, sensor_log)
        is_begun = -moved_s >= from_s or from_s == 0.0
        if is_begun and -moved_s < until_s and _overlap(sensor_log, run_s, moved_s) > 0:
            shifts.append(moved_s)
    shifts = shifts or [_within_a_day(base_s, frame_log, sensor_log)]
    shift_s = shifts[0] if len(shifts) == 1 else _by_load(shifts, sensor_log, run_s, limit_s)
    if shift_s is None:
        places = say("list.or").join(f"{-one:.1f} s" for one in shifts)
        finding = note(
            "logs.not_aligned.hour_twice", check="not_aligned", name=name, places=places, found=len(shifts)
        )
        return _not_aligned(say("evidence.aligned.hour_twice"), finding)
    if not _overlap(sensor_log, run_s, shift_s) > 0:
        away_s = _zone_difference(sensor_log, run_s, shift_s, limit_s)
    hours = away_s / _HOUR_S
    findings = (
        [note("logs.clocks_differ", name=name, other=frame_log.name, found=hours, unit="h")] if away_s else []
    )
    return Alignment("clock", shift_s - away_s, say("evidence.aligned.clocks"), 0.0, tuple(findings)).over(
        sensor_log, run_s
    )


def _within_a_day(shift_s: float, frame_log: FrameLog, sensor_log: SensorLog) -> float:
    """Return a shift, of at most half a day where one of the clocks tells the time of day only."""
    if "time_of_day" not in (frame_log.clock_kind, sensor_log.clock_kind):
        return shift_s
    return (shift_s + _DAY_S / 2) % _DAY_S - _DAY_S / 2


def _whole_stretches(sensor_log: SensorLog, run_s: float) -> list[tuple[str, BusyStretch]]:
    """Return signal and stretch where it is seen whole and as long as the run."""
    return [
        (metric, stretch)
        for metric, stretch, slack_s in surest_stretches(sensor_log.time_s, sensor_log.values)
        if stretch.has_start and stretch.has_end and fits_run(stretch, run_s, slack_s)
    ]


def _by_load(shifts: Sequence[float], sensor_log: SensorLog, run_s: float, limit_s: float) -> float | None:
    """Return the one shift that puts the run's start onto the start of a busy stretch as long; None without one."""
    starts = [stretch.start_s for _, stretch in _whole_stretches(sensor_log, run_s)]
    near = [shift_s for shift_s in shifts if any(abs(start_s + shift_s) <= limit_s for start_s in starts)]
    return near[0] if len(near) == 1 else None


def _zone_difference(sensor_log: SensorLog, run_s: float, shift_s: float, limit_s: float) -> float:
    """Return whole quarters of an hour [s] by which the clocks of logs that do not overlap differ.

    It is 0 where none fits, or where several do and nothing tells which.
    """
    quarters = (_QUARTER_S * number for number in range(-_MOST_QUARTERS, _MOST_QUARTERS + 1) if number)
    fitting = [away_s for away_s in quarters if _overlap(sensor_log, run_s, shift_s - away_s) > 0.5]
    by_load_s = _by_load([shift_s - away_s for away_s in fitting], sensor_log, run_s, limit_s)
    if by_load_s is not None:
        return shift_s - by_load_s
    if len(fitting) < 2:
        return fitting[0] if fitting and not _whole_stretches(sensor_log, run_s) else 0.0
    hours = [away_s for away_s in fitting if away_s % _HOUR_S == 0]
    has_signal = bool(surest_stretches(sensor_log.time_s, sensor_log.values))
    return hours[0] if len(hours) == 1 and not has_signal else 0.0


def _held_against_load(found: Alignment, frame_log: FrameLog, sensor_log: SensorLog, limit_s: float) -> Alignment:
    """Return an alignment by clocks where the load does not deny it.

    A busy stretch as long as the run that begins somewhat elsewhere is the run.
    """
    run_s, name = frame_log.frames.end_s, sensor_log.name
    whole = [(one.start_s + found.shift_s, one, metric) for metric, one in _whole_stretches(sensor_log, run_s)]
    apart_s, stretch, metric = min(whole, key=lambda one: abs(one[0]), default=(0.0, None, ""))
    if stretch is not None and limit_s < abs(apart_s) < run_s / 2:
        line = f"[logs] sensor_offset_s = {sensor_log.ahead_of(frame_log.clock) + stretch.start_s:.2f}"
        about: dict[str, Any] = {"found": apart_s, "limit": limit_s, "busy_s": stretch.length_s, "run_s": run_s}
        label = METRICS[metric].label
        told = note("logs.clocks_against_load", name=name, metric=label, unit="s", line=line, **about)
        method = "load_edge" if metric == "load_pct" else "power_edge"
        return replace(found, method=method, shift_s=-stretch.start_s, findings=(*found.findings, told),
                       is_whole=True).over(sensor_log, run_s)  # fmt: skip
    return _held_against_idling(found, sensor_log, run_s)


def _held_against_idling(found: Alignment, sensor_log: SensorLog, run_s: float) -> Alignment:
    """Return an alignment, but for samples of a card that idled for most of the run: these are not the run's."""
    signal = surest_signal(sensor_log.values)
    if signal is None:
        return found
    low, high = np.nanquantile(signal, [0.02, 0.99])
    first, behind = np.searchsorted(sensor_log.time_s + found.shift_s, (0.0, run_s))
    of_run = signal[first:behind][np.isfinite(signal[first:behind])]
    if high - low < LEAST_SWING or not of_run.size or np.median(of_run) >= (low + high) / 2:
        return found
    finding = note("logs.not_aligned.idle", check="not_aligned", name=sensor_log.name, run_s=run_s)
    return _not_aligned(say("evidence.aligned.idle"), finding)


def _exchanged(log: _Log) -> _Log:
    """Return a log with day and month of its clock exchanged, where they could be; others as they are."""
    return log if log.other_clock is None else replace(log, clock=log.other_clock, other_clock=None)


def _through_midnight(frame_log: FrameLog, sensor_log: SensorLog, limit_s: float) -> tuple[FrameLog, SensorLog]:
    """Return both logs, with a clock where times from zero are times of day: the other clock runs on through them.

    A busy stretch as long as the run that lies elsewhere speaks against it.
    """
    if (frame_log.clock is None) == (sensor_log.clock is None):
        return frame_log, sensor_log
    clocked = _as_time_of_day(frame_log), _as_time_of_day(sensor_log)
    if clocked[0].clock is None or clocked[1].clock is None:
        return frame_log, sensor_log
    run_s = frame_log.frames.end_s
    shift_s = _within_a_day(clocked[1].ahead_of(clocked[0].clock), *clocked)
    edge = _by_edges(sensor_log, run_s, np.nan)
    is_elsewhere = edge is not None and abs(edge.shift_s - shift_s) > limit_s
    is_through = _overlap(sensor_log, run_s, shift_s) > 0 and not is_elsewhere
    return clocked if is_through else (frame_log, sensor_log)


def _as_time_of_day(log: _Log) -> _Log:
    """Return a log with a clock where its times begin at zero; others as they are."""
    if log.midnight_clock is None:
        return log
    return replace(log, clock=log.midnight_clock, clock_kind="time_of_day")


# By what the card did


def _by_edges(sensor_log: SensorLog, run_s: float, expected_s: float) -> Alignment | None:
    """Return the alignment by the one busy stretch that is as long as the run; None where there is none.

    Of several, it is the one that begins within a minute of the time expected, if no other does. Its start is put
    onto the frames' start, or its end onto their end.
    """
    name = sensor_log.name
    for metric, least_swing, slack_s in SIGNALS:
        if metric not in sensor_log.values:
            continue
        stretches = busy_stretches(sensor_log.time_s, sensor_log.values[metric], least_swing=least_swing)
        fitting = [stretch for stretch in stretches if fits_run(stretch, run_s, slack_s)]
        near = [stretch for stretch in fitting if abs(stretch.start_s - expected_s) <= _MINUTE_S]
        fitting = near if len(fitting) > 1 and len(near) == 1 else fitting
        if len(fitting) > 1:
            starts = ", ".join(f"{stretch.start_s:.1f} s" for stretch in fitting[:6])
            about: dict[str, Any] = {"found": len(fitting), "run_s": run_s}
            finding = note(
                "logs.not_aligned.several",
                check="not_aligned",
                name=name,
                metric=METRICS[metric].label,
                starts=starts,
                **about,
            )
            return _not_aligned(say("evidence.aligned.several"), finding)
        if not fitting:
            continue
        (one,) = fitting
        shift_s = -one.start_s if one.has_start else run_s - one.end_s
        is_whole, seen = one.has_start and one.has_end, "rise" if one.has_start else "fall"
        edges: dict[str, Any] = {"metric": metric, "busy_s": one.length_s, "run_s": run_s, "slack_s": slack_s}
        quality = say(f"evidence.aligned.{'rise_and_fall' if is_whole else seen}", **edges)
        line = f"[logs] sensor_offset_s = {(sensor_log.origin_s or 0.0) - shift_s:.3f}"
        method = "load_edge" if metric == "load_pct" else "power_edge"
        finding = note("logs.aligned_by_edge", name=name, quality=quality, found=shift_s, unit="s", line=line)
        return Alignment(method, shift_s, quality, 0.0, (finding,), is_whole)
    return None


def _together(sensor_log: SensorLog, run_s: float) -> Alignment:
    """Return the alignment of logs without clock and edge: started together if they are as long, else none."""
    name, length_s = sensor_log.name, float(sensor_log.time_s[-1])
    if abs(length_s - run_s) > max(3.0, 0.05 * run_s):
        finding = note(
            "logs.not_aligned.nothing_common", check="not_aligned", name=name, run_s=run_s, log_s=length_s
        )
        return _not_aligned("", finding)
    finding = note("logs.started_together_taken", name=name, found=0.0, unit="s")
    return Alignment("together", 0.0, say("evidence.aligned.equal_lengths"), 0.0, (finding,))
