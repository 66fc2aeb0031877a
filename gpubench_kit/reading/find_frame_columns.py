"""The columns of a frame log: frame time, elapsed time, clock time, and sensors that stand beside them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from gpubench_kit.errors import Fault, LogError
from gpubench_kit.reading.clock import clock_of_numbers, is_date_only, is_time_only
from gpubench_kit.reading.find_columns import (
    UNITS_MS,
    ColumnChoice,
    Declaration,
    Sample,
    plausible_unit,
    sample_of,
    share_rising,
)
from gpubench_kit.reading.text_table import LogTable, no_such_column
from gpubench_kit.registry import SENSOR_METRICS

#: Share of steps of the elapsed time that must equal a frame time.
_SHARE_EQUAL = 0.9

#: Largest difference between the sum of the frame times and the elapsed time that still counts as agreement.
_SUMS_AGREE = 0.02


@dataclass(frozen=True)
class FrameColumns:
    """What the columns of a frame log are.

    Attributes
    ----------
    frame_time : column of the frame times; None where they are the steps of ``elapsed``
    elapsed : column of the time that has passed; None where there is none
    clock : columns of the wall clock: none, one, or two (date and time of day)
    sensors : columns of sensors
    """

    frame_time: ColumnChoice | None
    elapsed: ColumnChoice | None
    clock: tuple[ColumnChoice, ...]
    sensors: tuple[ColumnChoice, ...]

    @property
    def choices(self) -> tuple[ColumnChoice, ...]:
        """All columns that were found."""
        times = tuple(choice for choice in (self.frame_time, self.elapsed) if choice)
        return (*times, *self.clock, *self.sensors)


@dataclass(frozen=True)
class _Pair:
    """A column of frame times and one of elapsed time whose steps equal them."""

    frame: int
    elapsed: int
    unit: str
    elapsed_unit: str
    share: float
    side: str
    error: float


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
    passes, the frame times are the steps of the elapsed time; where nothing rises, the only column whose values
    could be frame times is taken.
    """
    sample = sample_of(table)
    clock = find_clock(table, sample)
    rising = _rising(sample)
    chosen = _declared_frame_time(table, sample, declared) or _found_frame_time(table, sample, rising)
    elapsed = _elapsed_for(table, sample, rising, chosen)
    if chosen is None and elapsed is None:
        chosen = _only_candidate(table, sample)
    taken = {choice.column for choice in (chosen, elapsed, *clock) if choice}
    return FrameColumns(chosen, elapsed, clock, sensors_by_name(table, sample, declared.sensors, taken))


def _choice(
    log: tuple[LogTable, Sample], role: str, column: int, *, unit: str, told: tuple[str, float]
) -> ColumnChoice:
    """Return the choice of a column of times; ``told`` is the evidence and the confidence."""
    table, sample = log
    step = float(sample.steps[column])
    return ColumnChoice(role, int(column), table.label(column), unit, *told, UNITS_MS[unit], step)


def find_clock(table: LogTable, sample: Sample) -> tuple[ColumnChoice, ...]:
    """Return the columns of the wall clock: none, one, or a date and a time of day."""
    texts = [column for column in range(table.dialect.n_columns) if sample.is_clock[column]]
    dates = [column for column in texts if is_date_only(table.sample[0][column])]
    times = [column for column in texts if is_time_only(table.sample[0][column])]
    if dates and times:
        why = "one column holds dates, another times of day"
        return tuple(ColumnChoice("clock_time", c, table.label(c), "", why, 0.95) for c in (dates[0], times[0]))
    for column in (column for column in texts if column not in dates):
        first = table.sample[0][column].strip()[:40]
        return (
            ColumnChoice("clock_time", column, table.label(column), "", f"it holds stamps such as {first!r}", 0.95),
        )
    for column in np.flatnonzero(sample.is_numeric):
        values = sample.values[:, column]
        if share_rising(values) >= 0.95 and clock_of_numbers(values) is not None:
            why = "it rises, and its values are seconds (or parts of them) since 1970"
            return (ColumnChoice("clock_time", int(column), table.label(int(column)), "", why, 0.9),)
    return ()


