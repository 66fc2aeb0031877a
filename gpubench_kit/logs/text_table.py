"""One file to columns: the look-ahead says how, pyarrow's reader reads, and only the columns asked for.

pyarrow is strict where others pad rows that were cut short or take words for numbers and tell nothing. A file
that it refuses (a torn row, a comment between rows, a heading repeated) is read line by line, by `read_lines`.
A value never differs from the file's text.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv

from gpubench_kit.logs.cells import decimals_of, is_clock, is_missing, number
from gpubench_kit.logs.dialect import find_dialect
from gpubench_kit.logs.log_bytes import LogBytes, read_log_bytes
from gpubench_kit.logs.log_table import Columns, LogRows, LogTable, read_lines, summary_start
from gpubench_kit.logs.plain_rows import with_keys_as_heading, with_plain_cells
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.words import unit_stated
from gpubench_kit.wording.notes import note

#: A line that begins with a number, as no line of a summary does.
_IS_ROW = re.compile(rb"-?\d+(?:\.\d+)?[,;\t]")

#: Text that is parsed at once [bytes].
_BLOCK = 1 << 24


def open_table(path: Path, *, name: str = "") -> LogTable:
    """Find out how a file's rows are written.

    Parameters
    ----------
    path : the file
    name : what to call it in messages; the file's own name where not given

    Returns
    -------
    LogTable

    Raises
    ------
    LogError : the file is missing, empty, damaged, too large, or has no rows with numbers
    """
    return table_of(read_log_bytes(path, name=name))


def table_of(content: LogBytes) -> LogTable:
    """Find out how the rows of a text are written; see `open_table`."""
    keyed = with_keys_as_heading(content.text, content.name)
    text, n_added = (content.text, 0) if keyed is None else (keyed, 1)
    plain = with_plain_cells(text, content.name, first_line=1 - n_added)
    text = text if plain is None else plain.text
    dialect, sample = find_dialect(text, content.name)
    if n_added:
        dialect = replace(dialect, first_line=dialect.first_line - n_added, has_keys=True)
    findings = (
        *content.findings,
        *([note("logs.decimal_mark_in_doubt", name=content.name)] if dialect.marks_in_doubt else []),
    )
    if plain is not None:
        units = plain.units if len(plain.units) == dialect.n_columns else ("",) * dialect.n_columns
        dialect = replace(dialect, units=units)
        findings = (*findings, *plain.findings)
    return LogTable(content.name, content.sha256, content.encoding, text, dialect, sample, findings)


def read_columns(table: LogTable, numbers: Sequence[int], *, texts: Sequence[int] = ()) -> Columns:
    """Read columns of a log.

    Parameters
    ----------
    table : the log
    numbers : places of the columns to read as numbers, from 0
    texts : places of the columns to read as text

    Returns
    -------
    Columns, with the same rows in each

    Raises
    ------
    LogError : text in a number column, or a row that cannot be told apart into columns
    """
    read = read_regular(table, numbers, texts=texts)
    if read is not None:
        return read
    numbers, texts = list(dict.fromkeys(numbers)), list(dict.fromkeys(texts))
    return Columns(*read_lines(table.text, table.dialect, name=table.name, numbers=numbers, texts=texts))


def read_regular(table: LogTable, numbers: Sequence[int], *, texts: Sequence[int] = ()) -> Columns | None:
    """Read columns of a log in which every row is whole and every number is one, as `read_columns` does.

    Parameters
    ----------
    table : the log
    numbers, texts : places of the columns to read as numbers, and as text

    Returns
    -------
    Columns, or None where anything asks for a closer look
    """
    dialect = table.dialect
    if dialect.separator == " " or dialect.thousands or dialect.marks_in_doubt or not _quotes_close(table):
        return None
    last_line = table.text.rfind(b"\n", 0, -1) + 1
    if not _IS_ROW.match(table.text, last_line) and summary_start(table.text, dialect) < len(table.text):
        return None
    marks = (dialect.separator or "\t", '"' if b'"' in table.text else False, dialect.decimal)
    options = _csv_options(dialect.n_columns, tuple(numbers), tuple(texts), marks)
    try:
        read = csv.read_csv(pa.py_buffer(memoryview(table.text)[dialect.first_row :]), *options)
    except pa.ArrowInvalid:
        return None
    if read.num_rows == 0:
        return None
    values = {column: read.column(str(column)).to_numpy() for column in dict.fromkeys(numbers)}
    if any(np.isinf(one).any() for one in values.values()):
        return None
    return Columns(values, {column: read.column(str(column)).to_numpy() for column in dict.fromkeys(texts)})


@lru_cache(maxsize=64)
def _csv_options(
    n_columns: int, numbers: tuple[int, ...], texts: tuple[int, ...], marks: tuple[str, str | bool, str]
) -> tuple[csv.ReadOptions, csv.ParseOptions, csv.ConvertOptions]:
    """Return the options of pyarrow's reader, which are the same for all logs of a recorder."""
    separator, quote, decimal = marks
    types = {**dict.fromkeys(map(str, texts), pa.string()), **dict.fromkeys(map(str, numbers), pa.float64())}
    names = [str(column) for column in range(n_columns)]
    return (
        csv.ReadOptions(use_threads=False, block_size=_BLOCK, column_names=names),
        csv.ParseOptions(delimiter=separator, quote_char=quote),
        csv.ConvertOptions(
            include_columns=list(types), column_types=types, decimal_point=decimal, check_utf8=False
        ),
    )


