"""Two short lists of numbers, compared at once: what ``gpubench-kit compare`` shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.errors import DesignError, Fault
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.adapters import hand_t_test
from gpubench_kit.statistics.comparison import FEW_ROUNDS, Estimate, estimate_from_rounds, estimate_two_groups
from gpubench_kit.statistics.equivalence import Tests, Uncertainty, run_tests
from gpubench_kit.statistics.looks import ONE_LOOK
from gpubench_kit.statistics.multiplicity import NO_VERDICT, UNDECIDED, decide
from gpubench_kit.statistics.planning import cautious_sigma, rounds_to_decide
from gpubench_kit.statistics.quick_text import quick_caution, quick_sentence
from gpubench_kit.statistics.restarts import tipping_point
from gpubench_kit.statistics.units import in_percent, is_ratio, scaled_values
from gpubench_kit.statistics.variance import resolution_variance
from gpubench_kit.statistics.withheld import FRAME_RATES, NO_SPREAD
from gpubench_kit.wording.reasons import SEPARATOR

ORDERS = ("not_known", "alternated", "back_to_back")

_LEVEL = ONE_LOOK


@dataclass(frozen=True)
class QuickComparison:
    """What two lists of runs show.

    Attributes
    ----------
    metric, unit, scale : what was compared
    test : name of the test
    n, n_against : runs of each side
    of_value, against_value : means, geometric on the ratio scale
    change : first side against the second: percent on the ratio scale, else in the unit
    low, high : interval against zero; equivalence_ci_low, equivalence_ci_high : against the margin; nan where
    undefined confidence, df : of the test p_difference, p_equivalence, p_non_inferiority : p-values; nan where
    undefined margin : smallest difference that matters; None for none verdict, no_loss, reason : as in
    ``tables.COMPARISONS``; no_loss is None where not defined more_runs : further runs of each side that would
    decide; None where decided or out of reach sentence : what may be said caution : what to know about it; may be
    empty
    """

    metric: str
    unit: str
    scale: str
    test: str
    n: int
    n_against: int
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
    margin: float | None
    verdict: str
    no_loss: bool | None
    reason: str
    more_runs: int | None
    sentence: str
    caution: str


@dataclass(frozen=True)
class _Sides:
    """Both lists, on the scale of the metric, and the resolution they were written with."""

    of: np.ndarray
    against: np.ndarray
    floor: float
    is_level: bool


def quick_comparison(
    a_values: Sequence[float | str],
    b_values: Sequence[float | str],
    *,
    metric: str = "avg_fps",
    margin: float | None = 2.0,
    order: str = "not_known",
    names: tuple[str, str] = ("A", "B"),
) -> QuickComparison:
    """Compare one list of runs with another.

    Parameters
    ----------
    a_values, b_values : one value per run, in the metric's unit; texts keep the resolution they were
        typed with
    metric : name of the metric
    margin : smallest difference that matters: percent on the ratio scale, else in the unit
    order : ``alternated`` (A B B A ..., the lists in the order done), ``back_to_back`` (all of one,
        then all of the other) or ``not_known``
    names : of both sides, for the sentence

    Returns
    -------
    QuickComparison of A against B

    Raises
    ------
    DesignError : a value is not a number that the metric can have, a list is empty, or ``metric``,
        ``margin`` or ``order`` is not known

    Notes
    -----
    Alternated lists of equal length with more than four runs are compared in pairs, all others as
    two groups: pooled for equal counts, Welch (1947) for unequal ones.

    Examples
    --------
    >>> found = quick_comparison([102.1, 102.6, 101.9], [100.0, 101.0, 99.5], order="alternated")
    >>> found.verdict, round(found.change, 2)
    ('better', 2.03)
    """
    _check(metric, margin, order)
    sides = _read_sides(a_values, b_values, metric=metric)
    paired = order == "alternated" and len(sides.of) == len(sides.against) > FEW_ROUNDS
    estimate = _estimate(sides, paired)
    scaled_margin = _scaled(margin, metric)
    direction = {"higher": 1, "lower": -1, "neither": 0}[METRICS[metric].better]
    tests = run_tests(
        estimate.change,
        Uncertainty(estimate.error, estimate.df),
        margin=scaled_margin,
        level=_LEVEL,
        direction=direction,
    )
    reason = _withheld(sides, estimate, metric=metric, order=order)
    verdict, no_loss = NO_VERDICT, None
    if not reason:
        tests = _by_hand(sides, tests, paired=paired, at_floor=bool(estimate.at_floor))
        verdict = str(decide(*_decided(estimate, tests), level=_LEVEL, direction=np.asarray(direction)))
        no_loss = None if np.isnan(tests.p_non_inferiority) else bool(tests.p_non_inferiority <= _LEVEL)
    more = _more_runs(estimate, scaled_margin) if verdict == UNDECIDED else None
    fewest = min(len(sides.of), len(sides.against))
    numbers = _numbers(sides, estimate, tests, metric=metric, shown=not reason)
    words = {"verdict": verdict, "no_loss": no_loss, "reason": reason or _caution_word(order, fewest)}
    return QuickComparison(
        metric=metric, unit=METRICS[metric].unit, scale=METRICS[metric].scale, test=_test_name(sides, paired),
        n=len(sides.of), n_against=len(sides.against), confidence=1 - _LEVEL, margin=margin, more_runs=more,
        **numbers, **words,
        sentence=quick_sentence(numbers | words, metric, margin=margin, more=more, names=names),
        caution=quick_caution(order, fewest, spread=_tipping_spread(estimate, metric), metric=metric),
    )  # fmt: skip


def _check(metric: str, margin: float | None, order: str) -> None:
    """Raise what is wrong with the question."""
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


def _read_sides(a_values: Sequence, b_values: Sequence, *, metric: str) -> _Sides:
    """Return both lists as numbers on the scale of the metric, or raise every value that cannot be used."""
    faults: list[Fault] = []
    read = [_read(values, name, faults) for name, values in (("A", a_values), ("B", b_values))]
    scaled = [scaled_values(metric, np.array(values, dtype=float)) for values in read]
    for name, values, logs in zip("AB", read, scaled, strict=True):
        bad = [value for value, log in zip(values, logs, strict=True) if np.isnan(log)]
        if bad:
            told = ", ".join(f"{value:g}" for value in bad)
            problem = f"{METRICS[metric].label} cannot be {told}; numbers above 0 are expected."
            faults.append(Fault(f"values of {name}", problem))
        if not values:
            faults.append(Fault(f"values of {name}", "no value was found; at least one is expected."))
    if faults:
        raise DesignError(faults)
    step = max(_step(value) for value in [*a_values, *b_values])
    every = np.concatenate(read)
    center = float(np.exp(np.concatenate(scaled).mean())) if is_ratio(metric) else 1.0
    is_level = bool(every.max() - every.min() <= step * (1 + 1e-6))
    return _Sides(*scaled, floor=float(resolution_variance(step, center)), is_level=is_level)


def _read(values: Sequence, name: str, faults: list[Fault]) -> list[float]:
    """Return values as floats; what is no number becomes a fault."""
    numbers = []
    for value in values:
        try:
            numbers.append(float(value))
        except (TypeError, ValueError):
            faults.append(Fault(f"values of {name}", f"{value!r} is no number."))
    return numbers


def _step(value: float | str) -> float:
    """Return one unit of the last written decimal of a typed value; 0 for a number."""
    if not isinstance(value, str) or "e" in value.lower():
        return 0.0
    return 10.0 ** -len(value.strip().partition(".")[2])


def _estimate(sides: _Sides, paired: bool) -> Estimate:
    """Return the difference, by pairs or by two groups."""
    width = max(len(sides.of), len(sides.against))
    means = np.full((2, width), np.nan)
    means[0, : len(sides.of)], means[1, : len(sides.against)] = sides.of, sides.against
    return (estimate_from_rounds if paired else estimate_two_groups)(means, floor=sides.floor)


def _scaled(margin: float | None, metric: str) -> float:
    """Return the margin on the scale of the metric; nan for none."""
    if margin is None:
        return float("nan")
    return float(-np.log1p(-margin / 100)) if is_ratio(metric) else float(margin)


def _withheld(sides: _Sides, estimate: Estimate, *, metric: str, order: str) -> str:
    """Return why there is no verdict; empty where there is one."""
    if order == "back_to_back":
        return "confounded"
    if np.isnan(estimate.error):
        return "one_run"
    if sides.is_level:
        return "held_by_cap" if metric in FRAME_RATES else "all_values_equal"
    return "no_spread" if estimate.error <= NO_SPREAD else ""


def _by_hand(sides: _Sides, tests: Tests, *, paired: bool, at_floor: bool) -> Tests:
    """Return the tests, those that a library has taken from it; a variance at its floor it cannot know."""
    if at_floor:
        return tests
    hand = hand_t_test(sides.of, sides.against, paired=paired, confidence=1 - _LEVEL)
    kept = {
        name: getattr(tests, name)
        for name in ("equivalence_ci_low", "equivalence_ci_high", "p_equivalence", "p_non_inferiority")
    }
    return Tests(
        ci_low=np.asarray(hand.low), ci_high=np.asarray(hand.high), p_difference=np.asarray(hand.p), **kept
    )


def _decided(estimate: Estimate, tests: Tests) -> tuple:
    """Return what a verdict rests on."""
    return np.asarray(estimate.change), np.asarray(tests.p_difference), np.asarray(tests.p_equivalence)


def _more_runs(estimate: Estimate, margin: float) -> int | None:
    """Return the further runs of each side that would decide."""
    sigma = float(cautious_sigma(np.sqrt(estimate.variance), df=estimate.df))
    runs = rounds_to_decide(sigma, margin, level=_LEVEL)
    return None if runs is None else max(1, runs - int(estimate.n_units))


def _numbers(sides: _Sides, estimate: Estimate, tests: Tests, *, metric: str, shown: bool) -> dict[str, float]:
    """Return the numbers in the units of the page."""

    def readable(value) -> float:
        return float(in_percent(value)) if is_ratio(metric) else float(value)

    values = [float(np.exp(one.mean()) if is_ratio(metric) else one.mean()) for one in (sides.of, sides.against)]
    intervals = {
        name: readable(getattr(tests, name))
        for name in ("ci_low", "ci_high", "equivalence_ci_low", "equivalence_ci_high")
    }
    others = {name: float(getattr(tests, name)) for name in ("p_difference", "p_equivalence", "p_non_inferiority")}
    others["df"] = float(estimate.df)
    if not shown:
        intervals, others = dict.fromkeys(intervals, np.nan), dict.fromkeys(others, np.nan)
    return (
        {"of_value": values[0], "against_value": values[1], "change": readable(estimate.change)}
        | intervals
        | others
    )


def _tipping_spread(estimate: Estimate, metric: str) -> float:
    """Return the spread between restarts from which on a difference says nothing, in percent or the unit."""
    found = Uncertainty(estimate.error, estimate.df)
    spread = tipping_point(np.abs(estimate.change), found, level=_LEVEL).restart_spread
    return float(in_percent(spread) if is_ratio(metric) else spread)


def _test_name(sides: _Sides, paired: bool) -> str:
    """Return the name of the test."""
    if paired:
        return "paired t test"
    return "pooled t test" if len(sides.of) == len(sides.against) else "Welch's t test"


def _caution_word(order: str, fewest: int) -> str:
    """Return the words that stand beside a verdict."""
    words = {"not_known": "not_stated", "alternated": "order_stated_alternated"}
    return SEPARATOR.join([words[order], *(["two_runs_only"] if fewest == 2 else [])])
