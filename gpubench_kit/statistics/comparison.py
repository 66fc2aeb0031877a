"""Two sides in one game: from runs to an estimate, its variance and why there is no verdict; many games at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.statistics.design import CONFOUNDED, ROUNDS, Design, classify, estimate_drift
from gpubench_kit.statistics.equivalence import Uncertainty
from gpubench_kit.statistics.restarts import RestartSpread, restart_spread
from gpubench_kit.statistics.runs import CodedRuns, PairRuns, members_of, select_pair
from gpubench_kit.statistics.units import Units, gather_units, is_ratio, scaled_margin, scaled_values
from gpubench_kit.statistics.variance import LEAST_GAMES, moments, shared_rounding, shrink_variance
from gpubench_kit.statistics.withheld import withhold_by_design, withhold_by_runs


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


#: With few games and at most so many rounds, n - 1 degrees of freedom are too few for pairs.
FEW_ROUNDS = 4


@dataclass(frozen=True)
class Measured:
    """What one pair shows in one metric; arrays over cells unless said otherwise.

    Attributes
    ----------
    place : number of the pair in the plan
    pair, design, units : runs, their design and their units
    own : from the game's own runs
    used : as judged: own or borrowed variance
    borrowed : where the other games' noise was used
    withheld : why there is no verdict; empty where there is one
    spread : of restarts, where the plan states it
    drifts : whether the values of the cell's family drift visibly and its design is confounded
    """

    place: int
    pair: PairRuns
    design: Design
    units: Units
    own: Estimate
    used: Estimate
    borrowed: np.ndarray
    withheld: np.ndarray
    spread: RestartSpread | None
    drifts: np.ndarray

    @property
    def is_widened(self) -> np.ndarray:
        """Whether a cell is judged although its design is confounded."""
        return (self.design.classes == CONFOUNDED) & (self.spread is not None)

    @property
    def floor(self) -> np.ndarray:
        """Variance of one run that rounding alone makes."""
        return self.units.step**2 / 12

    def uncertainty(self, estimate: Estimate) -> Uncertainty:
        """Return how well the differences are known, by their own or by the noise used."""
        rounding = 2 * shared_rounding(self.floor, estimate.variance)
        if self.spread is None:
            return Uncertainty(estimate.error, estimate.df, rounding_error=rounding)
        restarts = np.where(self.is_widened, self.spread.variance, 0.0)
        return Uncertainty(estimate.error, estimate.df, restarts, self.spread.df, rounding)


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
    at_floor = (variance <= floor) & (floor > 0)
    return Estimate(inside.mean, lifted, 2 * lifted / n, inside.n - 1.0, inside.n, at_floor)


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
    parts = sum(one**2 / np.maximum(side.n - 1, 1) for one, side in zip(per_side, (of, against), strict=True))
    welch_df = np.where(parts > 0, (per_side[0] + per_side[1]) ** 2 / np.where(parts > 0, parts, 1.0), 0.0)
    return Estimate(
        change=of.mean - against.mean,
        variance=error / share,
        error=error,
        df=np.where(equal, 2.0 * (of.n - 1), welch_df),
        n_units=np.minimum(of.n, against.n),
        at_floor=np.where(equal, pooled <= floor, (of.variance <= floor) & (against.variance <= floor))
        & (floor > 0),
    )


def measure_pair(coded: CodedRuns, pair, *, place: int, metric: str, plan: ReviewPlan) -> Measured | None:
    """Estimate one pair's differences in one metric.

    Parameters
    ----------
    coded : usable runs
    pair : of and against, see `select_pair`
    place : number of the pair in the plan
    metric : name of the metric
    plan : ReviewPlan

    Returns
    -------
    Measured; None where one side has no run at all
    """
    runs = select_pair(coded, pair, metric=metric)
    if runs is None:
        return _measured_cold(coded, pair, place=place, metric=metric)
    design = classify(runs, applied=plan.analysis.applied, typed_order=plan.analysis.typed_order)
    units = gather_units(runs, design)
    by_runs = withhold_by_runs(runs)
    # With fewer than six games in rounds that count, and at most four rounds, rounds are compared as two groups:
    # conservative in randomised rounds, and twice the degrees of freedom.
    pairs = estimate_from_rounds(units.means, floor=units.step**2 / 12)
    groups = estimate_two_groups(units.means, floor=units.step**2 / 12)
    in_rounds = design.classes == ROUNDS
    counted = runs.family[in_rounds & (by_runs == "") & (pairs.n_units >= 2)]
    n_games = np.bincount(counted, minlength=len(design.shared))
    few = (n_games < LEAST_GAMES) & ~design.shared
    own = pairs.where(in_rounds & ~(few[runs.family] & (pairs.n_units <= FEW_ROUNDS)), groups)
    spread, margin = restart_spread(plan, metric), scaled_margin(plan, metric)
    by_design = withhold_by_design(runs, design, units, estimate=own, margin=margin, widened=spread is not None)
    drifts = _drifts(runs, design, plan.checks.drift_pct_per_run / 100)
    withheld = np.where(by_runs != "", by_runs, by_design)
    withheld = np.where((withheld == "") & drifts, "drift_visible", withheld)
    used, borrowed = own, np.zeros(runs.n_cells, dtype=bool)
    if not plan.analysis.strict and not runs.by_card:
        used, borrowed = _borrow(runs, design, own, stands=withheld == "")
    return Measured(place, runs, design, units, own, used, borrowed, withheld, spread, drifts)


def _measured_cold(coded: CodedRuns, pair, *, place: int, metric: str) -> Measured | None:
    """Return rows without a verdict where a metric of heat has only short runs, else None."""
    if METRICS[metric].purpose == "measure":
        return None
    runs = select_pair(coded, pair, metric=metric, purpose="measure")
    if runs is None:
        return None
    design = classify(runs)
    nothing = np.full(runs.n_cells, np.nan)
    units = replace(
        gather_units(runs, design),
        side_means=np.full((runs.n_cells, 2), np.nan),
        n_runs=np.zeros((runs.n_cells, 2), dtype=np.int64),
    )
    none = np.zeros(runs.n_cells, dtype=bool)
    estimate = Estimate(nothing, nothing, nothing, nothing, np.zeros(runs.n_cells, dtype=np.int64), none)
    withheld = np.full(runs.n_cells, "no_soak_runs", dtype=object)
    return Measured(place, runs, design, units, estimate, estimate, none, withheld, None, none)


def _drifts(runs: PairRuns, design: Design, limit: float) -> np.ndarray:
    """Return which confounded cells belong to a family whose values drift visibly."""
    if not is_ratio(runs.metric) or not (design.classes == CONFOUNDED).any():
        return np.zeros(runs.n_cells, dtype=bool)
    values = scaled_values(runs.metric, runs.runs.numbers["value"])
    drift = estimate_drift(
        values, runs.runs.numbers["order"], cell=runs.cell * 2 + runs.side, family=runs.family_of_run
    )
    return (design.classes == CONFOUNDED) & drift.is_visible(limit)[runs.family]


def _borrow(runs: PairRuns, design: Design, own: Estimate, *, stands: np.ndarray) -> tuple[Estimate, np.ndarray]:
    """Return estimates with the variance borrowed between the games of each family, and where."""
    eligible = stands & (design.classes == ROUNDS) & (own.n_units >= 2) & ~own.at_floor
    if not eligible.any() or np.bincount(runs.family[eligible]).max() < LEAST_GAMES:
        return own, np.zeros(runs.n_cells, dtype=bool)
    table = members_of(runs.family)
    there = table >= 0
    table_variance = np.where(there, own.variance[table], np.nan)
    table_df = np.where(there, own.df[table], 0.0)
    after = shrink_variance(np.nan_to_num(table_variance), table_df, eligible=there & eligible[table])
    borrowed, variance, df = np.zeros(runs.n_cells, dtype=bool), own.variance.copy(), own.df.copy()
    borrowed[table[there]] = after.borrowed[there]
    variance[table[there]] = np.where(after.borrowed[there], after.variance[there], own.variance[table[there]])
    df[table[there]] = after.df[there]
    return own.with_variance(variance, df), borrowed
