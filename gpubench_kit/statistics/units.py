"""From runs to the units that are compared: one mean per round, block or run, on the scale of the metric."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
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
