"""One file to UTF-8 text: hash, compression, encoding, NUL bytes, a last line that was cut off.

What the bytes are is found from the bytes, never from the file's name. A few kilobytes can unpack to gigabytes:
everything is unpacked in pieces, and nothing beyond ``LIMIT_MB``.
"""

from __future__ import annotations

import bz2
import codecs
import hashlib
import lzma
import re
import stat
import zlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import pyarrow as pa
import zstandard

from gpubench_kit.files import DamagedZip, TooLarge, open_zip, pieces_of, why_not_read
from gpubench_kit.logs.code_pages import code_page_of
from gpubench_kit.logs.file_kinds import kind_of, kind_of_archive, parquet_lines, workbook_lines
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.notes import note

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
            unpacked, is_whole = b"".join(pieces), one is None
        except (zlib.error, lzma.LZMAError, OSError, ValueError, EOFError, MemoryError):
            raise _damaged(name, f"its {kind} data do not unpack") from None
        return Unpacked(unpacked, () if is_whole else (note("logs.cut_file", name=name),))

    return read


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
        try:
            lines, n_sheets, chosen = workbook_lines(content, name, limit=_LIMIT)
        except ValueError:
            raise _damaged(name, "it cannot be read as a workbook") from None
        findings: tuple[Finding, ...] = ()
        if n_sheets > 1:
            findings = (note("logs.one_sheet_read", name=name, sheet=chosen, found=n_sheets),)
        return Unpacked(lines, findings, is_table=True)
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


_BYTE_ORDER_MARKS = (
    (b"\xef\xbb\xbf", "utf-8"),
    (b"\xff\xfe\x00\x00", "utf-32-le"),
    (b"\x00\x00\xfe\xff", "utf-32-be"),
    (b"\xff\xfe", "utf-16-le"),
    (b"\xfe\xff", "utf-16-be"),
)

#: What stands beside NUL bytes that are not inside a line: line ends, start and end of the file.
_NUL_BYTES, _EDGES = re.compile(rb"\0+"), (b"", b"\n", b"\r")
#: Most places with NUL bytes that are looked at.
_MOST_NUL_RUNS = 1_000_000

#: Most lines that are read: twelve hours of 185 frames a second.
_MOST_LINES = 8_000_000
#: Most cells of all lines, rows times columns, and what can stand between them.
_MOST_CELLS, _BETWEEN_CELLS = 20_000_000, (b",", b";", b"\t", b"|")

#: Beginning of a JSON document whose first line is no row of its own.
_DOCUMENT = re.compile(rb"\s*(?:\[\s*[\[{]|\{[^\n]*(?:[^}\s]\s*\n|\Z)|\{\s*\n)")

#: Text that is decoded at once [bytes].
_BLOCK = 1 << 22


@dataclass(frozen=True)
class LogBytes:
    """The text of one log.

    Attributes
    ----------
    name : as it stands in messages
    sha256 : hash of the file's bytes as they lie on disk, in hexadecimal
    text : the text as UTF-8, complete lines only
    encoding : encoding it was read as
    findings : what was noticed on the way
    """

    name: str
    sha256: str
    text: bytes
    encoding: str
    findings: tuple[Finding, ...]


def read_log_bytes(path: Path, *, name: str = "") -> LogBytes:
    """Read one file whole and return its text.

    Parameters
    ----------
    path : the file; plain, .gz, .bz2, .xz, .zst, .zip with one file inside, .xlsx or .parquet
    name : what to call it in messages; the file's own name where not given

    Returns
    -------
    LogBytes

    Raises
    ------
    LogError : missing, empty, no regular file, too large, damaged, or of a kind that is not read
    """
    name = name or path.name
    try:
        # A pipe or device could block for ever on opening, hence the question first.
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise LogError(Fault(name, "this is no regular file; a log is expected.", "Name the log itself."))
        if status.st_size > LIMIT_MB * 1_000_000:
            raise _too_large(name, f"{status.st_size / 1e6:.0f} MB", f"{LIMIT_MB} MB")
        with open(path, "rb", buffering=0) as file:
            content = file.read(status.st_size + 1)
            # It grew, or its size was not known.
            content += file.read(_LIMIT + 1 - len(content)) if len(content) > status.st_size else b""
    except FileNotFoundError:
        raise LogError(Fault(name, "the file is missing.", "Put it there or correct the run sheet.")) from None
    except (OSError, ValueError) as error:
        # The reason alone, without the machine's paths.
        problem = f"the file cannot be read ({getattr(error, 'strerror', None) or 'not a file name'})."
        raise LogError(Fault(name, problem, "Check its name and its rights.")) from None
    if len(content) > _LIMIT:
        raise _too_large(name, f"more than {LIMIT_MB} MB", f"{LIMIT_MB} MB")
    if not content:
        raise LogError(Fault(name, "the file is empty; a log with rows is expected.", "Record the run again."))
    packed = content
    unpacked = unpack(packed, name)
    findings = list(unpacked.findings)
    encoding, text = _as_utf8(unpacked.content, name, findings)
    text = _without_nul(text, name, findings)
    text = _complete_lines(text, name, findings)
    # A shorter text cannot have as many lines, nor cells.
    if len(text) > _MOST_LINES:
        n_lines = text.count(b"\n")
        n_cells = n_lines + max(map(text.count, _BETWEEN_CELLS))
        if n_lines > _MOST_LINES or n_cells > _MOST_CELLS:
            found = f"{n_lines:,} lines with {n_cells:,} cells"
            raise _too_large(name, found, f"{_MOST_LINES:,} lines and {_MOST_CELLS:,} cells")
    return LogBytes(name, hashlib.sha256(packed).hexdigest(), text, encoding, tuple(findings))


