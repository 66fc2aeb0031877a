"""From runs to the units that are compared, one mean per round, block or run, and how far units differ.

Own and borrowed variance, and the floor set by resolution, are calculated on arrays: the last axis holds the runs
of a cell, or the games of a family, and any axes before it are independent. ``variance`` is always that of one run
(of ln y on the ratio scale), so a difference of two means of n runs has variance ``2 * variance / n``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.statistics.adapters import digamma, f_quantile, tetragamma, trigamma
from gpubench_kit.statistics.design import RESTARTS, ROUNDS, Design
from gpubench_kit.statistics.runs import PairRuns, rank_within

#: No measurement is larger, nor a ratio smaller than one part of it: squares and products stay numbers.
_LARGEST = 1e50
#: A change by this factor (natural log) stands for all beyond it, so that -100 % and infinity are not reached.
_LARGEST_LOG = 30.0


@dataclass(frozen=True)
class Units:
    """Values of both sides.

    Attributes
    ----------
    means : array (cells, 2, places), natural log on the ratio scale; nan where there is nothing. In
        rounds and in blocks one place is the same round or block in every cell of linked games
    side_means : array (cells, 2), mean over the runs that enter
    n_runs : array (cells, 2), runs that enter
    step : array (cells,), resolution as a share of the mean on the ratio scale, else in the unit; 0: not known
    is_level : array (cells,), whether all runs are equal within their resolution
    """

    means: np.ndarray
    side_means: np.ndarray
    n_runs: np.ndarray
    step: np.ndarray
    is_level: np.ndarray


def is_ratio(metric: str) -> bool:
    """Return whether a metric is compared on natural logs."""
    return METRICS[metric].scale == "ratio"


def scaled_values(metric: str, values: np.ndarray) -> np.ndarray:
    """Return values on the scale on which they are compared; nan where there is no such value.

    Parameters
    ----------
    metric : name of the metric
    values : array, in the metric's unit

    Returns
    -------
    array: natural logs on the ratio scale, else the values
    """
    size = np.abs(values)
    usable = (size < _LARGEST) & ((values > 1 / _LARGEST) | (not is_ratio(metric)))
    kept = np.where(usable, values, 1.0)
    return np.where(usable, np.log(kept) if is_ratio(metric) else kept, np.nan)


def in_percent(change):
    """Return a change in natural log as percent.

    Parameters
    ----------
    change : number or array; beyond 30 either way it counts as 30, which is a factor of 1e13
    """
    return 100 * np.expm1(np.clip(change, -_LARGEST_LOG, _LARGEST_LOG))


def direction_of(metric: str) -> int:
    """Return 1 where higher is better, -1 where lower is, 0 where neither."""
    return {"higher": 1, "lower": -1, "neither": 0}[METRICS[metric].better]


def scaled_margin(plan: ReviewPlan, metric: str) -> float:
    """Return the margin of the plan on the scale of the metric; nan for none.

    On the ratio scale it is ``-ln(1 - margin/100)`` on both sides, so that swapping the two sides
    gives the same verdict.
    """
    margin = plan.margin_of(metric)
    if margin is None:
        return float("nan")
    return float(-np.log1p(-margin / 100)) if is_ratio(metric) else float(margin)


def gather_units(pair: PairRuns, design: Design) -> Units:
    """Average the runs of each unit.

    Parameters
    ----------
    pair : runs of both sides
    design : their class

    Returns
    -------
    Units
    """
    scaled = scaled_values(pair.metric, pair.runs.numbers["value"])
    rows = np.flatnonzero(design.used & ~np.isnan(scaled))
    class_ = design.classes[pair.cell]
    # A unit has one place in all cells of linked games; sides share rounds, but not blocks or single runs.
    home = design.part[pair.cell] * 2 + np.where(class_ == ROUNDS, 0, pair.side)
    home = home * 3 + np.select([class_ == ROUNDS, class_ == RESTARTS], [0, 1], 2)
    lonely = design.unit < 0
    home = np.where(lonely, (pair.cell * 2 + pair.side) * 3 + 2 + 6 * pair.n_cells, home)
    label = np.where(lonely, np.arange(len(home)), design.unit)
    place = rank_within(np.unique(home, return_inverse=True)[1], label)
    side = pair.cell[rows] * 2 + pair.side[rows]
    width = int(place.max(initial=0)) + 1
    shape = (pair.n_cells, 2, width)
    means = _means(side * width + place[rows], scaled[rows], 2 * pair.n_cells * width).reshape(shape)
    n_runs = np.bincount(side, minlength=2 * pair.n_cells).reshape(-1, 2)
    step, is_level = _resolution(pair, rows, scaled)
    return Units(means, _means(side, scaled[rows], 2 * pair.n_cells).reshape(-1, 2), n_runs, step, is_level)


def _means(groups: np.ndarray, values: np.ndarray, count: int) -> np.ndarray:
    """Return the mean of the values of each group; nan where there is none."""
    n = np.bincount(groups, minlength=count)
    total = np.bincount(groups, weights=values, minlength=count)
    return np.where(n > 0, total / np.maximum(n, 1), np.nan)


def _resolution(pair: PairRuns, rows: np.ndarray, scaled: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return each cell's step on the scale of the metric, and whether its values are all equal within it."""
    values, cell = pair.runs.numbers["value"], pair.cell
    step, low, high = np.zeros(pair.n_cells), np.full(pair.n_cells, np.inf), np.full(pair.n_cells, -np.inf)
    np.maximum.at(step, cell[rows], pair.runs.numbers["step"][rows])
    np.minimum.at(low, cell[rows], values[rows])
    np.maximum.at(high, cell[rows], values[rows])
    mean = _means(cell[rows], scaled[rows], pair.n_cells)
    center = np.exp(mean) if is_ratio(pair.metric) else np.ones(pair.n_cells)
    # A typed step of 0.1 is no exact binary number: equal within a step needs a little room.
    return step / center, high - low <= step * (1 + 1e-6)


