"""Which games get no verdict, and why: decided from what runs are and how they were done."""

from __future__ import annotations

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.design import CONFOUNDED, Design
from gpubench_kit.statistics.runs import PairRuns
from gpubench_kit.statistics.units import Units, scaled_values
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
    conditions: dict[str, np.ndarray] = {
        "not_measured": measured.min(axis=1) == 0,
        "different_bench": _benches_differ(pair),
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
    several = ~np.isnan(estimate.error)
    held = units.is_level & (units.step <= FINE_STEP) & METRICS[pair.metric].is_capped
    confounded = (design.classes == CONFOUNDED) & (not widened)
    conditions: list[tuple[str, np.ndarray]] = [
        ("held_by_cap", held & several),
        ("one_card", _lacks_cards(pair)),
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


def _benches_differ(pair: PairRuns) -> np.ndarray:
    """Return which cells mix benches without the pair saying so."""
    bench = pair.runs.codes["bench"]
    if not pair.names_benches:
        return _differs(pair, bench)
    return _differs(pair, bench, pair.side == 0) | _differs(pair, bench, pair.side == 1)


def _lacks_cards(pair: PairRuns) -> np.ndarray:
    """Return which cells have fewer than two cards on a side where the card is the unit."""
    if not pair.by_card:
        return np.zeros(pair.n_cells, dtype=bool)
    card = pair.runs.codes["card"]
    return ~(_differs(pair, card, pair.side == 0) & _differs(pair, card, pair.side == 1))


def _differs(pair: PairRuns, values: np.ndarray, among: np.ndarray | None = None) -> np.ndarray:
    """Return in which cells the values of the runs are not all equal."""
    rows = np.full(len(values), True) if among is None else among
    low, high = np.full(pair.n_cells, np.inf), np.full(pair.n_cells, -np.inf)
    np.minimum.at(low, pair.cell[rows], values[rows])
    np.maximum.at(high, pair.cell[rows], values[rows])
    return low < high
