"""Zip archives, read in limited pieces: what an archive says of its own sizes is never trusted."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from lzma import LZMAError
from typing import IO

#: Most entries that are looked at: a log or a workbook has a few dozen.
_MOST_ENTRIES = 10_000
_ENTRY = b"PK\x01\x02"
_PIECE = 1 << 20
_IS_LOCKED, _METHODS = 0x1, (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)

#: What the reader of archives raises on damaged ones.
_DAMAGE = (zipfile.BadZipFile, zlib.error, LZMAError, struct.error, EOFError, OSError, RuntimeError, ValueError)


class DamagedZip(Exception):
    """An archive that cannot be read; the text says what of it."""


class TooLarge(Exception):
    """Something unpacks to more than is read."""


def open_zip(content: bytes) -> zipfile.ZipFile:
    """Open an archive.

    Parameters
    ----------
    content : bytes of the archive

    Raises
    ------
    DamagedZip : its directory cannot be read
    TooLarge : it has far more entries than any log or workbook
    """
    # An object is made for each entry: a directory of 100 MB would take gigabytes.
    if content.count(_ENTRY) > _MOST_ENTRIES:
        raise TooLarge
    try:
        return zipfile.ZipFile(io.BytesIO(content))
    except (*_DAMAGE, NotImplementedError):
        raise DamagedZip("its zip directory cannot be read") from None


def why_not_read(member: zipfile.ZipInfo) -> str:
    """Return what an archive is of which a file is not read; empty where it is.

    Parameters
    ----------
    member : the file in it
    """
    if member.flag_bits & _IS_LOCKED:
        return "a zip archive with a password"
    # Of the other methods the library unpacks all at once, however little is asked for.
    return "" if member.compress_type in _METHODS else "a zip archive packed by a method other than deflate"


def pieces_of(archive: zipfile.ZipFile, member: zipfile.ZipInfo, *, limit: int) -> Iterator[bytes]:
    """Yield the content of one file in an archive, in pieces.

    Parameters
    ----------
    archive : the archive
    member : the file in it
    limit : most bytes that are unpacked

    Raises
    ------
    DamagedZip : it does not unpack
    TooLarge : it is larger
    """
    if why_not_read(member):
        raise DamagedZip(f"it is {why_not_read(member)}")
    try:
        with archive.open(member) as file:
            yield from _pieces(file, limit)
    except (*_DAMAGE, NotImplementedError, MemoryError):
        raise DamagedZip("the file inside it does not unpack") from None


def _pieces(file: IO[bytes], left: int) -> Iterator[bytes]:
    """Yield what can be read of a file, in pieces, up to a limit."""
    while piece := file.read(_PIECE):
        left -= len(piece)
        if left < 0:
            raise TooLarge
        yield piece
