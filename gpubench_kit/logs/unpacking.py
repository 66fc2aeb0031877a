"""Compressed files and spreadsheets to plain bytes of text, within a stated limit of size.

A few kilobytes can unpack to gigabytes; nothing is unpacked beyond ``LIMIT_MB``.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from dataclasses import dataclass

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import zstandard

from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

#: Most that is read of one log, unpacked [MB]: half a day of frames.
LIMIT_MB = 128

_LIMIT = LIMIT_MB * 1_000_000

#: Most cells that are read of one Parquet table: as text they would reach the limit in bytes.
_LIMIT_CELLS = _LIMIT // 6

#: Rows with numbers from which on a sheet of a workbook is taken for the log.
_ROWS_OF_A_LOG = 3


@dataclass(frozen=True)
class Unpacked:
    """Plain bytes of a log, and what was noticed while unpacking."""

    content: bytes
    findings: tuple[Finding, ...] = ()


def unpack(content: bytes, name: str) -> Unpacked:
    """Return the plain bytes of a log.

    Parameters
    ----------
    content : bytes of the file: text as it is; gzip, Zstandard or zip (one file inside) unpacked;
        the first sheet of an .xlsx workbook with rows of numbers, and a Parquet table, as lines with tabs
    name : what to call the file in messages

    Returns
    -------
    Unpacked

    Raises
    ------
    LogError : damaged, more than one file inside, or larger than the limit when unpacked
    """
    for magic, reader in _READERS:
        if content.startswith(magic):
            return reader(content, name)
    return Unpacked(content)


def _too_large(name: str) -> LogError:
    """Return the error for a file that unpacks to more than the limit."""
    problem = f"the file unpacks to more than {LIMIT_MB} MB, the most that is read."
    return LogError(Fault(name, problem, "Cut the log to the run."))


def _damaged(name: str, what: str) -> LogError:
    """Return the error for a file that cannot be unpacked."""
    return LogError(Fault(name, f"the file is damaged: {what}.", "Copy it again, or record the run again."))


def _gzip(content: bytes, name: str) -> Unpacked:
    """Return the content of a gzip file, all members; a cut one gives what is there."""
    parts, size, rest = [], 0, content
    while rest.startswith(b"\x1f\x8b"):
        member = zlib.decompressobj(31)
        try:
            part = member.decompress(rest, _LIMIT - size + 1)
        except zlib.error:
            raise _damaged(name, "its gzip data do not unpack") from None
        parts.append(part)
        size += len(part)
        if size > _LIMIT:
            raise _too_large(name)
        if not member.eof:
            return Unpacked(b"".join(parts), (_cut_short(name),))
        rest = member.unused_data
    return Unpacked(b"".join(parts))


def _cut_short(name: str) -> Finding:
    """Return the finding for compressed data that end too early."""
    message = f"{name}: the compressed file ends too early; only what could be unpacked was read."
    return Finding("note", "cut_file", message, action="Copy the file again if the original is whole.")


def _zstandard(content: bytes, name: str) -> Unpacked:
    """Return the content of a Zstandard file; a cut one gives what is there."""
    stream = zstandard.ZstdDecompressor(max_window_size=1 << 27).stream_reader(
        content, read_across_frames=True, closefd=False
    )
    try:
        text = stream.read(_LIMIT + 1)
    except (zstandard.ZstdError, MemoryError):
        raise _damaged(name, "its Zstandard data do not unpack") from None
    if len(text) > _LIMIT:
        raise _too_large(name)
    return Unpacked(text)


def _zip(content: bytes, name: str) -> Unpacked:
    """Return the one file inside a zip archive, or the first sheet of a workbook."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
        members = [one for one in archive.infolist() if not one.is_dir() and not _is_companion(one.filename)]
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError):
        raise _damaged(name, "its zip directory cannot be read") from None
    if sum(member.file_size for member in members) > _LIMIT:
        raise _too_large(name)
    if any(member.filename == "[Content_Types].xml" for member in members):
        return _workbook(content, name)
    if len(members) != 1:
        problem = f"the archive holds {len(members)} files; one log is expected."
        raise LogError(Fault(name, problem, "Unpack it and name the log itself."))
    try:
        return Unpacked(archive.read(members[0]))
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, OSError):
        raise _damaged(name, "the file inside it does not unpack") from None


def _is_companion(filename: str) -> bool:
    """Return whether a file in an archive is what an operating system adds beside the files packed."""
    return filename.startswith("__MACOSX/") or filename.rpartition("/")[2] in (".DS_Store", "Thumbs.db")


def _workbook(content: bytes, name: str) -> Unpacked:
    """Return the first sheet of an .xlsx workbook that holds rows of numbers as lines with tabs."""
    try:
        with pd.ExcelFile(io.BytesIO(content), engine="openpyxl") as book:
            sheets = book.sheet_names
            read = (
                (sheet, pd.read_excel(book, sheet_name=sheet, header=None, dtype=object, keep_default_na=False))
                for sheet in sheets
            )
            first = next(read)
            chosen, table = next((one for one in (first, *read) if _has_rows(one[1])), first)
    except Exception:  # a damaged workbook fails in any of a dozen ways inside the reader
        raise _damaged(name, "it cannot be read as a workbook") from None
    findings = ()
    if len(sheets) > 1:
        only = f"only '{chosen}', the first with rows of numbers, was read"
        message = f"{name}: the workbook has {len(sheets)} sheets; {only}."
        findings = (Finding("note", "one_sheet_read", message, found=float(len(sheets))),)
    return Unpacked(_lines_with_tabs(table.itertuples(index=False, name=None)), findings)


def _has_rows(table: pd.DataFrame) -> bool:
    """Return whether a sheet has rows of numbers below each other, as logs do."""
    is_number = table.map(lambda cell: isinstance(cell, (int, float)) and not isinstance(cell, bool))
    return bool((is_number.sum(axis=1) >= 1).sum() >= _ROWS_OF_A_LOG)


def _parquet(content: bytes, name: str) -> Unpacked:
    """Return a Parquet table as lines with tabs, its column names first."""
    try:
        file = pq.ParquetFile(io.BytesIO(content))
        is_too_large = file.metadata.num_rows * file.metadata.num_columns > _LIMIT_CELLS
        table = None if is_too_large else file.read(use_threads=False).to_pandas(ignore_metadata=True)
    except (pa.ArrowException, OSError, ValueError, TypeError, KeyError, OverflowError, MemoryError):
        raise _damaged(name, "it cannot be read as a Parquet table") from None
    if table is None:
        raise _too_large(name)
    rows = [tuple(table.columns), *table.itertuples(index=False, name=None)]
    return Unpacked(_lines_with_tabs(rows))


def _lines_with_tabs(rows) -> bytes:
    """Return rows of cells as text: one line each, cells separated by tabs."""
    lines = ["\t".join(_cell_text(cell) for cell in row) for row in rows]
    return ("\n".join(lines) + "\n").encode("utf-8", "replace")


def _cell_text(cell: object) -> str:
    """Return a cell as one line of text; numbers keep every digit."""
    if cell is None or cell is pd.NaT or cell != cell:
        return ""
    text = cell.isoformat(sep=" ") if hasattr(cell, "isoformat") and hasattr(cell, "hour") else str(cell)
    return " ".join(text.split())


_READERS = (
    (b"\x1f\x8b", _gzip),
    (b"\x28\xb5\x2f\xfd", _zstandard),
    (b"PK\x03\x04", _zip),
    (b"PK\x05\x06", _zip),
    (b"PAR1", _parquet),
)
