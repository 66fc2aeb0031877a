"""Frame times as the steps of a column that rises, where no column's values equal them."""

from __future__ import annotations

import json

import numpy as np

from gpubench_kit.logs.find_columns import (
    ELAPSED_UNITS_MS,
    PLAUSIBLE_FRAME_MS,
    UNITS_MS,
    ColumnChoice,
    Sample,
    plausible_unit,
)
from gpubench_kit.logs.stated_units import states_time_unit
from gpubench_kit.logs.text_table import LogTable
from gpubench_kit.model.errors import Fault, LogError

#: Shortest usual step of elapsed time that frame times are taken from [ms].
_SHORTEST_STEP_MS = 1.0

#: What rises by whole numbers up to this, always the same one, counts rows or every other one.
_LARGEST_STRIDE = 3

#: Steps that have to be seen before they are said to count.
_STEPS_NEEDED = 3

#: Share of rows in which a step is at least as long as a time that is part of the frame.
_SHARE_PART = 0.95

#: Largest spread of the ratio of steps to values that still counts as the same course.
_SAME_COURSE = 0.01


def elapsed_alone(table: LogTable, sample: Sample, risers: list[int]) -> ColumnChoice | None:
    """Return the first column that rises by what could be frame times; None where there is none.

    Parameters
    ----------
    table, sample : the log and its first rows
    risers : columns that rise
    """
    for column in (one for one in risers if not _counts(sample.values[:, one])):
        step = float(np.nanmedian(np.diff(sample.values[:, column])))
        unit = plausible_unit(step)
        # Shorter steps in seconds could as well be minutes.
        if unit and step * UNITS_MS[unit] >= _SHORTEST_STEP_MS:
            why = f"it rises by {step:g} {unit} a row (median), and no column equals its steps"
            told = (unit, why, 0.8, ELAPSED_UNITS_MS[unit], float(sample.steps[column]))
            return ColumnChoice("elapsed_time", int(column), table.label(column), *told)
    return None


def rises_as_time(sample: Sample, declared: ColumnChoice) -> bool:
    """Return whether what the plan declares as frame time rises by frame times: then its steps are meant.

    Parameters
    ----------
    sample : the first rows
    declared : the column and its unit
    """
    low, high = PLAUSIBLE_FRAME_MS
    values_ms = sample.values[:, declared.column] * declared.factor
    usual_ms = float(np.nanmedian(np.diff(values_ms))) if values_ms.size > 1 else 0.0
    is_frame_time = low <= float(np.nanmedian(values_ms)) < high
    return bool(sample.rising[declared.column] >= 0.95 and low <= usual_ms < high and not is_frame_time)


def is_time(table: LogTable, sample: Sample, elapsed: ColumnChoice, *, rivals: list[int]) -> bool:
    """Return whether a column that rises can be taken for elapsed time although others could be frame times.

    Parameters
    ----------
    table, sample : the log and its first rows
    elapsed : as from `elapsed_alone`
    rivals : columns that could be frame times, though its steps differ from them
    """
    if elapsed.unit == "s" or states_time_unit(table, elapsed.column, elapsed.unit):
        return True
    steps_ms = np.diff(sample.values[:, elapsed.column]) * elapsed.factor
    return all(_is_part(steps_ms, sample, rival) for rival in rivals)


def same_course(sample: Sample, elapsed: ColumnChoice, rivals: list[int]) -> list[int]:
    """Return the columns to whose values the steps are proportional: then the steps count ticks of some clock.

    Parameters
    ----------
    sample : the first rows
    elapsed, rivals : as for `is_time`
    """
    steps = np.diff(sample.values[:, elapsed.column])
    return [rival for rival in rivals if any(_are_proportional(steps, one) for one in _sides(sample, rival))]


def ask_which(table: LogTable, elapsed: ColumnChoice, rivals: list[int], *, unit: str) -> LogError:
    """Return the error that asks whether a column holds the frame times, or the steps of another are.

    Parameters
    ----------
    table : the log
    elapsed, rivals : as for `is_time`
    unit : of the first rival's values
    """
    headings = (json.dumps(table.key(column), ensure_ascii=False) for column in (rivals[0], elapsed.column))
    lines = [
        f'frame_time = {{ column = {heading}, unit = "{in_unit}" }}'
        for heading, in_unit in zip(headings, (unit, elapsed.unit), strict=True)
    ]
    problem = (
        f"{table.label(rivals[0])} could be the frame times, and so could the steps of {elapsed.label}, but they "
        "do not agree."
    )
    action = f"Say which in the plan, below [logs]: {lines[0]} or, for the steps, {lines[1]}"
    return LogError(Fault(table.name, problem, action))


def _counts(values: np.ndarray) -> bool:
    """Return whether values number the rows, gaps in the numbers allowed."""
    known = values[np.isfinite(values)]
    steps = np.diff(known)
    if steps.size < _STEPS_NEEDED or not (known == np.rint(known)).all():
        return False
    return bool(np.median(steps) == 1 or ((steps == steps[0]).all() and steps[0] <= _LARGEST_STRIDE))


def _is_part(steps_ms: np.ndarray, sample: Sample, rival: int) -> bool:
    """Return whether a column's values could be a part of each frame, such as the time a processor was busy."""
    unit = plausible_unit(sample.medians[rival])
    sides = (one * UNITS_MS[unit] for one in _sides(sample, rival))
    return any((steps_ms >= 0.99 * one).mean() >= _SHARE_PART for one in sides)


def _sides(sample: Sample, rival: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a column's values in the row before each step, and in the row behind it."""
    values = sample.values[:, rival]
    return values[:-1], values[1:]


def _are_proportional(steps: np.ndarray, values: np.ndarray) -> bool:
    """Return whether nearly all steps are the same multiple of values that vary."""
    known = np.isfinite(steps) & np.isfinite(values) & (values > 0)
    if known.sum() < 8 or np.ptp(values[known]) < 0.05 * np.median(values[known]):
        return False
    ratio = steps[known] / values[known]
    off = np.abs(ratio / np.median(ratio) - 1.0)
    return bool((off <= _SAME_COURSE).mean() >= 0.9)
