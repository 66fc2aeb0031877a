"""When the card was busy: stretches between a rising and a falling edge of load or power."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Dips shorter than this do not end a stretch [s]: a loading pause, a sensor's stray zero.
_DIP_S = 2.0

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
    idle, busy = float(signal.min()), float(np.quantile(signal, 0.9))
    if busy - idle < max(least_swing, _LEAST_SHARE * busy):
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
    return _joined(found)


def _crossing(time_s: np.ndarray, signal: np.ndarray, place: int, middle: float) -> float:
    """Return when the straight line between two samples crosses the middle."""
    share = (middle - signal[place]) / (signal[place + 1] - signal[place])
    return float(time_s[place] + share * (time_s[place + 1] - time_s[place]))


def _joined(stretches: list[BusyStretch]) -> list[BusyStretch]:
    """Return the stretches with short dips between them filled."""
    joined: list[BusyStretch] = []
    for stretch in stretches:
        if joined and stretch.start_s - joined[-1].end_s < min(_DIP_S, 0.2 * joined[-1].length_s):
            before = joined.pop()
            stretch = BusyStretch(before.start_s, stretch.end_s, before.has_start, stretch.has_end)
        joined.append(stretch)
    return joined
