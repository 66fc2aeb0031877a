"""Two cards that were both swept: one against the other at equal power, and at equal frame rate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from gpubench_kit.model.plan.pairs import Pair, Subject
from gpubench_kit.statistics.coded_runs import CodedRuns
from gpubench_kit.statistics.sweep_losses import measure_settings
from gpubench_kit.statistics.sweep_shape import Shape
from gpubench_kit.sweep.curves import Curves, asked_for, crossing, round_values
from gpubench_kit.sweep.measured import POWER, RATE, Measured

#: The level is shared by the curves of each card and the comparison of the two factory states.
PARTS = 3

#: What is read: its name, the metric that is given, the metric that is told.
_READINGS = (("rate_at_power", POWER, RATE), ("power_at_rate", RATE, POWER))
_ASKED = {"rate_at_power": "at_w", "power_at_rate": "at_fps"}


@dataclass(frozen=True)
class Side:
    """One card with its curves, and the factory state's mean frame rate [fps] and power [W]."""

    measured: Measured
    curves: Curves
    factory: dict[str, float]


@dataclass(frozen=True)
class _Factory:
    """Factory state of one card against that of the other in one metric [natural log]."""

    change: float
    low: float
    high: float
    reason: str


def between_rows(coded: CodedRuns, sides: Sequence[Side], *, group: str, plan) -> Iterator[dict]:
    """Yield rows of ``sweep_between`` for two cards.

    Parameters
    ----------
    coded : usable runs of both cards
    sides : of and against, on one bench
    group : group of game settings
    plan : ReviewPlan

    Notes
    -----
    Nothing is read without power, or where a curve has no band.

    At a power P the frame rate of ``of`` against that of ``against`` is the difference of the factory states
    plus what each curve says at the place where its power is P. The place on the ladder of ``of`` depends on
    the difference of the factory states in power. Ends are the worst of what the bands of four curves and
    the two intervals between the cards allow. Each card's bands hold at a third of the level, and so do the
    two intervals together (Bonferroni), so a row holds at least at the confidence of the plan. Rows are given
    only where both curves reach, all uncertainty included.
    """
    if not all(one.curves.has_power and one.curves.has_bands for one in sides):
        return
    level = sides[0].measured.level
    pair = Pair(*(Subject(one.measured.card, one.measured.ladder.reference, one.measured.bench) for one in sides))
    factory = {metric: _factory(coded, pair, group=group, metric=metric, plan=plan, level=level)
               for metric in (RATE, POWER)}  # fmt: skip
    start = {"of_card": pair.of.card, "against_card": pair.against.card, "bench": pair.of.bench, "group": group}
    reasons = [one.reason for one in factory.values() if one.reason]
    if reasons:
        yield start | {"reading": "rate_at_power", "given": np.nan, "reason": reasons[-1]}
        return
    wanted = [(*one, value) for one in _READINGS for value in _values(sides, one, plan)]
    for reading, given, told, value in wanted:
        found = _read(sides, (given, told), value=value, factory=factory)
        if found is not None:
            change, level = found
            row = {"reading": reading, "given": float(value), "reason": ""}
            yield start | row | _in_percent(change) | _in_unit(change, level)


def _in_percent(found: tuple[float, float, float]) -> dict[str, float]:
    """Return a reading in natural log as columns, in percent."""
    return {
        name: float(100 * np.expm1(one)) for name, one in zip(("change", "ci_low", "ci_high"), found, strict=True)
    }


def _in_unit(found: tuple[float, float, float], level: tuple[float, float, float]) -> dict[str, float]:
    """Return a reading in natural log as a difference, at the level of ``against``, each (value, low, high).

    Change and level hold together, so the ends are the worst of both.
    """
    differences = [base * np.expm1(one) for base, one in product(level, found)]
    value = level[0] * np.expm1(found[0])
    return {"difference": float(value), "difference_ci_low": float(min(differences)),
            "difference_ci_high": float(max(differences))}  # fmt: skip


def _factory(coded: CodedRuns, pair: Pair, *, group: str, metric: str, plan, level: float) -> _Factory:
    """Return the difference of the two factory states, or why there is none."""
    found = measure_settings(coded, [pair], groups=(group,), metric=metric, plan=plan)
    change, half = found.change[0, 0], found.half_width(level / (2 * PARTS))[0, 0]
    reason = str(found.withheld[0, 0])
    return _Factory(float(change), float(change - half), float(change + half), reason)


def _values(sides: Sequence[Side], reading: tuple[str, str, str], plan) -> tuple[float, ...]:
    """Return a few round values that both cards reach, powers [W] or frame rates [fps], and those of claims."""
    name, metric, _ = reading
    shapes = [_shape(one, metric) for one in sides]
    values = [one.factory[metric] * np.exp(shape.change) for one, shape in zip(sides, shapes, strict=True)]
    rounded = round_values(max(one.min() for one in values), min(one.max() for one in values))
    return tuple(sorted({*rounded, *asked_for(plan, _ASKED[name])}))


def _shape(side: Side, metric: str) -> Shape:
    """Return the curve of a metric."""
    return side.curves.rate if metric == RATE else side.curves.power


def _read(
    sides: Sequence[Side], metrics: tuple[str, str], *, value: float, factory: dict[str, _Factory]
) -> tuple[tuple[float, ...], tuple[float, ...]] | None:
    """Return one metric of ``of`` against ``against`` where the other metric has a value; None: out of reach.

    That is the change [natural log] and the level of ``against`` in its unit, each (value, low, high).
    """
    (of, against), (given, told) = sides, metrics
    wanted = float(np.log(value / against.factory[given]))
    between = factory[given]
    right = _told(against, metrics, (wanted, wanted, wanted))
    left = _told(of, metrics, (wanted - between.change, wanted - between.high, wanted - between.low))
    if left is None or right is None:
        return None
    base = factory[told]
    change = base.change + left[0] - right[0]
    level = tuple(float(against.factory[told] * np.exp(one)) for one in right)
    return (change, base.low + left[1] - right[2], base.high + left[2] - right[1]), level


def _told(side: Side, metrics: tuple[str, str], wanted: tuple[float, float, float]) -> tuple[float, ...] | None:
    """Return one curve (value, low, high) where the other lies between two values; None where it does not reach."""
    given, told = (_shape(side, one) for one in metrics)
    at = np.union1d(given.at, told.at)
    value, low, high = wanted
    along = given.value_at(at)
    place = crossing(at, along, value)
    if place is None or low < np.nanmin(along) or high > np.nanmax(along):
        return None
    inside = (given.value_at(at, of="low") <= high) & (given.value_at(at, of="high") >= low)
    stretch = np.append(at[inside], place)
    ends = told.value_at(stretch, of="low").min(), told.value_at(stretch, of="high").max()
    return float(told.value_at(place)), float(ends[0]), float(ends[1])