def _too_large(name: str, found: str, most: str) -> LogError:
    """Return the error for a file that is too large."""
    problem = f"the file has {found}; at most {most} are read."
    return LogError(Fault(name, problem, "Cut the log to the run."))


def _as_utf8(content: bytes, name: str, findings: list[Finding]) -> tuple[str, bytes]:
    """Return the encoding of some text, and the text as UTF-8 without a byte-order mark."""
    marked = [(mark, encoding) for mark, encoding in _BYTE_ORDER_MARKS if content.startswith(mark)]
    if marked:
        mark, encoding = marked[0]
        content = content[len(mark) :]
    else:
        even, odd = content[0:4096:2], content[1:4096:2]
        n_even, n_odd = even.count(0), odd.count(0)
        # Of UTF-16 without a mark, where the zeros stand tells the order of the bytes.
        if n_odd > 0.4 * len(odd) and n_even < 0.1 * len(even):
            encoding = "utf-16-le"
        elif n_even > 0.4 * len(even) and n_odd < 0.1 * len(odd):
            encoding = "utf-16-be"
        else:
            encoding = "ascii" if content.isascii() else ""
    if encoding == "ascii":
        return encoding, content
    if encoding.startswith(("utf-16", "utf-32")):
        # A last character that was cut off is left away.
        width = 4 if encoding.startswith("utf-32") else 2
        whole = content[: len(content) - len(content) % width]
        try:
            return encoding, whole.decode(encoding).encode("utf-8")
        except UnicodeError as error:
            problem = f"the text is not valid {encoding.upper()} from byte {getattr(error, 'start', 0) + 1} on."
            raise LogError(Fault(name, problem, "Save it again as UTF-8.")) from None
    if _is_utf8(content):
        return "utf-8", content
    # A code page that the headings show, else the Western one: digits and marks are the same in all of them.
    if page := code_page_of(content):
        decoder = codecs.getincrementaldecoder(page.encoding)()
        blocks = (content[start : start + _BLOCK] for start in range(0, len(content), _BLOCK))
        with suppress(UnicodeDecodeError):
            text = b"".join([decoder.decode(block).encode("utf-8") for block in blocks])
            findings.append(note("logs.encoding_guessed", name=name, page=page.in_words))
            return page.encoding, text
    try:
        return "cp1252", content.decode("cp1252").encode("utf-8")
    except UnicodeDecodeError:
        return "latin-1", content.decode("latin-1").encode("utf-8")


def _is_utf8(content: bytes) -> bool:
    """Return whether some text is UTF-8; as one text it would take four times the memory."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for start in range(0, len(content), _BLOCK):
            decoder.decode(content[start : start + _BLOCK])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _without_nul(text: bytes, name: str, findings: list[Finding]) -> bytes:
    """Return the text without NUL bytes that stand around lines; inside a line they are a fault."""
    if b"\0" not in text:
        return text
    for number, found in enumerate(_NUL_BYTES.finditer(text)):
        before, after = text[max(0, found.start() - 1) : found.start()], text[found.end() : found.end() + 1]
        is_inside = before not in _EDGES and after not in _EDGES
        if is_inside or number >= _MOST_NUL_RUNS:
            line = text.count(b"\n", 0, found.start()) + 1
            problem = f"line {line} holds NUL bytes among its characters; text is expected."
            action = "Save it as text if it is of another kind; if it is damaged, record the run again."
            raise LogError(Fault(name, problem, action))
    n_before = text.count(0)
    findings.append(note("logs.nul_bytes", name=name, found=n_before))
    return text.translate(None, b"\0")


def _complete_lines(text: bytes, name: str, findings: list[Finding]) -> bytes:
    """Return the text without a last line that does not end in a line end: it was cut off."""
    if b"\n" not in text:
        text = text.replace(b"\r", b"\n")
    if text.endswith(b"\n"):
        return text
    if _DOCUMENT.match(text) and text.rstrip().endswith((b"]", b"}")):
        return text + b"\n"
    end = text.rfind(b"\n") + 1
    cut = text[end:].strip()
    if cut:
        shown = cut[:60].decode("utf-8", "replace")
        findings.append(note("logs.cut_last_line", name=name, shown=repr(shown), found=1.0))
    return text[:end]
