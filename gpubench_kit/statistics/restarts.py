"""Restarts: how far they move a bench, and what that does to a difference between two blocks.

A session (the runs between two restarts) shifts the values of all its runs; games may share that shift. What is
known of it is bounded by the number of restarts, however many games were run in each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import LEAST_RESTARTS
from gpubench_kit.statistics.adapters import chi2_cdf, chi2_quantile, find_root, normal_quantile
from gpubench_kit.statistics.testing import Uncertainty, half_width

_LARGEST_FACTOR = 1e6


@dataclass(frozen=True)
class RestartSpread:
    """Standard deviation between restarts, on the scale of the metric.

    Attributes
    ----------
    sd : of ln y on the ratio scale, else in the metric's unit
    restarts : on how many it was measured; 0 for an assumption
    """

    sd: float
    restarts: int

    @property
    def reason(self) -> str:
        """Word that stands beside a verdict which rests on this spread."""
        return "measured_restart_spread" if self.restarts else "assumed_restart_spread"

    @property
    def variance(self) -> float:
        """Variance of the difference of two blocks that stand on a restart each."""
        return 2 * self.sd**2

    @property
    def df(self) -> float:
        """Degrees of freedom of the variance; an assumed one counts as known."""
        return self.restarts - 1.0 if self.restarts else np.inf


@dataclass(frozen=True)
class TippingPoint:
    """What the bench must have done between two blocks to explain what is seen; arrays, on the scale of the tests.

    Attributes
    ----------
    bench_change : change of the bench between the blocks that would explain it
    restart_spread : standard deviation between restarts from which on it says nothing
    """

    bench_change: np.ndarray
    restart_spread: np.ndarray


def restart_spread(plan: ReviewPlan, metric: str) -> RestartSpread | None:
    """Return the spread between restarts that the plan states for a metric.

    Parameters
    ----------
    plan : ReviewPlan, gives ``analysis.restart_spread``
    metric : name of the metric

    Returns
    -------
    RestartSpread; None where none is stated, or where it was measured on a single restart
    """
    stated = dict(plan.analysis.restart_spread or {})
    restarts = int(stated.pop("restarts", 0))
    if metric not in stated or 0 < restarts < LEAST_RESTARTS:
        return None
    share = 100.0 if METRICS[metric].scale == "ratio" else 1.0
    return RestartSpread(float(stated[metric]) / share, restarts)


def tipping_point(distance, found: Uncertainty, *, level) -> TippingPoint:
    """Return from where on restarts alone would explain a result of two blocks.

    Parameters
    ----------
    distance : from the difference to what it is held against: ``|D|`` for its direction, ``M - |D|`` for the
        same, ``M + E`` for no loss, with the margin M and the difference for the better E
    found : how well the difference is known, restarts apart
    level : two-sided

    Returns
    -------
    TippingPoint; 0 where noise alone explains it, nan where the noise is not known

    Notes
    -----
    ``X = distance - h`` and ``r* = sqrt((distance^2 - h^2) / (2 z^2))`` with the half-width h of the noise of runs
    and z the normal quantile. If restarts vary by no more than r*, and nothing differs, a result is named with
    at most the level's chance. With k measured restarts of spread r the result holds where
    ``r* >= r t(1 - a/2, k - 1) / z``.
    """
    distance = np.asarray(distance, dtype=float)
    half = half_width(level, found)
    beyond = np.where(distance > 0, np.maximum(distance**2 - half**2, 0.0), half * 0.0)
    spread = np.sqrt(beyond / 2) / normal_quantile(1 - np.asarray(level) / 2)
    return TippingPoint(np.maximum(distance - half, 0.0), spread)


@dataclass(frozen=True)
class SessionSquares:
    """Squares between the sessions of cells; arrays (cells,).

    A cell is one tuning of one card in one game, measured in two or more sessions of one review.

    Attributes
    ----------
    squares : sum over sessions of ``n (mean of the session - mean of the cell)**2``
    weight : ``N - sum(n**2) / N`` for N runs, n in each session
    df : sessions less one
    noise : variance of one run in that game, and ``noise_df`` its degrees of freedom
    noise_id : which cells share one estimate of that noise, from 0
    group : cells measured in the same sessions, which one restart moves together, from 0
    """

    squares: np.ndarray
    weight: np.ndarray
    df: np.ndarray
    noise: np.ndarray
    noise_df: np.ndarray
    noise_id: np.ndarray
    group: np.ndarray


@dataclass(frozen=True)
class Spread:
    """A spread between sessions, on the scale of the values.

    Attributes
    ----------
    sd : standard deviation between sessions; 0 where the noise of runs explains all
    df : its degrees of freedom (Satterthwaite 1946); 0 where ``sd`` is 0
    low, high : ends of its interval; ``high`` is infinite where nothing bounds it
    whole_sd, whole_df : spread of the means of sessions, the noise of their runs included, and its df
    restarts : sessions less one for each set of sessions, and one more
    """

    sd: float
    df: float
    low: float
    high: float
    whole_sd: float
    whole_df: float
    restarts: int


def sd_interval(sd: np.ndarray, *, df: np.ndarray, confidence: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Return the interval of a standard deviation of normal values.

    Parameters
    ----------
    sd : array, estimated
    df : array, degrees of freedom
    confidence : of the interval

    Returns
    -------
    tuple of arrays; nan where there is no df
    """
    tail = (1 - confidence) / 2
    df = np.asarray(df, dtype=float)
    usable = np.where(df > 0, df, np.nan)
    return tuple(np.asarray(sd) * np.sqrt(usable / chi2_quantile(p, usable)) for p in (1 - tail, tail))


