"""Names for files and ids from any text; a file put in the place of another in one step."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import unicodedata
from pathlib import Path

from gpubench_kit.model.errors import Fault, ReportError


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
