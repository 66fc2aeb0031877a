"""Two lists of runs of one game, compared by the rules of a report: what ``gpubench-kit compare`` shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import DesignError, Fault
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import USABLE
from gpubench_kit.statistics.adapters import two_sample_t_test
from gpubench_kit.statistics.compare import compare_tunings
from gpubench_kit.statistics.comparison import FEW_ROUNDS
from gpubench_kit.statistics.testing import NO_VERDICT
from gpubench_kit.statistics.variance import in_percent, is_ratio, scaled_values

#: How two lists of runs may have been done; the first two make rounds.
ORDERS = ("alternated", "rounds", "back_to_back", "not_known")
_IN_ROUNDS = ORDERS[:2]


@dataclass(frozen=True)
class TwoSample:
    """What two lists of runs show; all but the first three and ``test`` as in ``tables.COMPARISONS``.

    Attributes
    ----------
    metric : what was compared
    order : how the runs were done, as stated
    design : what that makes of them: ``rounds``, or ``confounded`` where the two sides stand in blocks
    test : name of the test
    n, n_against : runs that enter
    left_out : runs at the end of the longer of two alternated lists, which have no partner
    of_value, against_value : means, geometric on the ratio scale
    change, ci_low, ci_high, equivalence_ci_low, equivalence_ci_high : percent on the ratio scale, else in ``unit``;
        intervals are nan where there is no verdict
    bench_change_pct, restart_spread_pct : without a verdict on two blocks, what the test setup must have done
        between them to explain the change; percent on the ratio scale, else in ``unit``
    more_runs, more_runs_for, margin_of_twelve : what more rounds would do where nothing is decided
    """

    metric: str
    order: str
    design: str
    test: str
    unit: str
    scale: str
    n: int
    n_against: int
    left_out: int
    of_value: float
    against_value: float
    change: float
    ci_low: float
    ci_high: float
    equivalence_ci_low: float
    equivalence_ci_high: float
    confidence: float
    df: float
    p_difference: float
    p_equivalence: float
    p_non_inferiority: float
    margin: float
    verdict: str
    no_loss: bool | None
    reason: str
    bench_change_pct: float
    restart_spread_pct: float
    more_runs: int | None
    more_runs_for: str
    margin_of_twelve: float

    @property
    def layout(self) -> str:
        """The design, by its name in tables."""
        return self.design


def compare_two_samples(
    a_values: Sequence[float | str],
    b_values: Sequence[float | str],
    *,
    metric: str = "avg_fps",
    margin: float | None = None,
    order: str = "not_known",
) -> TwoSample:
    """Compare one list of runs with another.

    Parameters
    ----------
    a_values, b_values : one value per run, in the metric's unit and in the order done; texts keep the resolution
        they were typed with
    metric : name of the metric
    margin : smallest difference that matters: percent on the ratio scale, else in the unit; default as in a plan
        that states none
    order : ``alternated`` (A B B A ...), ``rounds`` (run k of both lists in round k), ``back_to_back`` (all of one,
        then all of the other) or ``not_known``, which is treated like the last

    Returns
    -------
    TwoSample of A against B

    Raises
    ------
    DesignError : a value is not a number that the metric can have, a list is empty, lists of rounds differ in
        length, or ``metric``, ``margin`` or ``order`` is not known

    Notes
    -----
    The lists are one game of a review with one look at a level of 0.05; see
    `gpubench_kit.statistics.compare.compare_tunings`.

    Examples
    --------
    >>> found = compare_two_samples([102.1, 102.6, 101.9], [100.0, 101.0, 99.5], order="alternated")
    >>> found.verdict, round(found.change, 2)
    ('better', 2.03)
    """
    faults = []
    if metric not in METRICS:
        faults.append(Fault("metric", f"{metric!r} is not known; one of {', '.join(METRICS)} is expected."))
    if order not in ORDERS:
        faults.append(Fault("order", f"{order!r} is not known; one of {', '.join(ORDERS)} is expected."))
    highest = 100 if metric in METRICS and is_ratio(metric) else np.inf
    if margin is not None and not 0 < margin < highest:
        below = f" and below {highest}" if highest < np.inf else ""
        faults.append(Fault("margin", f"{margin:g} was found; a number above 0{below} is expected."))
    if faults:
        raise DesignError(faults)
    sides = _numbers(a_values, b_values, metric=metric, order=order)
    # One unit of the last written decimal of what was typed.
    typed = [one.strip() for one in (*a_values, *b_values) if isinstance(one, str) and "e" not in one.lower()]
    step = max((10.0 ** -len(one.partition(".")[2]) for one in typed), default=0.0)
    analysis = {"metrics": [metric], "primary": metric, "looks": 1}
    analysis["typed_order"] = "alternated" if order in _IN_ROUNDS else order
    plan = ReviewPlan.from_dict({
        "review": {"title": "Two lists of runs"},
        "cards": [{"name": "card"}],
        "tunings": [{"name": "B", "reference": True}, {"name": "A"}],
        "games": [{"name": "game"}],
        "analysis": analysis | ({} if margin is None else {"margins": {metric: margin}}),
    })  # fmt: skip
    row = compare_tunings(_run_table(sides, metric=metric, step=step), plan).to_dict("records")[0]
    if row["verdict"] != NO_VERDICT and np.isnan(row["rounding_se"]):
        # The library knows nothing of rounding.
        of, against = (scaled_values(row["metric"], np.array(values[: row["n"]], dtype=float)) for values in sides)
        p, *ends = two_sample_t_test(of, against, paired=_is_paired(row), confidence=row["confidence"])
        low, high = (float(in_percent(end)) if is_ratio(row["metric"]) else end for end in ends)
        row |= {"p_difference": p, "ci_low": low, "ci_high": high}
    left_out = sum(map(len, sides)) - row["n"] - row["n_against"]
    test = "pooled t test" if row["n"] == row["n_against"] else "Welch's t test"
    test = "paired t test" if _is_paired(row) else test
    stated = {"order": order, "design": row["layout"], "test": test, "left_out": left_out}
    known = {one.name: row[one.name] for one in fields(TwoSample) if one.name in row}
    return TwoSample(**stated | {name: None if value is pd.NA else value for name, value in known.items()})


def _numbers(a_values: Sequence, b_values: Sequence, *, metric: str, order: str) -> list[list[float]]:
    """Return both lists as numbers, or raise every value that cannot be used."""
    faults: list[Fault] = []
    sides = [
        _read(values, f"values of {name}", metric, faults) for name, values in (("A", a_values), ("B", b_values))
    ]
    if order == "rounds" and len(a_values) != len(b_values):
        problem = f"{len(a_values)} and {len(b_values)} values were found; a round has one of each."
        faults.append(Fault("order", problem, "Leave the incomplete round out, or choose 'alternated'."))
    if faults:
        raise DesignError(faults)
    return sides


def _read(values: Sequence, where: str, metric: str, faults: list[Fault]) -> list[float]:
    """Return one list as numbers; what is none, or none of the metric, becomes a fault."""
    numbers = []
    for value in values:
        try:
            numbers.append(float(value))
        except (TypeError, ValueError):
            faults.append(Fault(where, f"{value!r} is no number."))
    scaled = scaled_values(metric, np.array(numbers, dtype=float))
    bad = ", ".join(f"{value:g}" for value, log in zip(numbers, scaled, strict=True) if np.isnan(log))
    if bad:
        faults.append(Fault(where, f"{METRICS[metric].label} cannot be {bad}; numbers above 0 are expected."))
    if not len(values):
        faults.append(Fault(where, "no value was found; at least one is expected."))
    return numbers


def _run_table(sides: Sequence[Sequence[float]], *, metric: str, step: float) -> pd.DataFrame:
    """Return the runs of both lists as a table of usable runs, without rounds and without an order."""
    about = {"card": "card", "model": "card", "game": "game", "group": "all", "metric": metric, "step": step,
             "purpose": METRICS[metric].purpose, "flagged": False, "frame_limit_fps": 0.0,
             "withheld_for": ""}  # fmt: skip
    return USABLE.frame(
        about | {"run": f"{tuning} {place}", "tuning": tuning, "value": value}
        for tuning, values in zip("AB", sides, strict=True) for place, value in enumerate(values)
    )  # fmt: skip


def _is_paired(row: Mapping) -> bool:
    """Return whether the differences within rounds are tested; few rounds are compared as two groups."""
    return row["layout"] == "rounds" and row["n_blocks"] > FEW_ROUNDS
