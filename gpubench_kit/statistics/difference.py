"""Two sides in one game: estimate, its variance, intervals and p-values, for many games at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.statistics.adapters import t_quantile, t_tail
from gpubench_kit.statistics.variance import Moments, moments

#: A variance of a difference below this is what rounding inside the machine leaves of equal values.
NO_SPREAD = 1e-22


@dataclass(frozen=True)
class Estimate:
    """A difference and how well it is known; arrays of one shape.

    Attributes
    ----------
    change : mean of ``of`` minus mean of ``against``; natural log on the ratio scale
    variance : of one run (or block), ``nan`` with fewer than two
    error : variance of ``change``
    df : degrees of freedom of ``error``
    n_units : rounds, or blocks or runs of the side that has fewer
    at_floor : whether the variance was lifted to what the resolution alone makes
    """

    change: np.ndarray
    variance: np.ndarray
    error: np.ndarray
    df: np.ndarray
    n_units: np.ndarray
    at_floor: np.ndarray

    def where(self, condition: np.ndarray, other: Estimate) -> Estimate:
        """Return this estimate where the condition holds, else the other."""
        names = self.__dataclass_fields__
        return Estimate(*(np.where(condition, getattr(self, name), getattr(other, name)) for name in names))

    def with_variance(self, variance: np.ndarray, df: np.ndarray) -> Estimate:
        """Return the estimate judged by another variance of one run."""
        share = np.divide(variance, self.variance, out=np.ones_like(self.variance), where=self.variance > 0)
        return replace(self, variance=variance, error=self.error * share, df=df)


@dataclass(frozen=True)
class Tests:
    """Intervals and p-values of estimates; arrays of one shape.

    Attributes
    ----------
    low, high : interval against zero, two-sided
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


def estimate_from_rounds(means: np.ndarray, *, floor: np.ndarray | float = 0.0) -> Estimate:
    """Estimate differences from complete rounds.

    Parameters
    ----------
    means : array (..., 2, rounds): both sides, one place per round; nan where a run is missing
    floor : array (...), least variance of one run

    Returns
    -------
    Estimate, arrays (...)

    Notes
    -----
    ``D = mean(d)``, ``s2 = var(d) / 2``, ``V = 2 s2 / n``, ``df = n - 1``: the paired t test on the
    difference within each round, with a variance per run.
    """
    inside = moments(means[..., 0, :] - means[..., 1, :])
    variance = inside.variance / 2
    lifted = np.maximum(variance, floor)
    n = np.maximum(inside.n, 1)
    return Estimate(inside.mean, lifted, 2 * lifted / n, inside.n - 1.0, inside.n, variance < floor)


def estimate_two_groups(means: np.ndarray, *, floor: np.ndarray | float = 0.0, pool_equal: bool = True) -> Estimate:
    """Estimate differences between two groups of units.

    Parameters
    ----------
    means : array (..., 2, units): both sides; nan where there is no unit
    floor : array (...), least variance of one unit
    pool_equal : whether equal counts share one variance; the kit always pools them

    Returns
    -------
    Estimate, arrays (...): pooled variance for equal counts, Welch (1947) for unequal ones

    Notes
    -----
    Equal counts: ``s2 = (var A + var B) / 2``, ``V = 2 s2 / n``, ``df = 2 (n - 1)``. A pooled
    variance with unequal counts errs where the smaller group is the noisier one.
    """
    of, against = moments(means[..., 0, :]), moments(means[..., 1, :])
    equal = (of.n == against.n) & pool_equal
    pooled = (of.variance + against.variance) / 2
    per_side = [np.maximum(side.variance, floor) / np.maximum(side.n, 1) for side in (of, against)]
    error = np.where(equal, 2 * np.maximum(pooled, floor) / np.maximum(of.n, 1), per_side[0] + per_side[1])
    share = 1 / np.maximum(of.n, 1) + 1 / np.maximum(against.n, 1)
    return Estimate(
        change=of.mean - against.mean,
        variance=error / share,
        error=error,
        df=np.where(equal, 2.0 * (of.n - 1), _welch_df(per_side, (of, against))),
        n_units=np.minimum(of.n, against.n),
        at_floor=np.where(equal, pooled < floor, (of.variance < floor) & (against.variance < floor)),
    )


def run_tests(
    change: np.ndarray, error: np.ndarray, df: np.ndarray, *, margin: float, level: float, direction: int
) -> Tests:
    """Hold differences against zero and against the margin.

    Parameters
    ----------
    change, error, df : difference, its variance and degrees of freedom
    margin : smallest difference that matters, on the scale of ``change``; nan for none
    level : of each test
    direction : 1 where higher is better, -1 where lower is, 0 where neither

    Returns
    -------
    Tests; nan where there is no variance, or no margin, or no direction

    References
    ----------
    Schuirmann, D. J. (1987). A comparison of the two one-sided tests procedure and the power
    approach for assessing the equivalence of average bioavailability. doi:10.1007/BF01068419
    """
    known = (error > 0) & (df > 0)
    se = np.sqrt(np.where(known, error, np.nan))
    df = np.where(known, df, np.nan)
    wide, narrow = t_quantile(1 - level / 2, df) * se, t_quantile(1 - level, df) * se
    p_low, p_up = t_tail((change + margin) / se, df), t_tail((margin - change) / se, df)
    return Tests(
        ci_low=change - wide,
        ci_high=change + wide,
        equivalence_ci_low=change - narrow,
        equivalence_ci_high=change + narrow,
        p_difference=np.minimum(2 * t_tail(np.abs(change) / se, df), 1.0),
        p_equivalence=np.maximum(p_low, p_up),
        p_non_inferiority={1: p_low, -1: p_up, 0: np.full_like(p_low, np.nan)}[direction],
    )


def _welch_df(per_side: list[np.ndarray], sides: tuple[Moments, Moments]) -> np.ndarray:
    """Return Welch's degrees of freedom; 0 where there is no variance."""
    total = per_side[0] + per_side[1]
    parts = sum(error**2 / np.maximum(side.n - 1, 1) for error, side in zip(per_side, sides, strict=True))
    return np.where(parts > 0, total**2 / np.where(parts > 0, parts, 1.0), 0.0)
