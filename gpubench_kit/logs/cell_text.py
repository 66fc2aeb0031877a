"""Cells as they stand in a log: is it a number, in which decimal mark, or nothing at all."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence

from gpubench_kit.logs.stamp_forms import begins_with_stamp, is_stamp

#: Texts that stand for "no value".
MISSING = frozenset(
    ("", "-", "--", "n/a", "na", "n.a.", "nan", "null", "none", "-nan", "#n/a", "#na", "<na>", "nil", "missing")
)

_EXPONENT = r"(?:[eE][-+]?\d{1,3})?"
_NUMBER = {
    mark: re.compile(rf"[-+]?(?:\d+(?:{re.escape(mark)}\d*)?|{re.escape(mark)}\d+){_EXPONENT}") for mark in ".,"
}

#: Marks that can group thousands, beside the one that is not the decimal mark.
_GROUP_MARKS = "'’ \u00a0\u202f\u2009"
_GROUPED = {
    (decimal, mark): re.compile(
        rf"[-+]?\d{{1,3}}(?:{re.escape(mark)}\d{{3}})+(?:{re.escape(decimal)}\d*)?{_EXPONENT}"
    )
    for decimal in ".,"
    for mark in (*_GROUP_MARKS, "." if decimal == "," else ",")
}

_BEFORE_SEPARATOR = re.compile(r"[^,;|\t]*")
_WORD = re.compile(r"[^\W\d_]{3}")

_CLOCK = re.compile(r"\d{1,4}([-/.])\d{1,2}\1\d{1,4}(?:[T ].*)?|(?:\d{4}-?\d\d-?\d\dT)?\d{1,2}:\d\d(?::\d\d.*)?")


def is_missing(cell: str) -> bool:
    """Return whether a cell says that there is no value."""
    return cell.strip().lower() in MISSING


def is_clock(cell: str) -> bool:
    """Return whether a cell looks like a date, a time of day, or both."""
    return _CLOCK.fullmatch(cell.strip()) is not None or is_stamp(cell)


def is_number(cell: str, decimal: str = ".", thousands: str = "") -> bool:
    """Return whether a cell is a number in the marks given."""
    cell = cell.strip()
    if _NUMBER[decimal].fullmatch(cell):
        return True
    return bool(thousands) and _GROUPED[decimal, thousands].fullmatch(cell) is not None


def number(cell: str, decimal: str = ".", thousands: str = "") -> float | None:
    """Return the number in a cell; nan where it says that there is no value, None where it is neither.

    Parameters
    ----------
    cell : text of the cell
    decimal, thousands : marks of the log
    """
    cell = cell.strip()
    if is_number(cell, decimal, thousands):
        plain = cell.replace(thousands, "") if thousands else cell
        value = float(plain.replace(decimal, "."))
        return None if math.isinf(value) else value
    return float("nan") if cell.lower() in MISSING else None


def looks_numeric(cell: str) -> bool:
    """Return whether a cell is a number in any marks."""
    cell = cell.strip()
    if not cell or not (cell[-1].isdigit() or cell[-1] in ".,"):
        return False
    if _NUMBER["."].fullmatch(cell) or _NUMBER[","].fullmatch(cell):
        return True
    return any(pattern.fullmatch(cell) for pattern in _GROUPED.values())


def begins_with_words(line: str) -> bool:
    """Return whether a line begins with neither a number nor a clock, as lines of a summary do."""
    first = _BEFORE_SEPARATOR.match(line.strip().strip('"'))[0].strip()
    token = first.split(maxsplit=1)[0] if first else ""
    if not token or looks_numeric(token) or is_clock(token) or begins_with_stamp(line):
        return False
    return not token[0].isdigit() or _WORD.search(first) is not None


def number_marks(cells: Sequence[str], separator: str) -> tuple[str, str, bool]:
    """Return decimal mark, thousands mark (empty for none) and whether another reading is possible.

    Parameters
    ----------
    cells : numeric cells of a log
    separator : what stands between the cells; it is no mark unless cells were quoted

    Notes
    -----
    A mark groups thousands only on evidence: it stands beside another mark in one number, or more than once.
    A single mark is the decimal mark; the reading is in doubt where every number with it has exactly three
    digits behind it and one to three before it.
    """
    text = "\n".join(cells)
    if "," not in text and not any(mark in text for mark in _GROUP_MARKS):
        return ".", "", False
    cells = [cell.strip() for cell in cells]
    for decimal, thousands in (*_pairs_with(".,"), (".", ","), (",", ".")):
        if thousands in text and _is_grouped(cells, decimal, thousands):
            return decimal, thousands, False
    decimal = "," if "," in text and "." not in text else "."
    with_mark = [cell for cell in cells if decimal in cell]
    in_doubt = bool(with_mark) and decimal == "," and all(_GROUPED[".", ","].fullmatch(cell) for cell in with_mark)
    return decimal, "", in_doubt and not any(cell.lstrip("+-").startswith("0") for cell in with_mark)


def _is_grouped(cells: Sequence[str], decimal: str, thousands: str) -> bool:
    """Return whether a mark must separate thousands, and no cell speaks against it."""
    with_mark = [cell for cell in cells if thousands in cell]
    others = [cell for cell in cells if thousands not in cell]
    pattern = _GROUPED[decimal, thousands]
    if not with_mark or not all(pattern.fullmatch(cell) for cell in with_mark):
        return False
    proves = thousands in _GROUP_MARKS or any(decimal in cell or cell.count(thousands) > 1 for cell in with_mark)
    proves = proves or any(decimal in cell for cell in others)
    return proves and all(is_number(cell, decimal) for cell in others)


def _pairs_with(decimals: str) -> list[tuple[str, str]]:
    """Return the pairs of a decimal mark and a blank or apostrophe between thousands."""
    return [(decimal, mark) for decimal in decimals for mark in _GROUP_MARKS]


def split_line(line: str, separator: str) -> list[str]:
    """Return the cells of a line; ``separator`` is one character, a blank for aligned columns, or empty."""
    if separator == "":
        return [line]
    if separator == " ":
        return line.split()
    if '"' not in line or "\r" in line:
        return line.split(separator)
    try:
        return next(csv.reader([line], delimiter=separator))
    except (csv.Error, StopIteration):
        return line.split(separator)


def decimals_of(cell: str, decimal: str = ".") -> int:
    """Return how many decimals a number is written with; an exponent counts."""
    digits, _, exponent = cell.strip().lower().partition("e")
    n_decimals = len(digits.partition(decimal)[2])
    return max(0, n_decimals - int(exponent)) if exponent.lstrip("+-").isdigit() else n_decimals
