"""Zones of text laid out for a terminal of any size, in ASCII, or in one line."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from gpubench_kit.desk.says import View

#: Rows of the zones of a screen of 24: what is now, and just now.
NOW_ROWS, JUST_ROWS, OUTLOOK_ROWS = 11, 3, 4
WIDE, HIGH, LEFT = 110, 34, 72
_SMALL = (80, 24)
_ASCII = {"─": "-", "│": "|", "■": "#", "□": ".", "→": "->", "·": "-", "−": "-", "…": "~", "“": '"', "”": '"',
          "°": "", "’": "'", "\u00a0": " ", "\u202f": " "}  # fmt: skip
_SPOKEN = {" · ": ", ", " → ": " to ", "■": "", "□": ""}


def lines_of(view: View, *, width: int = 80, height: int = 24) -> list[str]:
    """Return a screen of text, each line at most so wide.

    Parameters
    ----------
    view : what there is to show
    width, height : of the terminal; below 80 x 24 what is now and the first keys alone, from 110 x 34 the wide form
    """
    keys, rule = _wrapped(view.keys, width), "─" * width
    if width < _SMALL[0] or height < _SMALL[1]:
        room = max(1, height - 1)
        return [*_wrapped(view.now, width)[: room - 1], keys[0]][:room]
    is_wide, extra = width >= WIDE and height >= HIGH, height - _SMALL[1]
    inner, more_just = (LEFT, extra // 3) if is_wide else (width, 0)
    now = [*_wrapped(view.now, inner), *(["", *_wrapped(view.after, inner)] if is_wide else [])]
    just = []
    for place, (word, rest) in enumerate(view.just[: JUST_ROWS + more_just]):
        # The newest event is named; those below it only where their word needs to be seen.
        label = word if place == 0 or word != "FINE" else "JUST NOW" if place == 1 else ""
        just.append(_cut(f"{label:<10} {rest}", inner))
    body = [
        *_fitted(now, NOW_ROWS + extra - more_just),
        *_fitted(just or ["JUST NOW   nothing yet"], JUST_ROWS + more_just),
        "", *_fitted(_wrapped(view.outlook, inner), OUTLOOK_ROWS),
    ]  # fmt: skip
    if is_wide:
        beside = _fitted([_cut(one, width - LEFT - 3) for one in view.beside], len(body))
        body = [f"{left:<{LEFT}}│ {right}".rstrip() for left, right in zip(body, beside, strict=True)]
    return [_right(f"BENCH DESK  {view.title}\t{view.done}", width), rule, *body, rule, *_fitted(keys, 2)]


def _fitted(lines: list[str], rows: int) -> list[str]:
    """Return exactly so many lines."""
    return [*lines[:rows], *[""] * (rows - len(lines))]


def _wrapped(lines: Sequence[str], width: int) -> list[str]:
    """Return lines no wider than this, those that follow indented like the text they go on with."""
    out = []
    for line in lines:
        found = re.match(r"\S*\s{2,}|[A-Z]+\s|\s*", line)
        indent = len(found[0]) if found else 0
        hang = " " * (indent if indent < width // 2 else 0)
        if "\t" in line:
            out.append(_right(line, width))
        else:
            out += textwrap.wrap(line, width, subsequent_indent=hang) if len(line) > width else [line]
    return out


def _right(line: str, width: int) -> str:
    """Return a line whose part behind the tab stands at the right edge."""
    left, _, right = line.partition("\t")
    room = max(0, width - len(right.strip()))
    return _cut(f"{_cut(left, max(0, room - 1)):<{room}}{right.strip()}", width)


def _cut(line: str, width: int) -> str:
    """Return a line of at most so many signs."""
    return line if len(line) <= width else line[: max(0, width - 1)] + "…"


def in_ascii(text: str) -> str:
    """Return a text in ASCII, for terminals that have no other signs.

    Parameters
    ----------
    text : of a screen
    """
    for sign, plain in _ASCII.items():
        text = text.replace(sign, plain)
    return text.encode("ascii", "replace").decode()


def plain_line(view: View) -> str:
    """Return what is now in one line, for a screen reader or where there is no terminal; first word the state.

    Parameters
    ----------
    view : what there is to show
    """
    text = " ".join(" ".join(view.now).split())
    for sign, plain in _SPOKEN.items():
        text = text.replace(sign, plain)
    return text
