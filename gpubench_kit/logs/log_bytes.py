"""One file to UTF-8 text: hash, compression, encoding, NUL bytes, a last line that was cut off.

What the bytes are is found from the bytes, never from the file's name.
"""

from __future__ import annotations

import codecs
import hashlib
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

#: Text in a code page that is decoded at once [bytes].
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
    path : the file; plain, .gz, .zst, .zip with one file inside, .xlsx or .parquet
    name : what to call it in messages; the file's own name where not given

    Returns
    -------
    LogBytes

    Raises
    ------
    LogError : missing, empty, no regular file, too large, damaged compression, or no text
    """
    name = name or path.name
    packed = _file_content(path, name)
    unpacked = unpack(packed, name)
    findings = list(unpacked.findings)
    encoding, text = _as_utf8(unpacked.content, name, findings)
    text = _without_nul(text, name, findings)
    text = _complete_lines(text, name, findings)
    return LogBytes(name, hashlib.sha256(packed).hexdigest(), text, encoding, tuple(findings))


def _file_content(path: Path, name: str) -> bytes:
    """Return the bytes of a regular file that is neither empty nor too large."""
    try:
        # A pipe or device could block for ever on opening, hence the question first.
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise LogError(Fault(name, "this is no regular file; a log is expected.", "Name the log itself."))
        if status.st_size > LIMIT_MB * 1_000_000:
            problem = f"the file has {status.st_size / 1e6:.0f} MB; at most {LIMIT_MB} MB are read."
            raise LogError(Fault(name, problem, "Cut the log to the run."))
        with open(path, "rb", buffering=0) as file:
            content = file.read()
    except FileNotFoundError:
        raise LogError(Fault(name, "the file is missing.", "Put it there or correct the run sheet.")) from None
    except (OSError, ValueError) as error:
        problem = f"the file cannot be read ({_reason(error)})."
        raise LogError(Fault(name, problem, "Check its name and its rights.")) from None
    if not content:
        raise LogError(Fault(name, "the file is empty; a log with rows is expected.", "Record the run again."))
    return content


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
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return _in_code_page(content, name, findings)
    return "utf-8", content


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
    n_before = text.count(0)
    lines = [line.strip(b"\0") for line in text.split(b"\n")]
    for number, line in enumerate(lines, start=1):
        if b"\0" in line.strip(b"\r").strip(b"\0"):
            problem = f"line {number} holds NUL bytes among its characters; text is expected."
            raise LogError(Fault(name, problem, "The file is damaged: record the run again."))
    cleaned = b"\n".join(line.strip(b"\r").strip(b"\0") for line in lines)
    message = (
        f"{name}: {n_before} NUL bytes around lines were left out; the recorder was probably stopped by force."
    )
    findings.append(Finding("note", "nul_bytes", message, found=float(n_before)))
    return cleaned


def _complete_lines(text: bytes, name: str, findings: list[Finding]) -> bytes:
    """Return the text without a last line that does not end in a line end: it was cut off."""
    if b"\n" not in text:
        text = text.replace(b"\r", b"\n")
    if text.endswith(b"\n"):
        return text
    end = text.rfind(b"\n") + 1
    cut = text[end:].strip()
    if cut:
        shown = cut[:60].decode("utf-8", "replace")
        message = f"{name}: the last line has no line end, so it was cut off and is left out: {shown!r}."
        findings.append(Finding("note", "cut_last_line", message, found=1.0))
    return text[:end]
