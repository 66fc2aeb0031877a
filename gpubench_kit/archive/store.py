"""The archive as Parquet files, and the engine that answers questions about them; the only import of duckdb."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

import duckdb
import pandas as pd

from gpubench_kit.archive.reports import TABLES_READ, Report
from gpubench_kit.model.errors import Fault, ReportError, TableError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.formats import current_columns
from gpubench_kit.model.tables import ALL_TABLES, Column, Table

#: Folder of the Parquet files inside the archive.
PARQUET = "parquet"

_TYPES = {"text": "VARCHAR", "number": "DOUBLE", "integer": "BIGINT", "truth": "BOOLEAN"}

#: One thread: sums of numbers then come out the same to the last digit, whatever the machine.
_SETTINGS = {"threads": 1, "preserve_insertion_order": True, "memory_limit": "700MB"}

#: A text that a spreadsheet could take for a formula begins with an apostrophe in a report's tables.
_GUARDED = "^'+[=+\\-@\\t\\r\\n＝＋－＠]"

#: So many files are read at a time, which bounds the memory.
_AT_A_TIME = 200


class Store:
    """Tables in Parquet files, asked in SQL.

    Attributes
    ----------
    folder : where the Parquet files are
    """

    def __init__(self, folder: str | Path):
        self.folder = Path(folder)
        self._engine = duckdb.connect(config=_SETTINGS)
        for path in sorted(self.folder.glob("*.parquet")):
            self._show(path.stem)

    def ask(self, question: str) -> pd.DataFrame:
        """Return the answer to a question in SQL; each Parquet file is a table of its name.

        Parameters
        ----------
        question : a SELECT statement

        Raises
        ------
        TableError : the question cannot be answered
        """
        try:
            return self._engine.execute(question).df()
        except duckdb.Error as error:
            told = str(error).splitlines()[0]
            raise TableError(Fault("archive", f"the question cannot be answered: {told}.")) from error

    def keep(self, name: str, rows: pd.DataFrame) -> None:
        """Write a table and make it known by its name.

        Parameters
        ----------
        name : name of the table
        rows : its rows
        """
        self._engine.register("rows_to_keep", rows)
        self._write(name, "SELECT * FROM rows_to_keep")
        self._engine.unregister("rows_to_keep")

    def derive(self, name: str, question: str) -> None:
        """Write the answer to a question as a table and make it known by its name.

        Parameters
        ----------
        name : name of the table
        question : a SELECT statement
        """
        self._write(name, question)

    def read_reports(self, reports: Sequence[Report]) -> tuple[list[Report], list[Finding]]:
        """Read the tables of reports into Parquet files.

        Parameters
        ----------
        reports : reports that were admitted

        Returns
        -------
        list of Report that could be read; list of Finding on those that could not

        Notes
        -----
        All are read together, which is fast. Only where that fails is each tried alone, to name the one at fault.
        """
        try:
            self._read(reports)
            return list(reports), []
        except duckdb.Error:
            kept, findings = self._sorted_out(reports)
        self._read(kept)
        return kept, findings

    def close(self) -> None:
        """Let go of all files."""
        self._engine.close()

    def _read(self, reports: Sequence[Report]) -> None:
        """Write one Parquet file for each table of the reports."""
        for name in TABLES_READ:
            declared = ALL_TABLES[name]
            self._engine.execute(f"CREATE OR REPLACE TEMP TABLE gathered ({_columns_text(declared)})")
            for batch in _batches(reports, name):
                self._engine.execute(f"INSERT INTO gathered {_selection(batch, declared)}")
            self._write(name, "SELECT * FROM gathered")
        self._engine.execute("DROP TABLE IF EXISTS gathered")

    def _sorted_out(self, reports: Iterable[Report]) -> tuple[list[Report], list[Finding]]:
        """Return the reports that can be read one by one, and a finding for each that cannot."""
        kept, findings = [], []
        for report in reports:
            try:
                self._try(report)
                kept.append(report)
            except duckdb.Error as error:
                findings.append(_unreadable(report, error))
        return kept, findings

    def _try(self, report: Report) -> None:
        """Read all tables of one report, and keep nothing."""
        for name in TABLES_READ:
            self._engine.execute(_selection([report], ALL_TABLES[name])).fetchall()

    def _write(self, name: str, question: str) -> None:
        """Write the answer to a question as a Parquet file."""
        path = self.folder / f"{name}.parquet"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._engine.execute(f"DROP VIEW IF EXISTS {name}")
            self._engine.execute(f"COPY ({question}) TO {_quoted(path)} (FORMAT parquet, COMPRESSION zstd)")
        except (OSError, duckdb.IOException) as error:
            told = str(error).splitlines()[0]
            raise ReportError(Fault(path.name, f"it cannot be written ({told}).", "Free space there.")) from error
        self._show(name)

    def _show(self, name: str) -> None:
        """Make a Parquet file known by its name, its columns by the names that they have now."""
        rows = f"read_parquet({_quoted(self.folder / f'{name}.parquet')})"
        head = [one[0] for one in self._engine.execute(f"SELECT * FROM {rows} LIMIT 0").description]
        cells = ", ".join(f'"{was}" AS "{now}"' for was, now in zip(head, current_columns(head), strict=True))
        self._engine.execute(f"CREATE OR REPLACE VIEW {name} AS SELECT {cells} FROM {rows}")


def _batches(reports: Sequence[Report], name: str) -> Iterable[list[Report]]:
    """Yield reports whose table has the same columns, some at a time."""
    by_head: dict[tuple[str, ...], list[Report]] = {}
    for report in reports:
        by_head.setdefault(report.heads[name], []).append(report)
    for same in by_head.values():
        for start in range(0, len(same), _AT_A_TIME):
            yield same[start : start + _AT_A_TIME]


def _selection(reports: Sequence[Report], declared: Table) -> str:
    """Return the SELECT statement that reads one table of reports, with the review in front."""
    kinds = {column.name: column.kind for column in declared.columns}
    head = reports[0].heads[declared.name]
    columns = ", ".join(f"{_quoted(name)}: '{_TYPES[kinds.get(name, 'text')]}'" for name in head)
    files = {str(report.table_file(declared.name)): report.review for report in reports}
    reviews = ", ".join(f"{_quoted(file)}: {_quoted(review)}" for file, review in files.items())
    cells = ", ".join(
        _read_cell(column) if column.name in head else _no_cell(column) for column in declared.columns
    )
    return (
        f"SELECT map {{{reviews}}}[filename] AS review, {cells} "
        f"FROM read_csv([{', '.join(map(_as_pattern, files))}], auto_detect = false, header = true, delim = ',', "
        f"quote = '\"', escape = '\"', nullstr = '', filename = true, columns = {{{columns}}})"
    )


def _as_pattern(file: str) -> str:
    """Return a file's path as the pattern that fits it alone: signs that stand for others are put in brackets."""
    return _quoted(re.sub(r"[\[*?]", r"[\g<0>]", file))


