"""The whole lines of a stretch of a log."""

from __future__ import annotations

#: First look [bytes]; more is read only where no rows are found in it.
LOOK_AHEAD = 8_192

#: Lines of the look-ahead that the separator is found from.
_LINES_TRIED = 16

COMMENT_MARKS = ("#", "//", "%", "!")


def whole_lines(text: bytes, start: int, size: int) -> bytes:
    """Return the whole lines that lie within a stretch of the text.

    Parameters
    ----------
    text : the log as UTF-8
    start, size : of the stretch [bytes]
    """
    begin = text.find(b"\n", start) + 1 if start else 0
    return text[begin:] if start + size >= len(text) else text[begin : text.rfind(b"\n", begin, start + size) + 1]


def full_lines(head: bytes) -> list[str]:
    """Return some lines that hold anything but comments, evenly spread.

    Parameters
    ----------
    head : whole lines as UTF-8
    """
    lines = head.decode("utf-8", "replace").split("\n")
    full = [line.rstrip("\r") for line in lines if line.strip() and not line.startswith(COMMENT_MARKS)]
    return [full[k * len(full) // _LINES_TRIED] for k in range(_LINES_TRIED)] if len(full) > _LINES_TRIED else full
