"""Compressed files and tables to plain bytes of text, within a stated limit of size.

A few kilobytes can unpack to gigabytes; everything is unpacked in pieces, and nothing beyond ``LIMIT_MB``.
"""

from __future__ import annotations

import bz2
import lzma
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from zipfile import ZipFile

import pyarrow as pa
import zstandard

from gpubench_kit.logs.file_kinds import kind_of, kind_of_archive
from gpubench_kit.logs.packed_tables import parquet_lines, workbook_lines
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.zip_archives import DamagedZip, TooLarge, open_zip, pieces_of, why_not_read

#: Most that is read of one log, unpacked [MB]: half a day of frames.
LIMIT_MB = 128

_LIMIT = LIMIT_MB * 1_000_000
#: Most memory for what was unpacked last, to which compressed data point back [bytes].
_LARGEST_WINDOW = 1 << 27
#: A log is packed twice at most: a gz file inside a zip archive, for example.
_MOST_LAYERS = 3
#: Most parts one behind the other in a compressed file, and what is unpacked at once [bytes].
_MOST_PARTS, _PIECE = 10_000, 1 << 16


@dataclass(frozen=True)
class Unpacked:
    """Plain bytes of a log, what was noticed while unpacking, and whether they were made of a table's cells."""

    content: bytes
    findings: tuple[Finding, ...] = ()
    is_table: bool = False


def unpack(content: bytes, name: str) -> Unpacked:
    """Return the plain bytes of a log.

    Parameters
    ----------
    content : bytes of the file: text as it is; gz, bz2, xz, Zstandard or zip (one file inside) unpacked, also one
        inside the other; the first sheet of an .xlsx workbook with rows of numbers, and a Parquet table, as lines
        with tabs
    name : what to call the file in messages

    Returns
    -------
    Unpacked

    Raises
    ------
    LogError : damaged, more than one file inside, larger than the limit when unpacked, or of a kind that is not
        read
    """
    try:
        unpacked = _unpacked(Unpacked(content), name)
    except TooLarge:
        problem = f"the file unpacks to more than {LIMIT_MB} MB, or to more cells than a log has; that is not read."
        raise LogError(Fault(name, problem, "Cut the log to the run.")) from None
    kind = "" if unpacked.is_table else kind_of(unpacked.content)
    if kind:
        raise _not_read(name, kind)
    return unpacked


def _unpacked(packed: Unpacked, name: str, layers: int = _MOST_LAYERS) -> Unpacked:
    """Return what is inside a file, and inside that, until it is text, a table or packed too many times."""
    reader = next((one for magic, one in _READERS if packed.content.startswith(magic)), None)
    if reader is None or packed.is_table or not layers:
        return packed
    inside = reader(packed.content, name)
    findings = (*packed.findings, *inside.findings)
    return _unpacked(Unpacked(inside.content, findings, is_table=inside.is_table), name, layers - 1)


def _not_read(name: str, kind: str) -> LogError:
    """Return the error for a file of a kind that is not read."""
    return LogError(Fault(name, f"this is {kind}; a log is expected.", "Save or unpack the log itself as text."))


def _damaged(name: str, what: str) -> LogError:
    """Return the error for a file that cannot be unpacked."""
    return LogError(Fault(name, f"the file is damaged: {what}.", "Copy it again, or record the run again."))


def _stream(begin: Callable[[], Any], magic: bytes, kind: str) -> Callable[[bytes, str], Unpacked]:
    """Return a reader of compressed files of one kind: all their parts; a cut file gives what is there."""

    def read(content: bytes, name: str) -> Unpacked:
        try:
            unpacked, is_whole = _all_parts(content, begin, magic)
        except (zlib.error, lzma.LZMAError, OSError, ValueError, EOFError, MemoryError):
            raise _damaged(name, f"its {kind} data do not unpack") from None
        return Unpacked(unpacked, () if is_whole else (_cut_short(name),))

    return read


