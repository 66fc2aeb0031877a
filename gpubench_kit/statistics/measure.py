"""One pair and one metric in every game: from runs to estimates, with what rules out a verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.coded_runs import CodedRuns
from gpubench_kit.statistics.difference import Estimate, estimate_from_rounds, estimate_two_groups
from gpubench_kit.statistics.drift import estimate_drift
from gpubench_kit.statistics.layout import CONFOUNDED, ROUNDS, Layout, classify
from gpubench_kit.statistics.pair_runs import PairRuns, members_of, select_pair
from gpubench_kit.statistics.units import Units, gather_units, is_ratio, scaled_values
from gpubench_kit.statistics.variance import LEAST_GAMES, borrow_variance
from gpubench_kit.statistics.widening import RestartSpread, restart_spread, widen
from gpubench_kit.statistics.withheld import withhold_by_layout, withhold_by_runs

#: With few games and at most so many rounds, n - 1 degrees of freedom are too few for pairs.
FEW_ROUNDS = 4


@dataclass(frozen=True)
class Measured:
    """What one pair shows in one metric; arrays over cells unless said otherwise.

    Attributes
    ----------
    place : number of the pair in the plan
    pair, layout, units : runs, their class and their units
    plain : from the game's own runs, before a spread between restarts is added
    own : from the game's own runs
    used : as judged: own or borrowed variance
    borrowed : where the other games' noise was used
    withheld : why there is no verdict; empty where there is one
    spread : of restarts, where the plan states it
    """

    place: int
    pair: PairRuns
    layout: Layout
    units: Units
    plain: Estimate
    own: Estimate
    used: Estimate
    borrowed: np.ndarray
    withheld: np.ndarray
    spread: RestartSpread | None

    @property
    def is_widened(self) -> np.ndarray:
        """Whether a cell is judged although its layout is confounded."""
        return (self.layout.classes == CONFOUNDED) & (self.spread is not None)


def measure_pair(coded: CodedRuns, pair, *, place: int, metric: str, plan) -> Measured | None:
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
    layout = classify(runs, applied=plan.analysis.applied, typed_order=plan.analysis.typed_order)
    units = gather_units(runs, layout)
    by_runs = withhold_by_runs(runs)
    plain = _own_estimate(runs, layout, units, stands=by_runs == "")
    spread = restart_spread(plan, metric)
    by_layout = withhold_by_layout(runs, layout, units, estimate=plain, widened=spread is not None)
    withheld = np.where(by_runs != "", by_runs, by_layout)
    own = plain if spread is None else _widened(plain, spread, layout.classes == CONFOUNDED)
    if spread is not None:
        limit = plan.checks.drift_pct_per_run / 100
        withheld = np.where((withheld == "") & _drifts(runs, layout, limit), "drift_visible", withheld)
    used, borrowed = own, np.zeros(runs.n_cells, dtype=bool)
    if not plan.analysis.strict and not runs.by_card:
        used, borrowed = _borrow(runs, layout, own, stands=withheld == "")
    return Measured(place, runs, layout, units, plain, own, used, borrowed, withheld, spread)


def _measured_cold(coded: CodedRuns, pair, *, place: int, metric: str) -> Measured | None:
    """Return rows without a verdict where a metric of heat has only short runs, else None."""
    if METRICS[metric].purpose == "measure":
        return None
    runs = select_pair(coded, pair, metric=metric, purpose="measure")
    if runs is None:
        return None
    layout = classify(runs)
    nothing = np.full(runs.n_cells, np.nan)
    units = replace(
        gather_units(runs, layout),
        side_means=np.full((runs.n_cells, 2), np.nan),
        n_runs=np.zeros((runs.n_cells, 2), dtype=np.int64),
    )
    none = np.zeros(runs.n_cells, dtype=bool)
    estimate = Estimate(nothing, nothing, nothing, nothing, np.zeros(runs.n_cells, dtype=np.int64), none)
    withheld = np.full(runs.n_cells, "no_soak_runs", dtype=object)
    return Measured(place, runs, layout, units, estimate, estimate, estimate, none, withheld, None)


def _own_estimate(runs: PairRuns, layout: Layout, units: Units, *, stands: np.ndarray) -> Estimate:
    """Return the estimate from each game's own runs: pairs in rounds, else two groups.

    With fewer than six games in rounds that count, and at most four rounds, rounds are compared as
    two groups: conservative in randomised rounds, and twice the degrees of freedom.
    """
    pairs = estimate_from_rounds(units.means, floor=units.floor)
    groups = estimate_two_groups(units.means, floor=units.floor)
    in_rounds = layout.classes == ROUNDS
    counted = runs.family[in_rounds & stands & (pairs.n_units >= 2)]
    n_games = np.bincount(counted, minlength=len(layout.shared))
    few = (n_games < LEAST_GAMES) & ~layout.shared
    return pairs.where(in_rounds & ~(few[runs.family] & (pairs.n_units <= FEW_ROUNDS)), groups)


def _widened(estimate: Estimate, spread: RestartSpread, confounded: np.ndarray) -> Estimate:
    """Return the estimate with the spread between restarts added where the layout is confounded."""
    error, df = widen(estimate.error, estimate.df, spread)
    return replace(
        estimate, error=np.where(confounded, error, estimate.error), df=np.where(confounded, df, estimate.df)
    )


def _drifts(runs: PairRuns, layout: Layout, limit: float) -> np.ndarray:
    """Return which confounded cells belong to a family whose values drift visibly."""
    if not is_ratio(runs.metric):
        return np.zeros(runs.n_cells, dtype=bool)
    values = scaled_values(runs.metric, runs.runs.numbers["value"])
    drift = estimate_drift(
        values, runs.runs.numbers["order"], cell=runs.cell * 2 + runs.side, family=runs.family_of_run
    )
    return (layout.classes == CONFOUNDED) & drift.is_visible(limit)[runs.family]


def _borrow(runs: PairRuns, layout: Layout, own: Estimate, *, stands: np.ndarray) -> tuple[Estimate, np.ndarray]:
    """Return estimates with the variance borrowed between the games of each family, and where."""
    eligible = stands & (layout.classes == ROUNDS) & (own.n_units >= 2) & ~own.at_floor
    if not eligible.any() or np.bincount(runs.family[eligible]).max() < LEAST_GAMES:
        return own, np.zeros(runs.n_cells, dtype=bool)
    table = members_of(runs.family)
    there = table >= 0
    table_variance = np.where(there, own.variance[table], np.nan)
    table_df = np.where(there, own.df[table], 0.0)
    after = borrow_variance(np.nan_to_num(table_variance), table_df, eligible=there & eligible[table])
    borrowed, variance, df = np.zeros(runs.n_cells, dtype=bool), own.variance.copy(), own.df.copy()
    borrowed[table[there]] = after.borrowed[there]
    variance[table[there]] = np.where(after.borrowed[there], after.variance[there], own.variance[table[there]])
    df[table[there]] = after.df[there]
    return own.with_variance(variance, df), borrowed
