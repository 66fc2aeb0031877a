"""The tables of a report as files, described by the Data Package and Table Schema standards.

References
----------
Data Package, version 2.0, and Table Schema, version 2.0 (Open Knowledge, 2024), datapackage.org
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from gpubench_kit.archive.gather import ARCHIVE_TABLES
from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.files import slug
from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import ALL_TABLES, Table
from gpubench_kit.report.earlier_report import CHANGES
from gpubench_kit.sweep.answers import SWEEP_TABLES

if TYPE_CHECKING:
    from gpubench_kit.archive.archive import Archive

DESCRIPTION = "datapackage.json"

_OTHERS = {one.name: one for one in (POSSIBLE, REDO, CHANGES)}
#: Every table that a report or an archive can hold, by name.
DECLARED = {**ALL_TABLES, **SWEEP_TABLES, **ARCHIVE_TABLES, **_OTHERS}

#: Files of a planned session: rows for the run sheet, the sheet for the printer, what it says in lines.
ROWS_FILE, TOLD_FILE = "new_runs.csv", "plan.txt"
PRINTED_FILE: str = "run_sheet.html"

#: Column -> table whose key it holds, where both tables are in the package.
_REFERS = {
    ("run_metrics", "run"): "runs",
    **{(one, "review"): "reviews" for one in ("cards", "control_runs", "driver_changes", "claims_made")},
}

_TYPES = {"text": "string", "number": "number", "integer": "integer", "truth": "boolean"}

#: First signs with which a spreadsheet may take a text for a formula, wide forms included.
_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_EARLIEST = (1980, 1, 1, 0, 0, 0)


def write_tables(tables: Mapping[str, pd.DataFrame], folder: str | Path, *, plan: ReviewPlan | Archive) -> Path:
    """Write tables as CSV files with their description, and all of them in one archive.

    Parameters
    ----------
    tables : tables by name, of those declared in ``tables.ALL_TABLES``, of a sweep, or the runs to redo
    folder : folder of the report; ``tables/`` and ``tables.zip`` are made in it
    plan : ReviewPlan, or an archive, gives title and licence

    Returns
    -------
    Path of the folder ``tables``

    Raises
    ------
    ReportError : a table is not declared, or a file cannot be written
    """
    unknown = [name for name in tables if name not in DECLARED]
    if unknown:
        raise ReportError(f"table '{unknown[0]}' is not declared (tables: {', '.join(DECLARED)}).")
    contents = {f"{name}.csv": csv_text(tables[name], DECLARED[name]) for name in DECLARED if name in tables}
    return _write_contents(contents, Path(folder), plan=plan)


def write_parquet(folder: str | Path) -> list[Path]:
    """Write a Parquet file beside each table of a report: the same columns, with their types; describe them, too.

    Parameters
    ----------
    folder : folder of the report, with its ``tables/``

    Returns
    -------
    list of Path, the files written

    Raises
    ------
    ReportError : a file cannot be read or written
    """
    tables, files = Path(folder) / "tables", []
    try:
        package = json.loads((tables / DESCRIPTION).read_text(encoding="utf-8"))
        for resource in [one for one in package["resources"] if one["format"] == "csv"]:
            source = tables / resource["path"]
            files.append(source.with_suffix(".parquet"))
            read_table(source, DECLARED[resource["name"]]).to_parquet(files[-1], index=False)
            kind = {"format": "parquet", "mediatype": "application/vnd.apache.parquet"}
            about = {"name": f"{resource['name']}.parquet", "path": files[-1].name}
            own = {name: value for name, value in resource.items() if name != "encoding"}
            package["resources"].append(own | about | kind | _size_of(files[-1].read_bytes()))
        (tables / DESCRIPTION).write_text(json_text(package), encoding="utf-8", newline="")
    except OSError as error:
        name = files[-1].name if files else DESCRIPTION
        raise ReportError(f"tables: {name} cannot be written ({error.strerror}).") from error
    return files


def add_table(name: str, frame: pd.DataFrame, folder: str | Path, *, plan: ReviewPlan | Archive) -> Path:
    """Write one more table beside those that `write_tables` wrote, and describe them anew.

    Parameters
    ----------
    name : name of the table, of those declared
    frame : the table
    folder : folder of the report, with its ``tables/``
    plan : ReviewPlan, or an archive, gives title and licence

    Returns
    -------
    Path of the folder ``tables``

    Raises
    ------
    ReportError : a file cannot be read or written
    """
    there = [one for one in DECLARED if (Path(folder) / "tables" / f"{one}.csv").exists()]
    try:
        contents = {f"{one}.csv": (Path(folder) / "tables" / f"{one}.csv").read_bytes().decode() for one in there}
    except OSError as error:
        raise ReportError(f"tables: cannot be read again ({error.strerror}).") from error
    contents[f"{name}.csv"] = csv_text(frame, DECLARED[name])
    return _write_contents(contents, Path(folder), plan=plan)


def _write_contents(contents: dict[str, str], folder: Path, *, plan: ReviewPlan | Archive) -> Path:
    """Write CSV files, their description, and all of them in one archive; return the folder of the tables."""
    contents[DESCRIPTION] = json_text(describe(contents, plan))
    target = folder / "tables"
    try:
        target.mkdir(parents=True, exist_ok=True)
        # Not compressed, since compressors differ from machine to machine.
        with zipfile.ZipFile(folder / "tables.zip", "w") as archive:
            for name, text in contents.items():
                (target / name).write_text(text, encoding="utf-8", newline="")
                entry = zipfile.ZipInfo(f"tables/{name}", date_time=_EARLIEST)
                entry.external_attr = 0o644 << 16
                entry.create_system = 3
                archive.writestr(entry, text.encode("utf-8"))
    except OSError as error:
        raise ReportError(f"tables: cannot be written to '{target.name}' ({error.strerror}).") from error
    return target


def csv_text(frame: pd.DataFrame, declared: Table) -> str:
    """Return a table as CSV: declared columns, full precision, empty for what is not defined.

    Parameters
    ----------
    frame : DataFrame with the declared columns
    declared : its declaration
    """
    typed = declared.frame(frame)
    for column in declared.columns:
        if column.kind == "text":
            typed[column.name] = typed[column.name].map(harmless)
        if column.kind == "truth":
            typed[column.name] = typed[column.name].map({True: "true", False: "false"})
    return typed.to_csv(index=False, lineterminator="\n")


def harmless(text: str) -> str:
    """Return text that no spreadsheet takes for a formula: an apostrophe stands before a formula sign.

    Parameters
    ----------
    text : a cell
    """
    return f"'{text}" if text.lstrip("'").startswith(_FORMULA_SIGNS) else text


def read_table(path: str | Path, declared: Table) -> pd.DataFrame:
    """Return a table as it was before `write_tables`.

    Parameters
    ----------
    path : the CSV file
    declared : its declaration

    Raises
    ------
    ReportError : the file cannot be read
    """
    texts = {column.name: str for column in declared.columns if column.kind == "text"}
    try:
        frame = pd.read_csv(
            path,
            dtype=texts,
            keep_default_na=False,
            na_values={column.name: [""] for column in declared.columns if column.kind != "text"},
        )
    except OSError as error:
        raise ReportError(f"table '{declared.name}': cannot be read ({error.strerror}).") from error
    for name in texts:
        frame[name] = frame[name].map(lambda text: text[1:] if harmless(text[1:]) == text else text)
    return declared.frame(frame)


def describe(contents: Mapping[str, str], plan: ReviewPlan | Archive) -> dict[str, Any]:
    """Return the description of the files: a Data Package with a Table Schema for each table.

    Parameters
    ----------
    contents : text of each CSV file, by file name
    plan : ReviewPlan, or an archive, gives title and licence
    """
    package: dict[str, Any] = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": slug(plan.review.title),
        "title": plan.review.title,
        "description": "Tables behind a graphics-card review. An empty cell is a value that is not defined. "
        "Text that a spreadsheet could take for a formula begins with an apostrophe.",
        "resources": [_resource(name, text, contents) for name, text in contents.items()],
    }
    if licence := plan.review.licence:
        # By identifier where it is one, else by title.
        is_identifier = all(one.isalnum() or one in "-_." for one in licence)
        by_title = {"name": "other", "title": licence, "path": "index.html"}
        package["licenses"] = [{"name": licence} if is_identifier else by_title]
    if plan.review.author:
        package["contributors"] = [{"title": plan.review.author, "roles": ["creator"]}]
    return package


def json_text(content: Any) -> str:
    """Return content as JSON that is stable and easy to read."""
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def _resource(file: str, text: str, contents: Mapping[str, str]) -> dict[str, Any]:
    """Return the description of one file of a package."""
    declared = DECLARED[file.removesuffix(".csv")]
    fields = []
    for column in declared.columns:
        field: dict[str, Any] = {"name": column.name, "type": _TYPES[column.kind], "description": column.meaning}
        if column.unit:
            field["unit"] = column.unit
        if column.kind == "text":
            # An empty text is a name not given, which may be part of a key; it is no missing value.
            field["missingValues"] = []
        if column.allowed:
            field["constraints"] = {"enum": ["", *column.allowed]}
        fields.append(field)
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""], "primaryKey": list(declared.key)}
    refers = [
        {"fields": [column], "reference": {"resource": other, "fields": [column]}}
        for (table, column), other in _REFERS.items()
        if table == declared.name and f"{other}.csv" in contents
    ]
    return {
        "name": declared.name, "type": "table", "path": file, "description": f"One row per {declared.row}.",
        "format": "csv", "mediatype": "text/csv", "encoding": "utf-8", **_size_of(text.encode("utf-8")),
        "schema": schema | ({"foreignKeys": refers} if refers else {}),
    }  # fmt: skip


def _size_of(data: bytes) -> dict[str, Any]:
    """Return size and hash of a file, as its description states them."""
    return {"bytes": len(data), "hash": f"sha256:{hashlib.sha256(data).hexdigest()}"}
