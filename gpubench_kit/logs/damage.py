"""Damage that the rows of a log show: rows twice, a second run, rows of sums, a lost decimal mark, reversed rows.

What can be repaired without a guess is repaired with a note; what cannot is asked.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from gpubench_kit.logs.clock import counts_rows, rises
from gpubench_kit.logs.format import ConfirmedFormat
from gpubench_kit.logs.log_table import Columns, LogRows, LogTable, row_lines
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.findings import Finding

Read = TypeVar("Read", bound=Columns)

#: Most times that a time column may begin anew, as several runs in one log make it.
_MOST_RUNS = 8

#: Widths of counters.
_COUNTER_BITS = (16, 24, 31, 32)

#: Most rows of sums and means at the end of a log.
_MOST_FOOTERS = 4

#: A whole number this many times the usual value may have lost its decimal mark.
_FAR = 20.0

#: Largest log whose rows are compared as text [MB].
_LARGEST_MB = 64


@dataclass(frozen=True)
class Repaired:
    """The rows of a log without damage.

    Attributes
    ----------
    rows : the rows that are used
    rules : what was done, in words that `with_rules` follows
    findings : what was noticed
    fault : what has to be answered first; None where nothing is asked
    lost_marks : rows whose cell lost its decimal mark, by place
    """

    rows: LogRows
    rules: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    fault: Fault | None = None
    lost_marks: tuple[tuple[int, int], ...] = ()


def repaired(rows: LogRows, confirmed: ConfirmedFormat | None) -> Repaired:
    """Return the rows of a log without the damage that they show.

    Parameters
    ----------
    rows : all rows
    confirmed : what the reviewer confirmed of the format; names the part where a log holds several runs
    """
    found = Repaired(rows)
    for look in (_every_row_twice, _footers, _reversed, _wrapped):
        found = look(found)
    found = _several_runs(found, confirmed.part if confirmed else 0)
    return replace(found, lost_marks=_lost_marks(found.rows))


def with_rules(rows: Read, rules: tuple[str, ...]) -> Read:
    """Return the rows that the rules of a format leave.

    Parameters
    ----------
    rows : all rows of a log of the format
    rules : see `Repaired`
    """
    for rule in rules:
        name, _, argument = rule.partition(" ")
        first, _, last = argument.partition("-")
        if name == "unwrap":
            values = rows.numbers[int(first)]
            bits = int(last)
            unwrapped = values + 2.0**bits * np.concatenate(([0.0], np.cumsum(np.diff(values) < 0)))
            numbers = {**rows.numbers, int(first): unwrapped}
            rows = replace(rows, numbers=numbers)
            continue
        kept = {
            "every_second": slice(None, None, 2),
            "reverse": slice(None, None, -1),
            "drop_last": slice(None, -int(first or 1)),
            "rows": slice(int(first or 1) - 1, int(last or 1)),
        }[name]
        rows = rows.of(kept)
    return rows


def _done(found: Repaired, rule: str, check: str, message: str) -> Repaired:
    """Return the rows after one more rule, with the note that says so."""
    note = Finding("note", check, f"{found.rows.table.name}: {message}")
    rows = with_rules(found.rows, (rule,))
    return replace(found, rows=rows, rules=(*found.rules, rule), findings=(*found.findings, note))


def _live(rows: LogRows) -> dict[int, np.ndarray]:
    """Return the columns of numbers that hold more than holes and row numbers."""
    return {
        place: values
        for place, values in rows.numbers.items()
        if np.isfinite(values).sum() > 0.5 * values.size and not counts_rows(values)
    }


def _every_row_twice(found: Repaired) -> Repaired:
    """Return the rows without second copies, where each row is written twice."""
    live = _live(found.rows)
    if not live or found.rows.n_rows % 2 or found.rows.n_rows < 4:
        return found
    values = np.nan_to_num(np.column_stack(list(live.values())))
    if (values[0::2] != values[1::2]).any() or not np.ptp(values[::2], axis=0).max() > 0:
        return found
    message = "every row is written twice; the second ones were left out."
    return _done(found, "every_second", "every_row_twice", message)


def _footers(found: Repaired) -> Repaired:
    """Return the rows without a last few that are sums, means or ends of the others."""
    rows = found.rows
    for place, values in _live(rows).items():
        if values.size <= 20 or not np.isfinite(values).all() or rises(values[:-_MOST_FOOTERS]):
            continue
        told = ((n, _kinds_of_last(values, n, rows.steps[place])) for n in range(_MOST_FOOTERS, 0, -1))
        n_last, kinds = next(((n, kinds) for n, kinds in told if kinds), (0, []))
        if kinds:
            message = f"the last {n_last} rows are the {' and '.join(kinds)} of the others; they were left out."
            return _done(found, f"drop_last {n_last}", "summary_rows", message)
    return found


def _kinds_of_last(values: np.ndarray, n_last: int, step: float) -> list[str]:
    """Return what the last rows are, in words; none where one of them is a row like the others."""
    above = values[:-n_last]
    total, mean, spread = float(above.sum()), float(above.mean()), float(above.std())
    ends = (above.min(), above.max(), np.round(np.median(above), 3))
    kinds = []
    for value in values[-n_last:]:
        if abs(value - total) <= step * max(1.0, above.size**0.5) and value > 5 * above.max():
            kinds.append("sum")
        elif abs(value - mean) <= 0.51 * step and spread > 20 * step:
            kinds.append("mean")
        elif n_last > 1 and value in ends:
            kinds.append("end")
        else:
            return []
    return kinds if {"sum", "mean"} & set(kinds) else []


def _reversed(found: Repaired) -> Repaired:
    """Return the rows in the order of time, where every time falls."""
    live = _live(found.rows)
    falls = [place for place, values in live.items() if rises(-values)]
    if not falls or any(rises(values) for values in live.values()):
        return found
    message = f"{found.rows.label(falls[0])} falls from row to row: the rows were read in reverse."
    return _done(found, "reverse", "rows_reversed", message)


def _wrapped(found: Repaired) -> Repaired:
    """Return the rows with counters that begin anew after their largest number counted on."""
    for place, values in _live(found.rows).items():
        if found.rows.steps[place] < 1 or not np.isfinite(values).all() or not rises(values):
            continue
        steps = np.diff(values)
        back, longest = np.flatnonzero(steps < 0), float(steps.max())
        bits = next((one for one in _COUNTER_BITS if values.max() < 2.0**one), 0)
        is_at_end = values[back] >= 2.0**bits - longest
        if not back.size or not bits or not is_at_end.all() or (values[back + 1] > longest).any():
            continue
        label = found.rows.label(place)
        message = f"{label} counts to {bits} bits and begins anew {back.size} times; it was counted on."
        found = _done(found, f"unwrap {place}-{bits}", "counter_wrapped", message)
    return found


def _several_runs(found: Repaired, part: int) -> Repaired:
    """Return the rows of one run, where a time begins anew; asks which where the runs differ."""
    rows = found.rows
    for place, values in _live(rows).items():
        if not np.isfinite(values).all() or not rises(values):
            continue
        steps = np.diff(values)
        back = np.flatnonzero(steps < -0.5 * np.ptp(values)) + 1
        is_anew = np.isclose(values[back], values[0], atol=5 * abs(float(np.median(steps))))
        if not 0 < back.size <= _MOST_RUNS or not is_anew.all():
            continue
        edges = [0, *back.tolist(), values.size]
        parts = [slice(first, behind) for first, behind in itertools.pairwise(edges)]
        first = parts[0]
        same_length = all(part.stop - part.start == first.stop for part in parts)
        are_equal = same_length and all(
            np.array_equal(values[first], values[part], equal_nan=True)
            for values in rows.numbers.values()
            if not counts_rows(values)
            for part in parts[1:]
        )
        if are_equal:
            message = f"the same {parts[0].stop} rows stand in it {len(parts)} times; the others were left out."
            return _done(found, f"rows 1-{parts[0].stop}", "block_repeated", message)
        if 1 <= part <= len(parts):
            chosen = parts[part - 1]
            message = f"of the {len(parts)} runs in it part {part} is used, as the plan says."
            return _done(found, f"rows {chosen.start + 1}-{chosen.stop}", "part_of_log", message)
        return replace(found, fault=_which_part(rows, place, parts))
    return found


def _which_part(rows: LogRows, place: int, parts: list[slice]) -> Fault:
    """Return the question which of several runs in one log is meant."""
    shown = ", ".join(f"{part.start + 1}-{part.stop}" for part in parts)
    problem = (
        f"the time in {rows.label(place)} begins anew {len(parts) - 1} times: {len(parts)} runs stand in one log "
        f"(rows {shown})."
    )
    action = "Cut it into one log per run, or say in the plan which part is the run, in [[logs.format]]: part = 1"
    return Fault(rows.table.name, problem, action)


def _lost_marks(rows: LogRows) -> tuple[tuple[int, int], ...]:
    """Return place and row of cells that are written without the decimal mark that their column has."""
    suspects = [
        (place, row)
        for place, values in _live(rows).items()
        if rows.steps[place] < 1 and not rises(values)
        for row in np.flatnonzero((values > _FAR * float(np.nanmedian(values))) & (values == np.rint(values)))[:20]
    ]
    if not suspects:
        return ()
    lines = rows.table.text[rows.table.dialect.first_row :]
    return tuple(
        (place, int(row))
        for place, row in suspects
        if _stands_alone(lines, f"{int(rows.numbers[place][row])}".encode())
    )


def _stands_alone(text: bytes, written: bytes) -> bool:
    """Return whether a whole number is the text of a whole cell somewhere."""
    start = text.find(written)
    while start >= 0:
        before, behind = text[start - 1 : start] if start else b"\n", text[start + len(written) :][:1]
        if before in b'\n,;\t| "' and (behind in b'\n\r,;\t| "'):
            return True
        start = text.find(written, start + 1)
    return False


def without_repeated_rows(table: LogTable, columns: Read, stamps: np.ndarray, *, step: float) -> Read:
    """Return the columns without rows that are exact copies of an earlier one with the same stamp.

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
        return columns.of(slice(None), Finding("note", "repeats_not_tested", message, found=float(suspects.size)))
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
    return columns.of(keep, Finding("note", "repeated_rows", message, found=float(n_copies)))
