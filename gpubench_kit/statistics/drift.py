"""Drift: whether values rise or fall along the order in which the runs were done."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.statistics.adapters import t_tail

LEVEL = 0.05


@dataclass(frozen=True)
class Drift:
    """Slope per run of each family, beside a mean of its own for every cell.

    Attributes
    ----------
    slope, se : per run, of ln y on the ratio scale; nan where order or runs are lacking
    df, p : degrees of freedom and two-sided p-value
    """

    slope: np.ndarray
    se: np.ndarray
    df: np.ndarray
    p: np.ndarray

    def is_visible(self, limit: float) -> np.ndarray:
        """Return which slopes are above a limit (per run) and not chance."""
        return (np.abs(self.slope) > limit) & (self.p < LEVEL)


def estimate_drift(values: np.ndarray, order: np.ndarray, *, cell: np.ndarray, family: np.ndarray) -> Drift:
    """Estimate the slope of the values on the order done.

    Parameters
    ----------
    values : array (runs,), natural log on the ratio scale; nan is left out
    order : array (runs,), place in the order done; nan is left out
    cell : array (runs,), whole numbers from 0: runs that share a mean (a game under one tuning)
    family : array (runs,), whole numbers from 0: runs that share a slope

    Returns
    -------
    Drift, arrays (families,)

    Notes
    -----
    Least squares of ``y ~ cell + order``: both sides centred within their cells.
    """
    n_families = int(family.max(initial=-1)) + 1
    rows = ~(np.isnan(values) | np.isnan(order))
    values, order, cell, family = values[rows], order[rows], cell[rows], family[rows]
    y, x = _centred(values, cell), _centred(order, cell)
    sxx, sxy, syy = (np.bincount(family, weights=w, minlength=n_families) for w in (x * x, x * y, y * y))
    home = np.full(int(cell.max(initial=-1)) + 1, -1)
    home[cell] = family
    cells = np.bincount(home[home >= 0], minlength=n_families)
    df = np.bincount(family, minlength=n_families) - cells - 1.0
    fine = (sxx > 0) & (df > 0)
    safe_xx, safe_df = np.where(fine, sxx, 1.0), np.where(fine, df, 1.0)
    slope = np.where(fine, sxy / safe_xx, np.nan)
    se = np.sqrt(np.maximum(syy - sxy**2 / safe_xx, 0.0) / safe_df / safe_xx)
    t = np.divide(np.abs(slope), se, out=np.full(n_families, np.inf), where=se > 0)
    p = np.where(slope == 0, 1.0, 2 * t_tail(t, safe_df))
    return Drift(slope, np.where(fine, se, np.nan), np.where(fine, df, np.nan), np.where(fine, p, np.nan))


def _centred(values: np.ndarray, cell: np.ndarray) -> np.ndarray:
    """Return the values less the mean of their cell."""
    n = np.maximum(np.bincount(cell), 1)
    return values - (np.bincount(cell, weights=values) / n)[cell]
