"""Which column is what, from the values: ranges, monotony, and sums that agree.

There is no list of headings. A heading counts only where it is exactly one of the kit's own metric
names, or is declared in the plan; everything else is found from the numbers, with its evidence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from gpubench_kit.logs.cell_text import decimals_of, is_clock, number
from gpubench_kit.logs.text_table import LogTable

#: What one unit of a time column is, in milliseconds.
UNITS_MS = {"s": 1000.0, "ms": 1.0, "us": 1e-3, "ns": 1e-6}

#: The same for time that has passed, which some recorders count in minutes or hours.
ELAPSED_UNITS_MS = {**UNITS_MS, "min": 60_000.0, "h": 3_600_000.0}

#: Median frame times that are taken for real [ms]: 5 to 4,000 frames per second. The range spans less
#: than a factor of 1,000, so that at most one unit can fit.
PLAUSIBLE_FRAME_MS = (0.25, 200.0)

#: Cells that the number of decimals is taken from.
_CELLS_FOR_STEP = 16


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """One column and what it was taken for.

    Attributes
    ----------
    role : ``frame_time``, ``elapsed_time``, ``clock_time`` or the name of a sensor metric
    column : its place, from 0
    label : what to call it in messages
    unit : unit of its values, empty where there is none
    why : the evidence
    confidence : 0 to 1; 1 is declared
    factor, zero : ``(value - zero) * factor`` is in the unit of the role
    step : one unit of the last decimal written, in the column's own unit
    """

    role: str
    column: int
    label: str
    unit: str
    why: str
    confidence: float
    factor: float = 1.0
    step: float = 0.0
    zero: float = 0.0

    def in_unit_of_role(self, values: np.ndarray) -> np.ndarray:
        """Return values of the column in the unit of its role."""
        if self.zero:
            values = values - self.zero
        return values if self.factor == 1.0 else values * self.factor


@dataclass(frozen=True)
class Declaration:
    """What the plan declares about logs; empty where columns are to be found by content.

    Attributes
    ----------
    frame_time : heading and unit of the frame times
    sensor_time : heading of the sensor samples' time
    sensors : heading by metric
    sensor_offset_s : the sensor log's time at which the frame log starts [s]
    count_only : the values that frames which count have, by heading; empty where all frames count
    date_order : ``day_first`` or ``month_first``; empty where the dates shall tell
    told_in_sensors : headings of ``count_only`` that the run's sensor log has
    """

    frame_time: tuple[str, str] | None = None
    sensor_time: str | None = None
    sensors: Mapping[str, str] = field(default_factory=dict)
    sensor_offset_s: float | None = None
    count_only: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    date_order: str = ""
    told_in_sensors: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sample:
    """The first rows of a log as numbers.

    Attributes
    ----------
    values : array of shape (rows, columns); nan where a cell is no number
    steps : array of shape (columns,): one unit of the last decimal written
    is_numeric, is_clock : array of shape (columns,): whether nearly all cells are numbers, or stamps of a clock
    medians : array of shape (columns,): of each column's values
    rising : array of shape (columns,): share of steps that do not go back; 0 where nothing moves
    has_holes : whether a cell of a numeric column is no number
    """

    values: np.ndarray
    steps: np.ndarray
    is_numeric: np.ndarray
    is_clock: np.ndarray
    medians: np.ndarray
    rising: np.ndarray
    has_holes: bool

    def of_rows(self, rows: np.ndarray) -> Sample:
        """Return the sample with these rows only."""
        values = self.values[rows]
        return Sample(values, self.steps, self.is_numeric, self.is_clock, *_shape_of(values, self.is_numeric))


def sample_of(table: LogTable) -> Sample:
    """Return the first rows of a log as numbers."""
    decimal, thousands = table.dialect.decimal, table.dialect.thousands
    columns = list(zip(*table.sample, strict=True))
    parsed = [_numbers(column, decimal, thousands) for column in columns]
    values = np.column_stack(parsed)
    values[np.isinf(values)] = np.nan
    n_numbers = np.isfinite(values).sum(axis=0)
    n_missing = np.zeros(len(columns), dtype=int)
    for column in np.flatnonzero(n_numbers < len(table.sample)):
        n_missing[column] = sum(not cell.strip() for cell in columns[column])
    is_numeric = (n_numbers > 0) & (n_numbers >= 0.9 * (len(table.sample) - n_missing))
    steps = np.array(
        [
            10.0 ** -max(decimals_of(cell, decimal) for cell in column[:_CELLS_FOR_STEP]) if numeric else 1.0
            for column, numeric in zip(columns, is_numeric, strict=True)
        ]
    )
    clocks = [not numeric and is_clock(column[0]) for column, numeric in zip(columns, is_numeric, strict=True)]
    return Sample(values, steps, is_numeric, np.array(clocks), *_shape_of(values, is_numeric))


def _shape_of(values: np.ndarray, is_numeric: np.ndarray) -> tuple[np.ndarray, np.ndarray, bool]:
    """Return medians and shares of rising steps of the numeric columns, and whether any has holes."""
    medians, rising = np.full(is_numeric.size, np.nan), np.zeros(is_numeric.size)
    numeric = values[:, is_numeric]
    if np.isfinite(numeric).all() and len(values) > 1:
        steps = np.diff(numeric, axis=0)
        medians[is_numeric] = np.median(numeric, axis=0)
        rising[is_numeric] = (steps >= 0).mean(axis=0) * (steps > 0).any(axis=0)
        return medians, rising, False
    for column in np.flatnonzero(is_numeric):
        known = values[np.isfinite(values[:, column]), column]
        medians[column], rising[column] = np.median(known), share_rising(known)
    return medians, rising, True


def _numbers(cells: tuple[str, ...], decimal: str, thousands: str) -> np.ndarray:
    """Return cells as numbers; nan where one is none."""
    if decimal == "." and not thousands:
        try:
            return np.array(cells, dtype=np.float64)
        except ValueError:
            pass
    parsed = (number(cell, decimal, thousands) for cell in cells)
    return np.array([np.nan if value is None else value for value in parsed])


def plausible_unit(median: float) -> str:
    """Return the unit in which a median frame time is a real one; empty where there is none."""
    low, high = PLAUSIBLE_FRAME_MS
    return next((unit for unit, in_ms in UNITS_MS.items() if low <= median * in_ms < high), "")


def share_rising(values: np.ndarray) -> float:
    """Return the share of steps that do not go back; 0 where nothing moves."""
    steps = np.diff(values[np.isfinite(values)])
    if steps.size == 0 or not (steps > 0).any():
        return 0.0
    return float((steps >= 0).mean())