def sensors_by_name(
    table: LogTable, sample: Sample, declared: Mapping[str, str], taken: set[int]
) -> tuple[ColumnChoice, ...]:
    """Return the sensors that are declared, or headed by exactly a metric name of the kit."""
    choices = []
    for metric in SENSOR_METRICS:
        heading = declared.get(metric, metric)
        column = table.place_of(heading)
        if column is not None and column not in taken and sample.is_numeric[column]:
            why = "declared in the plan" if metric in declared else "its heading is exactly this metric's name"
            choices.append(ColumnChoice(metric, column, table.label(column), "", why, 1.0))
    return tuple(choices)


def _rising(sample: Sample) -> list[int]:
    """Return the columns that rise and are no row counters, finest first."""
    found = []
    for column in np.flatnonzero(sample.is_numeric):
        values = sample.values[:, column]
        steps = np.diff(values[np.isfinite(values)])
        if share_rising(values) >= 0.95 and not (steps == 1).all():
            found.append(int(column))
    return found


def _declared_frame_time(table: LogTable, sample: Sample, declared: Declaration) -> ColumnChoice | None:
    """Return the frame time that the plan declares."""
    if declared.frame_time is None:
        return None
    heading, unit = declared.frame_time
    column = table.place_of(heading)
    if column is None:
        raise no_such_column(table, heading, "frame time")
    return _choice((table, sample), "frame_time", column, unit=unit, told=("declared in the plan", 1.0))


def _candidates(sample: Sample, without: list[int]) -> list[int]:
    """Return the columns whose values could be frame times in some unit."""
    found = []
    for column in np.flatnonzero(sample.is_numeric):
        values = sample.values[np.isfinite(sample.values[:, column]), column]
        if column not in without and (values >= 0).all() and plausible_unit(float(np.median(values))):
            found.append(int(column))
    return found


def _found_frame_time(table: LogTable, sample: Sample, rising: list[int]) -> ColumnChoice | None:
    """Return the frame time whose sums agree with a rising column."""
    pairs = [_pair(sample, frame, elapsed) for elapsed in rising for frame in _candidates(sample, rising)]
    equal = [pair for pair in pairs if pair and pair.share >= _SHARE_EQUAL]
    if equal:
        # A stricter test stands behind a finer agreement; of equal ones the finer written column is the source.
        best = min(equal, key=lambda pair: (round(pair.error, 4), sample.steps[pair.frame] * UNITS_MS[pair.unit]))
        steps = f"{best.share:.0%} of the first steps of {table.label(best.elapsed)} [{best.elapsed_unit}]"
        why = f"{steps} equal the frame time of the row where they {best.side}"
        return _choice((table, sample), "frame_time", best.frame, unit=best.unit, told=(why, 0.99))
    near = [pair for pair in pairs if pair and pair.error <= _SUMS_AGREE]
    if len({pair.frame for pair in near}) == 1:
        best = min(near, key=lambda pair: pair.error)
        why = f"its sum agrees with {table.label(best.elapsed)} [{best.elapsed_unit}] within {best.error:.1%}"
        return _choice((table, sample), "frame_time", best.frame, unit=best.unit, told=(why, 0.7))
    if near:
        raise _ask(table, sample, sorted({pair.frame for pair in near}))
    return None


