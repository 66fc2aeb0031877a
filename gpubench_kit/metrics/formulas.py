"""Formulas: frame times and sensor samples of one run to one number each.

Frame times are in milliseconds. Lows, average, median, pacing and hitches need frames only, means over the window
of the frames need samples, energy per frame needs both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

#: The three definitions of a low, in words; reports print the one that was used.
LOW_DEFINITIONS: dict[str, str] = {
    "quantile": "1000 / the {share} quantile of the frame times (linear interpolation)",
    "slowest_frames": "1000 / mean of the slowest {part} of the frames (their number rounded up)",
    "time_share": "1000 / the frame time from which on frames make up at least {part} of the run's time",
}

#: Frames below which the slowest thousandth is too few frames to speak of.
FRAMES_NEEDED_FOR_0P1PCT = 5000


def average_fps(frame_ms: np.ndarray) -> float:
    """Return frames divided by the time they took.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times [ms]

    Returns
    -------
    float, frames per second; nan without frames. It is never the mean of instantaneous rates.
    """
    total_ms = float(frame_ms.sum())
    return 1000.0 * frame_ms.size / total_ms if total_ms > 0 else float("nan")


def low_fps(frame_ms: np.ndarray, *, definition: str = "quantile", one_in: int = 100) -> float:
    """Return the frame rate of the slowest part of a run.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times [ms]
    definition : ``quantile``, ``slowest_frames`` or ``time_share``
    one_in : 100 for the 1 % low, 1000 for the 0.1 % low

    Returns
    -------
    float, frames per second; nan without frames

    Raises
    ------
    KeyError : the definition is none of the three

    Notes
    -----
    With q the (1 - 1/one_in) quantile by linear interpolation at 1 + (n - 1) p, ``quantile`` is 1000 / q;
    ``slowest_frames`` is 1000 / mean of the ceil(n / one_in) slowest frames; ``time_share`` is 1000 / the
    largest t such that frames of at least t ms make up 1 / one_in of the summed frame times. All three need
    the slowest ceil(n / one_in) frames only, as a slow frame takes more than its share of the time.

    References
    ----------
    Hyndman and Fan (1996), Sample quantiles in statistical packages, doi:10.1080/00031305.1996.10473566
    (the quantile is their type 7).
    """
    formula = _FORMULAS[definition]
    if frame_ms.size == 0:
        return float("nan")
    return 1000.0 / formula(_slow_tail(frame_ms, one_in), frame_ms, one_in)


def both_lows_fps(
    frame_ms: np.ndarray, *, definition: str = "quantile", slowest_ms: np.ndarray | None = None
) -> tuple[float, float]:
    """Return the 1 % low and the 0.1 % low of a run, as `low_fps` gives them one by one.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times [ms]
    definition : ``quantile``, ``slowest_frames`` or ``time_share``
    slowest_ms : the slowest ceil(n / 100) + 1 frames in rising order, where they are known
    """
    formula = _FORMULAS[definition]
    if frame_ms.size == 0:
        return float("nan"), float("nan")
    tail = _slow_tail(frame_ms, 100) if slowest_ms is None else slowest_ms
    return 1000.0 / formula(tail, frame_ms, 100), 1000.0 / formula(tail, frame_ms, 1000)


def low_definition_text(definition: str, one_in: int) -> str:
    """Return the definition of a low in words, with its share filled in."""
    share, part = {100: ("99 %", "1 %"), 1000: ("99.9 %", "0.1 %")}[one_in]
    return LOW_DEFINITIONS[definition].format(share=share, part=part)


def _slow_tail(frame_ms: np.ndarray, one_in: int) -> np.ndarray:
    """Return the slowest frames in rising order, one more than the share asks for."""
    n_tail = min(frame_ms.size, -(-frame_ms.size // one_in) + 1)
    first = frame_ms.size - n_tail
    return np.sort(np.partition(frame_ms, first)[first:])


def _quantile_ms(tail: np.ndarray, frame_ms: np.ndarray, one_in: int) -> float:
    """Return the quantile, calculated in whole numbers so that no rounding can shift its rank."""
    rank, remainder = divmod((frame_ms.size - 1) * (one_in - 1), one_in)
    place = rank - (frame_ms.size - tail.size)
    if remainder == 0:
        return float(tail[place])
    return float(tail[place] + (tail[place + 1] - tail[place]) * (remainder / one_in))


def _slowest_mean_ms(tail: np.ndarray, frame_ms: np.ndarray, one_in: int) -> float:
    """Return the mean of the slowest frames."""
    n_slow = -(-frame_ms.size // one_in)
    return float(tail[-n_slow:].mean())


def _time_share_ms(tail: np.ndarray, frame_ms: np.ndarray, one_in: int) -> float:
    """Return the frame time from which on frames make up the share of the time."""
    slowest_first = tail[::-1]
    # Sums in another order differ in the last bits: a share met exactly must count as met.
    enough = float(frame_ms.sum()) * (1 - 1e-12)
    place = int(np.searchsorted(np.cumsum(slowest_first) * one_in, enough))
    return float(slowest_first[min(place, slowest_first.size - 1)])


_FORMULAS = {"quantile": _quantile_ms, "slowest_frames": _slowest_mean_ms, "time_share": _time_share_ms}


def pacing_ms(frame_ms: np.ndarray) -> float:
    """Return the mean absolute difference of successive frame times.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times in the order of the frames [ms]

    Returns
    -------
    float [ms]; nan with fewer than two frames
    """
    return float(np.abs(np.diff(frame_ms)).mean()) if frame_ms.size > 1 else float("nan")


def hitch_ms_per_min(frame_ms: np.ndarray, *, window_frames: int = 61, excess_ms: float = 12.0) -> float:
    """Return the time lost to frames far slower than those around them.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times in the order of the frames [ms]
    window_frames : frames of the running median, the frame itself in their middle; an odd number.
        At both ends of the run the window holds the frames there are.
    excess_ms : a frame is a hitch when it exceeds the median of its window by more than this [ms]

    Returns
    -------
    float, sum of the hitches' time beyond their medians per minute of the run [ms/min]; nan without frames

    Notes
    -----
    No median lies below the shortest frame of the run, hence only frames longer than that by ``excess_ms``
    can be hitches. They are few in most runs, and the medians of their windows are all that is needed.
    """
    total_ms = float(frame_ms.sum())
    if not total_ms > 0:
        return float("nan")
    suspects = np.flatnonzero(frame_ms > frame_ms.min() + excess_ms)
    lost_ms = frame_ms[suspects] - _medians_around(frame_ms, suspects, window_frames // 2)
    return float(lost_ms[lost_ms > excess_ms].sum()) * 60_000.0 / total_ms


def _medians_around(frame_ms: np.ndarray, places: np.ndarray, reach: int) -> np.ndarray:
    """Return the median of the frames within ``reach`` of each place."""
    if places.size > frame_ms.size // 16:
        rolling = pd.Series(frame_ms).rolling(2 * reach + 1, center=True, min_periods=1)
        return rolling.median().to_numpy()[places]
    medians = np.empty(places.size)
    is_inner = (places >= reach) & (places < frame_ms.size - reach)
    if is_inner.any():
        windows = np.lib.stride_tricks.sliding_window_view(frame_ms, 2 * reach + 1)
        medians[is_inner] = np.median(windows[places[is_inner] - reach], axis=1)
    for position in np.flatnonzero(~is_inner):
        place = places[position]
        medians[position] = np.median(frame_ms[max(0, place - reach) : place + reach + 1])
    return medians


@dataclass(frozen=True)
class SensorMean:
    """A sensor over the window of the frames.

    Attributes
    ----------
    mean : time-weighted mean, in the sensor's unit
    maximum : largest value in the window, both ends included
    start_s, end_s : the window that was used, on the clock of the frames [s]
    n_samples : samples inside it
    """

    mean: float
    maximum: float
    start_s: float
    end_s: float
    n_samples: int


def mean_over_window(time_s: np.ndarray, value: np.ndarray, *, start_s: float, end_s: float) -> SensorMean | None:
    """Return a sensor's time-weighted mean over a window.

    Parameters
    ----------
    time_s, value : arrays of shape (n,), samples in the order of time [s] and their values. Samples without
        a value (nan) are left out, and the trapezoids bridge them.
    start_s, end_s : window asked for [s]; where the samples start later or end earlier, they bound it

    Returns
    -------
    SensorMean, or None where fewer than two samples or no time is left in the window

    Notes
    -----
    Trapezoid rule, with straight-line values at both ends of the window, divided by the window's length.
    """
    return means_over_window(time_s, {"": value}, start_s=start_s, end_s=end_s)[""]


def means_over_window(
    time_s: np.ndarray, sensors: Mapping[str, np.ndarray], *, start_s: float, end_s: float
) -> dict[str, SensorMean | None]:
    """Return the means of several sensors that share their times, each as `mean_over_window` gives it.

    Parameters
    ----------
    time_s : array of shape (n,) [s]
    sensors : arrays of shape (n,) by name
    start_s, end_s : window asked for [s]
    """
    window = _Window.of(time_s, start_s, end_s)
    means = {}
    for name, value in sensors.items():
        is_number = np.isfinite(value)
        own = window
        if not is_number.all():
            value, own = value[is_number], _Window.of(time_s[is_number], start_s, end_s)
        means[name] = None if own is None else own.mean(value)
    return means


@dataclass(frozen=True)
class _Window:
    """Where a window cuts the times of some samples: between two of them at each end."""

    time_s: np.ndarray
    start_s: float
    end_s: float
    inside: slice
    steps_s: np.ndarray

    @classmethod
    def of(cls, time_s: np.ndarray, start_s: float, end_s: float) -> _Window | None:
        """Return the window as far as samples reach; None where fewer than two or no time is left."""
        if time_s.size < 2:
            return None
        start_s, end_s = max(float(start_s), float(time_s[0])), min(float(end_s), float(time_s[-1]))
        if not end_s > start_s:
            return None
        first, behind = np.searchsorted(time_s, start_s, side="right"), np.searchsorted(time_s, end_s, side="left")
        steps_s = np.diff(np.concatenate(([start_s], time_s[first:behind], [end_s])))
        return cls(time_s, start_s, end_s, slice(int(first), int(behind)), steps_s)

    def mean(self, value: np.ndarray) -> SensorMean:
        """Return the mean of a sensor that has a value at each time."""
        at_ends = np.interp((self.start_s, self.end_s), self.time_s, value)
        values = np.concatenate((at_ends[:1], value[self.inside], at_ends[1:]))
        area = float((self.steps_s * (values[1:] + values[:-1]) / 2.0).sum())
        n_samples = self.inside.stop - self.inside.start
        mean = area / (self.end_s - self.start_s)
        return SensorMean(mean, float(values.max()), self.start_s, self.end_s, n_samples)


def energy_per_frame_j(board_w: float, avg_fps: float) -> float:
    """Return the energy of one frame [J]: mean power [W] divided by average frame rate [1/s]."""
    return board_w / avg_fps


def frames_per_j(board_w: float, avg_fps: float) -> float:
    """Return the frames drawn for one joule [1/J]: average frame rate [1/s] divided by mean power [W]."""
    return avg_fps / board_w
