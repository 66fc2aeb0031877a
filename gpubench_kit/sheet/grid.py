"""Any table file as grids of cells: every sheet of a workbook, or text of any dialect, nothing interpreted."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import Fault, TableError, listed
from gpubench_kit.sheet.text import decoded_text, plain_cell, table_content
from gpubench_kit.sheet.workbook import cell_text, look_inside, open_book

#: Names of files that are tables; logs are text too, so this only serves to choose what is opened.
TABLE_SUFFIXES = (".xlsx", ".csv", ".tsv", ".txt")
WORKBOOK_SUFFIX = ".xlsx"

_WORKBOOK = b"PK\x03\x04"
_SEPARATORS = (";", "\t", ",", "|")
_SEPARATOR_LINE = re.compile(r"\"?sep=(.)\"?\r?\n?", re.IGNORECASE)
#: Lines by which the separator is chosen.
_LOOK_AHEAD = 60
#: A reviewer's table has some hundred rows; far more is a log.
_MOST_ROWS = 20_000
_MOST_COLUMNS = 400


@dataclass(frozen=True)
class Grid:
    """The cells of one sheet.

    Attributes
    ----------
    title : name of the sheet; empty for a file of text
    rows : (line, cells) of each row that holds anything; all rows are equally long
    notes : what was not taken: formulas without a result, hidden rows
    """

    title: str
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    notes: tuple[str, ...] = ()


def read_grids(file: Path) -> list[Grid]:
    """Read every sheet of a table file that holds anything.

    Parameters
    ----------
    file : path of a workbook (.xlsx) or a text

    Returns
    -------
    list of Grid, at least one

    Raises
    ------
    TableError : the file cannot be read, is empty or far too large
    """
    content = table_content(file)
    if content.startswith(_WORKBOOK):
        grids = _workbook_grids(content, file.name)
    else:
        text = decoded_text(content, file.name, [])
        grids = [_grid("", _text_rows(text, file.name), file.name)]
    filled = [grid for grid in grids if grid.rows]
    if not filled:
        raise TableError(Fault(file.name, "no sheet holds any cell.", "Name the file with the results."))
    return filled


def _grid(title: str, rows: list[tuple[int, list[str]]], file: str, *, notes: tuple[str, ...] = ()) -> Grid:
    """Return rows that hold anything as a grid."""
    kept = [(line, cells) for line, cells in rows if any(cells)]
    width = max((len(cells) for _, cells in kept), default=0)
    if len(kept) > _MOST_ROWS or width > _MOST_COLUMNS:
        problem = (
            f"{len(kept)} rows of {width} columns; a table of results has at most {_MOST_ROWS} and {_MOST_COLUMNS}."
        )
        raise TableError(Fault(file, problem, "Logs go through: gpubench-kit new FOLDER --from LOGS"))
    return Grid(title, tuple((line, (*cells, *[""] * (width - len(cells)))) for line, cells in kept), notes)


def _text_rows(text: str, file: str) -> list[tuple[int, list[str]]]:
    """Return the rows of a text; the separator is the one that gives most rows the same number of cells."""
    stated = _SEPARATOR_LINE.match(text)
    separator, skipped = "", 0
    if stated:
        separator, text, skipped = stated[1], text[stated.end() :], 1
    separator = separator or max(_SEPARATORS, key=lambda one: _regular(text, one))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        return [(reader.line_num + skipped, [plain_cell(cell) for cell in cells]) for cells in reader]
    except csv.Error as error:
        where = f"{file}, line {reader.line_num + skipped}"
        raise TableError(Fault(where, f"the row cannot be split ({error}).", "Check its quotes.")) from error


def _regular(text: str, separator: str) -> tuple[int, int]:
    """Return how many of the first lines a separator gives the usual number of cells, and that number."""
    lines = [line for line in text.splitlines()[:_LOOK_AHEAD] if line.strip()]
    widths = Counter(n for line in lines if (n := len(next(csv.reader([line], delimiter=separator), []))) > 1)
    usual = max(widths.items(), key=lambda item: (item[1], item[0]), default=(0, 0))
    return usual[1], usual[0]


def _workbook_grids(content: bytes, file: str) -> list[Grid]:
    """Return the sheets of a workbook; hidden sheets and rows are not taken, and are named."""
    has_formulas = look_inside(content, file)
    values = open_book(content, file, data_only=True)
    formulas = open_book(content, file, data_only=False) if has_formulas else None
    return [_sheet_grid(sheet, formulas, file) for sheet in values.worksheets]


def _sheet_grid(sheet: Any, formulas: Any, file: str) -> Grid:
    """Return one sheet as a grid."""
    hidden = {number for number, row in sheet.row_dimensions.items() if row.hidden}
    rows, skipped = [], []
    for number, row in enumerate(sheet.iter_rows(), start=1):
        cells = [cell_text(cell) for cell in row]
        if number in hidden or sheet.sheet_state != "visible":
            skipped += [number] * any(cells)
        else:
            rows.append((number, cells))
    notes = []
    if skipped and sheet.sheet_state == "visible":
        notes.append(f"Hidden rows {_numbers(skipped)} are not taken.")
    lost = _without_result(sheet, formulas) if formulas is not None else []
    if lost:
        notes.append(
            f"Formulas without a stored result are not taken: {listed(lost, most=6)}. Open and save the file."
        )
    return _grid(sheet.title, rows, file, notes=tuple(notes))


def _without_result(sheet: Any, formulas: Any) -> list[str]:
    """Return the places of formulas whose result was not stored: their cells look empty."""
    return [
        cell.coordinate
        for row in formulas[sheet.title].iter_rows()
        for cell in row
        if cell.data_type == "f" and sheet[cell.coordinate].value is None
    ]


def _numbers(lines: list[int]) -> str:
    """Return numbers of rows, the first six of many."""
    more = f" and {len(lines) - 6} more" if len(lines) > 6 else ""
    return ", ".join(map(str, lines[:6])) + more
