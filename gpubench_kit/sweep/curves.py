"""Fitted curves of a sweep, and what is read off them: frame rate at equal power, power at equal frame rate."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import Line, Pair, Subject
from gpubench_kit.statistics.runs import CodedRuns
from gpubench_kit.sweep.measured import ENERGY, POWER, RATE, Losses, Measured, measure_settings
from gpubench_kit.sweep.shape import Points, Shape, fit_shape

#: Losses of frame rate [%] at which power is read.
LOSSES_READ = (0.5, 1.0, 2.0, 3.0, 5.0, 7.5, 10.0)
_POWERS_READ = 5
_ROUND_W = (1, 2, 2.5, 5, 10, 20, 25, 50, 100)


@dataclass(frozen=True)
class Curves:
    """Fitted curves of one line in one group, against the factory state [natural log].

    Attributes
    ----------
    line : the settings
    rate, power : monotone, concave responses; None with too few settings
    """

    line: Line
    rate: Shape | None
    power: Shape | None

    @property
    def both(self) -> tuple[Shape, Shape] | None:
        """Frame rate and power; None unless both are there."""
        return None if self.rate is None or self.power is None else (self.rate, self.power)


def fit_curves(measured: Measured, line: Line, *, group: int, seed: int, parts: int = 1) -> Curves:
    """Fit frame rate and power over the ladder.

    Parameters
    ----------
    measured : settings of one card on one bench
    line : settings that differ in the stepped change alone
    group : place of the group of game settings
    seed : of the redraws that give the range of the knee
    parts : how many share the level with these curves, themselves included
    """
    both = (measured.rate, measured.power)
    share = parts * max(1, sum(bool(np.isfinite(one.change[:, group]).any()) for one in both))
    shapes = (fit_shape(points_of(measured, line, losses=one, group=group, share=share), seed=seed) for one in both)
    return Curves(line, *shapes)


def points_of(measured: Measured, line: Line, *, losses: Losses, group: int, share: int = 1) -> Points:
    """Return the settings of a line as points of a response, simultaneous intervals included.

    Parameters
    ----------
    measured : settings of one card on one bench
    line : settings that differ in the stepped change alone
    losses : of the metric
    group : place of the group of game settings
    share : responses that share the level, so that their bands hold together

    Notes
    -----
    The intervals of all K settings of the card, in all responses, hold together with the confidence of the
    plan: each is made at level / (K share) (Bonferroni).
    """
    known = np.isfinite(losses.change[:, group])
    half = losses.half_width(measured.level / (share * max(int(known.sum()), 1)))
    rows = [(one.at, measured.place_of(one.tuning)) for one in line.settings]
    rows = [(at, row) for at, row in rows if known[row]]
    found = (losses.change, half, losses.se, losses.df, losses.n)
    points = [(at, *(one[row, group] for one in found)) for at, row in rows]
    if line.has_factory and points:
        points.append((0.0, 0.0, 0.0, 0.0, np.inf, max(point[-1] for point in points)))
    at, change, width, se, df, weight = np.array(sorted(points), dtype=float).reshape(-1, 6).T
    return Points(at, change, width, np.nan_to_num(se), df, np.maximum(weight, 1.0))


def curve_rows(curves: Curves) -> Iterator[dict]:
    """Yield rows of ``sweep_curves``: frame rate and power with bands, energy per frame as their ratio.

    The bands of frame rate and power hold together, so the least power with the greatest frame rate, and the
    other way round, are the ends of a band of energy per frame.
    """
    for metric, shape in ((RATE, curves.rate), (POWER, curves.power)):
        if shape is not None:
            yield from _rows(metric, shape.at, ends=(shape.change, shape.low, shape.high))
    if curves.both is not None:
        rate, power = curves.both
        at = np.union1d(rate.at, power.at)
        pairs = (("change", "change"), ("low", "high"), ("high", "low"))
        ends = (power.value_at(at, of=one) - rate.value_at(at, of=other) for one, other in pairs)
        yield from _rows(ENERGY, at, ends=tuple(ends))


def _rows(metric: str, at: np.ndarray, *, ends: tuple[np.ndarray, ...]) -> Iterator[dict]:
    """Yield one row per place, in percent."""
    change, low, high = (100 * np.expm1(one) for one in ends)
    for row in zip(at, change, low, high, strict=True):
        yield {"metric": metric, **dict(zip(("at", "change", "ci_low", "ci_high"), map(float, row), strict=True))}


def reading_rows(
    curves: Curves, powers: tuple[float, ...], losses: tuple[float, ...], *, factory_w: float, factory_fps: float
) -> Iterator[dict]:
    """Yield rows of ``sweep_readings`` for one line; none without power.

    Parameters
    ----------
    curves : of the line
    powers : powers to read the frame rate at [W]
    losses : losses of frame rate to read the power at [%]
    factory_w, factory_fps : of the factory state

    Notes
    -----
    A power is met where the power curve runs through it: with the band, in a stretch of the ladder. The ends
    of a reading are those of the other curve's band over that stretch, so both uncertainties are in it.
    """
    if curves.both is None:
        return
    rate, power = curves.both
    for watts in powers:
        found = read_off(power, rate, float(np.log(watts / factory_w)))
        if found is not None:
            yield {"reading": "rate_at_power", "given": float(watts)} | _scaled(found, factory_fps)
    for loss in losses:
        found = read_off(rate, power, float(np.log1p(-loss / 100)))
        if found is not None:
            yield {"reading": "power_at_loss", "given": loss} | _scaled(found, factory_w)


def asked_for(plan: ReviewPlan, key: str) -> tuple[float, ...]:
    """Return the values at which claims of the plan are read off a sweep.

    Parameters
    ----------
    plan : ReviewPlan
    key : key of a claim, see ``plan.uses.READINGS``
    """
    return tuple(one.reading[1] for one in plan.claims if one.reading and one.reading[0] == key)


def losses_to_read(plan: ReviewPlan) -> tuple[float, ...]:
    """Return the losses of frame rate [%] at which power is read: the usual ones, and those of claims."""
    return tuple(sorted({*LOSSES_READ, *asked_for(plan, "at_loss_pct")}))


def powers_to_read(curves: list[Curves], factory_w: float, plan: ReviewPlan) -> tuple[float, ...]:
    """Return a few round powers [W] inside the range of the curves, and those of claims."""
    values = [factory_w * np.exp(one.both[1].change) for one in curves if one.both]
    if not values or not np.isfinite(factory_w):
        return ()
    rounded = round_values(min(one.min() for one in values), max(one.max() for one in values))
    return tuple(sorted({*rounded, *asked_for(plan, "at_w")}))


def round_values(low: float, high: float) -> tuple[float, ...]:
    """Return a few round values from a range; none where it is empty.

    Parameters
    ----------
    low, high : ends of the range
    """
    if not high > low:
        return ()
    step = next((one for one in _ROUND_W if (high - low) / one <= _POWERS_READ + 1), 200)
    return tuple(float(one) for one in np.arange(np.ceil(low / step) * step, high + 1e-9, step))


def _scaled(found: tuple[float, float, float], factory: float) -> dict[str, float]:
    """Return a reading in the unit of the metric."""
    return {
        name: float(factory * np.exp(one)) for name, one in zip(("value", "ci_low", "ci_high"), found, strict=True)
    }


def read_off(
    given: Shape, told: Shape, wanted: float, *, ends: tuple[float, float] | None = None
) -> tuple[float, float, float] | None:
    """Return one curve (value, low, high) where the other has a value, or lies between two; None: out of reach.

    Parameters
    ----------
    given, told : the curve that has the value, and the one that is read
    wanted : the value
    ends : where the value is not known exactly, what it may be at least and at most
    """
    at, (low, high) = np.union1d(given.at, told.at), ends or (wanted, wanted)
    along = given.value_at(at)
    place = crossing(at, along, wanted)
    if place is None or low < np.nanmin(along) or high > np.nanmax(along):
        return None
    # Where the curve is the factory state's own, it is known exactly and the band has no width.
    inside = (given.value_at(at, of="low") <= high) & (given.value_at(at, of="high") >= low)
    stretch = np.append(at[inside], place)
    least, most = told.value_at(stretch, of="low").min(), told.value_at(stretch, of="high").max()
    return float(told.value_at(place)), float(least), float(most)


def crossing(at: np.ndarray, values: np.ndarray, wanted: float) -> float | None:
    """Return the place where a monotone curve takes a value, the nearest to the factory state; None: nowhere.

    Parameters
    ----------
    at, values : the curve
    wanted : the value
    """
    below = values <= wanted
    turns = np.flatnonzero(below[1:] != below[:-1])
    if not len(turns):
        return None
    first = turns[np.abs(at[turns]).argmin()]
    share = (wanted - values[first]) / (values[first + 1] - values[first])
    return float(at[first] + share * (at[first + 1] - at[first]))


#: The level is shared by the curves of each card and the comparison of the two factory states.
PARTS = 3

#: What is read: its name, the metric that is given, the metric that is told.
_READINGS = (("rate_at_power", POWER, RATE), ("power_at_rate", RATE, POWER))
_ASKED = {"rate_at_power": "at_w", "power_at_rate": "at_fps"}


@dataclass(frozen=True)
class Side:
    """One card: its curves of frame rate and power (none unless both are there), the factory state's means."""

    measured: Measured
    shapes: Mapping[str, Shape]
    factory: dict[str, float]


