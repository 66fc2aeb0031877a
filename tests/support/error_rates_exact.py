"""Numbers of the planner and of the stability bounds that have no chance in them, as results of measurements."""

from __future__ import annotations

from itertools import product

import numpy as np
from simulated_suites import Found

from gpubench_kit.statistics.planning import (
    chance_of_difference,
    chance_of_not_worse,
    chance_of_same,
    degrees_of_freedom,
    detectable_difference,
)
from gpubench_kit.statistics.stability import failure_bound

SPREADS_PCT = (0.3, 0.5, 1.0, 2.0, 3.0)
#: Question, and the difference or margin asked about: natural log.
QUESTIONS = {
    "+1 %": ("difference", np.log(1.01)),
    "+2 %": ("difference", np.log(1.02)),
    "same 1 %": ("same", -np.log(0.99)),
    "same 2 %": ("same", -np.log(0.98)),
    "same 3 %": ("same", -np.log(0.97)),
    "not worse 2 %": ("not_worse", -np.log(0.98)),
}


def runs_needed(question: str, sigma: float, *, size: float, borrowing: bool = False) -> int:
    """Return the least runs per tuning, at most 400, that answer a question with a chance of 80 %."""
    n, sigma = np.arange(2, 401), max(sigma, size * 1e-9)
    df = degrees_of_freedom(n, borrowing=borrowing)
    if question == "difference":
        chance = chance_of_difference(size, sigma, n=n, df=df)
    else:
        of = chance_of_same if question == "same" else chance_of_not_worse
        chance = of(0.0, sigma, margin=size, n=n, df=df)
    return int(n[(chance >= 0.8).argmax()])


def rounds_needed() -> dict[str, Found]:
    """Rounds that a plan asks for, by spread and question; own noise and borrowed."""
    found = {}
    for spread, name, borrowing in product(SPREADS_PCT, QUESTIONS, (False, True)):
        question, size = QUESTIONS[name]
        runs = runs_needed(question, spread / 100, size=size, borrowing=borrowing)
        found[f"{spread} %, {name}, {'borrowed' if borrowing else 'own'}"] = Found(float(runs))
    return found


def chances() -> dict[str, Found]:
    """Chances of a verdict, and the smallest difference found with 80 %, at two spreads."""
    found, margin = {}, -np.log(0.98)
    for spread, n in ((1.0, 5), (0.6, 3)):
        sigma, name = spread / 100, f"sigma {spread} %, n = {n}"
        found |= {
            f"{name}: difference": chance_of_difference(np.log(1.02), sigma, n=n, df=4),
            f"{name}: same": chance_of_same(0.0, sigma, margin=margin, n=n, df=4),
            f"{name}: not worse": chance_of_not_worse(0.0, sigma, margin=margin, n=n, df=4),
            f"{name}: smallest": 100 * detectable_difference(sigma, n=n, df=4),
        }
    return {name: Found(float(value)) for name, value in found.items()}


def failures() -> dict[str, Found]:
    """Upper limits of a failure rate after one hour."""
    return {f"{count} failures": Found(failure_bound(count, 1.0).upper_per_hour) for count in range(3)}


EXACT = {"rounds needed": rounds_needed, "chances": chances, "failures": failures}
