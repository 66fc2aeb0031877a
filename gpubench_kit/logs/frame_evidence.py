"""What each reading of a frame log's columns would mean, and what speaks for and against it: times beside them.

Two facts must be known of a frame log: which column in which unit, and that each row is a frame. Each rule returns
a reading with its certainty and evidence, or None where it does not apply.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from gpubench_kit.logs.clock import counts_rows
from gpubench_kit.logs.format import Certainty, Witness
from gpubench_kit.logs.log_table import LogRows
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.words import QUANTITY, speaks_of_frames, words_of
from gpubench_kit.wording.catalogue import say

#: Place of the wall clock among the columns of time.
CLOCK = -1

#: Median frame times that are taken for real [ms]: 5 to 2,500 frames per second.
PLAUSIBLE_MS = (0.4, 200.0)

#: Share of rows in which steps must equal a column.
SHARE_EQUAL = 0.97

#: Shorter sums are no run [ms].
SHORT_RUN_MS = 5000.0

#: Slower than this, rows may as well be samples; further apart they are some where a frame time says less, and
#: where they come exactly evenly [ms].
_SLOW_MS, _FAR_APART_MS, _EVEN_MS = 90.0, 150.0, 50.0

#: A row distance this many times the frame time is that of samples.
_SAMPLES_APART = 2.5

#: Rows that add up to another time than steps that equal them, by more than this share, were cut off.
_MOST_BIAS = 0.004

#: Units of frame times, and of time that has passed, in ms.
UNITS_MS = {"s": 1000.0, "ms": 1.0, "us": 1e-3, "ns": 1e-6}
ELAPSED_UNITS_MS = {**UNITS_MS, "min": 60_000.0, "h": 3_600_000.0}

#: What a step of a time may be of a value, where they are in two units.
_UNIT_RATIOS = (1.0, 1e3, 1e-3, 1e6, 1e-6, 1e9, 1e-9, 1e3 / 6e4, 1 / 6e4, 1 / 3600, 1 / 3.6e6)


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

    @cached_property
    def steps(self) -> np.ndarray:
        """Steps from row to row."""
        return np.diff(self.values)

    @property
    def span(self) -> float:
        """From the first row to the last, in its own unit."""
        return float(self.values[-1] - self.values[0])

    @property
    def units_ms(self) -> tuple[float, ...]:
        """Units that it may be in [ms]."""
        return (self.unit_ms,) if self.unit_ms else (1e3, 1.0, 1e-3, 1e-6, 6e4)


@dataclass(frozen=True)
class Reading:
    """What the frame times of a log are taken for.

    Attributes
    ----------
    take : ``column``, ``steps`` (of ``time``) or ``rates``; empty for none
    place : of the column; None for steps
    time : the time beside it, or whose steps they are
    factor : from its own unit to ms
    time_factor : from the unit of the time to ms
    certainty : how sure it is
    why : the evidence
    question : what is asked where it is not sure
    can_confirm : whether a line in the plan answers
    is_denied : whether another time or rate denies it, so that only what the plan declares answers
    is_count : whether it is asked how long one unit of the time is
    is_sampled : whether the rows are samples
    """

    take: str = ""
    place: int | None = None
    time: TimeColumn | None = None
    factor: float = 1.0
    certainty: Certainty = Certainty.OPEN
    why: tuple[str, ...] = ()
    question: str = ""
    time_factor: float = 1.0
    can_confirm: bool = True
    is_denied: bool = False
    is_count: bool = False
    is_sampled: bool = False

    def at_most(self, certainty: Certainty, *why: str, question: str = "") -> Reading:
        """Return the reading, no surer than this.

        Parameters
        ----------
        certainty : the most that is left of it
        *why : what speaks against it
        question : what is asked because of it
        """
        lowest = min(self.certainty, certainty)
        return replace(self, certainty=lowest, why=(*self.why, *why), question=question or self.question)


@dataclass(frozen=True)
class Clues:
    """The columns of a log that frame times can be told from.

    Attributes
    ----------
    rows : its rows
    times : columns that rise, and the clock
    values : columns that may hold frame times or frame rates
    per_s : counts per second that a line above the heading states; 0 without
    witnesses : lengths known from outside, or said above the heading
    above : the text above the heading, folded
    """

    rows: LogRows
    times: tuple[TimeColumn, ...]
    values: dict[int, np.ndarray]
    per_s: float = 0.0
    witnesses: tuple[Witness, ...] = ()
    above: str = ""

    def is_rate(self, place: int) -> bool:
        """Return whether a heading speaks of frame rates."""
        unit = self.rows.units[place]
        is_unit = unit is not None and unit.quantity == "rate"
        return is_unit or bool(words_of(self.rows.name(place)) & QUANTITY["rate"])

    def has_other_unit(self, place: int) -> bool:
        """Return whether a unit is stated that is none of time or of rates."""
        unit = self.rows.units[place]
        return unit is not None and unit.quantity != "time" and not self.is_rate(place)

    def is_frame_word(self, place: int) -> bool:
        """Return whether a heading names a frame."""
        return speaks_of_frames(self.rows.name(place))

    @cached_property
    def plain(self) -> list[int]:
        """Columns that may hold frame times."""
        return [place for place in self.values if not self.has_other_unit(place) and not self.is_rate(place)]

    @cached_property
    def rates(self) -> list[int]:
        """Columns that hold frame rates by their heading."""
        return [place for place in self.values if self.is_rate(place)]

    def usual(self, place: int) -> float:
        """Return the median of a column."""
        return float(np.nanmedian(self.values[place]))

    def total(self, place: int) -> float:
        """Return the sum of a column."""
        return float(np.nansum(self.values[place]))

    def units_of(self, place: int) -> list[float]:
        """Return the units in which the values of a column are frame times [ms]: the stated one, or any."""
        stated, usual = self.rows.unit_ms(place), self.usual(place)
        return [unit for unit in ((stated,) if stated else UNITS_MS.values()) if is_plausible(usual * unit)]

    def witnessed(self, *options: tuple[Reading, float]) -> Reading | None:
        """Return the one reading whose length is known from outside, as proven; None for none or several.

        Parameters
        ----------
        *options : readings, each with the length that a run has by it [ms]
        """
        fits = [
            (one, what)
            for one, total in options
            if (what := next((one.what for one in self.witnesses if one.fits(total)), ""))
        ]
        if len({(one.take, one.place, round(one.factor, 12)) for one, _ in fits}) != 1:
            return None
        reading, what = fits[0]
        return replace(
            reading, certainty=Certainty.PROVEN, why=(*reading.why, say("evidence.frames.witnessed", where=what))
        )


def is_plausible(ms: float | np.floating) -> bool:
    """Return whether a median is that of frame times [ms]."""
    return bool(PLAUSIBLE_MS[0] <= ms < PLAUSIBLE_MS[1])


def unit_name(factor: float) -> str:
    """Return the name of a unit of time by what it is in ms; ``ms`` for one without a name."""
    return next((name for name, ms in ELAPSED_UNITS_MS.items() if abs(ms / factor - 1) < 0.02), "ms")


def lines_to_paste(rows: LogRows, reading: Reading) -> tuple[str, str]:
    """Return the line that confirms a reading, and ``frames`` of an entry of ``[[logs.format]]``; empty for none.

    Parameters
    ----------
    rows : the log
    reading : what its frame times are taken for
    """
    place = reading.place if reading.place is not None else reading.time.place if reading.time else None
    if place is None or place == CLOCK or not reading.can_confirm:
        return "", ""
    column, unit = quoted(rows.table.key(place)), unit_name(reading.factor)
    if reading.take == "rates":
        line = f'rate = {column}, rows = "frames"'
        return line, f"{{ {line} }}"
    if reading.is_count:
        line = f"time_steps = {column}, per_s = 10000000"
        return line, f'{{ {line}, rows = "frames" }}'
    entry = f'{{ time = {column}, unit = "{unit}", rows = "frames" }}'
    return f'frame_time = {{ column = {column}, unit = "{unit}" }}', "" if reading.is_denied else entry


def held_against_rates(clues: Clues, reading: Reading, usual_ms: float) -> Reading:
    """Return a reading, less sure where rows are as far apart as samples, or refused where rates deny them.

    Parameters
    ----------
    clues : the log
    reading : what its frame times are taken for
    usual_ms : their median [ms]
    """
    for place in clues.rates:
        rate = clues.usual(place)
        if rate > 0 and usual_ms > _SAMPLES_APART * 1e3 / rate:
            what = say("evidence.question.says_ms", label=clues.rows.label(place), ms=1e3 / rate)
            return _samples(usual_ms, what)
    if usual_ms <= _SLOW_MS:
        return reading
    return reading.at_most(Certainty.LIKELY, say("evidence.frames.could_be_samples", per_s=1000.0 / usual_ms))


def _samples(apart: float | str, what: str) -> Reading:
    """Return that rows are samples: how far apart they are [ms], or in words, and what says so."""
    apart = say("evidence.question.seconds", seconds=apart / 1e3) if isinstance(apart, float) else apart
    question = say("evidence.question.samples", apart=apart, what=what)
    return Reading(question=question, is_sampled=True)


def by_samples(clues: Clues) -> Reading | None:
    """Return that rows are samples, where they come evenly while values vary, or further apart than a frame."""
    rows, swings = clues.rows, [(0.0, -1)]
    for place in (*clues.rates, *clues.plain):
        usual, spread = clues.usual(place), float(np.nanstd(clues.values[place]))
        if spread > max(3 * rows.steps[place], 0.01 * usual):
            swings.append((spread / usual, place))
    swing, varying = max(swings, key=lambda one: one[0])
    for time in clues.times:
        steps, usual, counts = time.steps, float(np.median(time.steps)), counts_rows(time.values)
        is_even = bool(np.quantile(np.abs(steps - usual), 0.98) <= max(1.1 * time.step, 0.03 * usual))
        if is_even and not counts and steps.std() < 0.3 * usual * swing:
            step = say("evidence.question.step", usual=usual, label=time.label)
            what = say("evidence.question.evenly_while", label=rows.label(varying))
            return _samples(usual * time.unit_ms if time.unit_ms else step, what)
        # Without a unit, what could be frame times in ms is asked for by later rules.
        is_seconds = time.step < 1 and not is_plausible(usual) and not counts
        apart_ms = usual * (time.unit_ms or (1e3 if is_seconds else 0.0))
        for place in (*clues.rates, *clues.plain) if is_even or apart_ms > _FAR_APART_MS else ():
            known = clues.values[place][clues.values[place] > 0]
            frame_ms = (
                np.mean(1e3 / known) if clues.is_rate(place) else np.mean(known) * (rows.unit_ms(place) or 1.0)
            )
            if is_plausible(frame_ms) and apart_ms > _SAMPLES_APART * frame_ms:
                return _samples(apart_ms, say("evidence.question.says_ms", label=rows.label(place), ms=frame_ms))
        if is_even and apart_ms >= _EVEN_MS:
            return _samples(apart_ms, say("evidence.question.exactly_evenly"))
    return None


@dataclass(frozen=True)
class Pair:
    """A time whose steps equal a column: the ratio of a step to a value, share of rows, whether units fit it.

    ``bias`` is the part of their time by which equal rows differ on the whole, as those do that are cut off.
    """

    time: TimeColumn
    place: int
    ratio: float
    share: float
    is_of_units: bool
    bias: float


def pair_of(clues: Clues, time: TimeColumn, place: int) -> Pair | None:
    """Return how the steps of a time equal a column; None where they do not, or do not vary enough to tell.

    Parameters
    ----------
    clues : the log
    time, place : the time and the column
    """
    values, step, unit_ms = clues.values[place], clues.rows.steps[place], clues.rows.unit_ms(place)
    known = np.isfinite(time.steps) & np.isfinite(values[1:]) & np.isfinite(values[:-1])
    if known.sum() < 9:
        return None
    steps, sides = time.steps[known], (values[1:][known], values[:-1][known])
    if steps.std() == 0 or values[np.isfinite(values)].std() <= 3 * step:
        return None
    found = []
    for side in sides:
        ratios = steps / np.where(side > 0, side, np.nan)
        median = float(np.nanmedian(ratios)) if np.isfinite(ratios).any() else 0.0
        if median > 0:
            found.append((float(np.mean(np.abs(ratios / median - 1) < 0.02)), median))
    # The side on which they scatter least is the one that the time stamps.
    measured = max(found)[1] if found else 0.0
    possible = [(one, True) for one in _UNIT_RATIOS if abs(measured / one - 1) < 0.08]
    power = float(10.0 ** np.round(np.log10(measured))) if measured > 0 else 0.0
    if power and time.step >= 1 and abs(measured / power - 1) < 1e-3:
        possible.append((power, False))
    if measured > 0 and not time.unit_ms:
        possible.append((measured, False))
    for ratio, is_of_units in possible:
        if time.unit_ms and unit_ms and abs(ratio * time.unit_ms / unit_ms - 1) > 0.02:
            continue
        slack = 1.05 * time.step + 0.55 * step * ratio + 1e-12 * float(np.nanmax(np.abs(time.values)))
        equal = max((np.abs(steps - side * ratio) <= slack for side in sides), key=np.count_nonzero)
        share = float(equal.mean())
        if share >= SHARE_EQUAL and steps.std() > 3 * slack:
            # Cells that a column of time denies are mended in reading; those that a clock denies count here.
            used = [steps - side * ratio <= 1.0 if time.place == CLOCK else equal for side in sides]
            off = (abs(float((steps - side * ratio)[rows].sum())) for side, rows in zip(sides, used, strict=True))
            bias = min(off) / float(steps.sum())
            return Pair(time, place, ratio, share, is_of_units, bias)
    return None


def by_equal_steps(clues: Clues) -> Reading | None:
    """Return the column that the steps of a time equal in nearly all rows."""
    rows, steps = clues.rows, clues.rows.steps
    pairs = [pair for time in clues.times for place in clues.plain if (pair := pair_of(clues, time, place))]
    if not pairs:
        return None

    def order(one: Pair) -> tuple:
        is_other = not clues.is_frame_word(one.place)
        return one.time.place == CLOCK, is_other, -round(one.share, 3), steps[one.place], one.time.step

    best = min(pairs, key=order)
    time, place, ratio = best.time, best.place, best.ratio
    usual, unit_ms, certainty, factor = clues.usual(place), rows.unit_ms(place), Certainty.PROVEN, 0.0
    why = [say("evidence.frames.steps_equal", share=best.share, label=time.label)]
    if time.unit_ms:
        factor = time.unit_ms * ratio
        why.append(
            say("evidence.frames.unit_by_clock")
            if time.place == CLOCK
            else say("evidence.frames.unit_of_time_stated")
        )
    elif unit_ms is None and clues.per_s and time.step >= 1:
        factor = 1e3 * ratio / clues.per_s
        why.append(say("evidence.frames.counts_stated", per_s=clues.per_s))
    if unit_ms is not None:
        factor = unit_ms
        why.append(say("evidence.frames.unit_stated"))
    if not factor:
        # Only the size of the values is left to tell.
        fitting, times = clues.units_of(best.place), (1e3, 1.0, 1e-3, 1e-6, 6e4, 3.6e6)
        both = [unit for unit in fitting if any(abs(unit / best.ratio / one - 1) < 0.01 for one in times)]
        if len(both) == 1 and abs(best.ratio - 1) > 0.01 and best.is_of_units:
            factor, certainty, reason = both[0], Certainty.PROVEN, say("evidence.frames.one_pair_fits")
        elif len(fitting) == 1 and clues.rows.steps[best.place] < 1:
            factor, certainty, reason = fitting[0], Certainty.LIKELY, say("evidence.frames.one_unit_fits")
        else:
            factor, certainty = max(fitting, default=1.0), Certainty.OPEN
            reason = say("evidence.frames.no_unit")
        why.append(reason)
    reading = Reading("column", place, time, factor, certainty, tuple(why), time_factor=factor / ratio)
    if best.bias > _MOST_BIAS and best.is_of_units:
        reading = reading.at_most(
            Certainty.LIKELY, say("evidence.frames.biased", label=time.label, share=best.bias)
        )
    if not is_plausible(usual * factor):
        told = {"label": time.label, "other": rows.label(place), "ms": usual * factor}
        what = say("evidence.question.no_frame_time", **told)
        return reading.at_most(Certainty.OPEN, question=what)
    return lifted(clues, held_against_rates(clues, reading, usual * factor))


def lifted(clues: Clues, reading: Reading) -> Reading:
    """Return a reading of a column as proven, where its sum is a length known from outside.

    Parameters
    ----------
    clues : the log
    reading : less sure than stated, or returned as it is
    """
    place = reading.place
    if reading.certainty >= Certainty.STATED or place is None:
        return reading
    median = say("evidence.question.median", label=clues.rows.label(place), usual=clues.usual(place))
    question = say("evidence.question.no_unit", label=median)
    found = clues.witnessed((reading, clues.total(place) * reading.factor))
    return found or (reading if reading.certainty > Certainty.OPEN else replace(reading, question=question))


def by_inverse_steps(clues: Clues) -> Reading | None:
    """Return the steps of a time whose product with a column of rates is one in nearly all rows."""
    places = [place for place in clues.values if not clues.has_other_unit(place)]
    for time, place in itertools.product(clues.times, places):
        values, steps = clues.values[place], time.steps
        with np.errstate(divide="ignore", invalid="ignore"):
            inverse = np.where(values > 0, 1.0 / values, np.nan)
            measured = float(np.nanmedian(steps / inverse[1:]))
        ratio = next((one for one in (1.0, 1e3, 1e6, 1e9) if abs(measured / one - 1) < 0.02), 0.0)
        if not ratio:
            continue
        slack = 1.05 * time.step + 0.55 * clues.rows.steps[place] * ratio * float(np.nanmax(inverse)) ** 2
        known = np.isfinite(steps) & np.isfinite(inverse[1:]) & np.isfinite(inverse[:-1])
        share = max((np.abs(steps - one * ratio)[known] <= slack).mean() for one in (inverse[:-1], inverse[1:]))
        if share < SHARE_EQUAL or steps[known].std() <= 3 * slack:
            continue
        factor = time.unit_ms or 1e3 / ratio
        if is_plausible(float(np.median(steps)) * factor):
            why = (say("evidence.frames.steps_inverse", label=clues.rows.label(place)),)
            return Reading("steps", None, time, factor, Certainty.PROVEN, why, time_factor=factor)
    return None
