"""The columns of a frame log: frame time, elapsed time, clock time, and sensors that stand beside them."""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.logs.clock_columns import clock_of_sample, find_clock, passed_since_zero, steps_of_clock
from gpubench_kit.logs.find_columns import (
    ELAPSED_UNITS_MS,
    UNITS_MS,
    ColumnChoice,
    Declaration,
    Sample,
    plausible_unit,
    sample_of,
)
from gpubench_kit.logs.frame_pairs import candidates, pair, rising
from gpubench_kit.logs.frame_sources import find_source, has_equal_pair, outcome_columns, sample_of_sources
from gpubench_kit.logs.frame_steps import ask_which, elapsed_alone, is_time, rises_as_time, same_course
from gpubench_kit.logs.named_sensors import sensors_by_name
from gpubench_kit.logs.stated_units import states_time_unit
from gpubench_kit.logs.text_table import LogTable, no_such_column
from gpubench_kit.model.errors import Fault, LogError

#: Rows that a log needs where nothing but the size of its numbers tells what they are.
_ROWS_NEEDED = 8

#: A lone column with a larger median could as well be frame rates [ms; fps].
_SLOWEST_ALONE_MS = 25.0


@dataclass(frozen=True)
class FrameColumns:
    """What the columns of a frame log are.

    Attributes
    ----------
    frame_time : column of the frame times; None where they are the steps of ``elapsed``
    elapsed : column of the time that has passed; None where there is none; the last one of the clock where only its
        stamps tell when frames began
    clock : columns of the wall clock: none, one, or two (date and time of day)
    sensors : columns of sensors
    sources : columns that tell frames of several sources apart, each with the values of those wanted; no values:
        the source whose frames took longest
    outcomes : columns that may tell what became of each frame
    counted : columns that tell which frames count, each with the values of those that do
    date_order : as declared, for the clock
    has_stamps_only : whether the frame times are the steps of the clock's stamps
    """

    frame_time: ColumnChoice | None
    elapsed: ColumnChoice | None
    clock: tuple[ColumnChoice, ...]
    sensors: tuple[ColumnChoice, ...]
    sources: tuple[tuple[int, tuple[str, ...]], ...] = ()
    outcomes: tuple[int, ...] = ()
    counted: tuple[tuple[int, tuple[str, ...]], ...] = ()
    date_order: str = ""
    has_stamps_only: bool = False

    @property
    def choices(self) -> tuple[ColumnChoice, ...]:
        """All columns that were found."""
        times = tuple(choice for choice in (self.frame_time, self.elapsed) if choice)
        return (*times, *self.clock, *self.sensors)


def find_frame_columns(table: LogTable, declared: Declaration) -> FrameColumns:
    """Find the columns of a frame log.

    Parameters
    ----------
    table : the log
    declared : what the plan declares

    Returns
    -------
    FrameColumns

    Raises
    ------
    LogError : no column can be the frame times, more than one can, or a declared one is missing

    Notes
    -----
    A column is the frame time when the steps of a rising column equal it, in s, ms, µs or ns. Where no column
    passes, the frame times are the steps of the elapsed time; where nothing rises, the column whose sum agrees with
    the clock, else the steps of fine stamps, else the only column whose values could be frame times.
    """
    sample = sample_of(table)
    clock = find_clock(table, sample)
    risers = rising(sample)
    sources, counted = _told_apart(table, sample, declared)
    if sources:
        sample = sample_of_sources(table, sample, sources)
        risers = rising(sample)
    chosen = _declared_frame_time(table, sample, declared) or _found_frame_time(table, sample, risers)
    elapsed = _elapsed_for(table, sample, risers, chosen) if chosen else elapsed_alone(table, sample, risers)
    if chosen is not None and elapsed is None and rises_as_time(sample, chosen):
        chosen, elapsed = None, replace(chosen, role="elapsed_time")
    if chosen is None and elapsed is not None and elapsed.confidence < 1.0:
        chosen, elapsed = _column_or_steps(table, sample, elapsed)
    has_numbers = chosen is not None or elapsed is not None
    if not has_numbers:
        chosen = _agreeing_with_clock(table, sample, clock)
        elapsed = None if chosen else steps_of_clock(table, clock, date_order=declared.date_order)
    if chosen is None and elapsed is None:
        chosen = _only_candidate(table, sample)
    taken = {choice.column for choice in (chosen, elapsed, *clock) if choice}
    sensors = sensors_by_name(table, sample, declared.sensors, taken=taken)
    taken |= {column for column, _ in (*sources, *counted)} | {sensor.column for sensor in sensors}
    outcomes = outcome_columns(table, sample, taken)
    has_stamps_only = not has_numbers and elapsed is not None
    told = (sources, outcomes, counted, declared.date_order, has_stamps_only)
    return FrameColumns(chosen, elapsed, clock, sensors, *told)


