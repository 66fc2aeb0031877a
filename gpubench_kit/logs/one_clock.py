"""How far the clock of a sensor log that spans several runs is ahead of theirs.

The clocks alone never tell: one that is off by a run's length gives every run the samples of another one. What
proves it is that busy stretches begin and end where runs do, and that no other offset does so; or that of offsets
that are nearly as good the best one is that which the times of the files give.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from gpubench_kit.logs.format import OneClock, RunTask
from gpubench_kit.logs.read_frames import FormatMemory, FrameLog, read_ends
from gpubench_kit.logs.read_samples import SensorLog
from gpubench_kit.logs.sample_time import busy_edges, surest_signal
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

_HALF_A_DAY_S = 43_200.0

#: Runs and stretches that are needed.
_FEWEST = 4

#: Share of runs that match with both edges, points that the best offset has, and what the next best may have of it.
_BOTH_EDGES, _BEST, _NEXT = 0.25, 0.5, 0.6

#: Offsets further apart than this are others [s].
_OTHER_S = 5.0

#: Runs of which less than this share lies inside the log are left out.
_INSIDE = 0.3

#: A drift that moves the clock by less than this over the session is none [s].
_LEAST_DRIFT_S = 0.8

#: Files of a recorder are closed so long after their last row, give or take [s].
_CLOSED_S = 3.0

#: Share of sensor logs closed with a frame log, by so much before or after it, and how far apart others are [s].
_NEARLY_ALL, _CLOSED_WITH_S, _APART_S = 0.8, 10.0, 30.0

#: Offsets that the times of the files may confirm have half a run less than the best at most.
_LESS = 0.5

#: By how many points another offset is better than a stated one that it denies, but for quarters of an hour [s].
_DENIED, _QUARTER_S = 2.0, 900.0


@dataclass(frozen=True)
class RunTimes:
    """Start [s] and length [s] of one run, where the start is from, and when its log was closed [s]."""

    run: str
    start_s: float
    length_s: float
    source: str
    closed_s: float = float("nan")


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
    The ends of these runs' frame logs are read for their starts and lengths. A log that cannot be read tells so
    elsewhere.
    """
    by_log: dict[str, list[int]] = {}
    for place, task in enumerate(tasks):
        if task.sensor_path is not None and task.frame_path is not None:
            by_log.setdefault(task.sensor_path, []).append(place)
    changed, findings = list(tasks), []
    for place, other in _closed_with_others(tasks, [places[0] for places in by_log.values() if len(places) == 1]):
        changed[place] = replace(tasks[place], clock=OneClock(False, source="files", why=other))
    for places in by_log.values():
        if len(places) < 2:
            continue
        clock, notes = _clock_of([tasks[place] for place in places])
        findings += notes
        for place in places:
            changed[place] = replace(tasks[place], clock=clock)
    return tuple(changed), findings


def _closed_with_others(tasks: Sequence[RunTask], places: list[int]) -> list[tuple[int, str]]:
    """Return which runs' own sensor logs were closed with the frame log of another run, and of which one.

    That tells only where nearly all were closed with a frame log, and these one after the other: copies are not.
    """
    runs = [place for place, task in enumerate(tasks) if task.frame_path is not None]
    try:
        frames_s = {place: Path(str(tasks[place].frame_path)).stat().st_mtime for place in runs}
        sensors_s = np.array([Path(str(tasks[place].sensor_path)).stat().st_mtime for place in places])
    except OSError:
        return []
    runs.sort(key=frames_s.__getitem__)
    closed_s = np.array([frames_s[place] for place in runs])
    if len(places) < _FEWEST or np.median(np.diff(closed_s)) < _APART_S:
        return []
    # Halfway between two frame logs, the nearest one changes.
    nearest = np.searchsorted((closed_s[:-1] + closed_s[1:]) / 2, sensors_s)
    is_near = np.abs(sensors_s - closed_s[nearest]) <= _CLOSED_WITH_S
    is_other = is_near & (np.abs(sensors_s - [frames_s[place] for place in places]) >= _APART_S)
    if is_near.mean() < _NEARLY_ALL:
        return []
    return [(places[one], tasks[runs[nearest[one]]].run) for one in np.flatnonzero(is_other)]


