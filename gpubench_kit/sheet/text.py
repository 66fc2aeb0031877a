"""Tables as text cells, nothing interpreted: a run sheet, or every sheet of any table file as a grid."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from gpubench_kit.model.errors import Fault, TableError, listed, shown
from gpubench_kit.model.tables import Finding
from gpubench_kit.sheet.workbook import Rows, read_sheets, without_empty_end
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

#: Names that a run sheet can have; one of them may be there.
SHEET_FILES = ("runs.csv", "runs.xlsx", "runs.tsv")

#: Latin letters in UTF-16 have a zero in every other byte; in other encodings none belongs into a table.
_ZEROS_OF_UTF16 = 0.25
_LARGEST_FILE = 50_000_000
_SEPARATORS = (",", ";", "\t")
_WORKBOOK = b"PK\x03\x04"
_SEPARATOR_LINE = re.compile(r"\"?sep=(.)\"?\r?\n?", re.IGNORECASE)
#: An apostrophe before these keeps a spreadsheet from taking text for a formula.
_HARMLESS = re.compile(r"^'(?='*[=+\-@])")


@dataclass(frozen=True)
class SheetCells:
    """Cells of a run sheet.

    Attributes
    ----------
    file : name of the file
    headings : the first row
    rows : further rows as (line or row number, cells); blank rows are left out
    separator : between cells; empty for a workbook
    findings : how the file was read, where that was not plain
    """

    file: str
    headings: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    separator: str
    findings: tuple[Finding, ...] = ()


def read_cells(file: Path, known: frozenset[str]) -> SheetCells:
    """Read the cells of a table of text: CSV of any usual dialect, or a workbook.

    Parameters
    ----------
    file : path of the file
    known : headings that are expected, by which the separator is told

    Returns
    -------
    SheetCells; cells have no blanks at their ends

    Raises
    ------
    TableError : the file cannot be read, is empty, or is no table
    """
    content = table_content(file)
    findings: list[Finding] = []
    if content.startswith(_WORKBOOK):
        sheets, separator = read_sheets(content, file.name), ""
        sheet = next((one for one in sheets if one.title.strip().casefold() == "runs"), sheets[0])
        if sheet.lost:
            problem = f"the formulas in {listed(sheet.lost)} have no stored result."
            action = "Open and save the file in a spreadsheet, or type the values."
            raise TableError(Fault(file.name, problem, action))
        if sheet.title.strip().casefold() != "runs":
            title = shown(sheet.title)
            findings.append(note("sheet.read.of_sheet", check="run_sheet_read", file=file.name, sheet=title))
        rows = sheet.rows
    else:
        text = decoded_text(content, file.name, findings)
        rows, separator = _split(
            text, file.name, lambda one: max(_SEPARATORS, key=lambda mark: _headings_known(one, mark, known)),
            is_strict=True,
        )  # fmt: skip
    if not rows:
        raise TableError(Fault(file.name, "the file is empty; a row of headings is expected."))
    headings = tuple(without_empty_end(rows[0][1]))
    faults, body = [], []
    # Most cells repeat: names of tunings and games, sessions, rounds. Each text is kept once.
    known_text: dict[str, str] = {}
    for line, cells in rows[1:]:
        over = without_empty_end(cells)[len(headings) :]
        if over:
            problem = f"more cells than the {len(headings)} headings; too much is {listed(over)}."
            action = "Put cells that hold the separator in quotes, or add the missing heading."
            faults.append(Fault(f"{file.name}, line {line}", problem, action))
        filled = [*cells, *[""] * (len(headings) - len(cells))][: len(headings)]
        body.append((line, tuple(known_text.setdefault(cell, cell) for cell in filled)))
    if faults:
        raise TableError(faults)
    return SheetCells(file.name, headings, tuple(body), separator, tuple(findings))


def table_content(file: Path) -> bytes:
    """Return the bytes of a table file.

    Parameters
    ----------
    file : path of the file

    Raises
    ------
    TableError : it cannot be read, or is far too large
    """
    try:
        if file.is_dir():
            raise TableError(Fault(file.name, "a folder was found; a table is expected.", "Rename the folder."))
        if file.stat().st_size > _LARGEST_FILE:
            problem = f"larger than {_LARGEST_FILE // 1_000_000} MB; one row per run is expected."
            raise TableError(Fault(file.name, problem))
        return file.read_bytes()
    except OSError as error:
        problem = f"the file cannot be read ({error.strerror})."
        raise TableError(Fault(file.name, problem, "Check that it is there, and not open elsewhere.")) from error


def decoded_text(content: bytes, file: str, findings: list[Finding]) -> str:
    """Return the text; UTF-8 and UTF-16 are told by their marks or zero bytes, else Windows letters are tried.

    Parameters
    ----------
    content : the file's bytes
    file : name of the file, for messages
    findings : notes are added here

    Raises
    ------
    TableError : no encoding fits
    """
    encoding = encoding_of(content)
    try:
        text = content.decode(encoding).removeprefix("\ufeff")
    except UnicodeDecodeError:
        if encoding != "cp1252":
            problem = "the text is cut or mixed (UTF-16 does not fit)."
            raise TableError(Fault(file, problem, "Save it again as UTF-8.")) from None
        problem = "the text is neither UTF-8 nor UTF-16 nor of a Western Windows code page."
        raise TableError(Fault(file, problem, "Save it again as CSV in UTF-8.")) from None
    if encoding == "cp1252":
        findings.append(note("sheet.read.windows", check="run_sheet_read", file=file))
    return text


def _split(text: str, file: str, choose: Callable[[str], str], *, is_strict: bool = False) -> tuple[Rows, str]:
    """Return the rows that hold anything, and the separator: the one that the text states, else the one chosen."""
    told = _SEPARATOR_LINE.match(text)
    text, skipped = (text[told.end() :], 1) if told else (text, 0)
    separator = told[1] if told else choose(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=is_strict)
    try:
        rows = [(reader.line_num + skipped, [plain_cell(cell) for cell in cells]) for cells in reader]
    except csv.Error as error:
        where = f"{file}, line {reader.line_num + skipped}"
        raise TableError(Fault(where, f"the row cannot be split ({error}).", "Check its quotes.")) from error
    return [(line, cells) for line, cells in rows if any(cells)], separator


def plain_cell(cell: str) -> str:
    """Return a cell without blanks at its ends and without the apostrophe that keeps it from being a formula.

    Parameters
    ----------
    cell : as split
    """
    return _HARMLESS.sub("", cell.strip(), count=1)


def _headings_known(text: str, separator: str, known: frozenset[str]) -> tuple[int, int]:
    """Return how many headings a separator brings out: those known, and all."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    cells = [cell.strip().strip('"').casefold() for cell in first.split(separator)]
    return len(known.intersection(cells)), len(cells)


