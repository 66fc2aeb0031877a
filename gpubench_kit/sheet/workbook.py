"""A run sheet kept as an .xlsx workbook: its cells as the text that a CSV file would hold."""

from __future__ import annotations

import datetime
import io
import re
import warnings
import zipfile
import zlib
from typing import Any

from gpubench_kit.late_loading import loaded_when_used
from gpubench_kit.model.errors import Fault, TableError, listed

#: Most run sheets are text.
openpyxl = loaded_when_used("openpyxl")

#: A run sheet of thousands of rows unpacks to a few megabytes; far more is a mistake or a bomb.
_LARGEST_UNPACKED = 100_000_000
_FORMULA = re.compile(rb"<f[ >/]")
_DECIMALS = re.compile(r"[0#]\.(0+)")
_SHEET_NAME = "runs"

Rows = list[tuple[int, list[str]]]


def read_workbook(content: bytes, file: str) -> tuple[Rows, str]:
    """Return the rows of a workbook as text, with their numbers, and the name of the sheet they are from.

    Parameters
    ----------
    content : the file's bytes
    file : name of the file, for messages

    Returns
    -------
    rows that hold anything, as (row number, cells); name of the sheet: the one called ``runs``, else the first

    Raises
    ------
    TableError : not a workbook, too large, or a formula whose result was not stored

    Notes
    -----
    Formulas are never computed: the result that was stored with them counts. Numbers keep the decimals
    that their format shows, since the last written decimal is the resolution of a typed value.
    """
    has_formulas = look_inside(content, file)
    sheet = _opened(content, file, data_only=True)
    rows = [(number, [cell_text(cell) for cell in row]) for number, row in enumerate(sheet.iter_rows(), start=1)]
    if has_formulas:
        _refuse_missing_results(sheet, _opened(content, file, data_only=False), file)
    return [(number, cells) for number, cells in rows if any(cells)], sheet.title


def look_inside(content: bytes, file: str) -> bool:
    """Return whether any sheet has formulas.

    Parameters
    ----------
    content : the file's bytes
    file : name of the file, for messages

    Raises
    ------
    TableError : the file is no workbook, or unpacks to too much
    """
    try:
        packed = zipfile.ZipFile(io.BytesIO(content))
        unpacked = sum(part.file_size for part in packed.infolist())
        sheets = [part for part in packed.infolist() if part.filename.startswith("xl/worksheets/")]
        # The reader stops at the size that a part declares, so the sum cannot be understated.
        has_formulas = unpacked <= _LARGEST_UNPACKED and any(_FORMULA.search(packed.read(part)) for part in sheets)
    except (zipfile.BadZipFile, OSError, EOFError, RuntimeError, ValueError, zlib.error) as error:
        raise unreadable(file, error) from error
    if unpacked > _LARGEST_UNPACKED:
        problem = f"the workbook unpacks to more than {_LARGEST_UNPACKED // 1_000_000} MB."
        raise TableError(Fault(file, problem, "Save the run sheet alone, as CSV."))
    return has_formulas


def open_book(content: bytes, file: str, *, data_only: bool) -> Any:
    """Return a workbook.

    Parameters
    ----------
    content : the file's bytes
    file : name of the file, for messages
    data_only : whether cells hold stored results in place of formulas

    Raises
    ------
    TableError : the file cannot be read
    """
    try:
        with warnings.catch_warnings():
            # openpyxl warns of features that it leaves out, such as drop-down lists; no cell is lost by it.
            warnings.simplefilter("ignore")
            return openpyxl.load_workbook(io.BytesIO(content), data_only=data_only)
    except Exception as error:  # the reader raises errors of many kinds on damaged files
        raise unreadable(file, error) from error


def _opened(content: bytes, file: str, *, data_only: bool) -> Any:
    """Return the sheet of a workbook that holds the runs."""
    book = open_book(content, file, data_only=data_only)
    named = [sheet for sheet in book.worksheets if sheet.title.strip().casefold() == _SHEET_NAME]
    if not book.worksheets:
        raise TableError(Fault(file, "the workbook has no sheet; one with the runs is expected."))
    return (named or book.worksheets)[0]


def unreadable(file: str, error: Exception) -> TableError:
    """Return the error for a file that is no readable workbook.

    Parameters
    ----------
    file : name of the file
    error : what the reader raised
    """
    problem = f"the file cannot be read as an .xlsx workbook ({type(error).__name__}: {error})."
    return TableError(Fault(file, problem, "Save it again, or save the sheet as CSV."))


def _refuse_missing_results(results: Any, formulas: Any, file: str) -> None:
    """Raise if a formula's result was not stored: its cell would look empty."""
    lost = [
        cell.coordinate
        for row in formulas.iter_rows()
        for cell in row
        if cell.data_type == "f" and results[cell.coordinate].value is None
    ]
    if lost:
        problem = f"the formulas in {listed(lost)} have no stored result."
        raise TableError(Fault(file, problem, "Open and save the file in a spreadsheet, or type the values."))


def cell_text(cell: Any) -> str:
    """Return what a cell shows, as plain text.

    Parameters
    ----------
    cell : of the workbook's reader
    """
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, (int, float)):
        return _number_text(value, str(cell.number_format or ""))
    if isinstance(value, datetime.datetime):
        return value.isoformat(sep=" ")
    return str(value).strip()


def _number_text(value: float, number_format: str) -> str:
    """Return a number with the decimals that it has or that its format shows, whichever are more."""
    if "%" in number_format:
        return f"{value * 100:.15g} %"
    text = f"{value:.15g}"
    decimals = _DECIMALS.search(number_format)
    if decimals:
        fixed = f"{value:.{len(decimals[1])}f}"
        return fixed if float(fixed) == float(text) else text
    return text
