"""When the card was busy, and what that proves: where a run lies in a sensor log, and how far its clock is ahead.

The clocks alone never tell the latter where a log spans several runs: a clock that is off by a run's length gives
every run the samples of another one. What proves it is that busy stretches begin and end where runs do, and that no
other offset does so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from gpubench_kit.logs.format import OneClock

#: Signals whose edges are looked for, in this order: sensor, least swing, how surely its edge is the frames' [s].
SIGNALS = (("load_pct", 30.0, 0.5), ("board_w", 20.0, 1.5), ("wall_w", 30.0, 2.0))

#: Dips shorter than this do not end a stretch [s]: a loading pause, a sensor's stray zero.
_DIP_S = 2.0

#: A card that ran is busy for so long at least [s].
_SHORTEST_RUN_S = 20.0

#: Least swing between idle and busy, as a share of the busy level.
_LEAST_SHARE = 0.4


@dataclass(frozen=True)
class BusyStretch:
    """A stretch of time in which the card was busy.

    Attributes
    ----------
    start_s, end_s : when the signal crossed the middle between idle and busy [s]
    has_start, has_end : whether the edge lies within the log
    """

    start_s: float
    end_s: float
    has_start: bool
    has_end: bool

    @property
    def length_s(self) -> float:
        """How long it lasted [s]."""
        return self.end_s - self.start_s


def busy_stretches(time_s: np.ndarray, signal: np.ndarray, *, least_swing: float) -> list[BusyStretch]:
    """Return the stretches in which a signal was above the middle between idle and busy.

    Parameters
    ----------
    time_s, signal : arrays of shape (n,)
    least_swing : where the signal swings by less than this between idle and busy, or by less than two fifths
        of the busy level, there are no edges: power also climbs as a card warms

    Returns
    -------
    list of BusyStretch, in order; dips shorter than two seconds do not part them
    """
    is_number = np.isfinite(signal)
    time_s, signal = time_s[is_number], signal[is_number]
    if time_s.size < 4:
        return []
    middle = _middle(time_s, signal, least_swing)
    if np.isnan(middle):
        return []
    is_busy = signal > middle
    rises = np.flatnonzero(~is_busy[:-1] & is_busy[1:])
    falls = np.flatnonzero(is_busy[:-1] & ~is_busy[1:])
    starts = [_crossing(time_s, signal, place, middle) for place in rises]
    ends = [_crossing(time_s, signal, place, middle) for place in falls]
    starts = [float(time_s[0]), *starts] if is_busy[0] else starts
    ends = [*ends, float(time_s[-1])] if is_busy[-1] else ends
    found = [
        BusyStretch(start, end, start > time_s[0], end < time_s[-1])
        for start, end in zip(starts, ends, strict=True)
    ]
    joined: list[BusyStretch] = []
    for stretch in found:
        if joined and stretch.start_s - joined[-1].end_s < min(_DIP_S, 0.2 * joined[-1].length_s):
            before = joined.pop()
            stretch = BusyStretch(before.start_s, stretch.end_s, before.has_start, stretch.has_end)
        joined.append(stretch)
    return joined


def _middle(time_s: np.ndarray, signal: np.ndarray, least_swing: float) -> float:
    """Return the middle between idle and busy; nan where the signal does not swing.

    In a log of hours that shows one run, the card is busy for less than a tenth of the time.
    """
    idle, length_s = float(signal.min()), float(time_s[-1] - time_s[0])
    for share in (0.9, 1.0 - _SHORTEST_RUN_S / length_s if length_s > 0 else 0.9):
        busy = float(np.quantile(signal, max(0.9, share)))
        if busy - idle >= max(least_swing, _LEAST_SHARE * busy):
            return (idle + busy) / 2.0
    return float("nan")


def surest_stretches(time_s: np.ndarray, values: Mapping[str, np.ndarray]) -> list[tuple[str, BusyStretch, float]]:
    """Return the busy stretches of the surest signal: its name, the stretch, how sure its edges are [s].

    Parameters
    ----------
    time_s : array of shape (n,)
    values : array of shape (n,) by sensor metric
    """
    surest = [one for one in SIGNALS if one[0] in values][:1]
    return [
        (metric, stretch, slack_s)
        for metric, least_swing, slack_s in surest
        for stretch in busy_stretches(time_s, values[metric], least_swing=least_swing)
    ]


def fits_run(stretch: BusyStretch, run_s: float, slack_s: float) -> bool:
    """Return whether a stretch can be a run: it has an edge, and its length is right as far as it was seen.

    Parameters
    ----------
    stretch : of load or power
    run_s : length of the run [s]
    slack_s : how sure an edge is [s]
    """
    longest = run_s + 2 * slack_s + 0.05 * run_s
    shortest = run_s - 2 * slack_s - 0.05 * run_s
    if stretch.has_start and stretch.has_end:
        return shortest <= stretch.length_s <= longest
    return (stretch.has_start or stretch.has_end) and 0.5 * run_s <= stretch.length_s <= longest


def _crossing(time_s: np.ndarray, signal: np.ndarray, place: np.signedinteger, middle: float) -> float:
    """Return when the straight line between two samples crosses the middle."""
    share = (middle - signal[place]) / (signal[place + 1] - signal[place])
    return float(time_s[place] + share * (time_s[place + 1] - time_s[place]))


#: A stretch is at least so long, and dips shorter than this do not end one [s].
_SHORTEST_S, _DIP_OF_LOG_S = 8.0, 2.5

#: Least swing of the signal between idle and busy, in its own unit.
_LEAST_SWING = 20.0

#: Runs and stretches that are needed.
_FEWEST = 4

#: Share of runs that match with both edges, points that the best offset has, and what the next best may have of it.
_BOTH_EDGES, _BEST, _NEXT = 0.25, 0.5, 0.6

#: Offsets further apart than this are others [s].
_OTHER_S = 5.0

#: Runs of which less than this share lies inside the log are left out.
_INSIDE = 0.3

#: A drift that moves the clock by less than this over the evening is none [s].
_LEAST_DRIFT_S = 0.8


@dataclass(frozen=True)
class _Evening:
    """What the offset is looked for in: starts and lengths of runs, stretches, and the ends of the log [s]."""

    starts: np.ndarray
    lengths: np.ndarray
    stretches: np.ndarray
    first: float
    last: float
    slack: float


def find_one_clock(
    starts_s: np.ndarray, lengths_s: np.ndarray, *, time_s: np.ndarray, signal: np.ndarray
) -> OneClock:
    """Find how far the clock of a sensor log is ahead of the runs' clock.

    Parameters
    ----------
    starts_s, lengths_s : arrays of shape (runs,): starts on the runs' clock, and lengths [s]
    time_s, signal : arrays of shape (n,): times of the samples on the log's clock [s], and its surest
        signal of load

    Returns
    -------
    OneClock

    Notes
    -----
    Candidates are all distances of an edge of a stretch from an edge of a run. Each run gives a point where both
    its edges are those of one stretch, half a point for one edge, none where the card was busy, and takes two away
    where the card idled for half of it. The best offset counts if nearly all runs inside the log agree, none idles,
    and no other offset comes near.
    """
    known = np.isfinite(signal)
    time_s, signal = time_s[known], signal[known]
    n_runs = int(starts_s.size)
    stretches = busy_edges(time_s, signal)
    if n_runs < _FEWEST or len(stretches) < _FEWEST:
        why = f"{n_runs} runs and {len(stretches)} busy stretches are not enough to prove a clock"
        return OneClock(False, why=why, n_runs=n_runs)
    slack = max(1.5, float(np.median(np.diff(time_s))) + 0.75)
    evening = _Evening(starts_s, lengths_s, stretches, float(time_s[0]), float(time_s[-1]), slack)
    offsets, most = _candidates(evening)
    offset, residuals = _refined(evening, _best_of(evening, offsets, most)[1])
    far = np.abs(offsets - offset) > _OTHER_S
    other = _best_of(evening, offsets[far], most[far]) if far.any() else (0.0, float("nan"))
    return _held(evening, offset, residuals, other)


def busy_edges(time_s: np.ndarray, signal: np.ndarray) -> np.ndarray:
    """Return starts and ends of the stretches in which a signal was above its middle; infinite where it is cut off.

    Parameters
    ----------
    time_s, signal : arrays of shape (n,), without holes

    Returns
    -------
    array of shape (stretches, 2) [s]; none where the signal does not swing
    """
    if time_s.size < 4:
        return np.zeros((0, 2))
    low, high = np.quantile(signal, [0.02, 0.98])
    if high - low < _LEAST_SWING:
        return np.zeros((0, 2))
    is_busy = signal > (low + high) / 2.0
    change = np.diff(is_busy.astype(int))
    middles = (time_s[:-1] + time_s[1:]) / 2.0
    starts, ends = middles[change == 1].tolist(), middles[change == -1].tolist()
    starts = [-np.inf, *starts] if is_busy[0] else starts
    ends = [*ends, np.inf] if is_busy[-1] else ends
    joined: list[list[float]] = []
    for start, end in zip(starts, ends, strict=True):
        if joined and start - joined[-1][1] < _DIP_OF_LOG_S:
            joined[-1][1] = end
        else:
            joined.append([start, end])
    return np.array([one for one in joined if one[1] - one[0] > _SHORTEST_S]).reshape(-1, 2)


def _candidates(evening: _Evening) -> tuple[np.ndarray, np.ndarray]:
    """Return the distances of stretch edges from run edges, near ones once, and the most points of each."""
    ends = evening.starts + evening.lengths
    distances = [
        (edges[np.isfinite(edges)][None] - runs[:, None]).ravel()
        for edges, runs in zip(evening.stretches.T, (evening.starts, ends), strict=True)
    ]
    ordered = np.sort(np.concatenate(distances))
    kept = [ordered[0]]
    for one in ordered[1:].tolist():
        if one - kept[-1] > 0.5:
            kept.append(one)
    offsets, slack = np.array(kept), evening.slack + 1.5
    n_near = np.searchsorted(ordered, offsets + slack, "right") - np.searchsorted(ordered, offsets - slack)
    return offsets, 0.5 * n_near


def _best_of(evening: _Evening, offsets: np.ndarray, most: np.ndarray) -> tuple[float, float]:
    """Return the most points of all runs together at any offset, and the first offset with as many."""
    best = (-np.inf, 0.0)
    for place in np.argsort(-most, kind="stable"):
        # No other can do better, though the next ones may be as good and come earlier.
        if most[place] < best[0]:
            break
        points = float(np.nansum(_points(evening, offsets[place], evening.slack + 1.5)[0]))
        best = max(best, (points, -float(offsets[place])))
    return best[0], -best[1]


def _points(evening: _Evening, offset: float, slack: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the points of each run at an offset, nan outside the log, and which stretch has both its edges."""
    start, end = evening.starts + offset, evening.starts + evening.lengths + offset
    from_s, until_s = evening.stretches[:, 0], evening.stretches[:, 1]
    at_start = np.abs(from_s[None] - start[:, None]) <= slack
    at_end = np.abs(until_s[None] - end[:, None]) <= slack
    both = at_start & at_end
    seen = np.clip(np.minimum(end, evening.last) - np.maximum(start, evening.first), 1e-9, None)
    left = np.maximum(np.maximum(from_s[None], start[:, None]), evening.first)
    right = np.minimum(np.minimum(until_s[None], end[:, None]), evening.last)
    covered = np.clip(right - left, 0, None).sum(axis=1) / seen
    points = np.where(both.any(axis=1), 1.0, np.where(at_start.any(axis=1) | at_end.any(axis=1), 0.5, 0.0))
    points = np.where(covered < 0.5, -2.0, points)
    points[seen < _INSIDE * evening.lengths] = np.nan
    return points, both


