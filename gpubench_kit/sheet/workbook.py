"""Workbooks: what is inside is counted before it is read, then cells are the text that a CSV file would hold."""

from __future__ import annotations

import datetime
import io
import re
import warnings
import zipfile
from dataclasses import dataclass
from pyexpat import ExpatError, ParserCreate
from typing import Any, NamedTuple

from gpubench_kit.files import DamagedZip, TooLarge, open_zip, pieces_of
from gpubench_kit.model.errors import Fault, GpubenchError, TableError
from gpubench_kit.processes import loaded_when_used

#: Most that a workbook unpacks to [bytes].
LARGEST_UNPACKED = 100_000_000
#: Most texts in the table that cells point to; each takes the reader some ten microseconds.
_MOST_TEXTS = 400_000
#: Most elements inside one row or text, and outside all of them: the reader holds these at once.
_MOST_AT_ONCE = 200_000
#: Longest text or attribute; spreadsheets allow 32,767 characters in a cell.
_LONGEST_TEXT = 100_000

_READ = (".xml", ".rels", ".vml")
_COLUMN = re.compile(r"\$?([A-Z]{1,3})\$?\d")


def count_inside(archive: zipfile.ZipFile, *, most_cells: int) -> bool:
    """Return whether any cell of a workbook holds a formula.

    Parameters
    ----------
    archive : the workbook as an archive
    most_cells : most cells of all sheets together, rows times columns: a reader makes those left out between others

    Raises
    ------
    DamagedZip : a part of it does not unpack, or is no XML
    TooLarge : it would take far more memory or time than a table of runs or a log
    """
    counted = _Counted(most_cells)
    for member in archive.infolist():
        if not member.filename.lower().endswith(_READ):
            continue
        counted.begin_part()
        parser = ParserCreate(namespace_separator="}")
        parser.StartElementHandler, parser.CharacterDataHandler = counted.start, counted.text
        parser.StartDoctypeDeclHandler = _refuse_declarations
        try:
            for piece in pieces_of(archive, member, limit=LARGEST_UNPACKED - counted.bytes):
                counted.bytes += len(piece)
                parser.Parse(piece, False)
            parser.Parse(b"", True)
        except ExpatError:
            raise DamagedZip(f"'{member.filename}' in it is not whole") from None
    return counted.has_formulas


