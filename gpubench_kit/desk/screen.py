"""Zones of text laid out for a terminal of any size, in ASCII, or in one line."""

from __future__ import annotations

import re
import textwrap

from gpubench_kit.desk.says import View

#: Rows of the zones of a screen of 24: what is now, and just now.
NOW_ROWS, JUST_ROWS, EVENING_ROWS = 11, 3, 4
WIDE, HIGH, LEFT = 110, 34, 72


def lines_of(view: View, *, width: int = 80, height: int = 24) -> list[str]:
    """Return a screen of text, each line at most so wide.

    Parameters
    ----------
    view : what there is to show
    width, height : of the terminal; below 80 x 24 what is now and the first keys alone, from 110 x 34 the wide form
    """
    header = _right(f"BENCH DESK  {view.title}\t{view.done}", width)
    rule = "─" * width
    if width < 80 or height < 24:
        room = max(1, height - 1)
        return [*_wrapped(view.now, width)[: room - 1], _wrapped(view.keys, width)[0]][:room]
    is_wide = width >= WIDE and height >= HIGH
    inner = LEFT if is_wide else width
    now = _wrapped(view.now, inner)
    extra = height - 24
    just_rows = JUST_ROWS + (extra // 3 if is_wide else 0)
    now = [*now, *(["", *_wrapped(view.after, inner)] if is_wide else [])]
    now = _fitted(now, NOW_ROWS + (extra - just_rows + JUST_ROWS if is_wide else extra))
    labels = [word for word, _ in view.just[:1]] + [""] * len(view.just)
    just = []
    for place, (word, rest) in enumerate(view.just[:just_rows]):
        label = word if labels[place] and word not in ("FINE",) else word if place == 0 else ""
        label = label or ("JUST NOW" if place == 1 else "")
        just.append(_cut(f"{label:<10} {rest}", inner))
    body = [
        *now,
        *_fitted(just or ["JUST NOW   nothing yet"], just_rows),
        "",
        *_fitted(_wrapped(view.outlook, inner), EVENING_ROWS),
    ]
    if is_wide:
        beside = _fitted([_cut(one, width - LEFT - 3) for one in view.beside], len(body))
        body = [f"{left:<{LEFT}}│ {right}".rstrip() for left, right in zip(body, beside, strict=True)]
    keys = _fitted(_wrapped(view.keys, width), 2)
    return [header, rule, *body, rule, *keys]


def _fitted(lines: list[str], rows: int) -> list[str]:
    """Return exactly so many lines."""
    return [*lines[:rows], *[""] * (rows - len(lines))]


def _wrapped(lines: tuple[str, ...] | list[str], width: int) -> list[str]:
    """Return lines no wider than this, those that follow indented like the text they go on with."""
    out = []
    for line in lines:
        if "\t" in line:
            out.append(_right(line, width))
        elif len(line) <= width:
            out.append(line)
        else:
            indent = re.match(r"\S*\s{2,}|[A-Z]+\s|\s*", line)
            hang = " " * (len(indent[0]) if indent and len(indent[0]) < width // 2 else 0)
            out += textwrap.wrap(line, width, subsequent_indent=hang, break_long_words=True)
    return out


def _right(line: str, width: int) -> str:
    """Return a line whose part behind the tab stands at the right edge."""
    left, _, right = line.partition("\t")
    right = right.strip()
    room = max(0, width - len(right))
    return _cut(f"{_cut(left, max(0, room - 1)):<{room}}{right}", width)


def _cut(line: str, width: int) -> str:
    """Return a line of at most so many signs."""
    return line if len(line) <= width else line[: max(0, width - 1)] + "…"


def in_ascii(text: str) -> str:
    """Return a text in ASCII, for terminals that have no other signs.

    Parameters
    ----------
    text : of a screen
    """
    signs = {"─": "-", "│": "|", "■": "#", "□": ".", "→": "->", "·": "-", "−": "-", "…": "~", "“": '"', "”": '"',
             "°": "", "’": "'", "\u00a0": " ", "\u202f": " "}  # fmt: skip
    for sign, plain in signs.items():
        text = text.replace(sign, plain)
    return text.encode("ascii", "replace").decode()


def plain_line(view: View) -> str:
    """Return what is now in one line, for a screen reader or where there is no terminal; first word the state.

    Parameters
    ----------
    view : what there is to show
    """
    text = " ".join(" ".join(view.now).split())
    for sign, plain in ((" · ", ", "), (" → ", " to "), ("■", ""), ("□", "")):
        text = text.replace(sign, plain)
    return text
