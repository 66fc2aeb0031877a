"""What a file is that is no text: workbooks and Parquet tables to lines with tabs, others called by their kind."""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import chain, islice
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from gpubench_kit.files import TooLarge
from gpubench_kit.model.errors import LogError
from gpubench_kit.sheet.workbook import look_inside, open_book

#: Where it stands, first bytes, what it is.
_KINDS = (
    (0, b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (0, b"Rar!\x1a\x07", "a rar archive"),
    (0, b"\x1f\x8b", "a gz file packed several times over"),
    (0, b"\xfd7zXZ\x00", "an xz archive packed several times over"),
    (0, b"BZh", "a bz2 file packed several times over"),
    (0, b"\x28\xb5\x2f\xfd", "a Zstandard file packed several times over"),
    (0, b"PK\x03\x04", "a zip archive packed several times over"),
    (0, b"PAR1", "a Parquet table packed several times over"),
    (0, b"PARE", "an encrypted Parquet table"),
    (0, b"\x04\x22\x4d\x18", "an lz4 file"),
    (0, b"\x1f\x9d", "a compress (.Z) file"),
    (0, b"LZIP\x01", "an lzip file"),
    (0, b"\x5d\x00\x00", "an lzma file"),
    (0, b"MSCF", "a cabinet archive"),
    (257, b"ustar", "a tar archive"),
    (0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old office document, such as an .xls workbook"),
    (0, b"%PDF-", "a PDF document"),
    (0, b"{\\rtf", "an RTF document"),
    (0, b"\x89PNG", "a picture"),
    (0, b"\xff\xd8\xff", "a picture"),
    (0, b"GIF8", "a picture"),
    (0, b"RIFF", "a picture, sound or film"),
    (4, b"ftyp", "a film"),
    (0, b"\x1a\x45\xdf\xa3", "a film"),
    (0, b"OggS", "a sound or film"),
    (0, b"SQLite format 3\x00", "an SQLite database"),
    (0, b"ARROW1", "an Arrow or Feather table"),
    (0, b"\x89HDF", "an HDF5 file"),
    (0, b"\x93NUMPY", "a numpy array"),
    (0, b"\x7fELF", "a program"),
    (0, b"MZ\x90\x00", "a program"),
)

#: A file that only archives of one kind hold, and what they are.
_ARCHIVES = (
    ("xl/workbook.bin", "a binary .xlsb workbook"),
    ("word/document.xml", "a text document"),
    ("ppt/presentation.xml", "a presentation"),
    ("content.xml", "an OpenDocument file, such as an .ods workbook"),
)


def kind_of(content: bytes) -> str:
    """Return what a file is that is no text; empty where its first bytes tell nothing.

    Parameters
    ----------
    content : bytes of the file, unpacked
    """
    return next((kind for at, magic, kind in _KINDS if content[at : at + len(magic)] == magic), "")


def kind_of_archive(names: Collection[str]) -> str:
    """Return what an archive is that holds neither one log nor a workbook of a kind that is read.

    Parameters
    ----------
    names : names of the files in it
    """
    return next((kind for name, kind in _ARCHIVES if name in names), "")


#: Most pages that are looked at; a log of half a day has a few hundred.
_MOST_PAGES = 50_000
#: Fields of the directory, from a file to where the pages of a column lie; and of the header of a page.
_ROW_GROUPS, _COLUMNS, _ABOUT, _SIZE, _FIRST_PAGE, _DICTIONARY = 4, 1, 3, 7, 9, 11
_UNPACKED, _PACKED = 2, 3
#: Types of the compact protocol of Apache Thrift, in which directory and page headers are written.
_FLAGS, _BINARY, _LISTS, _STRUCT = (1, 2), 8, (9, 10), 12
_WHOLE_NUMBERS = (4, 5, 6)
#: Bytes of what has one length: a flag in a list, a byte, a double.
_LENGTHS = {1: 1, 2: 1, 3: 1, 7: 8}
_DEEPEST = 12


def unpacked_bytes(content: bytes) -> float:
    """Return how many bytes all pages of a Parquet file unpack to.

    Parameters
    ----------
    content : bytes of the file

    Returns
    -------
    float; infinite where there are far more pages than in any log

    Raises
    ------
    ValueError, IndexError : the directory or a header is damaged

    Notes
    -----
    The directory is read here: where one is damaged, the library's own object for a column ends the whole process.
    """
    start = len(content) - 8 - int.from_bytes(content[-8:-4], "little")
    groups = _field(_Thrift(content, start).fields(), _ROW_GROUPS, list)
    columns = (column for group in groups for column in _field(group, _COLUMNS, list))
    pages = chain.from_iterable(_pages(content, _field(column, _ABOUT, dict)) for column in columns)
    total = float(sum(islice(pages, _MOST_PAGES)))
    return total if next(pages, None) is None else float("inf")


def _field(fields: Any, number: int, kind: type) -> Any:
    """Return a field of a structure; an empty one where it is of another kind."""
    found = fields.get(number) if isinstance(fields, dict) else None
    return found if isinstance(found, kind) else kind()


def _pages(content: bytes, about: dict[int, Any]) -> Iterator[int]:
    """Yield how many bytes each page of a column unpacks to."""
    place, dictionary = _field(about, _FIRST_PAGE, int), _field(about, _DICTIONARY, int)
    if 0 < dictionary < place:
        place = dictionary
    end = min(len(content), place + max(0, _field(about, _SIZE, int)))
    while 0 <= place < end:
        header = (reader := _Thrift(content, place)).fields()
        place = reader.place + max(0, _field(header, _PACKED, int))
        yield max(0, _field(header, _UNPACKED, int))


class _Thrift:
    """Reads what is written in the compact protocol of Apache Thrift, from a place of the content on."""

    def __init__(self, content: bytes, place: int):
        if place < 0:
            raise ValueError("a header lies before the file")
        self._content, self.place = content, place

    def fields(self, depth: int = 0) -> dict[int, Any]:
        """Return the fields of a structure by their number; flags are left out."""
        if depth > _DEEPEST:
            raise ValueError("a header is nested too deep")
        found, field = {}, 0
        while kind := self._byte():
            field = field + (kind >> 4) if kind >> 4 else self._signed()
            if kind & 15 not in _FLAGS:
                found[field] = self._value(kind & 15, depth)
        return found

    def _value(self, kind: int, depth: int) -> Any:
        """Return a whole number, list or structure; None for any other value."""
        if kind in _WHOLE_NUMBERS:
            return self._signed()
        if kind == _STRUCT:
            return self.fields(depth + 1)
        if kind in _LISTS:
            head = self._byte()
            size = head >> 4 if head >> 4 < 15 else self._varint()
            if size > len(self._content) - self.place or depth > _DEEPEST:
                raise ValueError("a header is damaged")
            return [self._value(head & 15, depth + 1) for _ in range(size)]
        if kind != _BINARY and kind not in _LENGTHS:
            raise ValueError("a header is damaged")
        length = self._varint() if kind == _BINARY else _LENGTHS[kind]
        self.place += length
        return None

    def _byte(self) -> int:
        """Return the next byte."""
        self.place += 1
        return self._content[self.place - 1]

    def _varint(self) -> int:
        """Return a whole number of seven bits a byte."""
        number = 0
        for shift in range(0, 70, 7):
            byte = self._byte()
            number |= (byte & 127) << shift
            if byte < 128:
                return number
        raise ValueError("a header is damaged")

    def _signed(self) -> int:
        """Return a number with its sign, which stands in the last bit."""
        number = self._varint()
        return (number >> 1) ^ -(number & 1)


#: Rows with numbers from which on a sheet of a workbook is taken for the log.
_ROWS_OF_A_LOG = 3
_MOST_CELLS_OF_A_WORKBOOK = 1_000_000
#: Most cells that are read of a Parquet table, and rows that are held at once.
_MOST_CELLS, _ROWS_AT_ONCE = 12_000_000, 1024
#: Most that the directory of a Parquet file may take [bytes], and the largest list in it.
_LARGEST_DIRECTORY, _LONGEST_LIST = 8_000_000, 200_000


def workbook_lines(content: bytes, name: str, *, limit: int) -> tuple[bytes, int, str]:
    """Return the first sheet of an .xlsx workbook that holds rows of numbers as lines with tabs.

    Parameters
    ----------
    content : bytes of the file
    name : what to call the file in messages
    limit : most bytes of text

    Returns
    -------
    lines, number of sheets, name of the sheet that was read

    Raises
    ------
    LogError : no workbook, or too large for one
    TooLarge : the text is longer than the limit
    ValueError : it is damaged
    """
    look_inside(content, name, most_cells=_MOST_CELLS_OF_A_WORKBOOK, error=LogError)
    sheets = open_book(content, name, data_only=True, is_streamed=True, error=LogError).worksheets
    try:
        read = ((*_sheet_lines(sheet, limit=limit), sheet.title) for sheet in sheets)
        first = next(read)
        of_numbers = (one for one in chain([first], read) if one[1] >= _ROWS_OF_A_LOG)
        lines, _, title = next(of_numbers, first)
    except TooLarge:
        raise
    except Exception as error:  # a damaged workbook fails in any of a dozen ways inside the reader
        raise ValueError("a sheet cannot be read") from error
    return lines, len(sheets), title


def _sheet_lines(sheet: Any, *, limit: int) -> tuple[bytes, int]:
    """Return a sheet as lines, and how many of its rows hold a number."""
    rows = []
    for row in sheet.iter_rows(values_only=True):
        length = len(row)
        while length and row[length - 1] is None:
            length -= 1
        rows.append(row[:length])
    while rows and not rows[-1]:
        rows.pop()
    n_numbered = sum(
        any(isinstance(cell, (int, float)) and not isinstance(cell, bool) for cell in row) for row in rows
    )
    return _lines_with_tabs(rows, width=max(map(len, rows), default=0), limit=limit), n_numbered


def parquet_lines(content: bytes, *, limit: int) -> bytes:
    """Return a Parquet table as lines with tabs, its column names first; columns of lists are left out.

    Parameters
    ----------
    content : bytes of the file
    limit : most bytes of text, and of what is unpacked

    Raises
    ------
    TooLarge : it holds more
    ValueError, TypeError, KeyError, IndexError, OverflowError, MemoryError, OSError : it is damaged
    """
    if _LARGEST_DIRECTORY < int.from_bytes(content[-8:-4], "little") < len(content):
        raise TooLarge
    limits = {"thrift_string_size_limit": _LARGEST_DIRECTORY, "thrift_container_size_limit": _LONGEST_LIST}
    file = pq.ParquetFile(io.BytesIO(content), **limits)
    columns = file.schema_arrow.names
    leaves = [file.schema.column(number) for number in range(len(file.schema))]
    if file.metadata.num_rows * len(leaves) > _MOST_CELLS or unpacked_bytes(content) > limit:
        raise TooLarge
    # Texts stay numbered: one long text that thousands of rows point to is never written out for each.
    file = pq.ParquetFile(io.BytesIO(content), read_dictionary=[one.path for one in leaves], **limits)
    flat = [name for name in columns if name in {one.path for one in leaves if not one.max_repetition_level}]
    batches = file.iter_batches(_ROWS_AT_ONCE, columns=flat, use_threads=False)
    rows = chain.from_iterable(zip(*map(_values, batch.columns), strict=True) for batch in batches)
    return _lines_with_tabs(chain([flat], rows), width=len(flat), limit=limit)


def _values(column: pa.Array) -> list[object]:
    """Return the values of a column."""
    if not isinstance(column, pa.DictionaryArray):
        return column.to_pylist()
    texts = [_cell_text(one) for one in column.dictionary.to_pylist()]
    return [None if place is None else texts[place] for place in column.indices.to_pylist()]


def _lines_with_tabs(rows: Iterable[Sequence[object]], *, width: int, limit: int) -> bytes:
    """Return rows of cells as text: one line each, as many cells in each, separated by tabs."""
    lines, left = bytearray(), limit
    for row in rows:
        cells = [_cell_text(cell) for cell in row]
        left -= sum(map(len, cells)) + width
        if left < 0:
            raise TooLarge
        lines += "\t".join(cells).encode("utf-8", "replace") + b"\t" * (width - max(1, len(cells))) + b"\n"
    return bytes(lines)


def _cell_text(cell: object) -> str:
    """Return a cell as one line of text; numbers keep every digit."""
    if cell is None or cell != cell:
        return ""
    text = cell.isoformat(sep=" ") if hasattr(cell, "isoformat") and hasattr(cell, "hour") else str(cell)
    return " ".join(text.split())
