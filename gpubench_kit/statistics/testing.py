"""Differences held against zero and against the margin: intervals, p-values adjusted for their number, verdicts.

A difference is uncertain for up to three reasons: the noise of runs, the spread between restarts where two
blocks stand on different ones, and the rounding of typed values. Each part has its own degrees of freedom.
The squared half-width of an interval is the sum of those of its parts. P-values of thousands of families are
adjusted at once; the tests hold the formulas against statsmodels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.statistics.adapters import find_root, normal_quantile, t_quantile, t_tail
from gpubench_kit.statistics.runs import members_of

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


UNDECIDED, NO_VERDICT = "undecided", "no_verdict"

#: What each verdict claims of the difference.
CLAIMS_OF = {name: row.claims for name, row in VERDICTS.items() if name != NO_VERDICT}

#: Verdicts that say there is a difference; verdicts that say there is none beyond the margin.
DIFFERENT = tuple(name for name, row in VERDICTS.items() if row.is_difference)
SAME = tuple(name for name, row in VERDICTS.items() if row.is_small)


def adjust_in_families(p: np.ndarray, family: np.ndarray, *, method: str) -> np.ndarray:
    """Return p-values adjusted within each family.

    Parameters
    ----------
    p : array (rows,); nan is *not defined*, stays nan and does not count
    family : array (rows,) of whole numbers
    method : ``holm`` (any errors kept to the level), ``fdr_bh`` (share of false ones among those
        found) or ``none``

    Returns
    -------
    array (rows,), each at least its p and at most 1

    References
    ----------
    Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of
    Statistics 6, 65-70.
    Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate.
    doi:10.1111/j.2517-6161.1995.tb02031.x
    """
    adjusted = np.array(p, dtype=float)
    rows = np.flatnonzero(np.isfinite(adjusted))
    if method == "none" or not len(rows):
        return adjusted
    p = adjusted[rows]
    table = members_of(np.unique(family[rows], return_inverse=True)[1])
    there = table >= 0
    # Places without a comparison sort behind all others, and are cut off at the end.
    filled = np.where(there, p[table], np.inf)
    places = np.argsort(filled, axis=1, kind="stable")
    ordered, count = np.take_along_axis(filled, places, axis=1), there.sum(axis=1, keepdims=True)
    rank = np.arange(ordered.shape[1])
    if method == "holm":
        stepped = np.maximum.accumulate(np.maximum(count - rank, 1) * ordered, axis=1)
    else:
        stepped = np.minimum.accumulate((ordered / ((1 + rank) / count))[:, ::-1], axis=1)[:, ::-1]
    unordered = np.empty_like(stepped)
    np.put_along_axis(unordered, places, np.minimum(stepped, 1.0), axis=1)
    adjusted[rows[table[there]]] = unordered[there]
    return adjusted


def decide(
    change: np.ndarray, p_difference: np.ndarray, p_equivalence: np.ndarray, *, level: float, direction: np.ndarray
) -> np.ndarray:
    """Return the verdict of each comparison.

    Parameters
    ----------
    change : difference, of any scale; only its sign counts
    p_difference, p_equivalence : adjusted p-values; nan is *not shown*
    level : of each test
    direction : 1 where higher is better, -1 where lower is, 0 where neither

    Returns
    -------
    array of words of ``verdicts.VERDICTS``

    Notes
    -----
    | p_difference <= level | p_equivalence <= level | verdict                                   |
    |-----------------|-----------------|-------------------------------------------|
    | yes             | no              | ``better`` or ``worse``                   |
    | yes             | yes             | ``better_but_small`` or ``worse_but_small`` |
    | no              | yes             | ``same_within_margin``                    |
    | no              | no              | ``undecided``                             |
    """
    real, same = p_difference <= level, p_equivalence <= level
    up = np.where(direction == 0, change > 0, change * direction > 0)
    words = np.select([(direction == 0) & up, direction == 0, up], ["higher", "lower", "better"], "worse").astype(
        object
    )
    return np.select(
        [real & same, real, same], [words + "_but_small", words, "same_within_margin"], UNDECIDED
    ).astype(object)


def weaker_verdict(one: str, other: str) -> str:
    """Return what two verdicts on the same difference both claim.

    Parameters
    ----------
    one, other : words of ``verdicts.VERDICTS``

    Returns
    -------
    str : ``better`` and ``better_but_small`` give ``better``; ``better`` and ``same_within_margin``
        give ``undecided``; anything with ``no_verdict`` gives ``no_verdict``
    """
    if NO_VERDICT in (one, other):
        return NO_VERDICT
    both = CLAIMS_OF[one] & CLAIMS_OF[other]
    return next(word for word, claims in CLAIMS_OF.items() if claims == both)
