"""Differences held against zero and against the margin: intervals and p-values from parts of different origin.

A difference is uncertain for up to three reasons: the noise of runs, the spread between restarts where two
blocks stand on different ones, and the rounding of typed values. Each part has its own degrees of freedom.
The squared half-width of an interval is the sum of those of its parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.statistics.adapters import find_root, normal_quantile, t_quantile, t_tail

# A p-value below this is not told from 0.
_LEAST_LOG_P = -690.0


@dataclass(frozen=True)
class Uncertainty:
    """Variances of a difference by origin; arrays of one shape, or numbers.

    Attributes
    ----------
    error, df : of the noise of runs, with its degrees of freedom
    restart_error, restart_df : of the restarts that the two sides stand on; infinite df: assumed
    rounding_error : of the rounding that all runs of a side share; known, so without df
    """

    error: np.ndarray
    df: np.ndarray
    restart_error: np.ndarray | float = 0.0
    restart_df: np.ndarray | float = np.inf
    rounding_error: np.ndarray | float = 0.0

    @property
    def is_known(self) -> np.ndarray:
        """Where there is noise to hold a difference against."""
        return (np.asarray(self.error) > 0) & (np.asarray(self.df) > 0)

    @property
    def is_simple(self) -> np.ndarray:
        """Where the noise of runs is all there is."""
        return (np.asarray(self.restart_error) <= 0) & (np.asarray(self.rounding_error) <= 0)

    def take(self, rows: np.ndarray) -> Uncertainty:
        """Return some of the entries, by truth values."""
        columns = (np.broadcast_to(getattr(self, name), rows.shape) for name in self.__dataclass_fields__)
        return Uncertainty(*(column[rows] for column in columns))


@dataclass(frozen=True)
class Tests:
    """Intervals and p-values of estimates; arrays of one shape.

    Attributes
    ----------
    ci_low, ci_high : interval against zero, two-sided
    equivalence_ci_low, equivalence_ci_high : interval against the margin: each end one-sided
    p_difference : against no difference
    p_equivalence : against a difference as large as the margin, two one-sided tests
    p_non_inferiority : against a loss as large as the margin
    """

    ci_low: np.ndarray
    ci_high: np.ndarray
    equivalence_ci_low: np.ndarray
    equivalence_ci_high: np.ndarray
    p_difference: np.ndarray
    p_equivalence: np.ndarray
    p_non_inferiority: np.ndarray


def half_width(level, found: Uncertainty) -> np.ndarray:
    """Return how far a two-sided interval reaches from the difference.

    Parameters
    ----------
    level : two-sided, number or array
    found : the parts

    Returns
    -------
    array, on the scale of the difference; nan without noise of runs

    Notes
    -----
    ``h(a)^2 = sum_j t(1 - a/2, df_j)^2 V_j``: at least as wide as the interval of a sum of independent parts,
    and honest from two measured restarts on, where one t interval with joined degrees of freedom
    (Satterthwaite 1946) is not.
    """
    known = found.is_known
    # The lower tail: the upper one would lose all digits of a small level.
    tail = np.asarray(level) / 2
    squares = t_quantile(tail, np.where(known, found.df, np.nan)) ** 2 * np.where(known, found.error, np.nan)
    if not np.all(found.is_simple):
        restarts = np.asarray(found.restart_error)
        squares = squares + np.where(restarts > 0, t_quantile(tail, found.restart_df) ** 2 * restarts, 0.0)
        squares = squares + normal_quantile(tail) ** 2 * found.rounding_error
    return np.sqrt(squares)


def two_sided_p(distance, found: Uncertainty) -> np.ndarray:
    """Return the level at which an interval just reaches a distance.

    Parameters
    ----------
    distance : from the difference to what it is held against; its sign does not count
    found : the parts

    Returns
    -------
    array: Student's t with one part, else the root of ``half_width(p) = |distance|``, by halving
    """
    distance = np.abs(np.asarray(distance, dtype=float))
    known, simple = found.is_known, found.is_simple
    se = np.sqrt(np.where(known, found.error, np.nan))
    p = np.minimum(2 * t_tail(distance / se, np.where(known, found.df, np.nan)), 1.0)
    p, rows = np.broadcast_arrays(p, known & ~simple)
    rows = rows & np.isfinite(distance)
    if not rows.any():
        return p
    p, wanted, parts = np.array(p), np.broadcast_to(distance, p.shape)[rows], found.take(rows)
    lowest = np.full(wanted.shape, _LEAST_LOG_P)
    log_p = find_root(lambda log: half_width(np.exp(log), parts) >= wanted, lowest, np.zeros(wanted.shape))
    p[rows] = np.where(wanted > 0, np.exp(log_p), 1.0)
    return p


def one_sided_p(distance, found: Uncertainty) -> np.ndarray:
    """Return the p-value against a boundary that the difference lies beyond by a distance.

    Parameters
    ----------
    distance : positive where the difference lies on the side that is to be shown
    found : the parts

    Returns
    -------
    array: half of the two-sided p-value, or one less it on the other side
    """
    half = two_sided_p(distance, found) / 2
    return np.where(np.asarray(distance) < 0, 1 - half, half)


def run_tests(change, found: Uncertainty, *, margin: float, level, direction: int) -> Tests:
    """Hold differences against zero and against the margin.

    Parameters
    ----------
    change : differences
    found : how well they are known
    margin : smallest difference that matters, on the scale of ``change``; nan for none
    level : of each test, number or array
    direction : 1 where higher is better, -1 where lower is, 0 where neither

    Returns
    -------
    Tests; nan where there is no variance, or no margin, or no direction

    References
    ----------
    Schuirmann, D. J. (1987). A comparison of the two one-sided tests procedure and the power
    approach for assessing the equivalence of average bioavailability. doi:10.1007/BF01068419
    """
    wide, narrow = half_width(level, found), half_width(2 * np.asarray(level), found)
    p_low, p_up = one_sided_p(change + margin, found), one_sided_p(margin - change, found)
    return Tests(
        ci_low=change - wide,
        ci_high=change + wide,
        equivalence_ci_low=change - narrow,
        equivalence_ci_high=change + narrow,
        p_difference=two_sided_p(change, found),
        p_equivalence=np.maximum(p_low, p_up),
        p_non_inferiority={1: p_low, -1: p_up, 0: np.full_like(p_low, np.nan)}[direction],
    )


def uncertainty_of(table: pd.DataFrame, *, own: bool = False) -> Uncertainty:
    """Return how well the changes of published rows are known, on the scale of the tests.

    Parameters
    ----------
    table : rows of ``comparisons`` or ``overall``
    own : whether a game's own runs alone count; ``comparisons`` only
    """
    names = ("own_se", "own_df") if own else ("se", "df")
    se, df, restart_se, restart_df, rounding_se = (
        table[name].to_numpy(dtype=float) for name in (*names, "restart_se", "restart_df", "rounding_se")
    )
    assumed = np.where(np.isnan(restart_df), np.inf, restart_df)
    return Uncertainty(se**2, df, np.nan_to_num(restart_se) ** 2, assumed, np.nan_to_num(rounding_se) ** 2)
