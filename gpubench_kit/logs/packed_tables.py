"""Workbooks and Parquet tables to lines with tabs, row by row, within the limits of a log."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from itertools import chain
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from gpubench_kit.logs.parquet_pages import unpacked_bytes
from gpubench_kit.model.errors import LogError
from gpubench_kit.sheet.workbook import look_inside, open_book
from gpubench_kit.zip_archives import TooLarge

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
    rows = [_without_empty_end(row) for row in sheet.iter_rows(values_only=True)]
    while rows and not rows[-1]:
        rows.pop()
    n_numbered = sum(
        any(isinstance(cell, (int, float)) and not isinstance(cell, bool) for cell in row) for row in rows
    )
    return _lines_with_tabs(rows, width=max(map(len, rows), default=0), limit=limit), n_numbered


def _without_empty_end(row: Sequence[object]) -> Sequence[object]:
    """Return a row without the empty cells at its end."""
    length = len(row)
    while length and row[length - 1] is None:
        length -= 1
    return row[:length]


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
    if file.metadata.num_rows * len(leaves) > _MOST_CELLS or unpacked_bytes(content, file) > limit:
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