def _all_parts(content: bytes, begin: Callable[[], Any], magic: bytes) -> tuple[bytes, bool]:
    """Return what the parts of a compressed file unpack to, and whether the last one ends."""
    pieces, left, place, n_parts, one = [], _LIMIT, 0, 0, None
    while place < len(content) if one else content.startswith(magic, place):
        one, n_parts = (one, n_parts) if one else (begin(), n_parts + 1)
        packed = content[place : place + _PIECE]
        pieces.append(one.decompress(packed, left + 1))
        left -= len(pieces[-1])
        place += len(packed)
        if left < 0 or n_parts > _MOST_PARTS:
            raise TooLarge
        if one.eof:
            place, one = place - len(one.unused_data), None
    return b"".join(pieces), one is None


def _cut_short(name: str) -> Finding:
    """Return the finding for compressed data that end too early."""
    message = f"{name}: the compressed file ends too early; only what could be unpacked was read."
    return Finding("note", "cut_file", message, action="Copy the file again if the original is whole.")


def _zstandard(content: bytes, name: str) -> Unpacked:
    """Return the content of a Zstandard file; a cut one gives what is there."""
    stream = zstandard.ZstdDecompressor(max_window_size=_LARGEST_WINDOW).stream_reader(
        content, read_across_frames=True, closefd=False
    )
    try:
        text = stream.read(_LIMIT + 1)
    except (zstandard.ZstdError, MemoryError):
        raise _damaged(name, "its Zstandard data do not unpack") from None
    if len(text) > _LIMIT:
        raise TooLarge
    return Unpacked(text)


def _zip(content: bytes, name: str) -> Unpacked:
    """Return the one file inside a zip archive, or the sheet of a workbook."""
    try:
        with open_zip(content) as archive:
            return _inside(archive, content, name)
    except DamagedZip as error:
        raise _damaged(name, str(error)) from None


def _inside(archive: ZipFile, content: bytes, name: str) -> Unpacked:
    """Return what a zip archive holds."""
    members = [one for one in archive.infolist() if not _is_left_out(one.filename)]
    names = {one.filename for one in members}
    if kind := kind_of_archive(names):
        raise _not_read(name, kind)
    if "[Content_Types].xml" in names:
        return _workbook(content, name)
    if len(members) != 1:
        problem = f"the archive holds {len(members)} files; one log is expected."
        raise LogError(Fault(name, problem, "Unpack it and name the log itself."))
    if kind := why_not_read(members[0]):
        raise _not_read(name, kind)
    return Unpacked(b"".join(pieces_of(archive, members[0], limit=_LIMIT)))


def _is_left_out(filename: str) -> bool:
    """Return whether a file in an archive is a folder, or what an operating system adds beside the files packed."""
    is_added = filename.startswith("__MACOSX/") or filename.rpartition("/")[2] in (".DS_Store", "Thumbs.db")
    return is_added or filename.endswith("/")


def _workbook(content: bytes, name: str) -> Unpacked:
    """Return the first sheet of an .xlsx workbook that holds rows of numbers as lines with tabs."""
    try:
        lines, n_sheets, chosen = workbook_lines(content, name, limit=_LIMIT)
    except ValueError:
        raise _damaged(name, "it cannot be read as a workbook") from None
    findings = ()
    if n_sheets > 1:
        only = f"only '{chosen}', the first with rows of numbers, was read"
        message = f"{name}: the workbook has {n_sheets} sheets; {only}."
        findings = (Finding("note", "one_sheet_read", message, found=float(n_sheets)),)
    return Unpacked(lines, findings, is_table=True)


def _parquet(content: bytes, name: str) -> Unpacked:
    """Return a Parquet table as lines with tabs, its column names first."""
    try:
        return Unpacked(parquet_lines(content, limit=_LIMIT), is_table=True)
    except (pa.ArrowException, OSError, ValueError, TypeError, LookupError, OverflowError, MemoryError):
        raise _damaged(name, "it cannot be read as a Parquet table") from None


_GZIP, _BZIP2, _XZ = b"\x1f\x8b", b"BZh", b"\xfd7zXZ\x00"
_READERS = (
    (_GZIP, _stream(lambda: zlib.decompressobj(31), _GZIP, "gzip")),
    (_BZIP2, _stream(bz2.BZ2Decompressor, _BZIP2, "bz2")),
    (_XZ, _stream(lambda: lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=2 * _LARGEST_WINDOW), _XZ, "xz")),
    (b"\x28\xb5\x2f\xfd", _zstandard),
    (b"PK\x03\x04", _zip),
    (b"PK\x05\x06", _zip),
    (b"PAR1", _parquet),
)
