"""Kinds of sensor, told by the values alone: what a column could be, from its range and how it moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Kind:
    """A kind of sensor.

    Attributes
    ----------
    metric : the metric it is taken for
    words : what its values are
    low, high : range of the median, in the column's own unit
    factor : what values are multiplied with to get the metric's unit
    """

    metric: str
    words: str
    low: float
    high: float
    factor: float = 1.0


LOAD = Kind("load_pct", "a load in percent", 0.0, 100.0)
HEAT = Kind("core_c", "a temperature in degrees Celsius", 18.0, 115.0)
POWER = Kind("board_w", "a power in watts", 3.0, 1500.0)
CLOCK = Kind("core_mhz", "a clock in megahertz", 150.0, 6000.0)
FAN = Kind("fan_rpm", "a fan speed in revolutions per minute", 300.0, 6000.0)
VOLTAGE = Kind("core_mv", "a voltage in volts", 0.45, 1.6, 1000.0)
KINDS = (LOAD, HEAT, POWER, CLOCK, FAN, VOLTAGE)

#: A single reading may be wrong; the rest of a log must be what its first rows were taken for.
_SHARE_WITHIN = 0.95


def fitting_kinds(values: np.ndarray, step: float) -> list[Kind]:
    """Return the kinds that a column could be.

    Parameters
    ----------
    values : array of shape (n,)
    step : one unit of the last decimal written

    Returns
    -------
    list of Kind; empty where the column is none of them, or stands still

    Notes
    -----
    A load swings between idle and busy over most of 0 to 100. Heat and fans have inertia, and move by a few
    percent at a time; clocks jump. Power is written with decimals, clocks and fan speeds are not. What rises by the
    same whole number from row to row counts the rows.
    """
    known = values[np.isfinite(values)]
    if known.size < 5 or known.min() < 0 or known.min() == known.max() or _is_counter(known):
        return []
    if _is_load(known):
        return [LOAD]
    median, highest = float(np.median(known)), float(known.max())
    largest_step = float(np.abs(np.diff(known)).max())
    moves = {
        HEAT: highest <= 120.0 and largest_step <= 12.0 and highest - known.min() < 70,
        POWER: step < 1.0,
        CLOCK: step >= 1.0 and highest >= 400.0 and largest_step > 0.02 * highest,
        FAN: step >= 1.0 and largest_step < 0.12 * highest,
        VOLTAGE: step < 0.1,
    }
    return [kind for kind, fits in moves.items() if fits and kind.low <= median < kind.high]


def is_within(values: np.ndarray, metric: str) -> bool:
    """Return whether nearly all values of a log can be those of the sensor that its first rows were taken for.

    Parameters
    ----------
    values : array of shape (n,), in the metric's unit
    metric : of one of the kinds
    """
    kind = next(one for one in KINDS if one.metric == metric)
    known = values[np.isfinite(values)]
    can_be = (known >= 0) & (known <= kind.high * kind.factor)
    return bool(known.size == 0 or can_be.mean() >= _SHARE_WITHIN)


def _is_counter(known: np.ndarray) -> bool:
    """Return whether values are whole numbers, each the same distance from the one before."""
    steps = np.diff(known)
    return bool(steps[0] != 0 and (steps == steps[0]).all() and (known == np.rint(known)).all())


def _is_load(known: np.ndarray) -> bool:
    """Return whether values swing as a load does."""
    highest, swing = known.max(), known.max() - known.min()
    return bool(80 <= highest <= 100.0 and (swing >= 50 or np.median(known) >= 90))
