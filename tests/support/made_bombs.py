"""Small files that ask for much: archives, workbooks and tables that unpack to far more than a log holds."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import struct
import zipfile
from collections.abc import Mapping

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import zstandard

_ZEROS = b"0" * 130_000_000
_NUMBERS = pa.array(range(300))
#: What takes as long as all else of many columns, and changes nothing of what is read.
_PLAIN = {"use_dictionary": False, "write_statistics": False, "write_page_index": False}
_NAMESPACE = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_TEXTS = '<Override PartName="/xl/sharedStrings.xml" ContentType="application/vnd.openxmlformats-officedocument.'
_TEXTS += 'spreadsheetml.sharedStrings+xml"/></Types>'


def bombs() -> dict[str, bytes]:
    """Return files by name; each unpacks to more than is read, or to something that takes long."""
    return {
        "zeros.gz": gzip.compress(_ZEROS, 1),
        "zeros.bz2": bz2.compress(_ZEROS, 1),
        "zeros.xz": lzma.compress(_ZEROS, preset=0),
        "zeros.zst": zstandard.compress(_ZEROS),
        "zeros.zip": zipped({"a.csv": _ZEROS}),
        "falsified.zip": falsified_zip(_ZEROS),
        "gz inside.zip": zipped({"a.csv.gz": gzip.compress(_ZEROS, 1)}),
        "other method.zip": zipped({"a.csv": _ZEROS}, method=zipfile.ZIP_BZIP2),
        "many entries.zip": many_entries(500_000),
        "many parts.gz": gzip.compress(b"", 1) * 1_000_000,
        "last corner.xlsx": workbook('<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'),
        "wide rows.xlsx": workbook("".join(f'<row><c r="XFD{n}"><v>1</v></c></row>' for n in range(1, 999))),
        "empty elements.xlsx": workbook("<a/>" * 500_000),
        "long text.xlsx": workbook(f'<row><c t="str"><v>{"x" * 5_000_000}</v></c></row>'),
        "many texts.xlsx": workbook("<row><c><v>1</v></c></row>", texts="<si/>" * 500_000),
        "names for texts.xlsx": workbook("<row/>", before='<!DOCTYPE a [<!ENTITY b "cccc">]>'),
        "zeros.parquet": parquet({"t": np.zeros(20_000_000)}),
        "falsified.parquet": falsified_parquet(),
        "long text.parquet": parquet({"t": pa.DictionaryArray.from_arrays([0] * 50_000, ["x" * 5_000_000])}),
        "many columns.parquet": parquet({f"c{n}": _NUMBERS for n in range(41_000)}, **_PLAIN),
        "one list.parquet": parquet({"t": pa.ListArray.from_arrays([0, 30_000_000], np.zeros(30_000_000))}),
        "newlines.csv": b"\n\0" * 60_000_000,
        "four bytes a letter.csv": "1,\U0001f600\n".encode() * 15_000_000,
    }


def zipped(files: Mapping[str, bytes], *, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Return a zip archive.

    Parameters
    ----------
    files : content by name
    method : how it is packed
    """
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", method) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return packed.getvalue()


def falsified_zip(content: bytes) -> bytes:
    """Return a zip archive that states a thousand bytes, whatever is inside."""
    packed = bytearray(zipped({"a.csv": content}))
    for sign, place in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        at = packed.rfind(sign) + place
        packed[at : at + 4] = struct.pack("<I", 1000)
    return bytes(packed)


def many_entries(count: int) -> bytes:
    """Return a zip archive with a directory of so many entries, and nothing else."""
    entries = struct.pack("<4s4B4HL2L5H2L", b"PK\x01\x02", 20, 3, 20, 0, *([0] * 14)) * count
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 65535, 65535, len(entries), 4, 0)
    return b"PK\x03\x04" + entries + end


def workbook(rows: str, *, texts: str = "", before: str = "") -> bytes:
    """Return a workbook with rows as they stand in its file.

    Parameters
    ----------
    rows : XML of the rows
    texts : XML of the table of texts; none where empty
    before : what stands before the first element of the sheet
    """
    sheet = f'{before}<worksheet xmlns="{_NAMESPACE}"><sheetData>{rows}</sheetData></worksheet>'
    plain = io.BytesIO()
    openpyxl.Workbook().save(plain)
    with zipfile.ZipFile(plain) as archive:
        parts = {name: archive.read(name) for name in archive.namelist() if "sharedStrings" not in name}
    parts["xl/worksheets/sheet1.xml"] = sheet.encode()
    if texts:
        parts["xl/sharedStrings.xml"] = f'<sst xmlns="{_NAMESPACE}">{texts}</sst>'.encode()
        kinds = parts["[Content_Types].xml"].decode()
        if "sharedStrings" not in kinds:
            parts["[Content_Types].xml"] = kinds.replace("</Types>", _TEXTS).encode()
    return zipped(parts)


def parquet(columns: Mapping[str, object], **options: bool) -> bytes:
    """Return a Parquet table.

    Parameters
    ----------
    columns : values by name
    options : of pyarrow, beside the compression
    """
    packed = io.BytesIO()
    pq.write_table(pa.table(dict(columns)), packed, compression="zstd", **options)
    return packed.getvalue()


def falsified_parquet() -> bytes:
    """Return a Parquet table with one page of 240 MB, whose directory states ten rows and eighty bytes."""
    rows, packed = 30_000_000, io.BytesIO()
    options = {"use_dictionary": False, "data_page_size": 1 << 30, "max_rows_per_page": rows}
    table = pa.table({"t": np.zeros(rows, dtype=np.int64)})
    pq.write_table(table, packed, compression="zstd", row_group_size=rows, store_schema=False, **options)
    content = packed.getvalue()
    stated = pq.ParquetFile(packed).metadata.row_group(0).total_byte_size
    for before, after in ((rows, 10), (stated, 80)):
        start = len(content) - 1000
        directory = content[start:].replace(_varint(before), _varint(after, width=len(_varint(before))))
        content = content[:start] + directory
    return content


def _varint(number: int, *, width: int = 0) -> bytes:
    """Return a number as the directory of a Parquet table holds it, in at least so many bytes."""
    digits, number = [], number << 1
    while number or not digits or len(digits) < width:
        digits.append(number & 127)
        number >>= 7
    return bytes([one | 128 for one in digits[:-1]] + digits[-1:])