def _told_apart(table: LogTable, sample: Sample, declared: Declaration) -> tuple[tuple, tuple]:
    """Return the columns that tell sources apart, and those that tell which frames of one source count."""
    asked = [(table.place_of(heading), values) for heading, values in declared.count_only.items()]
    missing = [heading for heading, (column, _) in zip(declared.count_only, asked, strict=True) if column is None]
    if missing:
        raise no_such_column(table, missing[0], "what tells which frames count")
    if has_equal_pair(sample) or not (asked or declared.frame_time is None):
        return (), tuple(asked)
    if not asked:
        source = find_source(table, sample)
        return (() if source is None else ((source, ()),)), ()
    proved = tuple(one for one in asked if has_equal_pair(sample_of_sources(table, sample, (one,))))[:1]
    sources = proved or tuple(asked)
    return sources, tuple(one for one in asked if one not in sources)


def _choice(
    log: tuple[LogTable, Sample], role: str, column: int, *, unit: str, told: tuple[str, float]
) -> ColumnChoice:
    """Return the choice of a column of times; ``told`` is the evidence and the confidence."""
    table, sample = log
    step = float(sample.steps[column])
    return ColumnChoice(role, int(column), table.label(column), unit, *told, ELAPSED_UNITS_MS[unit], step)


def _declared_frame_time(table: LogTable, sample: Sample, declared: Declaration) -> ColumnChoice | None:
    """Return the frame time that the plan declares."""
    if declared.frame_time is None:
        return None
    heading, unit = declared.frame_time
    column = table.place_of(heading)
    if column is None:
        raise no_such_column(table, heading, "frame time")
    return _choice((table, sample), "frame_time", column, unit=unit, told=("declared in the plan", 1.0))


def _found_frame_time(table: LogTable, sample: Sample, risers: list[int]) -> ColumnChoice | None:
    """Return the frame time whose sums agree with a rising column."""
    tried = itertools.product(candidates(sample), risers)
    pairs = [found for frame, elapsed in tried if frame != elapsed and (found := pair(sample, frame, elapsed))]
    equal = [one for one in pairs if one.is_equal]
    if equal:
        # Of equally good ones the finer written column is the source of the other.
        best = min(
            equal, key=lambda one: (round(one.error, 4), sample.steps[one.frame] * ELAPSED_UNITS_MS[one.unit])
        )
        steps = f"{best.share:.0%} of the first steps of {table.label(best.elapsed)} [{best.elapsed_unit}]"
        why = f"{steps} equal the frame time of the row where they {best.side}"
        return _choice((table, sample), "frame_time", best.frame, unit=best.unit, told=(why, 0.99))
    near = [one for one in pairs if one.is_near]
    if len({one.frame for one in near}) == 1:
        best = min(near, key=lambda one: one.error)
        why = f"its sum agrees with {table.label(best.elapsed)} [{best.elapsed_unit}] within {best.error:.1%}"
        return _choice((table, sample), "frame_time", best.frame, unit=best.unit, told=(why, 0.7))
    if near:
        raise _ask(table, sample, sorted({one.frame for one in near}))
    return None


def _elapsed_for(table: LogTable, sample: Sample, risers: list[int], chosen: ColumnChoice) -> ColumnChoice | None:
    """Return the elapsed time that goes with the frame times."""
    tried = (pair(sample, chosen.column, elapsed) for elapsed in risers if elapsed != chosen.column)
    pairs = [one for one in tried if one and (one.is_equal or one.is_near)]
    if not pairs:
        return None
    best = min(
        pairs,
        key=lambda one: (round(one.error, 4), sample.steps[one.elapsed] * ELAPSED_UNITS_MS[one.elapsed_unit]),
    )
    why = f"it rises, and its steps agree with {chosen.label}"
    unit = best.elapsed_unit
    return _choice((table, sample), "elapsed_time", best.elapsed, unit=unit, told=(why, 0.95))


def _column_or_steps(
    table: LogTable, sample: Sample, elapsed: ColumnChoice
) -> tuple[ColumnChoice | None, ColumnChoice | None]:
    """Return the column of frame times, or the time whose steps they are, where the two disagree."""
    others = [column for column in _lone_candidates(sample) if column != elapsed.column]
    # Loads, temperatures and frame rates are as large as frame times: what states a unit of time is a rival.
    rivals = [one for one in others if states_time_unit(table, one, plausible_unit(sample.medians[one]))]
    alike = [] if states_time_unit(table, elapsed.column, elapsed.unit) else same_course(sample, elapsed, others)
    if not alike and is_time(table, sample, elapsed, rivals=rivals):
        return None, elapsed
    unit = plausible_unit(sample.medians[(alike or rivals)[0]])
    if len(alike) != 1:
        raise ask_which(table, elapsed, alike or rivals, unit=unit)
    why = f"the steps of {elapsed.label} rise and fall with it"
    return _choice((table, sample), "frame_time", alike[0], unit=unit, told=(why, 0.9)), None


