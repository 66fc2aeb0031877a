"""The look-ahead: separator, decimal mark, heading and first row of a log, from its first kilobytes."""

from __future__ import annotations

import itertools
import re
import sys
from collections.abc import Container
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from gpubench_kit.logs.cells import (
    COMMENT_MARKS,
    LOOK_AHEAD,
    SeparatorFit,
    begins_with_words,
    best_fit,
    cells_of,
    full_lines,
    looks_numeric,
    number_marks,
    whole_lines,
)
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.wording.catalogue import say

#: Bytes that are looked at where the first do not tell.
_LONGEST_LOOK = 1_000_000

_SEVERAL_NAMES = re.compile(r"[,;|\t]|\s{2,}")
_LET_POINTS = "let the recorder write decimal points or another separator."

#: What may be one number with a decimal comma, or two whole numbers.
_PAIR = re.compile(r"([-+]?\d*),(\d+)(?:[eE][-+]?\d{1,3})?")

#: Share of rows that are such a pair; the rest may be damaged.
_PAIRS_ENOUGH = 0.98

#: Rows from which on decimals without one leading zero are not to be expected: 0.9 ** 48 < 1 %.
_ROWS_WITH_ZEROS = 48


def comma_between_digits(text: bytes) -> str:
    """Return what the comma is in rows of digits, a comma and digits again.

    Parameters
    ----------
    text : the rows as UTF-8

    Returns
    -------
    str, from what the rows alone tell:

    - ``decimal``: it is a decimal mark, as the digits behind it begin with zeros, or rise and wrap
    - ``separator``: it stands between cells, as the digits behind it cannot be decimals
    - ``rather separator``: decimals would be a strange chance
    - ``open``: both are possible
    """
    comma = "open"
    for size in (LOOK_AHEAD, _LONGEST_LOOK):
        comma = _comma_in(whole_lines(text, 0, size)) if comma == "open" else comma
    return comma


def is_decimal_comma(rows: bytes, heading: str, *, units: Container[str], where: str) -> bool:
    """Return whether a comma between digits is a decimal mark, from the rows and the heading above them.

    Parameters
    ----------
    rows : the rows as UTF-8
    heading : the line above them that names columns; empty where there is none
    units : texts that are units in small letters
    where : the first row, in messages

    Raises
    ------
    LogError : it cannot be told, or heading and rows contradict each other
    """
    cells = [cell.strip("[]() ").lower() for cell in heading.split(",")]
    ends_in_unit = len(cells) == 2 and cells[1] in units and cells[0] not in units
    if len(cells) == 2 and not ends_in_unit:
        return False
    comma = comma_between_digits(rows)
    if ends_in_unit:
        # 'time, s' is a name and its unit, 'time,s' could be two names.
        return comma == "decimal" or (comma == "open" and ", " in heading)
    names_one = bool(heading) and not _SEVERAL_NAMES.search(heading) and not heading.startswith(COMMENT_MARKS)
    if names_one and comma == "rather separator":
        problem = f"the heading {heading.strip()[:60]!r} names one column, and the rows look like two."
        raise LogError(Fault(where, problem, f"Give each column a name in the heading, or {_LET_POINTS}"))
    if comma == "open" and not names_one:
        problem = "a comma between digits can be a decimal mark, or separate two columns; the rows do not tell."
        raise LogError(Fault(where, problem, f"Write a heading with a name for each column, or {_LET_POINTS}"))
    return comma in ("decimal", "open")