#: Fewer games than this never borrow from each other.
LEAST_GAMES = 6
#: The other games never count for more degrees of freedom than this.
PRIOR_DF_CAP = 4.0
#: A game with so many degrees of freedom stands on its own runs.
OWN_DF_ENOUGH = 8
#: A game noisier than this quantile of what the others suggest stands on its own runs.
OWN_QUANTILE = 0.90

# Smyth's guard against a variance of almost nothing, as a share of the median.
_LEAST_SHARE_OF_MEDIAN = 1e-5


@dataclass(frozen=True)
class Moments:
    """Count, mean and variance (n - 1) of the values that are there; nan where not defined."""

    n: np.ndarray
    mean: np.ndarray
    variance: np.ndarray


@dataclass(frozen=True)
class ShrunkVariance:
    """Variances after looking at the other games.

    Attributes
    ----------
    variance, df : as to be used, shaped as the input
    borrowed : whether a game's variance was moved towards the others'
    prior_df, prior_variance : what the others count for, and what they suggest; nan where the
        family is too small
    estimated_prior_df : the same before the cap, one for each family; infinite where the games do
        not differ more than chance
    """

    variance: np.ndarray
    df: np.ndarray
    borrowed: np.ndarray
    prior_df: np.ndarray
    prior_variance: np.ndarray
    estimated_prior_df: np.ndarray


def moments(values: np.ndarray) -> Moments:
    """Return count, mean and variance over the last axis; nan marks a value that is not there.

    Parameters
    ----------
    values : array (..., n)

    Returns
    -------
    Moments, arrays (...). The mean of nothing and the variance of fewer than two values are nan.
    """
    there = ~np.isnan(values)
    n = there.sum(axis=-1)
    mean = ratio_or_nan(np.where(there, values, 0.0).sum(axis=-1), n)
    squares = np.where(there, values - mean[..., None], 0.0) ** 2
    return Moments(n, mean, ratio_or_nan(squares.sum(axis=-1), n - 1))


