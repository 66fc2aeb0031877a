"""Frame times of one run to one number: median, pacing, time lost to hitches."""

from __future__ import annotations

import numpy as np
import pandas as pd


def median_frame_ms(frame_ms: np.ndarray) -> float:
    """Return the median frame time.

    Parameters
    ----------
    frame_ms : array of shape (n,), frame times [ms]

    Returns
    -------
    float [ms]; nan without frames
    """
    return float(np.median(frame_ms)) if frame_ms.size else float("nan")


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
