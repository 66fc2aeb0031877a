"""Sensor samples of one run to one number: time-weighted means, energy per frame, sound level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


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
    is_number = np.isfinite(value)
    if not is_number.all():
        time_s, value = time_s[is_number], value[is_number]
    if time_s.size < 2:
        return None
    start_s, end_s = max(float(start_s), float(time_s[0])), min(float(end_s), float(time_s[-1]))
    if not end_s > start_s:
        return None
    first, behind = np.searchsorted(time_s, start_s, side="right"), np.searchsorted(time_s, end_s, side="left")
    at_ends = np.interp((start_s, end_s), time_s, value)
    times = np.concatenate(([start_s], time_s[first:behind], [end_s]))
    values = np.concatenate((at_ends[:1], value[first:behind], at_ends[1:]))
    mean = float(np.trapezoid(values, times)) / (end_s - start_s)
    return SensorMean(mean, float(values.max()), start_s, end_s, int(behind - first))


def energy_per_frame_j(board_w: float, avg_fps: float) -> float:
    """Return the energy of one frame [J]: mean power [W] divided by average frame rate [1/s]."""
    return board_w / avg_fps


def frames_per_j(board_w: float, avg_fps: float) -> float:
    """Return the frames drawn for one joule [1/J]: average frame rate [1/s] divided by mean power [W]."""
    return avg_fps / board_w


def mean_sound_dba(readings: np.ndarray) -> float:
    """Return the energy average of several sound readings of one run.

    Parameters
    ----------
    readings : array of shape (n,), sound levels [dBA]

    Returns
    -------
    float [dBA]: 10 log10(mean(10^(L/10))); nan without readings

    References
    ----------
    ISO 1996-1:2016, Description, measurement and assessment of environmental noise (equivalent level).
    """
    readings = np.asarray(readings, dtype=float)
    if readings.size == 0:
        return float("nan")
    loudest = readings.max()
    return float(loudest + 10.0 * np.log10(np.mean(10.0 ** ((readings - loudest) / 10.0))))