def _clock_of(tasks: list[RunTask]) -> tuple[OneClock, list[Finding]]:
    """Return the clock of the sensor log that all tasks name, with the finding on it."""
    memory, times, first = FormatMemory(), [], tasks[0]
    sensor_path = Path(str(first.sensor_path))
    try:
        sensor_log = memory.sensor_log(sensor_path, name=first.sensor_name, declared=first.declared)
    except LogError:
        return OneClock(False, why=say("evidence.one_clock.unreadable")), []
    for task in tasks:
        path = Path(str(task.frame_path))
        try:
            frame_log = read_ends(path, name=task.frame_name, declared=task.declared, memory=memory)
        except LogError:
            continue
        start = start_of(frame_log, task.started_at_s)
        times.append(RunTimes(task.run, start[0], frame_log.frames.end_s, start[1], path.stat().st_mtime))
    stated_s, name = first.declared.sensor_offset_s, sensor_log.name
    if stated_s is None and first.declared.same_machine:
        stated_s = 0.0
    clock = clock_of_starts(times, sensor_log, closed_s=sensor_path.stat().st_mtime, stated_s=stated_s)
    is_of_clocks = sensor_log.clock is not None and clock.source not in ("typed", "elapsed", "")
    if stated_s is not None and is_of_clocks and clock.n_idle_by_told:
        why = say("evidence.one_clock.denied", runs=clock.n_idle_by_told)
        told = note("logs.clock_denied", check="clock_not_proven", name=name, found=clock.n_idle_by_told)
        return OneClock(False, source="denied", why=why), [told]
    if stated_s is not None and is_of_clocks:
        return OneClock(False, why=say("evidence.one_clock.stated")), []
    if not clock.is_proven:
        has_files = is_of_clocks and np.isfinite(clock.told_s)
        key = "clock_not_proven_by_files" if has_files else "clock_not_proven"
        line = f"[logs] sensor_offset_s = {clock.told_s if has_files else 0.0:.1f}"
        if not is_of_clocks:
            key, line = "clock_not_proven_by_starts", ""
        about: dict[str, Any] = {"name": name, "n_runs": len(times), "why": clock.why}
        return clock, [note(f"logs.{key}", check="clock_not_proven", line=line, **about)]
    has_clocks = is_of_clocks and all(one.source not in ("typed", "elapsed") for one in times)
    how, values = "placed", dict[str, Any]()
    if has_clocks and abs(clock.offset_s) < _HALF_A_DAY_S:
        how, values = "ahead" if clock.offset_s >= 0 else "behind", {"apart_s": abs(clock.offset_s)}
    values |= {"name": name, "why": clock.why, "found": clock.offset_s}
    return clock, [note(f"logs.one_clock.{how}", check="one_clock", unit="s", **values)]


def clock_of_starts(
    times: Sequence[RunTimes],
    sensor_log: SensorLog,
    *,
    closed_s: float = float("nan"),
    stated_s: float | None = None,
) -> OneClock:
    """Return the clock of a sensor log by the starts of runs: those of one source, the most frequent one.

    Parameters
    ----------
    times : of the runs that it spans
    sensor_log : as read
    closed_s : when its file was last written, by the clock that the runs' files have it from [s]
    stated_s : how far the plan says that it is ahead of starts that are no clock's [s]

    Notes
    -----
    Typed starts are too rough to place a run by: what the plan states of them only decides where the busy
    stretches leave two offsets, and counts for nothing where they say another.
    """
    known = [one for one in times if np.isfinite(one.start_s)]
    sources = [one.source for one in known]
    if not sources:
        return OneClock(False, why=say("evidence.one_clock.no_start"))
    source = max(set(sources), key=sources.count)
    columns = [(one.start_s, one.length_s, one.closed_s) for one in known if one.source == source]
    starts, lengths, closed = np.array(columns).T
    if source == "time_of_day" and np.ptp(starts) > _HALF_A_DAY_S:
        starts = np.where(starts < _HALF_A_DAY_S, starts + 2 * _HALF_A_DAY_S, starts)
    signal = surest_signal(sensor_log.values)
    if signal is None:
        return OneClock(False, why=say("evidence.one_clock.no_signal"))
    is_of_clocks = sensor_log.clock is not None and source not in ("typed", "elapsed")
    time_s, told_s = (sensor_log.clock or 0.0) + sensor_log.time_s, np.nan if stated_s is None else stated_s
    if is_of_clocks and stated_s is None:
        told_s = ahead_by_files(closed - starts - lengths, closed_s - float(time_s[-1]))
        if "time_of_day" in (source, sensor_log.clock_kind):
            told_s = (told_s + _HALF_A_DAY_S) % (2 * _HALF_A_DAY_S) - _HALF_A_DAY_S
    teller = "files" if is_of_clocks else "plan"
    clock = find_one_clock(starts, lengths, time_s=time_s, signal=signal, told_s=told_s, teller=teller)
    return replace(clock, source=source)


