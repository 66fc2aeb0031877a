"""What the pages of a Parquet file unpack to, from the headers that the library itself goes by.

The directory at the end of a file states sizes too, but a falsified one lets a few kilobytes fill the memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain, islice

import pyarrow.parquet as pq

#: Most pages that are looked at; a log of half a day has a few hundred.
_MOST_PAGES = 50_000
_UNPACKED, _PACKED = 2, 3
#: Types of the compact protocol of Apache Thrift, in which page headers are written.
_TRUE, _FALSE, _BYTE, _DOUBLE, _BINARY, _LIST, _SET, _STRUCT = 1, 2, 3, 7, 8, 9, 10, 12
_WHOLE_NUMBERS = (4, 5, 6)
_DEEPEST = 8


def unpacked_bytes(content: bytes, file: pq.ParquetFile) -> float:
    """Return how many bytes all pages of a Parquet file unpack to.

    Parameters
    ----------
    content : bytes of the file
    file : the same, opened

    Returns
    -------
    float; infinite where there are far more pages than in any log

    Raises
    ------
    ValueError, IndexError : a header is damaged
    """
    groups = map(file.metadata.row_group, range(file.metadata.num_row_groups))
    columns = (group.column(number) for group in groups for number in range(group.num_columns))
    pages = chain.from_iterable(_pages(content, column) for column in columns)
    total = float(sum(islice(pages, _MOST_PAGES)))
    return total if next(pages, None) is None else float("inf")


def _pages(content: bytes, column: pq.ColumnChunkMetaData) -> Iterator[int]:
    """Yield how many bytes each page of a column unpacks to."""
    place = column.data_page_offset
    if column.dictionary_page_offset and column.dictionary_page_offset < place:
        place = column.dictionary_page_offset
    end = min(len(content), place + max(0, column.total_compressed_size))
    while 0 <= place < end:
        header, place = _struct(content, place)
        place += max(0, header.get(_PACKED, 0))
        yield max(0, header.get(_UNPACKED, 0))


def _struct(content: bytes, place: int, depth: int = 0) -> tuple[dict[int, int], int]:
    """Return the whole numbers of a structure by their field, and where it ends."""
    if depth > _DEEPEST:
        raise ValueError("a header is nested too deep")
    found, field = {}, 0
    while kind := content[place]:
        place += 1
        if kind >> 4:
            field += kind >> 4
        else:
            number, place = _varint(content, place)
            field = _signed(number)
        if kind & 15 in _WHOLE_NUMBERS:
            number, place = _varint(content, place)
            found[field] = _signed(number)
        elif kind & 15 not in (_TRUE, _FALSE):
            place = _after(content, place, kind & 15, depth)
    return found, place + 1


def _after(content: bytes, place: int, kind: int, depth: int) -> int:
    """Return where a value ends that is not looked at."""
    skip: dict[int, Callable[[], int]] = {
        _TRUE: lambda: place + 1,
        _FALSE: lambda: place + 1,
        _BYTE: lambda: place + 1,
        _DOUBLE: lambda: place + 8,
        _BINARY: lambda: sum(_varint(content, place)),
        _LIST: lambda: _after_list(content, place, depth),
        _SET: lambda: _after_list(content, place, depth),
        _STRUCT: lambda: _struct(content, place, depth + 1)[1],
        **dict.fromkeys(_WHOLE_NUMBERS, lambda: _varint(content, place)[1]),
    }
    if kind not in skip:
        raise ValueError("a header is damaged")
    return skip[kind]()


def _after_list(content: bytes, place: int, depth: int) -> int:
    """Return where a list ends."""
    size, kind = content[place] >> 4, content[place] & 15
    place += 1
    if size == 15:
        size, place = _varint(content, place)
    if size > len(content) - place:
        raise ValueError("a header is damaged")
    for _ in range(size):
        place = _after(content, place, kind, depth + 1)
    return place


def _varint(content: bytes, place: int) -> tuple[int, int]:
    """Return a whole number of seven bits a byte, and where it ends."""
    number = 0
    for shift in range(0, 70, 7):
        byte = content[place]
        number |= (byte & 127) << shift
        place += 1
        if byte < 128:
            return number, place
    raise ValueError("a header is damaged")


def _signed(number: int) -> int:
    """Return a number with its sign, which stands in the last bit."""
    return (number >> 1) ^ -(number & 1)