def _comma_in(text: bytes) -> str:
    """Return what the comma is in the rows of whole lines."""
    lines = map(str.strip, text.decode("utf-8", "replace").split("\n"))
    rows = [
        line for line in lines if "," in line and not line.startswith(COMMENT_MARKS) and not begins_with_words(line)
    ]
    found = [match for match in map(_PAIR.fullmatch, rows) if match]
    fronts, behind = [match[1].strip("+-") for match in found], [match[2] for match in found]
    # Decimals are equally many, have no zeros at their end, or are written to one precision.
    ends_in_zero = any(len(digits) > 1 and digits[-1] == "0" for digits in behind)
    precisions = {len((front + digits).lstrip("0")) for front, digits in zip(fronts, behind, strict=True)}
    is_uneven = len(set(map(len, behind))) > 1 and ends_in_zero and len(precisions) > 1
    if not found or len(found) < _PAIRS_ENOUGH * len(rows) or is_uneven:
        return "separator"
    # As objects, since digits may be more than a number of the processor holds.
    wholes, parts = (np.array([int(one or 0) for one in texts], dtype=object) for texts in (fronts, behind))
    steps, steps_behind = np.diff(wholes), np.diff(parts)
    falls, falls_behind, is_several = (steps < 0).any(), (steps_behind < 0).any(), len(set(wholes)) > 2
    if any(digits[0] == "0" and len(digits) > 1 for digits in behind):
        # What never falls while the number before it changes counts something, or is a clock.
        return "open" if (falls or is_several) and parts.any() and not falls_behind else "decimal"
    within, n_wraps = steps_behind[steps == 0], int(((steps > 0) & (steps_behind < 0)).sum())
    if min(n_wraps, within.size) > 1 and within.min() > 0 and not falls:
        return "decimal"
    is_row_number = steps.size > 1 and (steps == 1).all()
    is_row_number_behind = falls and not falls_behind and len(set(parts)) > 1
    is_sum = steps.size > 2 and ((abs(steps - parts[1:]) <= 1) & (parts[1:] > 1)).mean() >= 0.9
    has_no_zeros = len(behind) >= _ROWS_WITH_ZEROS and len(set(map(len, behind))) == 1 and len(behind[0]) > 1
    is_chance = is_several and (has_no_zeros or set(behind) <= {"0", "1"})
    # Two columns explain what would be a strange chance in decimals: row numbers, elapsed and frame times.
    return "rather separator" if is_row_number or is_row_number_behind or is_sum or is_chance else "open"


#: Rows of the look-ahead that are kept as a sample.
_ROWS_KEPT = 96

#: Rows that the look-ahead must hold; with fewer, it ends within a preamble.
_ROWS_ENOUGH = 8

#: Bytes above the first row that are searched; a log with more is cut.
_LONGEST_PREAMBLE = 2_000_000

_MOST_COLUMNS = 2_000

#: Share of understood cells from which on the beginning of a log is taken for its table.
GOOD_FIT = 0.6

#: A line drawn between the heading and the rows.
_RULER = re.compile(r"[-=_+|:\s]*[-=_]{2}[-=_+|:\s]*")

_UNITS_OF_TIME = ("s", "sec", "ms", "us", "µs", "μs", "ns")
_UNITS_OF_SENSORS = (
    *("w", "mw", "c", "°c", "degc", "°f", "degf", "k", "mhz", "ghz", "hz", "rpm", "%", "pct", "v", "mv", "a", "ma"),
    *("gb", "mb", "gib", "mib", "kb", "fps", "1/s", "j", "dba", "db"),
)
#: Units that stand below headings, or behind the numbers of cells.
UNITS = frozenset((*_UNITS_OF_TIME, *_UNITS_OF_SENSORS))


@dataclass(frozen=True)
class Dialect:
    """How the rows of a log are written.

    Attributes
    ----------
    separator : one character; a blank for aligned columns; empty where there is one column
    decimal, thousands : marks in numbers; ``thousands`` is empty where there is none
    marks_in_doubt : whether the decimal mark could be a thousands mark
    n_columns : cells in a row
    names, units : one text for each column, empty where there is none
    first_row : bytes before the first row of data
    first_line : number of its line, from 1
    heading, units_line : these lines as they stand, empty where there is none
    n_preamble : lines above the heading
    has_keys : whether each line of the file repeats the heading as keys, and no line of its own has it
    """

    separator: str
    decimal: str
    thousands: str
    marks_in_doubt: bool
    n_columns: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    first_row: int
    first_line: int
    heading: str
    units_line: str
    n_preamble: int
    has_keys: bool = False

    @cached_property
    def in_words(self) -> str:
        """The dialect as a short text."""
        names = {"\t": "tab", " ": "blanks", "": "none"}
        separator = say(f"dialect.{names[self.separator]}") if self.separator in names else f"'{self.separator}'"
        parts = [say("dialect.separator", mark=separator), say("dialect.decimal", mark=self.decimal)]
        parts += [say("dialect.thousands", mark=self.thousands)] if self.thousands else []
        parts += [say("dialect.above", n=self.n_preamble)] if self.n_preamble else []
        parts += [say("dialect.keys")] if self.has_keys else [] if self.heading else [say("dialect.no_heading")]
        parts += [say("dialect.units_below")] if self.units_line else []
        parts += [say("dialect.units_in_cells")] if any(self.units) and not self.units_line else []
        # Kept with each of thousands of runs.
        return sys.intern(", ".join(parts))