def resolution_variance(step: np.ndarray, mean: np.ndarray | float = 1.0) -> np.ndarray:
    """Return the variance that rounding to a step alone gives one run.

    Parameters
    ----------
    step : resolution of the recorded value; 0 where none is known
    mean : mean of the values on the ratio scale, 1 on the difference scale

    Returns
    -------
    array: ``(step / mean)**2 / 12``, the variance of a uniform error
    """
    return (np.asarray(step, dtype=float) / mean) ** 2 / 12


def shared_rounding(floor: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Return the variance of the rounding that all runs of a cell share.

    Parameters
    ----------
    floor : variance that rounding to the step alone gives one run; 0 where no step is known
    variance : of one run, at least ``floor``

    Returns
    -------
    array: ``floor`` where the runs do not differ beyond it, near 0 where noise is wider than the step

    Notes
    -----
    Rounding of a normal value with variance ``r2 * floor`` before it shifts its mean by an error of variance
    ``floor (6 / pi^2) sum_k exp(-pi^2 k^2 r2 / 3) / k^2`` over all places of the mean between two steps: the
    Fourier series of the sawtooth, of which three terms are enough.
    """
    step = np.asarray(floor, dtype=float)
    if not np.any(step > 0):
        return np.zeros(np.shape(variance))
    noise = np.where(step > 0, np.maximum(variance - step, 0.0) / np.where(step > 0, step, 1.0), np.inf)
    terms = sum(np.exp(-(np.pi**2) * k**2 * noise / 3) / k**2 for k in (1, 2, 3))
    return np.where(np.isfinite(noise), step * 6 / np.pi**2 * terms, 0.0)


def shrink_variance(
    variance: np.ndarray,
    df: np.ndarray,
    *,
    eligible: np.ndarray | None = None,
    cap: float | None = PRIOR_DF_CAP,
    own_rule: bool = True,
) -> ShrunkVariance:
    """Move each game's variance towards those of the other games.

    Parameters
    ----------
    variance, df : arrays (..., games): variance of one run and its degrees of freedom
    eligible : truth values (..., games): which games take part; default all with df >= 1 and a
        variance above 0. The others keep their own variance
    cap : most degrees of freedom that the others count for, and never more than the game's own;
        None for no cap
    own_rule : whether games with 8 degrees of freedom, or far noisier than the others, stand alone

    Returns
    -------
    BorrowedVariance, arrays (..., games)

    Notes
    -----
    With ``cap=None`` and ``own_rule=False`` this is the moderated variance of Smyth (2004). Cap and
    own rule keep a noisy game from being judged by the quiet ones. Families with fewer than 6
    eligible games do not borrow.

    References
    ----------
    Smyth, G. K. (2004). Linear models and empirical Bayes methods for assessing differential
    expression in microarray experiments. doi:10.2202/1544-6115.1027
    """
    variance, df = np.broadcast_arrays(np.asarray(variance, float), np.asarray(df, float))
    usable = (df >= 1) & (variance > 0)
    eligible = usable if eligible is None else usable & eligible
    eligible &= (eligible.sum(axis=-1) >= LEAST_GAMES)[..., None]
    safe_df = np.where(eligible, df, 1.0)
    center, estimated = _prior(variance, safe_df, eligible)
    prior_df = np.broadcast_to(estimated[..., None], df.shape)
    if cap is not None:
        prior_df = np.minimum(np.minimum(prior_df, cap), safe_df)
    prior = _prior_variance(center, prior_df, (variance, eligible))
    finite = np.isfinite(prior_df)
    # Games that are judged by their own runs.
    limit = prior * f_quantile(OWN_QUANTILE, safe_df, np.where(finite, prior_df, 1e12))
    borrowed = eligible & ~(((safe_df >= OWN_DF_ENOUGH) | (variance > limit)) & own_rule)
    # Own and prior variance weighted by their df.
    weight = np.where(finite, prior_df, 0.0)
    shrunk = np.where(finite, (safe_df * variance + weight * prior) / (safe_df + weight), prior)
    total_df = df + prior_df
    if cap is None:
        # No pooled estimate can know more than all games together.
        total_df = np.minimum(total_df, np.where(eligible, df, 0.0).sum(axis=-1, keepdims=True))
    return ShrunkVariance(
        variance=np.where(borrowed, shrunk, variance),
        df=np.where(borrowed, total_df, df),
        borrowed=borrowed,
        prior_df=np.where(eligible, prior_df, np.nan),
        prior_variance=np.where(eligible, prior, np.nan),
        estimated_prior_df=np.where(eligible.any(axis=-1), estimated, np.nan),
    )


def trigamma_inverse(value: np.ndarray) -> np.ndarray:
    """Return y such that trigamma(y) = value, by Newton's method.

    Parameters
    ----------
    value : array, above 0

    Returns
    -------
    array

    Notes
    -----
    Newton on 1 / trigamma, which is nearly straight: it comes from below and cannot overshoot
    (Smyth 2004, appendix).
    """
    value = np.asarray(value, dtype=float)
    y = 0.5 + 1 / value
    for _ in range(60):
        height = trigamma(y)
        step = height * (1 - height / value) / tetragamma(y)
        y = y + step
        if np.all(np.abs(step) <= 1e-14 * y):
            break
    return y


def _prior(variance: np.ndarray, df: np.ndarray, eligible: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean log variance (corrected for its bias) and the uncapped prior df of each family."""
    count = eligible.sum(axis=-1)
    logs = np.log(_guarded(variance, eligible)) - digamma(df / 2) + np.log(df / 2)
    center = ratio_or_nan(np.where(eligible, logs, 0.0).sum(axis=-1), count)
    squares = np.where(eligible, (logs - center[..., None]) ** 2, 0.0).sum(axis=-1)
    expected = ratio_or_nan(np.where(eligible, trigamma(df / 2), 0.0).sum(axis=-1), count)
    excess = ratio_or_nan(squares, count - 1) - expected
    finite = excess > 0
    return center, np.where(finite, 2 * trigamma_inverse(np.where(finite, excess, 1.0)), np.inf)


def _guarded(variance: np.ndarray, eligible: np.ndarray) -> np.ndarray:
    """Return the variances, none below a hundred-thousandth of its family's median; 1 outside."""
    # nanmedian would warn about families without an eligible game.
    inside = np.where(eligible, variance, np.inf)
    ordered = np.sort(inside, axis=-1)
    count = np.maximum(eligible.sum(axis=-1, keepdims=True), 1)
    low = np.take_along_axis(ordered, (count - 1) // 2, axis=-1)
    high = np.take_along_axis(ordered, count // 2, axis=-1)
    least = _LEAST_SHARE_OF_MEDIAN * (low + high) / 2
    return np.where(eligible, np.maximum(inside, np.where(np.isfinite(least), least, 0.0)), 1.0)


def _prior_variance(center: np.ndarray, prior_df: np.ndarray, games: tuple) -> np.ndarray:
    """Return the variance that the other games suggest to each; games = (variance, eligible)."""
    finite = np.isfinite(prior_df)
    half = np.where(finite, prior_df, 2.0) / 2
    suggested = np.exp(np.nan_to_num(center)[..., None] + digamma(half) - np.log(half))
    # Where the games do not differ in noise at all, the prior is their mean.
    variance, eligible = games
    guarded = np.where(eligible, _guarded(variance, eligible), 0.0)
    mean = ratio_or_nan(guarded.sum(axis=-1), eligible.sum(axis=-1))
    return np.where(finite, suggested, mean[..., None])


def ratio_or_nan(above: np.ndarray, below: np.ndarray) -> np.ndarray:
    """Return above / below; nan where below is not above 0.

    Parameters
    ----------
    above, below : arrays of one shape
    """
    fine = below > 0
    return np.where(fine, above / np.where(fine, below, 1.0), np.nan)