@dataclass(frozen=True)
class _Factory:
    """Factory state of one card against that of the other in one metric [natural log]."""

    change: float
    low: float
    high: float
    reason: str


def between_rows(coded: CodedRuns, sides: Sequence[Side], *, group: str, plan: ReviewPlan) -> Iterator[dict]:
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
    if not all(one.shapes and all(np.isfinite(shape.low).all() for shape in one.shapes.values()) for one in sides):
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
        found = _read_between(sides, (given, told), value=value, factory=factory)
        if found is not None:
            change, base = found
            percent = (float(100 * np.expm1(one)) for one in change)
            # Change and level hold together, so the ends in the unit are the worst of both.
            differences = [float(one * np.expm1(other)) for one, other in product(base, change)]
            yield start | {
                "reading": reading, "given": float(value), "reason": "",
                **dict(zip(("change", "ci_low", "ci_high"), percent, strict=True)),
                "difference": differences[0], "difference_ci_low": min(differences),
                "difference_ci_high": max(differences),
            }  # fmt: skip


def _factory(coded: CodedRuns, pair: Pair, *, group: str, metric: str, plan: ReviewPlan, level: float) -> _Factory:
    """Return the difference of the two factory states, or why there is none."""
    found = measure_settings(coded, [pair], groups=(group,), metric=metric, plan=plan)
    change, half = found.change[0, 0], found.half_width(level / (2 * PARTS))[0, 0]
    reason = str(found.withheld[0, 0])
    return _Factory(float(change), float(change - half), float(change + half), reason)


