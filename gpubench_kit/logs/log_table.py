"""A log as a table: its text and columns, and its rows line by line where comments or torn ones stand between."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import pandas as pd

from gpubench_kit.logs.cells import begins_with_words, cells_of, looks_numeric, number, number_marks
from gpubench_kit.logs.dialect import COMMENT_MARKS, Dialect
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.tables import Finding
from gpubench_kit.model.words import (
    DURATION,
    QUANTITY,
    Unit,
    known_unit,
    unit_stated,
    without_brackets,
    words_of,
)
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

#: Most lines after the last row that are taken for a summary.
_SUMMARY_LINES = 60

#: Most that is read line by line [MB]: hours of frames.
_LARGEST_MB = 24

#: Most faults that are told of one file.
_FAULTS_TOLD = 5

#: Lines above the heading and the first rows are within so many bytes.
HEAD_BYTES = 8192


@dataclass(frozen=True)
class LogTable:
    """A log whose dialect is known and whose columns are not read yet.

    Attributes
    ----------
    name : as it stands in messages
    sha256 : hash of the file's bytes, in hexadecimal
    encoding : encoding it was read as
    text : its text as UTF-8, complete lines
    dialect : how its rows are written
    sample : cells of its first rows
    findings : what was noticed on the way
    """

    name: str
    sha256: str
    encoding: str
    text: bytes
    dialect: Dialect
    sample: list[list[str]]
    findings: tuple[Finding, ...]

    def label(self, column: int) -> str:
        """Return what to call a column in messages: its heading, else its number from 1."""
        heading = self.dialect.names[column]
        if not heading:
            return say("evidence.column.number", number=column + 1)
        key = "both" if self.dialect.names.count(heading) > 1 else "heading"
        return say(f"evidence.column.{key}", **{"heading": heading[:80], "number": column + 1})

    def key(self, column: int) -> str:
        """Return what a plan calls a column: its heading where no other has it, else its number from 1."""
        heading = self.dialect.names[column]
        is_name = 0 < len(heading) <= _LONGEST_KEY and self.dialect.names.count(heading) == 1
        return heading if is_name else str(column + 1)

    def place_of(self, heading: str) -> int | None:
        """Return the place of a column by its heading, or by its number from 1; None where there is none."""
        if heading in self.dialect.names:
            return self.dialect.names.index(heading)
        wanted = heading.strip().casefold()
        alike = [place for place, name in enumerate(self.dialect.names) if name.casefold() == wanted]
        if len(alike) == 1:
            return alike[0]
        if heading.isdecimal() and 1 <= int(heading) <= self.dialect.n_columns:
            return int(heading) - 1
        return None


#: Longer headings are damaged lines; the number of the column is shorter.
_LONGEST_KEY = 200


@dataclass(frozen=True)
class Columns:
    """Columns read from a log.

    Attributes
    ----------
    numbers : arrays of shape (n,) by column; nan where the log has no value
    texts : arrays of shape (n,) by column
    findings : what was noticed while reading
    """

    numbers: dict[int, np.ndarray]
    texts: dict[int, np.ndarray]
    findings: tuple[Finding, ...] = ()

    @property
    def n_rows(self) -> int:
        """Rows that were read."""
        return len(next(iter({**self.numbers, **self.texts}.values()), ()))

    def of(self, rows: np.ndarray | slice, *findings: Finding) -> Self:
        """Return these rows only, with what is said of it.

        Parameters
        ----------
        rows : places or a mask
        *findings : why the others were left out
        """
        numbers = {place: values[rows] for place, values in self.numbers.items()}
        texts = {place: cells[rows] for place, cells in self.texts.items()}
        return replace(self, numbers=numbers, texts=texts, findings=(*self.findings, *findings))

    def cells(self, place: int) -> pd.Series:
        """Return the cells of a column as text without blanks at the ends; whole numbers without decimals.

        Parameters
        ----------
        place : of the column; the cells of one that was not read are empty
        """
        if place in self.texts:
            return pd.Series(self.texts[place]).fillna("").astype(str).str.strip()
        if place not in self.numbers:
            return pd.Series([""] * self.n_rows, dtype="str")
        # Whole numbers repeat: each is written once.
        values, rows = np.unique(self.numbers[place], return_inverse=True)
        return pd.Series(np.array([f"{value:g}" for value in values], dtype=object)[rows], dtype="str")


@dataclass(frozen=True, kw_only=True)
class LogRows(Columns):
    """All rows of a log: columns of numbers, and those of few words and of stamps.

    Attributes
    ----------
    table : the log
    steps : one unit of the last decimal written, by place
    units : unit stated by each heading, None where there is none
    is_clock : places whose cells are stamps
    unreadable : places with numbers in the first rows and something else below
    """

    table: LogTable
    steps: dict[int, float]
    units: tuple[Unit | None, ...]
    is_clock: frozenset[int]
    unreadable: frozenset[int]

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


#: A line above the heading: words, a number, a unit. By what it says of the run: words that it may have, and those
#: of which it has one; a pace is that of the game's time.
_LINE_WITH_NUMBER = re.compile(
    r"^\W*([^\d\n:=;,\t]{2,60}?)\s*[:=;,\t]?\s*(\d+(?:[.,]\d+)?)\s*([a-z/]{0,8})\W*$", re.MULTILINE
)
_RUN_WORDS = (
    "elapsed total run bench benchmark test capture record recording recorded session log real wall of the "
    "summary result results"
)
_OF_THE_RUN = frozenset(_RUN_WORDS.split())
_SAID_OF = {
    "rate": (
        QUANTITY["rate"] | QUANTITY["frame"] | _OF_THE_RUN | {"rate"},
        frozenset({"average", "avg", "mean", "mittel", "durchschnitt", "moyenne", "media", "promedio"}),
    ),
    "time": (_OF_THE_RUN, DURATION | {"length", "lange"}),
    "pace": (frozenset({"time", "game", "sim", "simulation", "replay", "factor"}), frozenset({"speed", "scale"})),
}


def said_above(above: str, quantity: str) -> Iterator[tuple[str, float]]:
    """Yield lines above a heading that say the mean rate, the length or the pace of the run and nothing else.

    Parameters
    ----------
    above : the lines, folded
    quantity : ``rate`` [fps], ``time`` [ms] or ``pace``
    """
    beside, named = _SAID_OF[quantity]
    for found in _LINE_WITH_NUMBER.finditer(above):
        unit = known_unit(found[3]) or unit_stated(found[1])
        words = words_of(without_brackets(found[1])) - (words_of(unit.written) if unit else frozenset())
        words |= words_of(unit.written) & QUANTITY["rate"] if unit else frozenset()
        value = float(found[2].replace(",", ".")) * (unit.factor if unit else 1.0)
        # A time alone may be any.
        is_whole = words <= beside | named and words & named and words != {"time"} and value > 0
        if is_whole and (unit.quantity if unit else "pace") == quantity:
            yield f"'{found[0].strip()[:60]}'", value


#: What stood between the rows: names of findings.
_BETWEEN_ROWS = ("repeated_heading", "comment_lines", "short_rows")

#: A row: number and text of its line, and the cells wanted.
_Row = tuple[int, str, list[str]]


def read_lines(
    text: bytes, dialect: Dialect, *, name: str, numbers: Sequence[int], texts: Sequence[int]
) -> tuple[dict[int, np.ndarray], dict[int, np.ndarray], tuple[Finding, ...]]:
    """Read columns of a log line by line.

    Parameters
    ----------
    text : the log as UTF-8
    dialect : how its rows are written
    name : what to call it in messages
    numbers, texts : places of the columns to read as numbers, and as text

    Returns
    -------
    numbers by column, texts by column, findings

    Raises
    ------
    LogError : text in a number column, or a row that cannot be told apart into columns

    Notes
    -----
    Lines below the last row that are no rows, or begin with words where rows do not, are a summary and left out
    with a finding. A row that ends early is kept where the cells asked for are there. Everything else that is no
    row is a fault.
    """
    if len(text) > _LARGEST_MB * 1_000_000:
        problem = (
            f"the file has {len(text) / 1e6:.0f} MB and rows that are not all alike; it is then read line by line"
        )
        action = f"Cut it to the run: at most {_LARGEST_MB} MB are read so."
        raise LogError(Fault(name, f"{problem}, which takes too long.", action))
    rows, odd, counts = _sorted_lines(text, dialect, [*numbers, *texts])
    decimal, thousands = _marks(rows, dialect, len(numbers))
    values, words, last_row = [], [], 0
    for line_number, line, cells in rows:
        found = [number(cell, decimal, thousands) for cell in cells[: len(numbers)]]
        if None in found:
            place = found.index(None)
            what, shown = dialect.names[numbers[place]][:80] or str(numbers[place] + 1), cells[place].strip()[:40]
            odd[line_number] = (line, f"column '{what}' holds {shown!r} where a number is expected")
        else:
            values.append(found)
            words.append(cells[len(numbers) :])
            last_row = line_number
    findings = [
        note(f"logs.between.{check}", check=check, name=name, found=counts[check])
        for check in _BETWEEN_ROWS
        if counts[check]
    ]
    findings += _summary_taken(odd, last_row, name)
    if odd:
        told = [(line_number, *odd[line_number]) for line_number in sorted(odd)[:_FAULTS_TOLD]]
        what_to_do = "Correct the line, or record the run again."
        faults = [
            Fault(f"{name}, line {number}", f"{problem} (the line begins {line.strip()[:50]!r}).", what_to_do)
            for number, line, problem in told
        ]
        n_more = len(odd) - len(faults)
        raise LogError(
            [*faults, Fault(name, f"{n_more} further lines have faults of this kind.")] if n_more else faults
        )
    by_column = np.array(values, dtype=float).reshape(len(values), len(numbers)).T.copy()
    as_text = np.array(words, dtype=object).reshape(len(words), len(texts)).T.copy()
    return dict(zip(numbers, by_column, strict=True)), dict(zip(texts, as_text, strict=True)), tuple(findings)


def summary_start(text: bytes, dialect: Dialect) -> int:
    """Return where the lines at the end of a log start that begin with words, as its rows do not [bytes].

    Parameters
    ----------
    text, dialect : the log

    Returns
    -------
    int, the length of the text where there are none
    """
    first_row = text[dialect.first_row : text.find(b"\n", dialect.first_row)]
    start = end = len(text)
    if begins_with_words(first_row.decode("utf-8", "replace")):
        return start
    for _ in range(_SUMMARY_LINES):
        begin = text.rfind(b"\n", dialect.first_row, end - 1) + 1
        line = text[begin:end].decode("utf-8", "replace")
        if not begin or (line.strip() and not begins_with_words(line)):
            break
        start, end = begin if line.strip() else start, begin
    return start


def row_lines(text: bytes, dialect: Dialect, *, wanted: Sequence[int], n_rows: int) -> list[str] | None:
    """Return the rows of a log as they stand.

    Parameters
    ----------
    text, dialect : the log
    wanted : places of the columns that were read
    n_rows : rows that were read

    Returns
    -------
    list of text, or None where lines and rows cannot be matched
    """
    full = [line for _, line in _line_texts(text, dialect) if line.strip()]
    if len(full) == n_rows:
        return full
    rows = [line for _, line, _ in _sorted_lines(text, dialect, list(wanted))[0]]
    return rows[:n_rows] if len(rows) >= n_rows else None


def _line_texts(text: bytes, dialect: Dialect) -> Iterator[tuple[int, str]]:
    """Yield number and text of each line from the first row on."""
    rows = text[dialect.first_row :].decode("utf-8", "replace").split("\n")
    for number_of_line, line in enumerate(rows, start=dialect.first_line):
        yield number_of_line, line.rstrip("\r")


def _sorted_lines(
    text: bytes, dialect: Dialect, wanted: list[int]
) -> tuple[list[_Row], dict[int, tuple[str, str]], Counter[str]]:
    """Return the rows with the cells wanted, lines that are none and why not, and what stood between them."""
    rows: list[_Row] = []
    odd: dict[int, tuple[str, str]] = {}
    counts: Counter[str] = Counter()
    n_columns, headings = dialect.n_columns, {line for line in (dialect.heading, dialect.units_line) if line}
    summary = dialect.first_line + text.count(b"\n", dialect.first_row, summary_start(text, dialect))
    for line_number, line in _line_texts(text, dialect):
        if not line.strip():
            continue
        if line in headings:
            counts["repeated_heading"] += 1
        elif line.lstrip().startswith(COMMENT_MARKS):
            counts["comment_lines"] += 1
        elif line_number >= summary:
            odd[line_number] = (line, "it begins with words, where rows begin with a number")
        else:
            cells = cells_of(line, dialect.separator)
            n_cells = len(cells)
            has_too_many = n_cells > n_columns and any(cell.strip() for cell in cells[n_columns:])
            is_short = n_cells < n_columns and (dialect.separator == " " or max(wanted) >= n_cells)
            if has_too_many or is_short or line.count('"') % 2:
                odd[line_number] = (line, f"it has {n_cells} cells where {n_columns} are expected")
            else:
                counts["short_rows"] += n_cells < n_columns
                rows.append((line_number, line, [cells[column] for column in wanted]))
    return rows, odd, counts


def _marks(rows: list[_Row], dialect: Dialect, n_numbers: int) -> tuple[str, str]:
    """Return decimal and thousands mark; the latter may stand only in rows beyond the look-ahead."""
    cells = [cell for _, _, row in rows for cell in row[:n_numbers]]
    suspects = [cell for cell in cells if "," in cell or not cell.isascii() or "'" in cell or " " in cell.strip()]
    if dialect.thousands or not suspects or dialect.separator == " ":
        return dialect.decimal, dialect.thousands
    decimal, thousands, _ = number_marks([cell for cell in cells if looks_numeric(cell)], dialect.separator)
    return (decimal, thousands) if decimal == dialect.decimal else (dialect.decimal, "")


def _summary_taken(odd: dict[int, tuple[str, str]], last_row: int, name: str) -> list[Finding]:
    """Take lines that stand below the last row, and begin with words, out of the odd ones; return what says so."""
    below = [line_number for line_number in odd if line_number > last_row]
    if not below or not last_row or len(below) > _SUMMARY_LINES or not begins_with_words(odd[below[0]][0]):
        return []
    lines = [odd.pop(line_number)[0] for line_number in below]
    shown = repr(lines[0].strip()[:60])
    return [note("logs.summary_lines", name=name, found=len(below), first=below[0], shown=shown)]
