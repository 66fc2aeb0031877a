"""Two sides in one game: from runs to an estimate, its variance and why there is no verdict; many games at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.statistics.design import CONFOUNDED, ROUNDS, Design, classify, estimate_drift
from gpubench_kit.statistics.restarts import RestartSpread, restart_spread
from gpubench_kit.statistics.runs import CodedRuns, PairRuns, members_of, select_pair
from gpubench_kit.statistics.testing import Uncertainty
from gpubench_kit.statistics.variance import (
    LEAST_GAMES,
    Units,
    gather_units,
    is_ratio,
    moments,
    scaled_margin,
    scaled_values,
    shared_rounding,
    shrink_variance,
)
from gpubench_kit.wording.terms import WITHHELD

#: A variance of a difference below this is what rounding inside the machine leaves of equal values.
NO_SPREAD = 1e-22
#: Values that are equal within a step this fine show a cap; a coarser step alone makes them equal.
FINE_STEP = 0.0015
#: A step wider than this share of the margin cannot show what matters, where it hides all noise.
COARSE_STEP = 1.25
#: Withholds the verdict on one game; its difference is part of the result over games.
TOO_COARSE = "typed_too_coarsely"

#: Reasons for which not even the difference is shown.
NEVER_COMPARED = (
    "not_measured", "no_soak_runs", "different_power_points", "different_frames_counted", "different_bench",
    "different_game_version", "value_not_usable", "format_not_confirmed",
)  # fmt: skip

#: Reasons with which a game still has a difference that can enter "games like these".
DIFFERENCE_STANDS = ("", "one_run", "no_spread", TOO_COARSE)


def withhold_by_runs(pair: PairRuns) -> np.ndarray:
    """Return why the runs themselves rule out a verdict.

    Parameters
    ----------
    pair : runs of both sides

    Returns
    -------
    array (cells,) of words of ``WITHHELD``, or of what the checks gave; empty where nothing does
    """
    runs, metric = pair.runs, METRICS[pair.metric]
    measured = pair.count(np.full(len(pair.cell), True))
    # Benches may differ between the sides where the pair says so.
    sides = [pair.side == 0, pair.side == 1] if pair.names_benches else [None]
    conditions: dict[str, np.ndarray] = {
        "not_measured": measured.min(axis=1) == 0,
        "different_bench": np.any([_differs(pair, runs.codes["bench"], side) for side in sides], axis=0),
        "different_game_version": _differs(pair, runs.codes["game_version"], runs.is_given("game_version")),
        "value_not_usable": pair.any_in_cell(np.isnan(scaled_values(pair.metric, runs.numbers["value"]))),
        "format_not_confirmed": pair.any_in_cell(
            runs.codes["withheld_for"] == runs.code_of("withheld_for", "format_not_confirmed")
        ),
    }
    if pair.across and metric.is_by_power_measured_at:
        points = _differs(pair, runs.codes["power_measured_at"]) | pair.any_in_cell(
            ~runs.is_given("power_measured_at")
        )
        conditions["different_power_points"] = points & _differs(pair, runs.codes["card"])
    if metric.needs in ("frames", "both"):
        rendered = _differs(pair, runs.codes["frames_counted"])
        conditions["different_frames_counted"] = rendered | _differs(pair, runs.numbers["generated_per_rendered"])
    if metric.is_capped:
        conditions["frame_limit_declared"] = pair.any_in_cell(runs.numbers["frame_limit_fps"] > 0)
    return _first_reason([(word, conditions[word]) for word in WITHHELD if word in conditions], _checked(pair))


def withhold_by_design(
    pair: PairRuns, design: Design, units: Units, *, estimate, margin: float, widened: bool
) -> np.ndarray:
    """Return why the way of measuring rules out a verdict.

    Parameters
    ----------
    pair, design, units : runs, their design and their units
    estimate : difference from the game's own runs
    margin : smallest difference that matters, on the scale of the metric; nan for none
    widened : whether a spread between restarts is known, so that confounded games are judged

    Returns
    -------
    array (cells,) of words of ``WITHHELD``; empty where nothing does
    """
    several, card = ~np.isnan(estimate.error), pair.runs.codes["card"]
    held = units.is_level & (units.step <= FINE_STEP) & METRICS[pair.metric].is_capped
    confounded = (design.classes == CONFOUNDED) & (not widened)
    conditions: list[tuple[str, np.ndarray]] = [
        ("held_by_cap", held & several),
        ("one_card", pair.by_card & ~(_differs(pair, card, pair.side == 0) & _differs(pair, card, pair.side == 1))),
        ("not_stated", confounded & design.unstated),
        ("confounded", confounded),
        ("one_run", ~several),
        ("no_spread", estimate.error <= NO_SPREAD),
        (TOO_COARSE, estimate.at_floor & (units.step > COARSE_STEP * margin)),
    ]
    return _first_reason(conditions, np.full(pair.n_cells, "", dtype=object))


def _first_reason(conditions: list[tuple[str, np.ndarray]], otherwise: np.ndarray) -> np.ndarray:
    """Return the first word whose condition holds."""
    reasons = otherwise.copy()
    for word, condition in reversed(conditions):
        reasons[condition] = word
    return reasons


def _checked(pair: PairRuns) -> np.ndarray:
    """Return the first reason that the checks gave to a run of each cell."""
    runs = pair.runs
    given = runs.is_given("withheld_for")
    if METRICS[pair.metric].needs != "frames":
        # Watts and energy of a capped game are compared as usual.
        given = given & (runs.codes["withheld_for"] != runs.code_of("withheld_for", "held_by_cap"))
    reasons = np.full(pair.n_cells, "", dtype=object)
    rows = np.flatnonzero(given)[::-1]
    reasons[pair.cell[rows]] = runs.text("withheld_for")[rows]
    return reasons


def _differs(pair: PairRuns, values: np.ndarray, among: np.ndarray | None = None) -> np.ndarray:
    """Return in which cells the values of the runs are not all equal."""
    rows = np.full(len(values), True) if among is None else among
    low, high = np.full(pair.n_cells, np.inf), np.full(pair.n_cells, -np.inf)
    np.minimum.at(low, pair.cell[rows], values[rows])
    np.maximum.at(high, pair.cell[rows], values[rows])
    return low < high


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
    df = np.where(equal, 2.0 * (of.n - 1), welch_df)
    both_at_floor = (of.variance <= floor) & (against.variance <= floor)
    at_floor = np.where(equal, pooled <= floor, both_at_floor) & (floor > 0)
    return Estimate(of.mean - against.mean, error / share, error, df, np.minimum(of.n, against.n), at_floor)


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
    means, counts = np.full((runs.n_cells, 2), np.nan), np.zeros((runs.n_cells, 2), dtype=np.int64)
    units = replace(gather_units(runs, design), side_means=means, n_runs=counts)
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
