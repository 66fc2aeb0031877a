"""What frame times can be told from, and what speaks for a column where a time stands beside it.

Each rule returns what it found, with its certainty and evidence, or None where it does not apply. Two facts must be
known of a frame log: which column in which unit, and that each row is a frame.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.logs.clock import rises
from gpubench_kit.logs.format import Certainty, Witness
from gpubench_kit.logs.log_table import LogRows
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.words import CARD, NOT_FRAME, OTHER, PART, QUANTITY, words_of

#: Place of the wall clock among the columns of time.
CLOCK = -1

#: Median frame times that are taken for real [ms]: 5 to 2,500 frames per second.
PLAUSIBLE_MS = (0.4, 200.0)

#: Share of rows in which steps must equal a column.
SHARE_EQUAL = 0.97


#: What rises by whole numbers up to this, always the same one, numbers rows or every other one.
_LARGEST_STRIDE = 3

#: Shorter sums are no run [ms].
SHORT_RUN_MS = 5000.0

#: Slower than this, rows may as well be samples [ms].
_SLOW_MS = 90.0

#: A row distance this many times the frame time is that of samples.
SAMPLES_APART = 2.5

#: Units of frame times, and of time that has passed, in ms.
UNITS_MS = {"s": 1000.0, "ms": 1.0, "us": 1e-3, "ns": 1e-6}
ELAPSED_UNITS_MS = {**UNITS_MS, "min": 60_000.0, "h": 3_600_000.0}

_SENSOR_WORDS = frozenset().union(*(QUANTITY[name] for name in ("power", "heat", "load", "clock", "fan", "volt")))


@dataclass(frozen=True)
class TimeColumn:
    """A column that rises as time does.

    Attributes
    ----------
    place : its place, or `CLOCK`
    label : what to call it
    values : array of shape (n,), in its own unit; seconds of the clock
    unit_ms : how many ms its stated unit has; None where none is stated
    step : one unit of the last decimal written
    """

    place: int
    label: str
    values: np.ndarray
    unit_ms: float | None
    step: float

    @property
    def steps(self) -> np.ndarray:
        """Steps from row to row."""
        return np.diff(self.values)


@dataclass(frozen=True)
class Clues:
    """The columns of a log that frame times can be told from.

    Attributes
    ----------
    rows : its rows
    times : columns that rise, and the clock
    values : columns that may hold frame times or frame rates
    per_s : counts per second that a line above the heading states; 0 without
    witnesses : lengths known from outside
    """

    rows: LogRows
    times: tuple[TimeColumn, ...]
    values: dict[int, np.ndarray]
    per_s: float = 0.0
    witnesses: tuple[Witness, ...] = ()

    def is_rate(self, place: int) -> bool:
        """Return whether a heading speaks of frame rates."""
        unit = self.rows.units[place]
        return bool(
            (unit is not None and unit.quantity == "rate") or words_of(self.rows.name(place)) & QUANTITY["rate"]
        )

    def has_other_unit(self, place: int) -> bool:
        """Return whether a unit is stated that is none of time or of rates."""
        unit = self.rows.units[place]
        return unit is not None and unit.quantity != "time" and not self.is_rate(place)

    def is_frame_word(self, place: int) -> bool:
        """Return whether a heading names a frame."""
        return bool(words_of(self.rows.name(place)) & QUANTITY["frame"])

    @property
    def plain(self) -> list[int]:
        """Columns that may hold frame times."""
        return [place for place in self.values if not self.has_other_unit(place) and not self.is_rate(place)]

    @property
    def rates(self) -> list[int]:
        """Columns that hold frame rates by their heading."""
        return [place for place in self.values if self.is_rate(place)]

    def witness(self, total_ms: float) -> str:
        """Return where a length is known from that equals this one; empty for none."""
        return next((one.what for one in self.witnesses if one.fits(total_ms)), "")


@dataclass(frozen=True)
class Found:
    """What was found of the frame times of a log.

    Attributes
    ----------
    take : ``column``, ``steps`` (of ``time``) or ``rates``
    place : of the column; None for steps
    time : the time beside it, or whose steps they are
    factor : from its own unit to ms
    time_factor : from the unit of the time to ms
    certainty : how sure it is
    why : the evidence
    question : what is asked where it is not sure
    line : what answers, as a line below ``[logs]``
    is_sampled : whether the rows are samples
    """

    take: str
    place: int | None
    time: TimeColumn | None
    factor: float
    certainty: Certainty
    why: tuple[str, ...]
    question: str = ""
    line: str = ""
    time_factor: float = 1.0
    is_sampled: bool = False


def is_plausible(ms: float) -> bool:
    """Return whether a median is that of frame times [ms]."""
    return PLAUSIBLE_MS[0] <= ms < PLAUSIBLE_MS[1]


def may_be_frames(rows: LogRows, place: int) -> bool:
    """Return whether the words of a heading leave room for frame times or rates of frames."""
    words = words_of(rows.name(place))
    if words & (OTHER | CARD | PART["memory"] | PART["hotspot"] | PART["chip"] | NOT_FRAME):
        return False
    return rows.unit_ms(place) is not None or not words & _SENSOR_WORDS


def line_of_time(rows: LogRows, place: int, unit: str = "ms") -> str:
    """Return the line that declares a column of frame times."""
    return f'frame_time = {{ column = {quoted(rows.table.key(place))}, unit = "{unit}" }}'


def unit_name(factor: float) -> str:
    """Return the name of a unit of time by what it is in ms."""
    return next((name for name, ms in ELAPSED_UNITS_MS.items() if abs(ms / factor - 1) < 0.02), "ms")


def rises_as(rows: LogRows, place: int) -> bool:
    """Return whether a column can be a time: all its cells are numbers, it rises, and does not number the rows.

    Parameters
    ----------
    rows : the log
    place : of the column
    """
    values = rows.numbers[place]
    if not np.isfinite(values).all() or not rises(values):
        return False
    if rows.steps[place] < 1 or rows.unit_ms(place) is not None:
        return True
    steps = np.diff(values)
    is_stride = bool((steps == steps[0]).all()) and steps[0] <= _LARGEST_STRIDE
    return not (is_stride or np.median(steps) == 1)


def not_too_slow(clues: Clues, found: Found, median_ms: float) -> Found:
    """Return what was found, less sure where rows are as far apart as samples, or refused where rates deny them."""
    for place in clues.rates:
        rate = float(np.nanmedian(clues.values[place]))
        if rate > 0 and median_ms > SAMPLES_APART * 1e3 / rate:
            what = f"{clues.rows.label(place)} says {1e3 / rate:.3g} ms a frame"
            return rows_are_samples(f"{median_ms / 1e3:.3g} s", what)
    if median_ms <= _SLOW_MS:
        return found
    why = (*found.why, f"{1e3 / median_ms:.1f} rows a second could be samples")
    return replace(found, certainty=min(found.certainty, Certainty.LIKELY), why=why)


def rows_are_samples(apart: str, what: str) -> Found:
    """Return that the rows of a log are samples.

    Parameters
    ----------
    apart, what : how far apart they are, and what says so
    """
    question = f"rows are {apart} apart, and {what}: these are samples, not frames"
    return Found("", None, None, 1.0, Certainty.OPEN, (), question, is_sampled=True)


_SI_RATIOS = (1.0, 1e3, 1e-3, 1e6, 1e-6, 1e9, 1e-9, 1e3 / 6e4, 1 / 6e4, 1 / 3600, 1 / 3.6e6)


@dataclass(frozen=True)
class _Pair:
    """A time whose steps equal a column: the ratio of a step to a value, share of rows, whether units fit it."""

    time: TimeColumn
    place: int
    ratio: float
    share: float
    is_si: bool


def by_steps_that_equal(clues: Clues) -> Found | None:
    """Return the column that the steps of a time equal in nearly all rows."""
    pairs = [pair for time in clues.times for place in clues.plain if (pair := pair_of(clues, time, place))]
    if not pairs:
        return None
    steps = clues.rows.steps
    best = min(
        pairs,
        key=lambda one: (
            one.time.place == CLOCK, not clues.is_frame_word(one.place), -round(one.share, 3), steps[one.place],
            one.time.step,
        ),
    )  # fmt: skip
    rows, time, place = clues.rows, best.time, best.place
    median, unit_ms = float(np.nanmedian(clues.values[place])), rows.unit_ms(place)
    factor, certainty, why = None, Certainty.OPEN, [f"{best.share:.1%} of the steps of {time.label} equal it"]
    if time.unit_ms:
        factor, certainty = time.unit_ms * best.ratio, Certainty.PROVEN
        why.append("the wall clock gives the unit" if time.place == CLOCK else "the unit of that time is stated")
    elif unit_ms is None and clues.per_s and time.step >= 1:
        factor, certainty = 1e3 * best.ratio / clues.per_s, Certainty.PROVEN
        why.append(f"the log states {clues.per_s:g} counts per second")
    if unit_ms is not None:
        factor, certainty = unit_ms, Certainty.PROVEN
        why.append("its unit is stated")
    if factor is None:
        factor, certainty, reason = _unit_by_size(clues, best, median)
        why.append(reason)
    line = line_of_time(rows, place, unit_name(factor))
    found = Found("column", place, time, factor, certainty, tuple(why), line=line, time_factor=factor / best.ratio)
    if not is_plausible(median * factor):
        question = (
            f"the steps of {time.label} equal {rows.label(place)}, but {median * factor:g} ms is no frame time"
        )
        return replace(found, certainty=Certainty.OPEN, question=question)
    return lifted(clues, not_too_slow(clues, found, median * factor), median)


def pair_of(clues: Clues, time: TimeColumn, place: int) -> _Pair | None:
    """Return how the steps of a time equal a column; None where they do not, or do not vary enough to tell.

    Parameters
    ----------
    clues : the log
    time, place : the time and the column
    """
    steps, values, step = time.steps, clues.values[place], clues.rows.steps[place]
    known = np.isfinite(steps) & np.isfinite(values[1:]) & np.isfinite(values[:-1])
    if known.sum() < 9:
        return None
    unit_ms, largest = clues.rows.unit_ms(place), float(np.nanmax(np.abs(time.values)))
    spread = steps[known].std(), values[np.isfinite(values)].std()
    for ratio, is_si in _ratios_of(time, (steps[known], values[1:][known], values[:-1][known])):
        if time.unit_ms and unit_ms and abs(ratio * time.unit_ms / unit_ms - 1) > 0.02:
            continue
        slack = 1.05 * time.step + 0.55 * step * ratio + 1e-12 * largest
        sides = (values[:-1], values[1:])
        share = max(float((np.abs(steps - one * ratio)[known] <= slack).mean()) for one in sides)
        if share >= SHARE_EQUAL and spread[0] > 3 * slack and spread[1] > 3 * step:
            return _Pair(time, place, ratio, share, is_si)
    return None


def _ratios_of(time: TimeColumn, known: tuple[np.ndarray, np.ndarray, np.ndarray]) -> Iterator[tuple[float, bool]]:
    """Yield what a step may be of a value, and whether that is the ratio of two units; at last as measured."""
    steps, behind, before = known
    ratios = [steps / np.where(one > 0, one, np.nan) for one in (behind, before)]
    medians = [float(np.nanmedian(one)) if np.isfinite(one).any() else 0.0 for one in ratios]
    near = [
        float(np.mean(np.abs(one / m - 1) < 0.02)) if m > 0 else 0.0 for one, m in zip(ratios, medians, strict=True)
    ]
    power_of = [float(10.0 ** np.round(np.log10(m))) if m > 0 else 0.0 for m in medians]
    for side in np.argsort(near, kind="stable")[::-1]:
        ratio, power = medians[side], power_of[side]
        yield from ((one, True) for one in _SI_RATIOS if abs(ratio / one - 1) < 0.08)
        if time.step >= 1 and power and abs(ratio / power - 1) < 1e-3:
            yield power, False
        if ratio > 0 and not time.unit_ms:
            yield ratio, False


def _unit_by_size(clues: Clues, pair: _Pair, median: float) -> tuple[float, Certainty, str]:
    """Return a factor to ms that only the size of the values gives, its certainty and the reason."""
    fitting = [unit for unit in UNITS_MS.values() if is_plausible(median * unit)]
    times = (1e3, 1.0, 1e-3, 1e-6, 6e4, 3.6e6)
    both = [unit for unit in fitting if any(abs(unit / pair.ratio / one - 1) < 0.01 for one in times)]
    if len(both) == 1 and abs(pair.ratio - 1) > 0.01 and pair.is_si:
        return both[0], Certainty.PROVEN, "the two columns are in different units, and one pair alone fits"
    if len(fitting) == 1 and clues.rows.steps[pair.place] < 1:
        return fitting[0], Certainty.LIKELY, "one unit alone gives a frame time"
    return (max(fitting) if fitting else 1.0), Certainty.OPEN, "no unit is stated"


def lifted(clues: Clues, found: Found, median: float) -> Found:
    """Return what was found as proven, where its sum is a length known from outside."""
    if found.certainty >= Certainty.STATED or found.place is None or found.is_sampled:
        return found
    values = clues.values[found.place]
    fits = clues.witness(float(np.nansum(values)) * found.factor)
    if fits:
        return replace(found, certainty=Certainty.PROVEN, why=(*found.why, f"its sum is {fits}"))
    if found.certainty > Certainty.OPEN:
        return found
    rows = clues.rows
    question = f"the unit of {rows.label(found.place)} (median {median:g}) is not stated"
    return replace(found, question=found.question or question)


def by_inverse_steps(clues: Clues) -> Found | None:
    """Return the steps of a time whose product with a column of rates is one in nearly all rows."""
    places = [place for place in clues.values if not clues.has_other_unit(place)]
    for time, place in itertools.product(clues.times, places):
        factor = _inverse_factor(clues, time, place, clues.values[place])
        if factor and is_plausible(float(np.nanmedian(time.steps)) * factor):
            why = (f"its steps times {clues.rows.label(place)} are one in nearly all rows",)
            return Found("steps", None, time, factor, Certainty.PROVEN, why, time_factor=factor)
    return None


def _inverse_factor(clues: Clues, time: TimeColumn, place: int, values: np.ndarray) -> float:
    """Return the factor of steps to ms where a column is their inverse; 0 where it is not."""
    steps = time.steps
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = np.where(values > 0, 1.0 / values, np.nan)
        ratio = float(np.nanmedian(steps / inverse[1:])) if np.isfinite(inverse).any() else 0.0
    ratio = next((one for one in (1.0, 1e3) if abs(ratio / one - 1) < 0.02), 0.0)
    if not ratio:
        return 0.0
    slack = 1.05 * time.step + 0.55 * clues.rows.steps[place] * ratio * float(np.nanmax(inverse)) ** 2
    known = np.isfinite(steps) & np.isfinite(inverse[1:]) & np.isfinite(inverse[:-1])
    share = max((np.abs(steps - side * ratio)[known] <= slack).mean() for side in (inverse[:-1], inverse[1:]))
    if share < SHARE_EQUAL or steps[known].std() <= 3 * slack:
        return 0.0
    return time.unit_ms or 1e3 / ratio


@dataclass(frozen=True)
class _Sum:
    """A column whose sum is near the span of a time."""

    error: float
    is_tight: bool
    time: TimeColumn
    place: int
    unit_ms: float
    time_unit_ms: float


def by_sum(clues: Clues) -> Found | None:
    """Return the one column whose sum is the time that passed."""
    near = list(_near_sums(clues))
    tight = [one for one in near if one.is_tight]
    if not tight or len({(one.place, one.unit_ms) for one in tight}) != 1:
        return None
    best = min(tight, key=lambda one: one.error)
    if any(one.place != best.place and one.error < 3 * best.error + 0.004 for one in near):
        return None
    places = {one.place for one in near}
    is_alone = len(places) == 1 and (len(clues.plain) == 1 or clues.is_frame_word(best.place))
    differ = abs(best.time_unit_ms / best.unit_ms - 1) > 0.01 and best.time.step < 1
    # A rate may equal the distance of samples by chance: a column without a unit needs to be the only one.
    has_unit = clues.rows.unit_ms(best.place) is not None
    if not has_unit and any(clues.rows.unit_ms(place) is not None for place in clues.plain):
        return None
    is_known = has_unit or (is_alone and any(one.time.unit_ms for one in tight))
    certainty = Certainty.PROVEN if is_known or (is_alone and differ) else Certainty.LIKELY
    why = (f"its sum is the time that {best.time.label} spans, within {best.error:.2%}",)
    line = line_of_time(clues.rows, best.place, unit_name(best.unit_ms))
    found = Found(
        "column", best.place, best.time, best.unit_ms, certainty, why, line=line, time_factor=best.time_unit_ms
    )
    median = float(np.nanmedian(clues.values[best.place]))
    return lifted(clues, not_too_slow(clues, found, median * best.unit_ms), median)


def _near_sums(clues: Clues) -> Iterator[_Sum]:
    """Yield columns whose sums are within a few percent of the span of a time."""
    spans = [
        (time, unit, float(time.values[-1] - time.values[0]) * unit, time.step * unit)
        for time in clues.times
        for unit in ((time.unit_ms,) if time.unit_ms else (1e3, 1.0, 1e-3, 1e-6, 6e4))
    ]
    long = [one for one in spans if one[2] > max(40 * one[3], 0.8 * SHORT_RUN_MS)]
    for (time, time_unit, span_ms, slack_ms), (place, unit) in itertools.product(long, list(_readings(clues))):
        error = abs(float(np.nansum(clues.values[place][1:])) * unit - span_ms) / span_ms
        if error <= 0.03 + 2 * slack_ms / span_ms:
            is_tight = error <= 0.004 + 1.1 * slack_ms / span_ms
            yield _Sum(error, is_tight, time, place, unit, time_unit)


def _readings(clues: Clues) -> Iterator[tuple[int, float]]:
    """Yield columns that may hold frame times, with each unit in which they would be some."""
    stated = {place: clues.rows.unit_ms(place) for place in clues.plain}
    usual = {place: float(np.nanmedian(clues.values[place])) for place in clues.plain}
    for place in clues.plain:
        unit_ms = stated[place]
        units = (unit_ms,) if unit_ms else UNITS_MS.values()
        yield from ((place, unit) for unit in units if is_plausible(usual[place] * unit))
