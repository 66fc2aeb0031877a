"""Text on a chart: measured, wrapped, and safe whatever script a name is written in.

DejaVu Sans comes with matplotlib, so a chart looks alike everywhere. It lacks many scripts; what it
lacks is left to the reader's browser (SVG) or to a font of this machine (PNG), see `fallback_family`.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

from matplotlib import font_manager, ft2font, get_data_path

FAMILY = "DejaVu Sans"
#: Stands in for a character that no font has: an empty square, about as wide as an ideograph.
PLACEHOLDER = "\u25a1"
ELLIPSIS = "\u2026"

_FONT_FOLDER = Path(get_data_path(), "fonts", "ttf")
_MEASURED_AT = 64
_HARMLESS = {"Cc": " ", "Cf": "", "Cs": "\ufffd", "Zl": " ", "Zp": " "}
#: A family that draws boxes with code numbers is no better than the placeholder.
_NO_REAL_GLYPHS = "Last Resort"


def clean(text: object) -> str:
    """Return text as one line of printable characters, composed (NFC).

    Control characters of user text could break a line or an SVG file: they become spaces; invisible
    format characters are dropped, and halves of surrogate pairs become the replacement character.
    """
    composed = unicodedata.normalize("NFC", str(text))
    return " ".join("".join(_HARMLESS.get(unicodedata.category(one), one) for one in composed).split())


def shown(text: str) -> str:
    """Return text in which each character that DejaVu Sans lacks is the placeholder."""
    return "".join(one if _in_font(one) else PLACEHOLDER for one in text)


def lacks_glyphs(text: str) -> bool:
    """Return whether DejaVu Sans lacks a character of the text."""
    return not all(_in_font(one) for one in text)


@lru_cache(maxsize=4096)
def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Return the width of one line of text, in the unit of ``size``."""
    font = _font(bold)
    font.set_text(shown(text), 0.0, flags=ft2font.LoadFlags.NO_HINTING)
    return font.get_width_height()[0] / 64 * size / _MEASURED_AT


def wrap(text: str, width: float, *, size: float, lines: int = 1, bold: bool = False) -> list[str]:
    """Return text as at most ``lines`` lines no wider than ``width``; the last one may end in an ellipsis.

    Parameters
    ----------
    text : one line of text
    width : room, in the unit of ``size``
    size : font size
    lines : most lines
    bold : whether the text is bold
    """
    rest, out = clean(text), []
    while rest and len(out) < lines:
        taken = rest[: _fitting(rest, width, size=size, bold=bold)]
        if len(taken) < len(rest) and len(out) < lines - 1:
            taken = _until_word_end(taken, rest)
        elif len(taken) < len(rest):
            taken = _with_ellipsis(rest, width, size=size, bold=bold)
            rest = taken
        out.append(taken.strip())
        rest = rest[len(taken) :].lstrip()
    return out or [""]


@lru_cache(maxsize=256)
def fallback_family(characters: str) -> str | None:
    """Return the first font family of this machine that has every character, or None."""
    wanted = {ord(one) for one in characters}
    for entry in sorted(_installed(), key=lambda font: (font.name, font.fname)):
        if _has_all(entry.fname, wanted):
            return entry.name
    return None


def missing(text: str) -> str:
    """Return the characters of a text that DejaVu Sans lacks, sorted, each once."""
    return "".join(sorted({one for one in text if not _in_font(one)}))


def _installed() -> Iterable[font_manager.FontEntry]:
    """Return the upright, regular fonts of this machine."""
    fonts = font_manager.fontManager.ttflist
    upright = [one for one in fonts if one.style == "normal" and one.weight == 400]
    return [one for one in upright if not one.name.startswith(_NO_REAL_GLYPHS)]


def _has_all(path: str, codes: set[int]) -> bool:
    """Return whether a font file has a glyph for every code; an unreadable file has none."""
    try:
        return codes <= set(ft2font.FT2Font(path).get_charmap())
    except (OSError, RuntimeError):
        return False


@lru_cache(maxsize=2)
def _font(bold: bool) -> ft2font.FT2Font:
    """Return DejaVu Sans for measuring."""
    font = ft2font.FT2Font(_FONT_FOLDER / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"))
    font.set_size(_MEASURED_AT, 72)
    return font


@lru_cache(maxsize=1)
def _codes() -> frozenset[int]:
    """Return the characters that both weights of DejaVu Sans have."""
    return frozenset(_font(False).get_charmap()) & frozenset(_font(True).get_charmap())


def _in_font(character: str) -> bool:
    """Return whether DejaVu Sans has a character."""
    return ord(character) in _codes()


def _fitting(text: str, width: float, *, size: float, bold: bool) -> int:
    """Return how many leading characters fit into a width, at least one."""
    if text_width(text, size, bold=bold) <= width:
        return len(text)
    fits, fails = 1, len(text)
    while fails - fits > 1:
        middle = (fits + fails) // 2
        narrow = text_width(text[:middle], size, bold=bold) <= width
        fits, fails = (middle, fails) if narrow else (fits, middle)
    return fits


def _until_word_end(taken: str, text: str) -> str:
    """Return the taken characters without a word cut in two, where that leaves enough."""
    if text[len(taken) : len(taken) + 1].isspace():
        return taken
    end = max(taken.rfind(" "), taken.rfind("-") + 1)
    return taken[:end] if end > len(taken) // 3 else taken


def _with_ellipsis(text: str, width: float, *, size: float, bold: bool) -> str:
    """Return the beginning of a text that fits with an ellipsis."""
    room = width - text_width(ELLIPSIS, size, bold=bold)
    return text[: _fitting(text, room, size=size, bold=bold)].rstrip() + ELLIPSIS
