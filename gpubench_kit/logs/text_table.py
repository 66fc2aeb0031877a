"""One file to columns: the look-ahead says how, pyarrow's reader reads, and only the columns asked for.

pyarrow is strict where others pad rows that were cut short or take words for numbers in silence. A file
that it refuses (a torn row, a comment between rows, a heading repeated) goes through ``line_reader``, line
by line. A value never differs from the file's text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv

from gpubench_kit.logs.cell_units import with_plain_cells
from gpubench_kit.logs.dialect import Dialect, find_dialect
from gpubench_kit.logs.keyed_lines import with_keys_as_heading
from gpubench_kit.logs.line_reader import read_lines, summary_start
from gpubench_kit.logs.log_bytes import LogBytes, read_log_bytes
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

#: Text that is parsed at once [bytes].
_BLOCK = 1 << 24


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
        if self.dialect.names.count(heading) > 1:
            return f"column {column + 1} ({heading[:80]})" if heading else f"column {column + 1}"
        return f"column '{heading[:80]}'" if heading else f"column {column + 1}"

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
        return len(next(iter({**self.numbers, **self.texts}.values())))


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
    findings = (*content.findings, *_doubts(dialect, content.name))
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
    numbers, texts = dict.fromkeys(numbers), dict.fromkeys(texts)
    return Columns(
        *read_lines(table.text, table.dialect, name=table.name, numbers=list(numbers), texts=list(texts))
    )


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
    if summary_start(table.text, dialect) < len(table.text):
        return None
    types = {**dict.fromkeys(map(str, texts), pa.string()), **dict.fromkeys(map(str, numbers), pa.float64())}
    try:
        read = csv.read_csv(
            pa.py_buffer(memoryview(table.text)[dialect.first_row :]),
            csv.ReadOptions(
                use_threads=False,
                block_size=_BLOCK,
                column_names=[str(column) for column in range(dialect.n_columns)],
            ),
            csv.ParseOptions(delimiter=dialect.separator or "\t", quote_char='"' if b'"' in table.text else False),
            csv.ConvertOptions(
                include_columns=list(types), column_types=types, decimal_point=dialect.decimal, check_utf8=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    values = {column: read.column(str(column)).to_numpy() for column in dict.fromkeys(numbers)}
    if any(np.isinf(one).any() for one in values.values()):
        return None
    return Columns(values, {column: read.column(str(column)).to_numpy() for column in dict.fromkeys(texts)})


def without_sample(table: LogTable) -> LogTable:
    """Return the table without its text and sample, for keeping."""
    return replace(table, text=b"", sample=[])


def _doubts(dialect: Dialect, name: str) -> list[Finding]:
    """Return a finding where the decimal mark could be read in another way."""
    if not dialect.marks_in_doubt:
        return []
    message = (
        f"{name}: every number with a comma has three digits behind it, so that the comma could separate "
        "thousands; it was read as the decimal mark."
    )
    action = "Look at one value in `gpubench-kit inspect`; if it is wrong, let the recorder write decimal points."
    return [Finding("note", "decimal_mark_in_doubt", message, action=action)]


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