def find_dialect(text: bytes, name: str) -> tuple[Dialect, list[list[str]]]:
    """Find how the rows of a log are written.

    Parameters
    ----------
    text : the log as UTF-8
    name : what to call it in messages

    Returns
    -------
    Dialect, and the cells of the first rows

    Raises
    ------
    LogError : no rows with numbers, or a comma that could be a decimal mark as well as a separator
    """
    fit = best_fit(full_lines(whole_lines(text, 0, LOOK_AHEAD)))
    if (fit is None or fit.score < GOOD_FIT) and len(text) > LOOK_AHEAD:
        # The beginning is no table: the middle and the end are asked.
        starts = (len(text) // 2, len(text) - LOOK_AHEAD, len(text) - LOOK_AHEAD // 8)
        fits = [fit, *(best_fit(full_lines(whole_lines(text, start, LOOK_AHEAD))) for start in starts)]
        fit = max((one for one in fits if one), key=lambda one: one.score, default=None)
    if fit is None:
        raise LogError(_no_rows(text, name))
    if len(fit.is_numeric) > _MOST_COLUMNS:
        problem = f"a row has {len(fit.is_numeric)} cells; at most {_MOST_COLUMNS} are read."
        raise LogError(Fault(name, problem, "Name the log that the recorder wrote, one row per frame or sample."))
    found = _rows_found(text, name, fit)
    if fit.separator == "," and len(fit.is_numeric) == 2:
        where, first_row = f"{name}, line {found[0].first_line}", found[0].first_row
        above = text[:first_row].decode("utf-8", "replace").replace("\r", "").split("\n")
        heading = found[0].heading or _heading(above, len(above) - 1, SeparatorFit("", (True,), 1.0))[0]
        if is_decimal_comma(text[first_row:], heading, units=UNITS, where=where):
            fit = SeparatorFit("", (True,), fit.score)
            found = _rows_found(text, name, fit)
    dialect, sample = found
    if not dialect.marks_in_doubt:
        return found
    # Rows of the middle and the end may prove the marks.
    ends = (len(text) // 2, max(dialect.first_row, len(text) - LOOK_AHEAD))
    lines = (line for start in ends for line in full_lines(whole_lines(text, start, LOOK_AHEAD)))
    rows = [row for row in (cells_of(line, fit.separator) for line in lines) if fit.holds(row)]
    decimal, thousands, in_doubt = _marks(text, [*sample, *rows], fit)
    return replace(dialect, decimal=decimal, thousands=thousands, marks_in_doubt=in_doubt), sample


def _rows_found(text: bytes, name: str, fit: SeparatorFit) -> tuple[Dialect, list[list[str]]]:
    """Return the dialect and the first rows; they are looked for as far down as it takes."""
    size = LOOK_AHEAD
    while True:
        found = _table_in(whole_lines(text, 0, size), fit)
        is_last = size >= min(len(text), _LONGEST_PREAMBLE)
        if is_last and found is None:
            raise LogError(_no_rows(text, name))
        if found is not None and (is_last or len(found[1]) >= _ROWS_ENOUGH):
            return found
        size *= 16


def _no_rows(text: bytes, name: str) -> Fault:
    """Return the fault for a log without rows of numbers."""
    start = text[:60].decode("utf-8", "replace").strip()
    begins = f"it starts {start!r}" if start else "it has no whole line"
    problem = f"no rows with numbers were found ({begins}); one row per frame or sample is expected."
    return Fault(name, problem, "Name the log that the recorder wrote.")


def _table_in(head: bytes, fit: SeparatorFit) -> tuple[Dialect, list[list[str]]] | None:
    """Return the dialect and the first rows found in the beginning of a log."""
    lines = [line.rstrip("\r") for line in head.decode("utf-8", "replace").split("\n")]
    full = [place for place, line in enumerate(lines) if line.strip() and not line.startswith(COMMENT_MARKS)]
    holding = (place for place, line in enumerate(full) if fit.holds(cells_of(lines[line], fit.separator)))
    found = list(itertools.islice(holding, _ROWS_ENOUGH))
    if not found:
        return None
    # The first row has another below it, or is a lone one where there is no pair. Lines above it with as many cells
    # and a number among them belong to the data too, so that a damaged row is found out and not taken for words.
    pairs = [place for place, following in itertools.pairwise(found) if following == place + 1]
    begin = (pairs or found)[0]
    while begin > 0 and fit.resembles(cells_of(lines[full[begin - 1]], fit.separator)):
        begin -= 1
    first = full[begin]
    rows = [cells_of(lines[place], fit.separator) for place in full if place >= first][:_ROWS_KEPT]
    rows = [row for row in rows if len(row) == len(fit.is_numeric)]
    heading, units_line, n_preamble = _heading(lines, first, fit)
    decimal, thousands, in_doubt = _marks(head, rows, fit)
    offset = 0
    for _ in range(first):
        offset = head.index(b"\n", offset) + 1
    return (
        Dialect(
            separator=fit.separator,
            decimal=decimal,
            thousands=thousands,
            marks_in_doubt=in_doubt,
            n_columns=len(fit.is_numeric),
            names=_names(heading, fit),
            units=_names(units_line, fit),
            first_row=offset,
            first_line=first + 1,
            heading=heading,
            units_line=units_line,
            n_preamble=n_preamble,
        ),
        rows,
    )


def _heading(lines: list[str], first: int, fit: SeparatorFit) -> tuple[str, str, int]:
    """Return the heading, the line of units below it (both may be empty) and the lines above them."""
    above = [place for place in range(first) if lines[place].strip() and not _RULER.fullmatch(lines[place])]
    if not above or not _could_be_heading(lines[above[-1]], fit):
        return "", "", len(above)
    last = lines[above[-1]]
    if len(above) > 1 and _is_units(last, fit) and _could_be_heading(lines[above[-2]], fit):
        return lines[above[-2]], last, len(above) - 2
    return last, "", len(above) - 1


def _could_be_heading(line: str, fit: SeparatorFit) -> bool:
    """Return whether a line names the columns: about as many cells, none of them a number."""
    cells = _heading_cells(line, fit)
    n_columns = len(fit.is_numeric)
    n_named = sum(bool(cell) for cell in cells)
    fits = len(cells) == n_columns or (abs(n_named - n_columns) <= 1 and n_named > 1)
    return fits and n_named > 0 and not any(looks_numeric(cell) for cell in cells)


def _heading_cells(line: str, fit: SeparatorFit) -> list[str]:
    """Return the cells of a heading or a line of units."""
    for mark in COMMENT_MARKS:
        line = line.removeprefix(mark)
    if fit.separator != " ":
        return [cell.strip() for cell in cells_of(line.strip(" "), fit.separator)]
    wide = re.split(r"\s{2,}|\t", line.strip())
    return wide if len(wide) == len(fit.is_numeric) else line.split()


def _is_units(line: str, fit: SeparatorFit) -> bool:
    """Return whether a line gives units: at least one known unit, and no long words."""
    cells = [cell.strip("[]() ").lower() for cell in _heading_cells(line, fit)]
    return any(cell in UNITS for cell in cells) and all(len(cell) <= 8 for cell in cells)


def _names(line: str, fit: SeparatorFit) -> tuple[str, ...]:
    """Return one text for each column; all empty where the line's cells cannot be matched to columns."""
    cells, n_columns = _heading_cells(line, fit) if line else [], len(fit.is_numeric)
    while len(cells) > n_columns and not cells[-1]:
        cells.pop()
    if len(cells) not in (n_columns, n_columns - 1):
        return ("",) * n_columns
    # A row may end in a separator where the heading does not; the column behind it is empty.
    return tuple(cells) + ("",) * (n_columns - len(cells))


def _marks(head: bytes, rows: list[list[str]], fit: SeparatorFit) -> tuple[str, str, bool]:
    """Return decimal mark, thousands mark and whether they are in doubt."""
    if fit.separator == "," and b'"' not in head and head.isascii() and b"'" not in head:
        return ".", "", False
    cells = [cell for row in rows for cell, is_numeric in zip(row, fit.is_numeric, strict=True) if is_numeric]
    return number_marks([cell for cell in cells if looks_numeric(cell)], fit.separator)
