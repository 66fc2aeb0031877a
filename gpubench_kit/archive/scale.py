"""From the scale on which values are compared to what is printed: percent of a ratio, else the metric's unit."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from gpubench_kit.model.metrics import METRICS


def unit_of(metric: str) -> str:
    """Return the unit of a metric's noise and changes."""
    return "%" if METRICS[metric].scale == "ratio" else METRICS[metric].unit


def in_unit(values: np.ndarray, metrics: Iterable[str]) -> np.ndarray:
    """Return standard deviations as they are printed.

    Parameters
    ----------
    values : array, of the natural log on the ratio scale
    metrics : metric of each

    Returns
    -------
    array: 100 times the natural log on the ratio scale, as plans state a spread; else the values
    """
    ratio = np.array([METRICS[name].scale == "ratio" for name in metrics], dtype=bool)
    return np.where(ratio, 100 * np.asarray(values, dtype=float), values)


def change_in_unit(values: np.ndarray, metrics: Iterable[str]) -> np.ndarray:
    """Return differences as they are printed.

    Parameters
    ----------
    values : array, differences of natural logs on the ratio scale
    metrics : metric of each
    """
    ratio = np.array([METRICS[name].scale == "ratio" for name in metrics], dtype=bool)
    values = np.asarray(values, dtype=float)
    return np.where(ratio, 100 * np.expm1(np.where(ratio, np.clip(values, -30, 30), 0.0)), values)
