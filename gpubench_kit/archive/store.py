"""The archive as Parquet files, and the engine that answers questions about them; the only import of duckdb."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pandas as pd

from gpubench_kit.archive.reports import TABLES_READ, Report
from gpubench_kit.model.errors import Fault, ReportError, TableError
from gpubench_kit.model.formats import current_columns
from gpubench_kit.model.tables import ALL_TABLES, Finding, Table
from gpubench_kit.processes import loaded_when_used
from gpubench_kit.wording.notes import note

#: Only an archive needs it; its tables are declared where reports are made, too.
duckdb = loaded_when_used("duckdb")

#: Folder of the Parquet files inside the archive.
PARQUET = "parquet"

_NAMED = files("gpubench_kit.archive").joinpath("questions.sql").read_text(encoding="utf-8").split("-- name: ")[1:]
#: What the kit asks, in SQL, by the name below which it stands in ``questions.sql``.
QUESTIONS = dict(text.split("\n", 1) for text in _NAMED)

_TYPES = {"text": "VARCHAR", "number": "DOUBLE", "integer": "BIGINT", "truth": "BOOLEAN"}

#: One thread: sums of numbers then come out the same to the last digit, whatever the machine.
_SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    "threads": 1, "preserve_insertion_order": True, "memory_limit": "700MB",
}  # fmt: skip

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
        self.derive(name, "SELECT * FROM rows_to_keep")
        self._engine.unregister("rows_to_keep")

    def derive(self, name: str, question: str) -> None:
        """Write the answer to a question as a table and make it known by its name.

        Parameters
        ----------
        name : name of the table
        question : a SELECT statement
        """
        path = self.folder / f"{name}.parquet"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._engine.execute(f"DROP VIEW IF EXISTS {name}")
            self._engine.execute(f"COPY ({question}) TO {_quoted(path)} (FORMAT parquet, COMPRESSION zstd)")
        except (OSError, duckdb.IOException) as error:
            told = str(error).splitlines()[0]
            raise ReportError(Fault(path.name, f"it cannot be written ({told}).", "Free space there.")) from error
        self._show(name)

    def hold(self, names: Sequence[str]) -> None:
        """Hold the answers to questions of `QUESTIONS` as tables, in memory only, until they are let go.

        Parameters
        ----------
        names : names of the questions, each of which may ask the ones before
        """
        for name in names:
            self._engine.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {QUESTIONS[name]}")

    def let_go(self, names: Sequence[str]) -> None:
        """Forget tables that were held.

        Parameters
        ----------
        names : as for `hold`
        """
        for name in names:
            self._engine.execute(f"DROP TABLE IF EXISTS {name}")

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
            kept, findings = [], []
        for report in reports:
            try:
                for name in TABLES_READ:
                    self._engine.execute(_selection([report], ALL_TABLES[name])).fetchall()
                kept.append(report)
            except duckdb.Error as error:
                told = next((line for line in str(error).splitlines() if line.strip()), "no table")
                why = told.replace(str(report.path), report.place)
                found = note("archive.found.table_not_readable", place=report.place, why=why)
                findings.append(replace(found, severity="exclude"))
        self._read(kept)
        return kept, findings

    def close(self) -> None:
        """Let go of all files."""
        self._engine.close()

    def _read(self, reports: Sequence[Report]) -> None:
        """Write one Parquet file for each table of the reports."""
        for name in TABLES_READ:
            declared = ALL_TABLES[name]
            columns = ", ".join(f'"{column.name}" {_TYPES[column.kind]}' for column in declared.columns)
            self._engine.execute(f"CREATE OR REPLACE TEMP TABLE gathered (review VARCHAR, {columns})")
            # Reports whose table has the same columns, some at a time.
            by_head: dict[tuple[str, ...], list[Report]] = {}
            for report in reports:
                by_head.setdefault(report.heads[name], []).append(report)
            for same, start in ((one, k) for one in by_head.values() for k in range(0, len(one), _AT_A_TIME)):
                batch = same[start : start + _AT_A_TIME]
                self._engine.execute(f"INSERT INTO gathered {_selection(batch, declared)}")
            self.derive(name, "SELECT * FROM gathered")
        self.let_go(["gathered"])

    def _show(self, name: str) -> None:
        """Make a Parquet file known by its name, its columns by the names that they have now."""
        rows = f"read_parquet({_quoted(self.folder / f'{name}.parquet')})"
        head = [one[0] for one in self._engine.execute(f"SELECT * FROM {rows} LIMIT 0").description]
        cells = ", ".join(f'"{was}" AS "{now}"' for was, now in zip(head, current_columns(head), strict=True))
        self._engine.execute(f"CREATE OR REPLACE VIEW {name} AS SELECT {cells} FROM {rows}")


def _selection(reports: Sequence[Report], declared: Table) -> str:
    """Return the SELECT statement that reads one table of reports, with the review in front.

    Without a value, text is empty, and guarded text loses its apostrophe. A column that a report does not have yet
    is empty text, or has no value.
    """
    kinds = {column.name: column.kind for column in declared.columns}
    head = reports[0].heads[declared.name]
    columns = ", ".join(f"{_quoted(name)}: '{_TYPES[kinds.get(name, 'text')]}'" for name in head)
    paths = {str(report.table_file(declared.name)): report.review for report in reports}
    reviews = ", ".join(f"{_quoted(path)}: {_quoted(review)}" for path, review in paths.items())
    # A path is a pattern there, and fits itself alone once signs that stand for others are in brackets.
    patterns = ", ".join(_quoted(re.sub(r"[\[*?]", r"[\g<0>]", path)) for path in paths)
    cells = []
    for name, kind in kinds.items():
        cell = f'"{name}"' if name in head else "NULL"
        if kind == "text" and name in head:
            cell = f"CASE WHEN regexp_matches({cell}, {_quoted(_GUARDED)}) THEN {cell}[2:] ELSE {cell} END"
        cells.append(f"coalesce({cell}, '') AS \"{name}\"" if kind == "text" else f'{cell} AS "{name}"')
    return (
        f"SELECT map {{{reviews}}}[filename] AS review, {', '.join(cells)} "
        f"FROM read_csv([{patterns}], auto_detect = false, header = true, delim = ',', "
        f"quote = '\"', escape = '\"', nullstr = '', filename = true, columns = {{{columns}}})"
    )


def _quoted(text: str | Path) -> str:
    """Return text as a literal of SQL."""
    return "'" + str(text).replace("'", "''") + "'"