def _quotes_close(table: LogTable) -> bool:
    """Return whether every quoted cell ends in the line it begins in, so that none can swallow rows."""
    if b'"' not in table.text:
        return True
    characters = np.frombuffer(table.text, np.uint8)[table.dialect.first_row :]
    in_quotes = np.cumsum(characters == ord('"')) % 2
    return not in_quotes[characters == ord("\n")].any()


def no_such_column(table: LogTable, heading: str, what: str) -> LogError:
    """Return the error for a declared column that the log does not have."""
    found = ", ".join(f"'{name}'" for name in table.dialect.names if name)[:300] or "no heading"
    problem = f"column '{heading}', declared as {what}, is not in the log (found: {found})."
    return LogError(Fault(table.name, problem, "Correct [logs] in the plan; a column's number from 1 will do too."))


#: Cells that the number of decimals is taken from.
_CELLS_FOR_STEP = 16

#: Most different cells of a text column that may tell rows apart.
_MOST_WORDS = 64


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
    # Numbers where anything is given; a sensor may begin late.
    known = [sum(value is not None and value == value for value in values) for values in parsed]
    given = [sum(not is_missing(cell) for cell in cells) for cells in columns]
    numeric = [
        place
        for place, name in enumerate(table.dialect.names)
        if not is_clock_at[place]
        and (known[place] >= 0.9 * given[place] or (known[place] and name.strip() in METRICS))
    ]
    texts = [
        place
        for place in range(len(columns))
        if place not in numeric and (is_clock_at[place] or len(set(columns[place])) <= _MOST_WORDS)
    ]
    if not numeric and not texts:
        raise LogError(Fault(table.name, "no column holds numbers or stamps in all rows.", "Record the run again."))
    unreadable: frozenset[int] = frozenset()
    try:
        read = read_columns(table, numeric, texts=texts)
    except LogError:
        good = []
        for place in numeric:
            with suppress(LogError):
                read_columns(table, [place])
                good.append(place)
        if not good or len(good) == len(numeric):
            raise
        read, unreadable = read_columns(table, good, texts=texts), frozenset(numeric) - frozenset(good)
    # What is empty throughout is no column of anything.
    numbers = {place: values for place, values in read.numbers.items() if np.isfinite(values).any()}
    steps = {
        place: 10.0 ** -max(decimals_of(cell, decimal) for cell in columns[place][:_CELLS_FOR_STEP])
        for place in numbers
    }
    names, units = table.dialect.names, table.dialect.units
    # A metric's own name ends with its unit; what the log states stands beside it.
    stated = tuple(
        unit_stated("" if name.strip() in METRICS else name, unit) for name, unit in zip(names, units, strict=True)
    )
    clocks = frozenset(place for place in texts if is_clock_at[place])
    return LogRows(
        numbers, read.texts, read.findings,
        table=table, steps=steps, units=stated, is_clock=clocks, unreadable=unreadable,
    )  # fmt: skip
