"""Rows that a recorder wrote twice: exact copies with the same stamp, left out with a finding."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gpubench_kit.logs.line_reader import row_lines
from gpubench_kit.logs.text_table import Columns, LogTable
from gpubench_kit.model.findings import Finding

#: Largest log whose rows are compared as text [MB].
_LARGEST_MB = 64


def without_repeated_rows(table: LogTable, columns: Columns, stamps: np.ndarray, *, step: float) -> Columns:
    """Return the columns without the second copies of rows.

    Parameters
    ----------
    table : the log
    columns : what was read of it
    stamps : array of shape (n,), the time of each row, in any unit
    step : resolution of the stamps; where rows come faster than it, equal stamps are no sign of a copy

    Returns
    -------
    Columns; with a finding where rows were left out

    Notes
    -----
    A row is a copy if its whole text is that of an earlier row. Rows with an equal stamp and another text stay.
    """
    steps = np.diff(stamps)
    if (steps > 0).all() or np.median(steps) <= step:
        return columns
    _, first, counts = np.unique(stamps, return_inverse=True, return_counts=True)
    suspects = np.flatnonzero(counts[first] > 1)
    if suspects.size == 0:
        return columns
    if len(table.text) > _LARGEST_MB * 1_000_000:
        message = (
            f"{table.name}: stamps are repeated; whether rows are copies is not tested beyond {_LARGEST_MB} MB."
        )
        finding = Finding("note", "repeats_not_tested", message, found=float(suspects.size))
        return replace(columns, findings=(*columns.findings, finding))
    lines = row_lines(table.text, table.dialect, wanted=[*columns.numbers, *columns.texts], n_rows=stamps.size)
    if lines is None:
        return columns
    keep, seen = np.ones(stamps.size, dtype=bool), set()
    for row in suspects:
        keep[row] = lines[row] not in seen
        seen.add(lines[row])
    n_copies = int((~keep).sum())
    if n_copies == 0:
        return columns
    message = (
        f"{table.name}: {n_copies} rows are exact copies of an earlier row with the same stamp; they were left out."
    )
    finding = Finding("note", "repeated_rows", message, found=float(n_copies))
    return replace(
        columns,
        numbers={column: values[keep] for column, values in columns.numbers.items()},
        texts={column: values[keep] for column, values in columns.texts.items()},
        findings=(*columns.findings, finding),
    )