def _pair(sample: Sample, frame: int, elapsed: int) -> _Pair | None:
    """Return how well the steps of one column equal another; None where no unit makes them comparable."""
    is_whole = np.isfinite(sample.values[:, [frame, elapsed]]).all(axis=1)
    frames, times = sample.values[is_whole, frame], sample.values[is_whole, elapsed]
    if frames.size < 3:
        return None
    steps, median = np.diff(times), float(np.median(frames))
    unit, typical = plausible_unit(median), float(np.mean(steps))
    if not unit or typical <= 0:
        return None
    factor = 1000.0 ** round(np.log(typical / frames.mean()) / np.log(1000.0))
    elapsed_unit = next((name for name, ms in UNITS_MS.items() if np.isclose(ms, UNITS_MS[unit] / factor)), "")
    expected, span = frames * factor, float(times[-1] - times[0])
    slack = 1.01 * sample.steps[elapsed] + 0.51 * factor * sample.steps[frame] + 1e-12 * float(np.abs(times).max())
    at_end = float((np.abs(steps - expected[1:]) <= slack).mean())
    at_start = float((np.abs(steps - expected[:-1]) <= slack).mean())
    share, side = (at_end, "end") if at_end > at_start else (at_start, "start")
    totals = expected[1:].sum() if side == "end" else expected[:-1].sum()
    error = abs(span - float(totals)) / span if span > 0 else np.inf
    is_telling = slack < 0.25 * median * factor or error < 0.02
    return _Pair(frame, elapsed, unit, elapsed_unit, share * is_telling, side, error) if elapsed_unit else None


def _elapsed_for(
    table: LogTable, sample: Sample, rising: list[int], chosen: ColumnChoice | None
) -> ColumnChoice | None:
    """Return the elapsed time that goes with the frame times; without these, one whose steps could be them."""
    if chosen is not None:
        pairs = [_pair(sample, chosen.column, elapsed) for elapsed in rising if elapsed != chosen.column]
        pairs = [pair for pair in pairs if pair and (pair.share >= _SHARE_EQUAL or pair.error <= _SUMS_AGREE)]
        if not pairs:
            return None
        best = min(
            pairs, key=lambda pair: (round(pair.error, 4), sample.steps[pair.elapsed] * UNITS_MS[pair.elapsed_unit])
        )
        why = f"it rises, and its steps agree with {chosen.label}"
        unit = best.elapsed_unit
        return _choice((table, sample), "elapsed_time", best.elapsed, unit=unit, told=(why, 0.95))
    for elapsed in rising:
        step = float(np.nanmedian(np.diff(sample.values[:, elapsed])))
        unit = plausible_unit(step)
        if unit:
            why = f"it rises by {step:g} {unit} a row (median), and no column equals its steps"
            return _choice((table, sample), "elapsed_time", elapsed, unit=unit, told=(why, 0.8))
    return None


def _only_candidate(table: LogTable, sample: Sample) -> ColumnChoice:
    """Return the one column that could be frame times where no time passes in any column."""
    candidates = _candidates(sample, [])
    named = [column for column in candidates if table.dialect.names[column] == "frame_ms"]
    if len(candidates) != 1 and len(named) != 1:
        raise _ask(table, sample, candidates)
    column = (named or candidates)[0]
    median = float(np.nanmedian(sample.values[:, column]))
    unit = "ms" if named else plausible_unit(median)
    why = f"its median, {median:g}, is a frame time in {unit}, and no elapsed time stands beside it"
    why = why if not named else "its heading is exactly 'frame_ms', and no elapsed time stands beside it"
    return _choice((table, sample), "frame_time", column, unit=unit, told=(why, 0.6))


def _ask(table: LogTable, sample: Sample, candidates: list[int]) -> LogError:
    """Return the error that asks for a declaration, with the line to paste."""
    if not candidates:
        found = "; ".join(table.label(column) for column in range(min(table.dialect.n_columns, 12)))
        problem = f"no column can be the frame times (found: {found})."
        return LogError(Fault(table.name, problem, "One row per frame with its time is expected."))
    shown = ", ".join(
        f"{table.label(column)} (median {np.nanmedian(sample.values[:, column]):g})" for column in candidates[:8]
    )
    heading = table.dialect.names[candidates[0]] or str(candidates[0] + 1)
    unit = plausible_unit(float(np.nanmedian(sample.values[:, candidates[0]]))) or "ms"
    line = f'frame_time = {{ column = {json.dumps(heading, ensure_ascii=False)}, unit = "{unit}" }}'
    problem = f"{len(candidates)} columns could be the frame times, and no elapsed time tells which: {shown}."
    return LogError(Fault(table.name, problem, f"Say which in the plan, below [logs], for example: {line}"))
