"""Files: names from any text, one put in the place of another, locks, zip archives, and what comes with the kit.

A lock ends with its process however that ends; a file left behind holds nothing. Zip archives are read in limited
pieces: what an archive says of its own sizes is never trusted.
"""

from __future__ import annotations

import ast
import hashlib
import io
import os
import re
import shutil
import struct
import sys
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from lzma import LZMAError
from pathlib import Path
from typing import IO

from filelock import FileLock, Timeout

from gpubench_kit.model.errors import Fault, ReportError, listed, suggestion


def slug(*parts: str) -> str:
    """Return a name for files and ids: lower case, hyphens; distinct for distinct parts.

    What letters and digits cannot tell apart gets a short hash: names in other scripts, long names.
    """
    text = "-".join(part for part in parts if part)
    plain = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
    is_lossless = re.fullmatch(r"[A-Za-z0-9 _.-]*", text) is not None and len(plain) <= 80
    if is_lossless and plain:
        return plain
    digest = hashlib.sha256("\0".join(parts).encode("utf-8", "replace")).hexdigest()[:8]
    return f"{plain[:70].strip('-')}-{digest}".lstrip("-")


def _one_by_one(letters: str, written: str) -> dict[str, str]:
    """Return how each letter is written; a dot stands for nothing."""
    return {one: other.strip(".") for one, other in zip(letters, written.split(), strict=True)}


#: Letters that the plain alphabet of file names writes otherwise.
_WRITTEN = (
    _one_by_one("äöüßæœøåłđðþı", "ae oe ue ss ae oe o a l d d th i")
    | _one_by_one("абвгдеёжзийклмноп", "a b v g d e e zh z i y k l m n o p")
    | _one_by_one("рстуфхцчшщъыьэюя", "r s t u f kh ts ch sh shch . y . e yu ya")
    | _one_by_one("αβγδεζηθικλμνξοπρσςτυφχψω", "a v g d e z i th i k l m n x o p r s s t y f ch ps o")
)


def _in_plain_letters(letter: str) -> str:
    """Return one letter as it is written in the plain alphabet; a letter with an accent like that without."""
    if letter in _WRITTEN:
        return _WRITTEN[letter]
    return "".join(_WRITTEN.get(part, part) for part in unicodedata.normalize("NFKD", letter))


def transliterated(text: str) -> str:
    """Return a readable name for a file: Latin, Cyrillic and Greek letters written in the plain alphabet.

    Names in other scripts, which leave nothing to read, and long ones get a hash as in `slug`.
    """
    letters = unicodedata.normalize("NFC", text.casefold())
    written = "".join(map(_in_plain_letters, letters))
    plain = unicodedata.normalize("NFKD", written).encode("ascii", "ignore").decode("ascii")
    plain = re.sub(r"[^a-z0-9]+", "-", plain.replace("'", "")).strip("-")
    is_readable = len(plain) >= 0.5 * sum(one.isalnum() for one in letters) and 0 < len(plain) <= 60
    return plain if is_readable else slug(text)


def swap_file(file: Path, content: bytes | None) -> None:
    """Put content in the place of a file in one step, its permissions kept; None takes the file away.

    Parameters
    ----------
    file : the file; where it is a link, what it leads to
    content : its new bytes

    Raises
    ------
    ReportError : it cannot be written
    """
    target = file.resolve()
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        if content is None:
            target.unlink(missing_ok=True)
            return
        beside.write_bytes(content)
        if target.exists():
            shutil.copymode(target, beside)
        os.replace(beside, target)
    except OSError as error:
        problem = f"it cannot be written ({error.strerror or error})."
        raise ReportError(Fault(file.name, problem, "Close programs that have it open, and call again.")) from error
    finally:
        beside.unlink(missing_ok=True)


class Busy(Exception):
    """Another process holds the lock."""


@contextmanager
def locked(file: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold a lock.

    Parameters
    ----------
    file : where processes that work on the same meet; it is taken away at the end
    wait_s : longest that another process is waited for [s]

    Raises
    ------
    Busy : another process holds it
    OSError : there is no such folder, or nothing can be written there
    """
    lock = FileLock(file, timeout=wait_s, thread_local=False)
    try:
        lock.acquire()
    except Timeout:
        raise Busy from None
    try:
        yield
    finally:
        # While it is held: whoever waits for it sees that it is gone, and makes another. Windows cannot do so then;
        # afterwards it can, if nobody else has it open.
        is_gone = _removed(file)
        lock.release()
        if not is_gone:
            _removed(file)


def _removed(file: Path) -> bool:
    """Return whether a file could be removed."""
    try:
        file.unlink()
    except OSError:
        return False
    return True


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


_PACKAGE = Path(__file__).resolve().parent


def bundled_path(kind: str, name: str) -> Path:
    """Return the path of something that comes with the kit.

    Parameters
    ----------
    kind : ``notebooks`` or ``data``
    name : name of the notebook's file or of the review's folder

    Returns
    -------
    Path, absolute

    Raises
    ------
    ReportError : it is in neither place, so the installation is not whole
    """
    places = [home / kind / name for home in (_PACKAGE, _PACKAGE.parent)]
    for place in places:
        if place.exists():
            return place
    problem = f"'{name}' is neither in {places[0].parent} nor in {places[1].parent}."
    raise ReportError(Fault(f"installation, {kind}", problem, "Install gpubench_kit again."))


#: First line of the cell in which papermill hands over what it was given.
_GIVEN = "# Parameters"


def check_parameters(history: Sequence[str] | None = None) -> None:
    """Stop a notebook that was given a parameter it does not have: a misspelt one would change nothing, silently.

    Parameters
    ----------
    history : cells run so far, as IPython keeps them in ``In``; papermill puts its cell behind the one that holds
        the notebook's own parameters. None: those of the notebook that calls; nothing is checked elsewhere

    Raises
    ------
    ReportError : papermill was given others; each is named, with the name that it is nearest to
    """
    if history is None:
        shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
        history = shell.user_ns.get("In", ()) if shell is not None else ()
    places = [place for place, cell in enumerate(history) if place and cell.lstrip().startswith(_GIVEN)]
    if not places:
        return
    names = assigned_names(history[places[-1] - 1])
    faults = []
    for name in (one for one in assigned_names(history[places[-1]]) if one not in names):
        problem = f"the notebook has no parameter '{name}' (parameters: {listed(names)})."
        faults.append(Fault("parameters", problem, suggestion(name, names) or "Correct the name."))
    if faults:
        raise ReportError(faults)


def assigned_names(source: str) -> list[str]:
    """Return the names that a cell sets, in order.

    Parameters
    ----------
    source : text of the cell
    """
    targets = [target for one in ast.parse(source).body if isinstance(one, ast.Assign) for target in one.targets]
    return [target.id for target in targets if isinstance(target, ast.Name)]