def find_sheet(folder: Path) -> Path:
    """Return the run sheet of a review folder.

    Parameters
    ----------
    folder : the review folder

    Raises
    ------
    TableError : there is none, or more than one
    """
    found = [folder / name for name in SHEET_FILES if (folder / name).exists()]
    if not found:
        problem = f"there is no run sheet in the folder {shown(str(folder))} ({listed(SHEET_FILES)})."
        raise TableError(Fault("runs.csv", problem, "Make one with: gpubench-kit new or gpubench-kit schedule"))
    if len(found) > 1:
        names = listed(path.name for path in found)
        raise TableError(Fault(names, "more than one run sheet; one is expected.", "Keep the one that counts."))
    return found[0]


_OF_TABLES = (";", "\t", ",", "|")
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
        grids = []
        for sheet in read_sheets(content, file.name):
            hidden = [number for number, _ in sheet.rows if number in sheet.hidden]
            shown_rows = [(number, cells) for number, cells in sheet.rows if number not in sheet.hidden]
            notes = []
            if hidden and shown_rows:
                numbers, more = ", ".join(map(str, hidden[:6])), len(hidden) - 6
                all_of = say("draft.head.hidden_more", rows=numbers, n=more) if more > 0 else numbers
                notes.append(say("draft.head.hidden", rows=all_of))
            if sheet.lost and shown_rows:
                notes.append(say("draft.head.formulas", cells=listed(sheet.lost, most=6)))
            grids.append(_grid(sheet.title, shown_rows, file.name, notes=tuple(notes)))
    else:
        text = decoded_text(content, file.name, [])
        if "\0" in text:
            action = "Save it as .xlsx or CSV."
            raise TableError(Fault(file.name, "neither text nor an .xlsx workbook was found.", action))
        rows, _ = _split(text, file.name, lambda one: max(_OF_TABLES, key=lambda mark: _regular(one, mark)))
        grids = [_grid("", rows, file.name)]
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


def _regular(text: str, separator: str) -> tuple[int, int]:
    """Return how many of the first lines a separator gives the usual number of cells, and that number."""
    lines = [line for line in text.splitlines()[:_LOOK_AHEAD] if line.strip()]
    widths = Counter(n for line in lines if (n := len(next(csv.reader([line], delimiter=separator), []))) > 1)
    usual = max(widths.items(), key=lambda item: (item[1], item[0]), default=(0, 0))
    return usual[1], usual[0]


def encoding_of(content: bytes) -> str:
    """Return the encoding in which a sheet is written again; a byte-order mark stays part of its text.

    Parameters
    ----------
    content : bytes of the file
    """
    zeros = content[:2000].count(0) > len(content[:2000]) * _ZEROS_OF_UTF16
    if content.startswith(codecs.BOM_UTF16_LE) or (zeros and content[1:2] == b"\0"):
        return "utf-16-le"
    if content.startswith(codecs.BOM_UTF16_BE) or zeros:
        return "utf-16-be"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"
