"""Rows that tell most: where a shared sensor log begins idle, its first rows do not tell what its columns are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gpubench_kit.logs.cell_text import number
from gpubench_kit.logs.find_columns import Declaration
from gpubench_kit.logs.find_sensor_columns import SensorColumns, find_sensor_columns
from gpubench_kit.logs.separator_fit import cells_of
from gpubench_kit.logs.text_table import LogTable, read_columns
from gpubench_kit.model.errors import LogError

#: First rows in which values move at least this share of what they do in the busiest rows are good enough.
_MOVES_ENOUGH = 0.7

#: Rows of which one usual value is taken.
_PIECE = 12

#: Findings on sensors, which other rows bring anew.
_ON_SENSORS = frozenset({"sensor_unit_taken", "sensor_without_values", "sensors_unclear"})


def with_sensors_of_busy_rows(table: LogTable, columns: SensorColumns, declared: Declaration) -> SensorColumns:
    """Return the columns with sensors as the busiest rows tell them, where no heading does and the first are idle.

    Parameters
    ----------
    table : the log
    columns : what its columns are, by its first rows
    declared : what the plan declares

    Notes
    -----
    The time is always that of the first rows. Sensors are those of the busiest rows where these tell more.
    """
    is_named = any(sensor.confidence == 1.0 for sensor in columns.sensors)
    is_asked = any(one.check == "sensor_without_values" for one in columns.findings)
    busy = None if is_named and not is_asked else _busy_sample(table, columns)
    if busy is None:
        return columns
    try:
        found = find_sensor_columns(replace(table, sample=busy), declared)
    except LogError:
        return columns
    on_time = tuple(one for one in columns.findings if one.check not in _ON_SENSORS)
    on_sensors = tuple(one for one in found.findings if one.check in _ON_SENSORS)
    taken = {choice.column for choice in (*columns.clock, columns.elapsed) if choice}
    sensors = tuple(sensor for sensor in found.sensors if sensor.column not in taken)
    if len(sensors) <= len(columns.sensors):
        return columns
    return replace(columns, sensors=sensors, findings=(*on_sensors, *on_time))


def _busy_sample(table: LogTable, columns: SensorColumns) -> list[list[str]] | None:
    """Return the cells of the rows in which values move most; None where the first rows will do."""
    taken = {choice.column for choice in (*columns.clock, columns.elapsed) if choice}
    asked = [
        place for place in range(table.dialect.n_columns) if place not in taken and _may_be_numbers(table, place)
    ]
    if not asked:
        return None
    try:
        values = np.column_stack(list(read_columns(table, asked).numbers.values()))
    except LogError:
        # A cell beyond the first rows is no number.
        return None
    start = _busiest(values, len(table.sample))
    cells = [] if start is None else _cells(table, start, len(table.sample))
    return cells if len(cells) > len(table.sample) // 2 else None


def _may_be_numbers(table: LogTable, column: int) -> bool:
    """Return whether each cell of a column's first rows is a number, or says that there is none."""
    decimal, thousands = table.dialect.decimal, table.dialect.thousands
    return all(number(row[column], decimal, thousands) is not None for row in table.sample)


def _busiest(values: np.ndarray, n_rows: int) -> int | None:
    """Return the first of so many rows in which values move most; None where those at the start move alike."""
    n_pieces, width = len(values) // _PIECE, n_rows // _PIECE
    if width < 2 or n_pieces <= width:
        return None
    # The median of a piece leaves single wrong readings out.
    pieces = np.sort(values[: n_pieces * _PIECE].reshape(n_pieces, _PIECE, -1), axis=1)
    n_known = np.isfinite(pieces).sum(axis=1, keepdims=True)
    usual = np.take_along_axis(pieces, n_known // 2, axis=1)[:, 0]
    seen = np.lib.stride_tricks.sliding_window_view(usual, width, axis=0)
    moved = np.nan_to_num(np.fmax.reduce(seen, axis=-1) - np.fmin.reduce(seen, axis=-1))
    whole = np.nan_to_num(np.fmax.reduce(usual) - np.fmin.reduce(usual))
    share = (moved[:, whole > 0] / whole[whole > 0]).sum(axis=1)
    best = int(np.argmax(share))
    return None if share[0] >= _MOVES_ENOUGH * share[best] else best * _PIECE


def _cells(table: LogTable, start: int, n_rows: int) -> list[list[str]]:
    """Return the cells of rows, as far as they are whole."""
    lines = table.text[table.dialect.first_row :].split(b"\n", start + n_rows)[start : start + n_rows]
    rows = (cells_of(line.decode("utf-8", "replace").rstrip("\r"), table.dialect.separator) for line in lines)
    return [row for row in rows if len(row) == table.dialect.n_columns]
