"""Whether a comma between digits is a decimal mark or stands between two whole numbers: `11,247`."""

from __future__ import annotations

import itertools
import re
from collections.abc import Container, Sequence

from gpubench_kit.logs.cell_text import begins_with_words
from gpubench_kit.logs.look_ahead import COMMENT_MARKS, LOOK_AHEAD, whole_lines
from gpubench_kit.model.errors import Fault, LogError

#: Bytes that are looked at where the first do not tell.
_LONGEST_LOOK = 1_000_000

_SEVERAL_NAMES = re.compile(r"[,;|\t]|\s{2,}")
_LET_POINTS = "let the recorder write decimal points or another separator."

#: What may be one number with a decimal comma, or two whole numbers.
_PAIR = re.compile(r"([-+]?\d*),(\d+)(?:[eE][-+]?\d{1,3})?")

#: Share of rows that are such a pair; the rest may be damaged.
_PAIRS_ENOUGH = 0.98

#: Rows from which on decimals without one leading zero are not to be expected: 0.9 ** 48 < 1 %.
_ROWS_WITH_ZEROS = 48


def comma_between_digits(text: bytes) -> str:
    """Return what the comma is in rows of digits, a comma and digits again.

    Parameters
    ----------
    text : the rows as UTF-8

    Returns
    -------
    str, from what the rows alone tell:

    - ``decimal``: it is a decimal mark, as the digits behind it begin with zeros, or rise and wrap
    - ``separator``: it stands between cells, as the digits behind it cannot be decimals
    - ``rather separator``: decimals would be a strange chance
    - ``open``: both are possible
    """
    comma = "open"
    for size in (LOOK_AHEAD, _LONGEST_LOOK):
        comma = _comma_in(_rows_with_comma(text, size)) if comma == "open" else comma
    return comma


def is_decimal_comma(rows: bytes, heading: str, *, units: Container[str], where: str) -> bool:
    """Return whether a comma between digits is a decimal mark, from the rows and the heading above them.

    Parameters
    ----------
    rows : the rows as UTF-8
    heading : the line above them that names columns; empty where there is none
    units : texts that are units in small letters
    where : the first row, in messages

    Raises
    ------
    LogError : it cannot be told, or heading and rows contradict each other
    """
    cells = [cell.strip("[]() ").lower() for cell in heading.split(",")]
    ends_in_unit = len(cells) == 2 and cells[1] in units and cells[0] not in units
    if len(cells) == 2 and not ends_in_unit:
        return False
    comma = comma_between_digits(rows)
    if ends_in_unit:
        # 'time, s' is a name and its unit, 'time,s' could be two names.
        return comma == "decimal" or (comma == "open" and ", " in heading)
    names_one = bool(heading) and not _SEVERAL_NAMES.search(heading) and not heading.startswith(COMMENT_MARKS)
    if names_one and comma == "rather separator":
        problem = f"the heading {heading.strip()[:60]!r} names one column, and the rows look like two."
        raise LogError(Fault(where, problem, f"Give each column a name in the heading, or {_LET_POINTS}"))
    if comma == "open" and not names_one:
        problem = "a comma between digits can be a decimal mark, or separate two columns; the rows do not tell."
        raise LogError(Fault(where, problem, f"Write a heading with a name for each column, or {_LET_POINTS}"))
    return comma in ("decimal", "open")


def _rows_with_comma(text: bytes, size: int) -> list[str]:
    """Return the rows with a comma in the beginning of a text."""
    lines = map(str.strip, whole_lines(text, 0, size).decode("utf-8", "replace").split("\n"))
    return [
        line for line in lines if "," in line and not line.startswith(COMMENT_MARKS) and not begins_with_words(line)
    ]


def _comma_in(rows: Sequence[str]) -> str:
    """Return what the comma is in consecutive rows."""
    found = [match for match in map(_PAIR.fullmatch, rows) if match]
    if not found or len(found) < _PAIRS_ENOUGH * len(rows):
        return "separator"
    fronts, behind = [match[1] for match in found], [match[2] for match in found]
    if not _could_be_decimals(fronts, behind):
        return "separator"
    wholes, parts = [int(front.strip("+-") or 0) for front in fronts], [int(digits) for digits in behind]
    if any(digits[0] == "0" and len(digits) > 1 for digits in behind):
        # What never falls while the number before it changes counts something, or is a clock.
        changes = _falls(wholes) or len(set(wholes)) > 2
        return "open" if changes and any(parts) and not _falls(parts) else "decimal"
    if _wraps(wholes, parts):
        return "decimal"
    return "rather separator" if _are_rather_two(wholes, behind) else "open"


def _could_be_decimals(fronts: Sequence[str], behind: Sequence[str]) -> bool:
    """Return whether digits behind a comma are decimals: equally many, no zeros at the end, or to one precision."""
    if len(set(map(len, behind))) == 1 or not any(len(digits) > 1 and digits[-1] == "0" for digits in behind):
        return True
    lengths = {len((front.strip("+-") + digits).lstrip("0")) for front, digits in zip(fronts, behind, strict=True)}
    return len(lengths) == 1


def _falls(values: Sequence[int]) -> bool:
    """Return whether a value is less than the one before it."""
    return any(after < before for before, after in itertools.pairwise(values))


def _wraps(wholes: Sequence[int], parts: Sequence[int]) -> bool:
    """Return whether the numbers behind the comma rise until the one before it rises, at least twice."""
    steps = [
        (after - before, part_after - part_before)
        for (before, after), (part_before, part_after) in zip(
            itertools.pairwise(wholes), itertools.pairwise(parts), strict=True
        )
    ]
    within = [part for whole, part in steps if whole == 0]
    n_wraps = sum(whole > 0 and part < 0 for whole, part in steps)
    return min(n_wraps, len(within)) > 1 and min(within) > 0 and all(whole >= 0 for whole, _ in steps)


def _are_rather_two(wholes: Sequence[int], behind: Sequence[str]) -> bool:
    """Return whether two columns explain what would be a strange chance in decimals."""
    parts, steps = list(map(int, behind)), [after - before for before, after in itertools.pairwise(wholes)]
    if set(steps) == {1} and len(steps) > 1:
        return True  # Numbers of rows.
    if _falls(wholes) and not _falls(parts) and len(set(parts)) > 1:
        return True  # Numbers of rows behind the comma.
    sums = [abs(step - part) <= 1 < part for step, part in zip(steps, parts[1:], strict=True)]
    if len(sums) > 2 and sum(sums) >= 0.9 * len(sums):
        return True  # Elapsed and frame times.
    are_alike = len(set(map(len, behind))) == 1
    has_no_zeros = len(behind) >= _ROWS_WITH_ZEROS and are_alike and len(behind[0]) > 1
    return len(set(wholes)) > 2 and (has_no_zeros or set(behind) <= {"0", "1"})