def _refined(evening: _Evening, offset: float) -> tuple[float, tuple[np.ndarray, np.ndarray]]:
    """Return the offset as the median of edge distances, with the runs' edges and their distances."""
    edges = (np.empty(0), np.empty(0))
    for slack in (evening.slack + 1.5, evening.slack + 1.5, evening.slack):
        run, stretch = np.nonzero(_points(evening, offset, slack)[1])
        if run.size < 3:
            break
        runs = np.r_[evening.starts[run], (evening.starts + evening.lengths)[run]]
        away = np.r_[evening.stretches[stretch, 0], evening.stretches[stretch, 1]] - runs
        offset, edges = float(np.median(away)), (runs, away)
    return offset, edges


def _held(
    evening: _Evening, offset: float, edges: tuple[np.ndarray, np.ndarray], other: tuple[float, float]
) -> OneClock:
    """Return the offset as proven, or why it is not."""
    points, both = _points(evening, offset, evening.slack)
    best, n_both, n_runs = float(np.nansum(points)), int(both.any(axis=1).sum()), evening.starts.size
    n_inside = int(np.isfinite(points).sum())
    n_idle = int((points == -2.0).sum())
    middle = float(np.median(evening.starts))
    told: dict[str, Any] = {"n_runs": n_runs, "n_both": n_both, "next_s": other[1] - offset}
    lie = f"{n_both} of {n_runs} runs lie on a busy stretch with both edges"
    is_enough = (
        n_both >= max(_FEWEST, _BOTH_EDGES * n_runs) and best >= _BEST * n_inside and n_inside >= _BEST * n_runs
    )
    if not is_enough:
        return OneClock(False, why=f"only {lie}", **told)
    if n_idle:
        return OneClock(False, why=f"{n_idle} runs would lie where the card idled", **told)
    if other[0] > _NEXT * best:
        why = f"it could as well be off by {other[1] - offset:+.0f} s more (points {other[0]:g} against {best:g})"
        return OneClock(False, why=why, **told)
    points_told = f"{max(0.0, other[0]):g} points of {n_runs}"
    why = f"{lie}; the next best offset, {other[1] - offset:+.0f} s from it, has {points_told}"
    return OneClock(True, offset, _drift(evening, edges, n_both), middle, why, **told)


def _drift(evening: _Evening, edges: tuple[np.ndarray, np.ndarray], n_both: int) -> float:
    """Return the change of the offset per second, where it moves the clock over the evening."""
    runs, away = edges
    if n_both < 6 or runs.size < 6:
        return 0.0
    centred = runs - runs.mean()
    slope = float(centred @ (away - away.mean()) / (centred @ centred))
    return slope if abs(slope) * float(np.ptp(evening.starts)) > _LEAST_DRIFT_S else 0.0