@dataclass
class _Counted:
    """How much the parts read so far ask for."""

    most_cells: int
    bytes: int = 0
    cells: int = 0
    texts: int = 0
    held: int = 0
    in_row: int = 0
    row: int = 0
    rows: int = 0
    column: int = 0
    columns: int = 0
    length: int = 0
    has_formulas: bool = False

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Count an element."""
        name = tag.rpartition("}")[2]
        self.length = 0
        if attributes and sum(map(len, attributes.values())) > _LONGEST_TEXT:
            raise TooLarge
        if name == "c":
            found = _COLUMN.match(attributes.get("r", ""))
            number = 0
            for letter in found[1] if found else "":
                number = number * 26 + ord(letter) - 64
            self.column = number or self.column + 1
            self.columns = max(self.columns, self.column)
        elif name == "row":
            text = attributes.get("r", "")
            self.row = int(text) if text.isdecimal() and len(text) < 10 else self.row + 1
            self.rows = max(self.rows, self.row)
            self.in_row = self.column = 0
        elif name == "si":
            self.texts += 1
            self.in_row = 0
        elif name == "f":
            self.has_formulas = True
        elif name not in ("v", "t", "is", "r"):
            self.held += 1
        self.in_row += 1
        cells = self.cells + self.rows * self.columns
        if max(self.held, self.in_row) > _MOST_AT_ONCE or self.texts > _MOST_TEXTS or cells > self.most_cells:
            raise TooLarge

    def begin_part(self) -> None:
        """Keep what was counted in the part before."""
        self.cells += self.rows * self.columns
        self.row = self.rows = self.columns = 0

    def text(self, text: str) -> None:
        """Count the length of a text."""
        self.length += len(text)
        if self.length > _LONGEST_TEXT:
            raise TooLarge


def _refuse_declarations(*_about: object) -> None:
    """Refuse what no spreadsheet writes: names that stand for text, which can grow without limit."""
    raise DamagedZip("it declares texts of its own, which no spreadsheet does")


#: Most run sheets are text.
openpyxl = loaded_when_used("openpyxl")

#: Most cells that are read of a table of runs or results, rows times columns.
_MOST_CELLS = 400_000
_DECIMALS = re.compile(r"[0#]\.(0+)")

Rows = list[tuple[int, list[str]]]


class BookSheet(NamedTuple):
    """One sheet as text: its name, rows that hold anything by number, rows that are hidden, lost results."""

    title: str
    rows: Rows
    hidden: frozenset[int]
    lost: tuple[str, ...]


def read_sheets(content: bytes, file: str) -> list[BookSheet]:
    """Return every sheet of a workbook as text.

    Parameters
    ----------
    content : the file's bytes
    file : name of the file, for messages

    Returns
    -------
    list of BookSheet; all rows of a hidden sheet are hidden. ``lost`` are cells with a formula whose result was not
    stored: they look empty

    Raises
    ------
    TableError : not a workbook, too large, or without any sheet

    Notes
    -----
    Formulas are never computed: the result that was stored with them counts. Numbers keep the decimals
    that their format shows, since the last written decimal is the resolution of a typed value.
    """
    has_formulas = look_inside(content, file)
    values = open_book(content, file, data_only=True)
    formulas = open_book(content, file, data_only=False) if has_formulas else None
    if not values.worksheets:
        raise TableError(Fault(file, "the workbook has no sheet; one with the runs is expected."))
    sheets = []
    try:
        for sheet in values.worksheets:
            rows = [(number, list(map(cell_text, row))) for number, row in enumerate(sheet.iter_rows(), start=1)]
            is_hidden = sheet.sheet_state != "visible"
            hidden = frozenset(n for n, _ in rows if is_hidden or sheet.row_dimensions[n].hidden)
            lost = [
                cell.coordinate
                for row in (formulas[sheet.title].iter_rows() if formulas else ())
                for cell in row
                if cell.data_type == "f" and sheet[cell.coordinate].value is None
            ]
            kept = [(number, without_empty_end(cells)) for number, cells in rows if any(cells)]
            sheets.append(BookSheet(sheet.title, kept, hidden, tuple(lost)))
    except Exception as error:  # the reader raises errors of many kinds on damaged files
        raise _unreadable(file, error, TableError) from error
    return sheets


def without_empty_end(cells: list[str]) -> list[str]:
    """Return cells without empty ones at the end.

    Parameters
    ----------
    cells : of one row
    """
    return cells[: max((place for place, cell in enumerate(cells, start=1) if cell), default=0)]


def look_inside(
    content: bytes, file: str, *, most_cells: int = _MOST_CELLS, error: type[GpubenchError] = TableError
) -> bool:
    """Return whether any sheet has formulas, after counting that the workbook can be read at all.

    Parameters
    ----------
    content : the file's bytes
    file : name of the file, for messages
    most_cells : most cells of all sheets together, rows times columns
    error : what is raised

    Raises
    ------
    GpubenchError : of the class asked for: the file is no workbook, or unpacks to too much
    """
    try:
        with open_zip(content) as archive:
            return count_inside(archive, most_cells=most_cells)
    except TooLarge:
        most = f"{LARGEST_UNPACKED // 1_000_000} MB unpacked and {most_cells:,} cells (rows times columns)"
        problem = f"the workbook is too large: at most {most} are read."
        action = "Delete empty rows and columns far from the table, or save the one sheet as CSV."
        raise error(Fault(file, problem, action)) from None
    except DamagedZip as problem:
        raise _unreadable(file, problem, error) from None


def open_book(
    content: bytes,
    file: str,
    *,
    data_only: bool,
    is_streamed: bool = False,
    error: type[GpubenchError] = TableError,
) -> Any:
    """Return a workbook; `look_inside` comes first.

    Parameters
    ----------
    content : the file's bytes
    file : name of the file, for messages
    data_only : whether cells hold stored results in place of formulas
    is_streamed : whether rows are read while they are gone through, rather than all held
    error : what is raised

    Raises
    ------
    GpubenchError : of the class asked for: the file cannot be read
    """
    try:
        with warnings.catch_warnings():
            # openpyxl warns of features that it leaves out, such as drop-down lists; no cell is lost by it.
            warnings.simplefilter("ignore")
            options = {"data_only": data_only, "read_only": is_streamed, "keep_links": False}
            book = openpyxl.load_workbook(io.BytesIO(content), **options)
        for sheet in book.worksheets if is_streamed else ():
            # The size that a sheet states may be false; rows end where they end.
            sheet.reset_dimensions()
    except Exception as problem:  # the reader raises errors of many kinds on damaged files
        raise _unreadable(file, problem, error) from problem
    return book


def _unreadable(file: str, problem: Exception, error: type[GpubenchError]) -> GpubenchError:
    """Return the error for a file that is no readable workbook."""
    found = str(problem) if isinstance(problem, DamagedZip) else f"{type(problem).__name__}: {problem}"
    shown = " ".join(found.split())[:200]
    summary = f"the file cannot be read as an .xlsx workbook ({shown})."
    return error(Fault(file, summary, "Save it again as .xlsx, or save the sheet as CSV."))


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
        number_format = str(cell.number_format or "")
        if "%" in number_format:
            return f"{value * 100:.15g} %"
        text = f"{value:.15g}"
        decimals = _DECIMALS.search(number_format)
        if decimals:
            fixed = f"{value:.{len(decimals[1])}f}"
            return fixed if float(fixed) == float(text) else text
        return text
    if isinstance(value, datetime.datetime):
        return value.isoformat(sep=" ")
    return str(value).strip()