def ahead_by_files(late_s: np.ndarray, sensors_late_s: float) -> float:
    """Return how far a sensor log's clock is ahead by the times of the files [s]; nan where they do not tell.

    Parameters
    ----------
    late_s : array of shape (runs,): how long after the end of the run, by its log's own clock, each log was closed
    sensors_late_s : the same of the sensor log

    Notes
    -----
    A recorder closes a log when it has written its last row, so that all of its logs are as late, as far as their
    clock is off. Copies are not: they have one time, or times of their own.
    """
    is_closed_alike = late_s.size >= _FEWEST and np.isfinite(late_s).all() and np.ptp(late_s) <= _CLOSED_S
    return float(np.median(late_s)) - sensors_late_s if is_closed_alike else float("nan")


@dataclass(frozen=True)
class _Session:
    """What the offset is looked for in: starts and lengths of runs, stretches, and the ends of the log [s]."""

    starts: np.ndarray
    lengths: np.ndarray
    stretches: np.ndarray
    first: float
    last: float
    slack: float

    def points(self, offset: float, slack: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the points of each run at an offset, nan outside the log, and which stretch has both its edges."""
        start, end = self.starts + offset, self.starts + self.lengths + offset
        from_s, until_s = self.stretches[:, 0], self.stretches[:, 1]
        at_start = np.abs(from_s[None] - start[:, None]) <= slack
        at_end = np.abs(until_s[None] - end[:, None]) <= slack
        both = at_start & at_end
        seen = np.clip(np.minimum(end, self.last) - np.maximum(start, self.first), 1e-9, None)
        left = np.maximum(np.maximum(from_s[None], start[:, None]), self.first)
        right = np.minimum(np.minimum(until_s[None], end[:, None]), self.last)
        covered = np.clip(right - left, 0, None).sum(axis=1) / seen
        points = np.where(both.any(axis=1), 1.0, np.where(at_start.any(axis=1) | at_end.any(axis=1), 0.5, 0.0))
        points = np.where(covered < 0.5, -2.0, points)
        points[seen < _INSIDE * self.lengths] = np.nan
        return points, both

    def held_against(self, told_s: float, *, offset: float, best: float) -> tuple[float, int]:
        """Return what is told, nan where the best offset is better, and how many runs idle by it if that denies it.

        A file that was saved again tells anything. Clocks of one machine may differ by a time zone.
        """
        points = self.points(told_s, self.slack + _CLOSED_S)[0] if np.isfinite(told_s) else np.full(1, np.nan)
        reached, zone_s = float(np.nansum(points)), _QUARTER_S * round(offset / _QUARTER_S)
        is_denied = reached <= best - _DENIED and abs(offset - zone_s) > _OTHER_S
        return told_s if reached >= best - _LESS else float("nan"), int((points == -2.0).sum()) * is_denied

    def candidates(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the distances of stretch edges from run edges, near ones once, and the most points of each."""
        runs = (self.starts, self.starts + self.lengths)
        distances = [
            (edges[np.isfinite(edges)][None] - of_runs[:, None]).ravel()
            for edges, of_runs in zip(self.stretches.T, runs, strict=True)
        ]
        ordered = np.sort(np.concatenate(distances))
        kept = [ordered[0]]
        for one in ordered[1:].tolist():
            if one - kept[-1] > 0.5:
                kept.append(one)
        offsets, slack = np.array(kept), self.slack + 1.5
        n_near = np.searchsorted(ordered, offsets + slack, "right") - np.searchsorted(ordered, offsets - slack)
        return offsets, 0.5 * n_near

    def best_of(self, offsets: np.ndarray, most: np.ndarray) -> tuple[float, float]:
        """Return the most points of all runs together at any offset, and the first offset with as many."""
        best = (-np.inf, 0.0)
        for place in np.argsort(-most, kind="stable"):
            # No other can do better, though the next ones may be as good and come earlier.
            if most[place] < best[0]:
                break
            points = float(np.nansum(self.points(offsets[place], self.slack + 1.5)[0]))
            best = max(best, (points, -float(offsets[place])))
        return best[0], -best[1]

    def refined(self, offset: float) -> tuple[float, np.ndarray, np.ndarray]:
        """Return the offset as the median of edge distances, with the runs' edges and their distances."""
        runs = away = np.empty(0)
        for slack in (self.slack + 1.5, self.slack + 1.5, self.slack):
            run, stretch = np.nonzero(self.points(offset, slack)[1])
            if run.size < 3:
                break
            runs = np.r_[self.starts[run], (self.starts + self.lengths)[run]]
            away = np.r_[self.stretches[stretch, 0], self.stretches[stretch, 1]] - runs
            offset = float(np.median(away))
        return offset, runs, away


def find_one_clock(
    starts_s: np.ndarray,
    lengths_s: np.ndarray,
    *,
    time_s: np.ndarray,
    signal: np.ndarray,
    told_s: float = float("nan"),
    teller: str = "files",
) -> OneClock:
    """Find how far the clock of a sensor log is ahead of the runs' clock.

    Parameters
    ----------
    starts_s, lengths_s : arrays of shape (runs,): starts on the runs' clock, and lengths [s]
    time_s, signal : arrays of shape (n,): times of the samples on the log's clock [s], and its surest
        signal of load
    told_s, teller : what else says of it [s], nan where nothing does: the times of the ``files``, or the ``plan``

    Returns
    -------
    OneClock

    Notes
    -----
    Candidates are all distances of an edge of a stretch from an edge of a run. Each run gives a point where both
    its edges are those of one stretch, half a point for one edge, none where the card was busy, and takes two away
    where the card idled for half of it. The best offset counts if nearly all runs inside the log agree, none idles,
    and no other offset comes near; where others do, it counts if it is better by half a run and the times of the
    files or the plan say the same, which they do of a wrong one by chance only.
    """
    known = np.isfinite(signal)
    time_s, signal = time_s[known], signal[known]
    n_runs, stretches = int(starts_s.size), busy_edges(time_s, signal)
    if n_runs < _FEWEST or len(stretches) < _FEWEST:
        why = say("evidence.one_clock.too_few", runs=n_runs, stretches=len(stretches))
        return OneClock(False, why=why)
    slack = max(1.5, float(np.median(np.diff(time_s))) + 0.75)
    session = _Session(starts_s, lengths_s, stretches, float(time_s[0]), float(time_s[-1]), slack)
    offsets, most = session.candidates()
    offset, runs, away = session.refined(session.best_of(offsets, most)[1])
    far = np.abs(offsets - offset) > _OTHER_S
    next_points, next_s = session.best_of(offsets[far], most[far]) if far.any() else (0.0, float("nan"))
    points, both = session.points(offset, slack)
    best, n_both = float(np.nansum(points)), int(both.any(axis=1).sum())
    told_s, n_idle_told = session.held_against(told_s, offset=offset, best=best)
    refused = OneClock(False, told_s=told_s, n_idle_by_told=n_idle_told)
    n_inside, n_idle = int(np.isfinite(points).sum()), int((points == -2.0).sum())
    is_enough = (
        n_both >= max(_FEWEST, _BOTH_EDGES * n_runs) and best >= _BEST * n_inside and n_inside >= _BEST * n_runs
    )
    if not is_enough:
        return replace(refused, why=say("evidence.one_clock.only", both=n_both, runs=n_runs))
    if n_idle:
        return replace(refused, why=say("evidence.one_clock.idle", runs=n_idle))
    away_s = next_s - offset
    key, points_s = "proven", {"both": n_both, "runs": n_runs, "away_s": away_s, "points": max(0.0, next_points)}
    if next_points > _NEXT * best:
        if not (abs(offset - told_s) <= slack + _CLOSED_S / 2 and next_points <= best - _LESS):
            about = {"away_s": away_s, "points": next_points, "best": best}
            return replace(refused, why=say("evidence.one_clock.as_well", **about))
        key = f"proven_by_{teller}"
    drift = 0.0
    if n_both >= 6 and runs.size >= 6:
        centred = runs - runs.mean()
        slope = float(centred @ (away - away.mean()) / (centred @ centred))
        drift = slope if abs(slope) * float(np.ptp(starts_s)) > _LEAST_DRIFT_S else 0.0
    why = say(f"evidence.one_clock.{key}", **points_s)
    return OneClock(True, offset, drift, float(np.median(starts_s)), why, told_s, n_idle_told)