def session_spread(found: SessionSquares, *, confidence: float = 0.95) -> Spread | None:
    """Return the spread between sessions.

    Parameters
    ----------
    found : at least one cell
    confidence : of the interval

    Returns
    -------
    Spread; None for no cell

    Notes
    -----
    By moments: ``E(squares) = weight * r**2 + df * noise`` in each cell, summed over cells (Henderson 1953, method
    1). A cell counts ``(m / (m + noise))**2`` with the median noise m, since a game far noisier than the others
    says little of restarts. The variance of the sum counts the part of r as common to all cells of a group, which
    is so if a restart shifts all games alike, and is too large otherwise. The interval holds every r for
    which the sum, taken as a scaled chi-squared variable with its first two moments, is not in either tail.

    References
    ----------
    Henderson, C. R. (1953). Estimation of variance and covariance components. doi:10.2307/3001853
    Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components.
    doi:10.2307/3002019
    """
    if not len(found.df):
        return None
    sums = _Sums(found)
    variance = max(0.0, sums.mean_square - sums.noise_part)
    df = 2 * variance**2 / sums.variance_of(variance) if variance > 0 else 0.0
    whole, (low, high) = sums.mean_square, sums.interval(confidence)
    whole_df = float(2 * whole**2 / sums.variance_of(variance)) if whole > 0 else 0.0
    sd, whole_sd, restarts = float(np.sqrt(variance)), float(np.sqrt(whole)), int(sums.group_df.sum()) + 1
    return Spread(sd, float(df), low, high, whole_sd, whole_df, restarts)


class _Sums:
    """Sums over cells, scaled so that ``mean_square`` has the expectation ``r**2 + noise_part``."""

    def __init__(self, found: SessionSquares):
        middle, self._found = float(np.median(found.noise)), found
        # A quarter where the noise of a cell is the median, less where it is larger.
        self._counts = (middle / (middle + found.noise)) ** 2 if middle > 0 else np.ones(len(found.noise))
        self._total = float((self._counts * found.weight).sum())
        self.mean_square = float((self._counts * found.squares).sum() / self._total)
        self.noise_part = float((self._counts * found.df * found.noise).sum() / self._total)
        groups = int(found.group.max()) + 1
        self.group_df = np.zeros(groups)
        np.maximum.at(self.group_df, found.group, found.df)
        self._group_weight = np.bincount(found.group, weights=self._counts * found.weight, minlength=groups)

    def variance_of(self, spread: float) -> float:
        """Return the variance of ``mean_square`` less its noise, if the variance between sessions is ``spread``."""
        one, counts = self._found, self._counts
        common = 2 * spread**2 * np.sum(self._group_weight**2 / self.group_df)
        own = np.sum(counts**2 * (4 * one.weight * spread * one.noise + 2 * one.df * one.noise**2))
        shared_df = np.bincount(one.noise_id, weights=counts * one.df)
        noise, df = np.zeros(len(shared_df)), np.ones(len(shared_df))
        noise[one.noise_id], df[one.noise_id] = one.noise, np.maximum(one.noise_df, 1)
        return float((common + own + np.sum(shared_df**2 * 2 * noise**2 / df)) / self._total**2)

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the ends of the interval of r."""
        tail = (1 - confidence) / 2
        scale = max(self.mean_square, self.noise_part)
        if scale <= 0:
            return 0.0, 0.0
        most = _LARGEST_FACTOR * scale
        return self._end(1 - tail, most=most), self._end(tail, most=most)

    def _end(self, chance: float, *, most: float) -> float:
        """Return the r at which the mean square found lies at a quantile of its distribution."""
        if self._place(0.0) <= chance:
            return 0.0
        if self._place(most) > chance:
            return float("inf")
        return float(
            np.sqrt(find_root(lambda spread: self._place(float(spread)) > chance, np.zeros(()), np.array(most)))
        )

    def _place(self, spread: float) -> float:
        """Return the chance of a smaller mean square than found, if the variance between sessions is ``spread``."""
        expected, variance = spread + self.noise_part, self.variance_of(spread)
        if variance <= 0:
            return 1.0 if self.mean_square > expected else 0.0
        df = 2 * expected**2 / variance
        return float(chi2_cdf(df * self.mean_square / expected, df))
