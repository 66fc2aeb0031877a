"""One file to UTF-8 text: hash, compression, encoding, NUL bytes, a last line that was cut off.

What the bytes are is found from the bytes, never from the file's name.
"""

from __future__ import annotations

import codecs
import hashlib
import re
import stat
from dataclasses import dataclass
from pathlib import Path

from gpubench_kit.logs.code_pages import CodePage, code_page_of
from gpubench_kit.logs.unpacking import LIMIT_MB, unpack
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

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
    packed = _file_content(path, name)
    unpacked = unpack(packed, name)
    findings = list(unpacked.findings)
    encoding, text = _as_utf8(unpacked.content, name, findings)
    text = _without_nul(text, name, findings)
    text = _complete_lines(text, name, findings)
    # A shorter text cannot have as many lines, nor cells.
    if len(text) > _MOST_LINES:
        _check_size(text, name)
    return LogBytes(name, hashlib.sha256(packed).hexdigest(), text, encoding, tuple(findings))


def _check_size(text: bytes, name: str) -> None:
    """Raise where a text has more lines or cells than a log."""
    n_lines = text.count(b"\n")
    n_cells = n_lines + max(map(text.count, _BETWEEN_CELLS))
    if n_lines > _MOST_LINES or n_cells > _MOST_CELLS:
        found = f"{n_lines:,} lines with {n_cells:,} cells"
        raise _too_large(name, found, f"{_MOST_LINES:,} lines and {_MOST_CELLS:,} cells")


def _file_content(path: Path, name: str) -> bytes:
    """Return the bytes of a regular file that is neither empty nor too large."""
    try:
        # A pipe or device could block for ever on opening, hence the question first.
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise LogError(Fault(name, "this is no regular file; a log is expected.", "Name the log itself."))
        if status.st_size > LIMIT_MB * 1_000_000:
            raise _too_large(name, f"{status.st_size / 1e6:.0f} MB", f"{LIMIT_MB} MB")
        with open(path, "rb", buffering=0) as file:
            content = file.read(status.st_size + 1)
            if len(content) > status.st_size:  # it grew, or its size was not known
                content = _at_most(content + file.read(LIMIT_MB * 1_000_000 + 1 - len(content)), name)
    except FileNotFoundError:
        raise LogError(Fault(name, "the file is missing.", "Put it there or correct the run sheet.")) from None
    except (OSError, ValueError) as error:
        problem = f"the file cannot be read ({_reason(error)})."
        raise LogError(Fault(name, problem, "Check its name and its rights.")) from None
    if not content:
        raise LogError(Fault(name, "the file is empty; a log with rows is expected.", "Record the run again."))
    return content


def _at_most(content: bytes, name: str) -> bytes:
    """Return the bytes of a file, unless it grew meanwhile beyond what is read."""
    if len(content) > LIMIT_MB * 1_000_000:
        raise _too_large(name, f"more than {LIMIT_MB} MB", f"{LIMIT_MB} MB")
    return content


def _too_large(name: str, found: str, most: str) -> LogError:
    """Return the error for a file that is too large."""
    problem = f"the file has {found}; at most {most} are read."
    return LogError(Fault(name, problem, "Cut the log to the run."))


def _reason(error: Exception) -> str:
    """Return why a file could not be read, without the machine's paths."""
    return getattr(error, "strerror", None) or "not a file name"


def _as_utf8(content: bytes, name: str, findings: list[Finding]) -> tuple[str, bytes]:
    """Return the encoding of some text, and the text as UTF-8 without a byte-order mark."""
    marked = [(mark, encoding) for mark, encoding in _BYTE_ORDER_MARKS if content.startswith(mark)]
    if marked:
        mark, encoding = marked[0]
        content = content[len(mark) :]
    else:
        encoding = _wide_encoding(content[:4096]) or ("ascii" if content.isascii() else "")
    if encoding == "ascii":
        return encoding, content
    if encoding.startswith(("utf-16", "utf-32")):
        return encoding, _narrowed(content, encoding, name)
    return ("utf-8", content) if _is_utf8(content) else _in_code_page(content, name, findings)


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


def _wide_encoding(head: bytes) -> str:
    """Return the UTF-16 encoding of text without a mark, from where its zeros stand; empty if it has none."""
    even, odd = head[0::2], head[1::2]
    n_even, n_odd = even.count(0), odd.count(0)
    if not n_even and not n_odd:
        return ""
    if n_odd > 0.4 * len(odd) and n_even < 0.1 * len(even):
        return "utf-16-le"
    if n_even > 0.4 * len(even) and n_odd < 0.1 * len(odd):
        return "utf-16-be"
    return ""


def _narrowed(content: bytes, encoding: str, name: str) -> bytes:
    """Return UTF-16 or UTF-32 text as UTF-8; a last character that was cut off is left away."""
    width = 4 if encoding.startswith("utf-32") else 2
    whole = content[: len(content) - len(content) % width]
    try:
        return whole.decode(encoding).encode("utf-8")
    except UnicodeError as error:
        problem = f"the text is not valid {encoding.upper()} from byte {getattr(error, 'start', 0) + 1} on."
        raise LogError(Fault(name, problem, "Save it again as UTF-8.")) from None


def _in_code_page(content: bytes, name: str, findings: list[Finding]) -> tuple[str, bytes]:
    """Return text in a code page as UTF-8: one that its headings show, else the Western one.

    Digits and marks are the same in all of them, so that headings alone depend on it.
    """
    page = code_page_of(content)
    text = _decoded(content, page.encoding) if page else None
    if text is not None:
        findings.append(_guessed(page, name))
        return page.encoding, text
    try:
        return "cp1252", content.decode("cp1252").encode("utf-8")
    except UnicodeDecodeError:
        return "latin-1", content.decode("latin-1").encode("utf-8")


def _decoded(content: bytes, encoding: str) -> bytes | None:
    """Return text in a code page as UTF-8, None where it is in another; a last character cut off is left away."""
    decoder = codecs.getincrementaldecoder(encoding)()
    blocks = (content[start : start + _BLOCK] for start in range(0, len(content), _BLOCK))
    try:
        return b"".join([decoder.decode(block).encode("utf-8") for block in blocks])
    except UnicodeDecodeError:
        return None


def _guessed(page: CodePage, name: str) -> Finding:
    """Return the note on a code page that was told from the letters of headings."""
    message = (
        f"{name}: the text is not UTF-8; by its letters it was read as {page.in_words}, which is a guess. "
        "Values are the same in every encoding."
    )
    action = "If headings in `gpubench-kit inspect` look wrong, save the log as UTF-8."
    return Finding("note", "encoding_guessed", message, action=action)


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
    message = (
        f"{name}: {n_before} NUL bytes around lines were left out; the recorder was probably stopped by force."
    )
    findings.append(Finding("note", "nul_bytes", message, found=float(n_before)))
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
        message = f"{name}: the last line has no line end, so it was cut off and is left out: {shown!r}."
        findings.append(Finding("note", "cut_last_line", message, found=1.0))
    return text[:end]
