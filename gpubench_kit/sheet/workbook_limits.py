"""What is inside a workbook, counted before it is read: some kilobytes of it can ask for gigabytes of cells."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from pyexpat import ExpatError, ParserCreate
from typing import Any

from gpubench_kit.zip_archives import DamagedZip, TooLarge, pieces_of

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
        if member.filename.lower().endswith(_READ):
            _count_part(
                pieces_of(archive, member, limit=LARGEST_UNPACKED - counted.bytes), counted, member.filename
            )
    return counted.has_formulas


def _count_part(pieces: Iterable[bytes], counted: _Counted, name: str) -> None:
    """Count what one part asks for."""
    parser = _parser_into(counted)
    try:
        for piece in pieces:
            counted.bytes += len(piece)
            parser.Parse(piece, False)
        parser.Parse(b"", True)
    except ExpatError:
        raise DamagedZip(f"'{name}' in it is not whole") from None


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
            self._cell(attributes)
        elif name == "row":
            self._row(attributes)
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

    def _row(self, attributes: dict[str, str]) -> None:
        """Note where a row stands."""
        self.row = _whole(attributes.get("r"), self.row + 1)
        self.rows = max(self.rows, self.row)
        self.in_row = self.column = 0

    def _cell(self, attributes: dict[str, str]) -> None:
        """Note how wide a row is."""
        found = _COLUMN.match(attributes.get("r", ""))
        self.column = _column_number(found[1]) if found else self.column + 1
        self.columns = max(self.columns, self.column)


def _parser_into(counted: _Counted) -> Any:
    """Return a parser of one part; nothing of it is kept."""
    parser = ParserCreate(namespace_separator="}")
    counted.begin_part()
    parser.StartElementHandler, parser.CharacterDataHandler = counted.start, counted.text
    parser.StartDoctypeDeclHandler = _refuse_declarations
    return parser


def _refuse_declarations(*_about: object) -> None:
    """Refuse what no spreadsheet writes: names that stand for text, which can grow without limit."""
    raise DamagedZip("it declares texts of its own, which no spreadsheet does")


def _whole(text: str | None, otherwise: int) -> int:
    """Return a whole number, or what stands for a missing or damaged one."""
    return int(text) if text and text.isdecimal() and len(text) < 10 else otherwise


def _column_number(letters: str) -> int:
    """Return the number of a column from its letters, A being 1."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number
