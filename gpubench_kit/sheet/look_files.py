"""Files of looks: ``looks.csv`` with a row for each, ``looks_given.csv`` with what each gave, named by its hash."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from gpubench_kit.model.errors import Fault, ReportError, TableError
from gpubench_kit.model.tables import Column, Table
from gpubench_kit.sheet.text import read_cells

LOOKS_FILE, GIVEN_FILE = "looks.csv", "looks_given.csv"

LOOKS = Table(
    "looks", "look", ("look",),
    (
        Column("look", "integer", "number of the look"),
        Column("used_runs_sha256", "text", "hash of the used runs by their values"),
        Column("plan_fingerprint", "text", "hash of the decisions at that look"),
        Column("decisions", "text", "the decisions before the first look, as JSON"),
        Column("runs_sha256", "text", "hash of the used runs by their logs or rows; empty before version 0.2.0"),
        Column("kit_version", "text", "version of the kit; empty before 0.2.0"),
        Column("given", "text", "hash of what the look gave: its rows of `looks_given.csv`"),
    ),
)  # fmt: skip
#: Columns of a file of version 0.1.0.
_FIRST_COLUMNS = LOOKS.names[:4]

GIVEN = Table(
    "looks_given", "look and thing given", ("given", "look", "kind", "key"),
    (
        Column("given", "text", "hash of all rows of one look, by which `looks.csv` names them"),
        Column("look", "integer", "number of the look"),
        Column("kind", "text", "what the row keeps", allowed=("game", "overall", "claim", "run")),
        Column("key", "text", "comparison, result, claim or run"),
        Column("runs", "text", "used runs of both sides; of a run its name"),
        Column("numbers", "text", "values of a run by metric, to nine digits; metrics that were only likely"),
        Column("level", "number", "level of the look"),
        Column("share", "number", "share of the page's level"),
        Column("margin", "number", "margin it was judged by"),
        Column("verdict", "text", "verdict given"),
        Column("no_loss", "text", "whether a loss was ruled out", allowed=("True", "False")),
    ),
)  # fmt: skip

_SHA256 = re.compile(r"[0-9a-f]{64}")
_RESTORE = "Restore the file as `report` wrote it; deleting it hides looks that were made."


def read_looks(folder: str | Path) -> pd.DataFrame:
    """Return the looks made at a review so far.

    Parameters
    ----------
    folder : the review folder

    Returns
    -------
    DataFrame, one row per look, see `LOOKS`; without rows where no report was made yet. A file of version 0.1.0 has
    neither version nor what was given

    Raises
    ------
    TableError : the file cannot be read, is lost, or is not as `Looks.record` writes it
    """
    file = Path(folder) / LOOKS_FILE
    if not file.exists():
        if (file.with_name(GIVEN_FILE)).exists():
            problem = f"it is missing, but {GIVEN_FILE} keeps what looks at verdicts gave."
            raise TableError(Fault(LOOKS_FILE, problem, f"{_RESTORE} If no report was ever made, delete both."))
        return LOOKS.frame()
    cells = read_cells(file, frozenset(LOOKS.names))
    if sorted(cells.headings) not in (sorted(LOOKS.names), sorted(_FIRST_COLUMNS)):
        raise TableError(Fault(cells.file, f"the columns are not {', '.join(LOOKS.names)}.", _RESTORE))
    faults = []
    for number, (line, cell) in enumerate(cells.rows, start=1):
        where, row = f"{cells.file}, line {line}", dict(zip(cells.headings, cell, strict=False))
        if row["look"] != str(number):
            faults.append(Fault(where, f"look {row['look']!r} was found; {number} is expected.", _RESTORE))
        if not _SHA256.fullmatch(row["used_runs_sha256"]):
            faults.append(Fault(where, "the hash of the used runs is damaged.", _RESTORE))
        if number == 1 and not _is_table(row["decisions"]):
            faults.append(Fault(where, "the decisions before the first look are damaged.", _RESTORE))
    if faults:
        raise TableError(faults)
    rows = [dict(zip(cells.headings, row, strict=False)) for _, row in cells.rows]
    return LOOKS.frame([{**row, "look": int(row["look"])} for row in rows])


def read_given(folder: str | Path, looks: pd.DataFrame) -> pd.DataFrame:
    """Return what the looks gave; rows that no look names were left behind by a kill, and are dropped.

    Parameters
    ----------
    folder : the review folder
    looks : see `read_looks`

    Raises
    ------
    TableError : the file cannot be read, is lost, or was edited
    """
    file, named = Path(folder) / GIVEN_FILE, looks[looks["given"] != ""]
    if not len(named):
        return GIVEN.frame()
    if not file.exists():
        raise TableError(Fault(GIVEN_FILE, "it is missing, but looks.csv names what it kept.", _RESTORE))
    cells = read_cells(file, frozenset(GIVEN.names))
    if sorted(cells.headings) != sorted(GIVEN.names):
        raise TableError(Fault(cells.file, f"the columns are not {', '.join(GIVEN.names)}.", _RESTORE))
    rows = pd.DataFrame(
        [dict(zip(cells.headings, row, strict=False)) for _, row in cells.rows], columns=GIVEN.names
    )
    faults = []
    for look in named.itertuples():
        mine = rows[rows["given"] == look.given]
        if _hash_of_rows(mine) != look.given:
            problem = f"what look {look.look} gave {'was edited' if len(mine) else 'is missing'}."
            faults.append(Fault(cells.file, problem, _RESTORE))
    if faults:
        raise TableError(faults)
    rows = rows[rows["given"].isin(named["given"])]
    numbers = {name: pd.to_numeric(rows[name]) for name in ("look", "level", "share", "margin")}
    return GIVEN.frame(rows.assign(**numbers))


def named_by_hash(rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Return the rows that one look gives with their hash, by which the look names them.

    Parameters
    ----------
    rows : see `GIVEN`
    """
    frame = GIVEN.frame(rows)
    return frame.assign(given=_hash_of_rows(_as_cells(frame)))


def _hash_of_rows(cells: pd.DataFrame) -> str:
    """Return the hash of rows as cells, in any order."""
    rows = cells[[name for name in GIVEN.names if name != "given"]]
    return hash_of(sorted(json.dumps(row) for row in rows.itertuples(index=False, name=None)))


def _as_cells(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table as the texts of its cells."""
    return frame.map(lambda one: "" if pd.isna(one) else f"{one:.9g}" if isinstance(one, float) else str(one))


def _is_table(text: str) -> bool:
    """Return whether a text is a JSON object."""
    try:
        return isinstance(json.loads(text), dict)
    except ValueError:
        return False


def replace_table(file: Path, table: pd.DataFrame) -> None:
    """Write a table beside its file, then put it in its place in one step.

    Parameters
    ----------
    file : the file
    table : what it is to hold

    Raises
    ------
    ReportError : it cannot be written
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows(_as_cells(table).itertuples(index=False, name=None))
    beside = file.with_name(f"{file.name}.{os.getpid()}.part")
    try:
        beside.write_text(text.getvalue(), encoding="utf-8", newline="\n")
        os.replace(beside, file)
    except OSError as error:
        beside.unlink(missing_ok=True)
        problem = f"the look cannot be written down ({error.strerror})."
        raise ReportError(Fault(file.name, problem, "Make the review folder writable.")) from error


def hash_of(parts: Iterable[str]) -> str:
    """Return the SHA-256 of texts in their order."""
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()
