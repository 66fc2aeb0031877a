"""All rows of a log as numbers and texts, with the unit that each heading states: what `sniff` looks at."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.logs.cell_text import decimals_of, is_clock, number
from gpubench_kit.logs.text_table import Columns, LogTable, read_columns
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.words import Unit, unit_stated

#: Cells that the number of decimals is taken from.
_CELLS_FOR_STEP = 16

#: Most different cells of a text column that may tell rows apart.
_MOST_WORDS = 64


@dataclass(frozen=True)
class LogRows:
    """All rows of a log.

    Attributes
    ----------
    table : the log
    numbers : arrays of shape (n,) by place; nan where a cell is no number
    texts : arrays of shape (n,) by place, of columns of few words and of stamps
    steps : one unit of the last decimal written, by place
    units : unit stated by each heading, None where there is none
    is_clock : places whose cells are stamps
    unreadable : places with numbers in the first rows and something else below
    findings : what was noticed while reading
    """

    table: LogTable
    numbers: dict[int, np.ndarray]
    texts: dict[int, np.ndarray]
    steps: dict[int, float]
    units: tuple[Unit | None, ...]
    is_clock: frozenset[int]
    unreadable: frozenset[int]
    findings: tuple[Finding, ...]

    @property
    def n(self) -> int:
        """How many rows there are."""
        return len(next(iter({**self.numbers, **self.texts}.values()), ()))

    def of(self, rows: np.ndarray | slice) -> LogRows:
        """Return these rows only.

        Parameters
        ----------
        rows : places or a mask
        """
        numbers = {place: values[rows] for place, values in self.numbers.items()}
        texts = {place: cells[rows] for place, cells in self.texts.items()}
        return replace(self, numbers=numbers, texts=texts)

    def label(self, place: int) -> str:
        """Return what to call a column in messages."""
        return self.table.label(place)

    def name(self, place: int) -> str:
        """Return the heading of a column."""
        return self.table.dialect.names[place]

    def unit_ms(self, place: int) -> float | None:
        """Return how many milliseconds a stated unit of time has; None where none is stated."""
        unit = self.units[place]
        return unit.factor if unit is not None and unit.quantity == "time" else None


def rows_of(table: LogTable) -> LogRows:
    """Return all rows of a log.

    Parameters
    ----------
    table : the log

    Raises
    ------
    LogError : no column can be read
    """
    decimal, thousands = table.dialect.decimal, table.dialect.thousands
    columns = list(zip(*table.sample, strict=True))
    is_clock_at = [is_clock(cells[0]) for cells in columns]
    parsed = [[number(cell, decimal, thousands) for cell in cells] for cells in columns]
    known = [sum(value is not None for value in values) for values in parsed]
    filled = [max(1, sum(bool(cell.strip()) for cell in cells)) for cells in columns]
    numeric = [
        place
        for place in range(len(columns))
        if not is_clock_at[place]
        and known[place]
        and (known[place] >= 0.9 * filled[place] or table.dialect.names[place].strip() in METRICS)
    ]
    texts = [
        place
        for place in range(len(columns))
        if place not in numeric and (is_clock_at[place] or len(set(columns[place])) <= _MOST_WORDS)
    ]
    read, unreadable = _read(table, numeric, texts)
    steps = {
        place: 10.0 ** -max(decimals_of(cell, decimal) for cell in columns[place][:_CELLS_FOR_STEP])
        for place in read.numbers
    }
    names, units = table.dialect.names, table.dialect.units
    # A metric's own name ends with its unit; what the log states stands beside it.
    stated = tuple(
        unit_stated("" if name.strip() in METRICS else name, unit) for name, unit in zip(names, units, strict=True)
    )
    clocks = frozenset(place for place in texts if is_clock_at[place])
    return LogRows(table, read.numbers, read.texts, steps, stated, clocks, unreadable, read.findings)


def _read(table: LogTable, numeric: list[int], texts: list[int]) -> tuple[Columns, frozenset[int]]:
    """Return the columns, and those that hold more than numbers below the first rows."""
    if not numeric and not texts:
        raise LogError(Fault(table.name, "no column holds numbers or stamps in all rows.", "Record the run again."))
    try:
        return read_columns(table, numeric, texts=texts), frozenset()
    except LogError:
        good = [place for place in numeric if _can_be_read(table, place)]
        if not good or len(good) == len(numeric):
            raise
    return read_columns(table, good, texts=texts), frozenset(numeric) - frozenset(good)


def _can_be_read(table: LogTable, place: int) -> bool:
    """Return whether a column holds numbers only."""
    try:
        read_columns(table, [place])
    except LogError:
        return False
    return True