def _lone_candidates(sample: Sample) -> list[int]:
    """Return the columns that could be frame times where no time passes in any column of numbers."""
    # Without time beside it, a number in millionths of a second is anything but a frame time.
    return [
        column
        for column in candidates(sample)
        if plausible_unit(sample.medians[column]) in ("s", "ms") and sample.rising[column] < 0.95
    ]


def _agreeing_with_clock(table: LogTable, sample: Sample, clock: tuple[ColumnChoice, ...]) -> ColumnChoice | None:
    """Return the one column of frame times whose sum is the time that the stamps say has passed."""
    agreeing = _as_the_clock(table, sample, clock, _lone_candidates(sample))
    if len(agreeing) != 1:
        return None
    unit = plausible_unit(sample.medians[agreeing[0]])
    teller = "the wall clock" if passed_since_zero(table, clock) is None else clock[0].label
    why = f"its sum agrees with the time that {teller} says has passed"
    return _choice((table, sample), "frame_time", agreeing[0], unit=unit, told=(why, 0.9))


def _only_candidate(table: LogTable, sample: Sample) -> ColumnChoice:
    """Return the one column that could be frame times where nothing tells the time."""
    found = _lone_candidates(sample)
    stated = [one for one in found if states_time_unit(table, one, plausible_unit(sample.medians[one]))]
    named = [column for column in found if table.dialect.names[column] == "frame_ms"]
    if not named and len(stated) == 1 and len(sample.values) >= _ROWS_NEEDED:
        unit = plausible_unit(sample.medians[stated[0]])
        why = f"the log states that it is in {unit}, and no elapsed time stands beside it"
        return _choice((table, sample), "frame_time", stated[0], unit=unit, told=(why, 0.8))
    if (len(found) != 1 and len(named) != 1) or len(sample.values) < _ROWS_NEEDED:
        raise _ask(table, sample, found)
    column = (named or found)[0]
    median = float(sample.medians[column])
    unit = "ms" if named else plausible_unit(median)
    if not named and unit == "ms" and median > _SLOWEST_ALONE_MS:
        raise _could_be_rates(table, column, median)
    why = f"its median, {median:g}, is a frame time in {unit}, and no elapsed time stands beside it"
    why = why if not named else "its heading is exactly 'frame_ms', and no elapsed time stands beside it"
    return _choice((table, sample), "frame_time", column, unit=unit, told=(why, 0.6))


def _as_the_clock(table: LogTable, sample: Sample, clock: tuple[ColumnChoice, ...], found: list[int]) -> list[int]:
    """Return the columns whose sums are the time that the stamps say has passed."""
    stamps = clock_of_sample(table, clock) if clock and len(sample.values) == len(table.sample) else None
    if stamps is None or not np.isfinite(stamps.time_s[[0, -1]]).all():
        return []
    span_s, slack_s = float(stamps.time_s[-1]), 1.01 * stamps.step_s
    sums = {
        column: float(np.nansum(sample.values[1:, column])) * UNITS_MS[plausible_unit(sample.medians[column])] / 1e3
        for column in found
    }
    if span_s < 20 * slack_s:
        return []
    return [column for column, total_s in sums.items() if abs(total_s - span_s) <= 0.05 * span_s + slack_s]


def _could_be_rates(table: LogTable, column: int, median: float) -> LogError:
    """Return the error for a lone column that could as well be frame rates."""
    line = f'frame_time = {{ column = {json.dumps(table.key(column), ensure_ascii=False)}, unit = "ms" }}'
    problem = (
        f"the values of {table.label(column)} (median {median:g}) could be frame times in ms or frame rates in "
        "fps, and no time stands beside them that could tell."
    )
    action = f"If they are frame times, say so in the plan, below [logs]: {line}; else record frame times."
    return LogError(Fault(table.name, problem, action))


def _ask(table: LogTable, sample: Sample, found: list[int]) -> LogError:
    """Return the error that asks for a declaration, with the line to paste."""
    if not found:
        headings = "; ".join(table.label(column) for column in range(min(table.dialect.n_columns, 12)))
        problem = f"no column can be the frame times (found: {headings})."
        return LogError(Fault(table.name, problem, "One row per frame with its time is expected."))
    shown = ", ".join(f"{table.label(column)} (median {sample.medians[column]:g})" for column in found[:8])
    heading = table.key(found[0])
    unit = plausible_unit(sample.medians[found[0]]) or "ms"
    line = f'frame_time = {{ column = {json.dumps(heading, ensure_ascii=False)}, unit = "{unit}" }}'
    problem = f"{len(found)} columns could be the frame times, and no elapsed time tells which: {shown}."
    return LogError(Fault(table.name, problem, f"Say which in the plan, below [logs], for example: {line}"))
