"""When the card was busy: stretches of a sensor log in which load or power is above the middle of its swing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

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
    idle, length_s = float(signal.min()), float(time_s[-1] - time_s[0])
    # In a log of hours that shows one run, the card is busy for less than a tenth of the time.
    for share in (0.9, 1.0 - _SHORTEST_RUN_S / length_s if length_s > 0 else 0.9):
        busy = float(np.quantile(signal, max(0.9, share)))
        if busy - idle >= max(least_swing, _LEAST_SHARE * busy):
            break
    else:
        return []
    middle = (idle + busy) / 2.0
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


def surest_signal(values: Mapping[str, np.ndarray]) -> np.ndarray | None:
    """Return the surest signal of a log that shows when the card was busy; None without one.

    Parameters
    ----------
    values : array of shape (n,) by sensor metric
    """
    return next((values[metric] for metric, *_ in SIGNALS if metric in values), None)


#: A stretch of a session's log is at least so long [s].
_SHORTEST_S = 8.0

#: Least swing of the signal between idle and busy, in its own unit.
LEAST_SWING = 20.0


def busy_edges(time_s: np.ndarray, signal: np.ndarray) -> np.ndarray:
    """Return starts and ends of the stretches in which a signal was above its middle; infinite where it is cut off.

    Parameters
    ----------
    time_s, signal : arrays of shape (n,), without holes

    Returns
    -------
    array of shape (stretches, 2) [s]; none where the signal does not swing
    """
    edges = [
        (one.start_s if one.has_start else -np.inf, one.end_s if one.has_end else np.inf)
        for one in busy_stretches(time_s, signal, least_swing=LEAST_SWING)
        if one.length_s > _SHORTEST_S or not (one.has_start and one.has_end)
    ]
    return np.array(edges).reshape(-1, 2)
