"""The fonts of page and pictures: faces that the page embeds, files that pictures are drawn with, widths of text.

The faces are cut once from an open font by ``tools/cut_fonts.py``; scripts that they lack fall to DejaVu Sans,
which matplotlib ships, then to the fonts of the reader's system.
"""

from __future__ import annotations

import base64
import json
import unicodedata
from functools import lru_cache
from importlib import resources
from pathlib import Path

FAMILY, SIGNS_FAMILY = "Review Sans", "Review Signs"
#: Weight in a style sheet -> face. A weight between takes the next one that CSS finds.
FACES = {400: "regular", 600: "semibold", 700: "bold"}
ELLIPSIS = "…"

_FOLDER = resources.files("gpubench_kit.page.charts").joinpath("fonts")
#: What control, format and half characters of a user's text become; a line of text stays one line.
_HARMLESS = {"Cc": " ", "Cf": "", "Cs": "\ufffd", "Cn": "\ufffd", "Co": "\ufffd", "Zl": " ", "Zp": " "}
#: Width of a character that the face lacks, in thousandths of the size: as wide as a letter of another script.
_LETTER, _IDEOGRAPH = 620, 1000


@lru_cache(maxsize=1)
def font_faces() -> str:
    """Return the ``@font-face`` rules of all faces, the fonts within."""
    faces = [(FAMILY, weight, name) for weight, name in FACES.items()] + [(SIGNS_FAMILY, 700, "signs")]
    return "".join(
        f'@font-face{{font-family:"{family}";font-weight:{weight};src:url(data:font/woff2;base64,{_encoded(name)}) '
        'format("woff2")}\n'
        for family, weight, name in faces
    )


def font_files() -> list[Path]:
    """Return the font files that pictures are drawn with."""
    return [Path(str(_FOLDER.joinpath(f"{name}.ttf"))) for name in (*FACES.values(), "signs")]


def clean(text: object) -> str:
    """Return text as one line of printable characters, composed (NFC).

    Marks of direction and other invisible characters are dropped: they could turn what stands beside the text.
    """
    composed = unicodedata.normalize("NFC", str(text))
    kept = (one if one == "\u00a0" else _HARMLESS.get(unicodedata.category(one), one) for one in composed)
    return " ".join(part for part in "".join(kept).split(" ") if part)


def is_covered(text: str) -> bool:
    """Return whether the faces have every character of a text; spaces and line ends aside."""
    known = _advances()
    return all(one in known["regular"] or one in known["signs"] or one.isspace() for one in set(text))


@lru_cache(maxsize=8192)
def text_width(text: str, size: float = 12.0, *, face: str = "regular") -> float:
    """Return the width of one line of text, in the unit of ``size``.

    Parameters
    ----------
    text : one line
    size : size of the letters
    face : ``regular``, ``semibold`` or ``bold``
    """
    widths = _advances()[face]
    return sum(widths[one] if one in widths else _guessed(one) for one in text) * size / 1000


@lru_cache(maxsize=8192)
def fitted(text: str, width: float, size: float = 12.0, *, face: str = "regular") -> str:
    """Return text that is no wider than ``width``: its beginning and an ellipsis where the whole is too long."""
    text = clean(text)
    if text_width(text, size, face=face) <= width:
        return text
    room, taken = width - text_width(ELLIPSIS, size, face=face), 0
    while taken < len(text) and text_width(text[: taken + 1], size, face=face) <= room:
        taken += 1
    # A mark that belongs to the letter before it is not left without it.
    while 0 < taken < len(text) and unicodedata.category(text[taken]) in ("Mn", "Me", "Mc"):
        taken -= 1
    return text[: max(taken, 1)].rstrip() + ELLIPSIS


def wrapped(text: str, width: float, size: float = 12.0, *, face: str = "regular", lines: int = 2) -> list[str]:
    """Return text in at most so many lines no wider than ``width``, broken at spaces; the last one may be cut."""
    words, out = clean(text).split(" "), [""]
    while words:
        longer = f"{out[-1]} {words[0]}".strip()
        if text_width(longer, size, face=face) <= width or not out[-1]:
            out[-1] = longer
            words.pop(0)
        elif len(out) < lines:
            out.append("")
        else:
            out[-1] = " ".join([out[-1], *words])
            break
    return [fitted(line, width, size, face=face) for line in out]


def _guessed(character: str) -> int:
    """Return the width of a character that no face has."""
    if unicodedata.combining(character):
        return 0
    is_wide = unicodedata.east_asian_width(character) in "WF" or ord(character) > 0xFFFF
    return _IDEOGRAPH if is_wide else _LETTER


@lru_cache(maxsize=1)
def _advances() -> dict[str, dict[str, int]]:
    """Return how far each character of each face moves on."""
    return json.loads(_FOLDER.joinpath("advances.json").read_text(encoding="utf-8"))


def _encoded(name: str) -> str:
    """Return a face as text for a style sheet."""
    return base64.b64encode(_FOLDER.joinpath(f"{name}.woff2").read_bytes()).decode("ascii")