def _values(sides: Sequence[Side], reading: tuple[str, str, str], plan: ReviewPlan) -> tuple[float, ...]:
    """Return a few round values that both cards reach, powers [W] or frame rates [fps], and those of claims."""
    name, metric, _ = reading
    values = [one.factory[metric] * np.exp(one.shapes[metric].change) for one in sides]
    rounded = round_values(max(one.min() for one in values), min(one.max() for one in values))
    return tuple(sorted({*rounded, *asked_for(plan, _ASKED[name])}))


def _read_between(
    sides: Sequence[Side], metrics: tuple[str, str], *, value: float, factory: dict[str, _Factory]
) -> tuple[tuple[float, ...], tuple[float, ...]] | None:
    """Return one metric of ``of`` against ``against`` where the other metric has a value; None: out of reach.

    That is the change [natural log] and the level of ``against`` in its unit, each (value, low, high).
    """
    (of, against), (given, told) = sides, metrics
    wanted = float(np.log(value / against.factory[given]))
    between = factory[given]
    right = read_off(against.shapes[given], against.shapes[told], wanted)
    ends = (wanted - between.high, wanted - between.low)
    left = read_off(of.shapes[given], of.shapes[told], wanted - between.change, ends=ends)
    if left is None or right is None:
        return None
    base = factory[told]
    change = base.change + left[0] - right[0]
    level = tuple(float(against.factory[told] * np.exp(one)) for one in right)
    return (change, base.low + left[1] - right[2], base.high + left[2] - right[1]), level