def _read_cell(column: Column) -> str:
    """Return the expression that reads a column: no text is empty text, and guarded text loses its apostrophe."""
    name = f'"{column.name}"'
    if column.kind != "text":
        return name
    unguarded = f"CASE WHEN regexp_matches({name}, {_quoted(_GUARDED)}) THEN {name}[2:] ELSE {name} END"
    return f"coalesce({unguarded}, '') AS {name}"


def _no_cell(column: Column) -> str:
    """Return the expression for a column that a report does not have yet: empty text, or no value."""
    return f'{_quoted("")} AS "{column.name}"' if column.kind == "text" else f'NULL AS "{column.name}"'


def _columns_text(declared: Table) -> str:
    """Return the columns of a table with their types, the review in front."""
    own = (f'"{column.name}" {_TYPES[column.kind]}' for column in declared.columns)
    return ", ".join(["review VARCHAR", *own])


def _quoted(text: str | Path) -> str:
    """Return text as a literal of SQL."""
    return "'" + str(text).replace("'", "''") + "'"


def _unreadable(report: Report, error: duckdb.Error) -> Finding:
    """Return the finding on a report with a table that cannot be read."""
    told = next((line for line in str(error).splitlines() if line.strip()), "no table")
    message = f"{report.place}: one of its tables cannot be read ({told.replace(str(report.path), report.place)})."
    return Finding("exclude", "table_not_readable", message, action="Make the report again.")
