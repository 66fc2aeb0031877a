"""Cells that hold more than a number: '16.7 ms', '145 W', '1:07.25'; made plain before a log's rows are looked at.

A unit is taken off only where the cells of a column all have the same one, and minutes become seconds digit by
digit, so that no number changes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from gpubench_kit.logs.cell_text import begins_with_words, is_clock, is_missing, looks_numeric, split_line
from gpubench_kit.logs.clock import begins_at_zero, is_time_only
from gpubench_kit.logs.dialect import LOOK_AHEAD, UNITS, full_lines, whole_lines
from gpubench_kit.logs.separator_fit import SeparatorFit, best_fit
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding

#: Largest text whose cells are made plain [MB]: hours of frames.
_LARGEST_MB = 12

#: Share of lines of the look-ahead that hold such a cell.
_SHARE_OF_LINES = 0.5

#: Cells with equal minutes and seconds in a row; with more, they could as well be hours and minutes.
_MOST_EQUAL = 3

_BLANK = "[ \u00a0\u202f]?"
#: A lone F tells nothing in a line of headings; behind a number it is a unit.
_UNIT = "|".join(re.escape(unit) for unit in sorted((*UNITS, "f"), key=len, reverse=True))
_NUMBER = r"[-+]?\d[\d.,'’ \u00a0\u202f]*(?:[eE][-+]?\d{1,3})?"
_WITH_UNIT = re.compile(rf"\s*({_NUMBER}?){_BLANK}({_UNIT})\s*", re.IGNORECASE)
_MINUTES = re.compile(r"\s*(?:(\d{1,2}):(?=\d\d:))?(\d{1,3}):([0-5]\d)((?:[.,]\d+)?)\s*")
_END = r'(?=\s*"?\s*(?:[,;|\t]|$))'
_UNIT_IN_LINE = re.compile(rf"(?:(?<=\d)|(?<=\d[.,])){_BLANK}(?:{_UNIT}){_END}", re.IGNORECASE)
_MINUTES_IN_LINE = re.compile(rf"(?:^|(?<=[\s,;|\t\"]))(?:00?:(?=\d\d:))?\d{{1,3}}:([0-5]\d(?:[.,]\d+)?){_END}")

_SECONDS = "minutes and seconds"


@dataclass(frozen=True)
class PlainText:
    """A log whose cells were made plain.

    Attributes
    ----------
    text : the log as UTF-8, with the same lines
    units : what was taken off the cells of each column; empty for none
    findings : minutes that were read as such
    """

    text: bytes
    units: tuple[str, ...]
    findings: tuple[Finding, ...]


def with_plain_cells(text: bytes, name: str, *, first_line: int = 1) -> PlainText | None:
    """Return a log with plain numbers where its cells hold units or minutes and seconds; None where they do not.

    Parameters
    ----------
    text : the log as UTF-8
    name : what to call it in messages
    first_line : number of its first line in the file

    Raises
    ------
    LogError : cells of one column have several units, or the text is too large
    """
    lines = full_lines(whole_lines(text, 0, LOOK_AHEAD))
    n_with = sum(bool(_UNIT_IN_LINE.search(line) or _MINUTES_IN_LINE.search(line)) for line in lines)
    if not lines or n_with < _SHARE_OF_LINES * len(lines):
        return None
    fit = best_fit([_MINUTES_IN_LINE.sub(r"\1", _UNIT_IN_LINE.sub("", line)) for line in lines])
    if fit is None or fit.separator == " ":
        return None
    units = _units_of_columns(text, fit)
    if not units:
        return None
    if len(text) > _LARGEST_MB * 1_000_000:
        problem = f"the file has {len(text) / 1e6:.0f} MB and units or minutes in its cells, which takes too long."
        raise LogError(Fault(name, problem, f"Cut it to the run: at most {_LARGEST_MB} MB are read so."))
    plain = [
        _plain_line(line, number, fit.separator, where=(units, name))
        for number, line in enumerate(text.decode("utf-8", "replace").split("\n"), start=first_line)
    ]
    told = tuple(units.get(column, "") for column in range(len(fit.is_numeric)))
    findings = tuple(_minutes_told(name, column) for column, unit in units.items() if unit == _SECONDS)
    told = tuple("s" if unit == _SECONDS else unit for unit in told)
    return PlainText("\n".join(plain).encode("utf-8", "replace"), told, findings)


def _units_of_columns(text: bytes, fit: SeparatorFit) -> dict[int, str]:
    """Return what the cells of a column hold beside a number, where in the first rows all of them do."""
    lines = whole_lines(text, 0, LOOK_AHEAD).decode("utf-8", "replace").split("\n")
    rows = [split_line(line.rstrip("\r"), fit.separator) for line in lines if _is_row(line)]
    rows = [row for row in rows if len(row) == len(fit.is_numeric)]
    found, is_alone = {}, sum(fit.is_numeric) == 1
    has_date = any(is_clock(cell) and not is_time_only(cell) for cell in rows[0]) if rows else False
    for column, cells in enumerate(zip(*rows, strict=True)):
        full = [cell for cell in cells if not is_missing(cell)]
        are_minutes = _are_minutes(full) or (not has_date and _count_from_zero(full, is_alone=is_alone))
        unit = _unit_of(full) or (_SECONDS if are_minutes else "")
        found |= {column: unit} if unit else {}
    return found


def _is_row(line: str) -> bool:
    """Return whether a line of the look-ahead can be a row."""
    return bool(line.strip()) and bool(_UNIT_IN_LINE.search(line) or _MINUTES_IN_LINE.search(line))


def _unit_of(cells: Sequence[str]) -> str:
    """Return the unit that all cells have; empty where they have none, or several."""
    found = [_WITH_UNIT.fullmatch(cell) for cell in cells]
    units = {match[2] if match else "" for match in found}
    return units.pop() if len(units) == 1 else ""


def _are_minutes(cells: Sequence[str]) -> bool:
    """Return whether cells are minutes and seconds, and cannot be hours and minutes."""
    found = [_MINUTES.fullmatch(cell) for cell in cells]
    if len(found) < 2 or not all(found) or all(match[1] for match in found):
        return False
    is_told = any(match[1] or match[4] for match in found)
    return is_told or len(cells) <= _MOST_EQUAL * len(set(cells))


def _count_from_zero(cells: Sequence[str], *, is_alone: bool) -> bool:
    """Return whether cells are minutes and seconds that begin at zero, or hours too where nothing else is a number.

    Beside numbers, hours, minutes and seconds are left to be looked at as a clock.
    """
    found = [_MINUTES.fullmatch(cell) for cell in cells]
    if len(found) < 2 or not all(found):
        return False
    has_hours = found[0][1] is not None
    begins = begins_at_zero(cells[0] if has_hours else f"0:{cells[0].strip().zfill(5)}")
    return begins and (not has_hours or (is_alone and bool(found[0][4])))


def _plain_line(line: str, number: int, separator: str, *, where: tuple[dict[int, str], str]) -> str:
    """Return a line with plain numbers in some columns."""
    units, name = where
    bare = line.rstrip("\r")
    cells = split_line(bare, separator)
    if len(cells) <= max(units):
        return line
    for column, unit in units.items():
        plain = _plain_cell(cells[column], unit)
        if plain is None and not begins_with_words(bare):
            shown = cells[column].strip()[:40]
            problem = f"column {column + 1} holds {shown!r}, where the rows above are in '{unit}'."
            raise LogError(Fault(f"{name}, line {number}", problem, "Let the recorder write one unit per column."))
        cells[column] = cells[column] if plain is None else plain
    return separator.join(f'"{cell}"' if separator and separator in cell else cell for cell in cells)


def _plain_cell(cell: str, unit: str) -> str | None:
    """Return the number of a cell, and words as they are; None where it has another unit, or none."""
    if unit == _SECONDS:
        match = _MINUTES.fullmatch(cell)
        seconds = (int(match[1] or 0) * 60 + int(match[2])) * 60 + int(match[3]) if match else 0
        return f"{seconds}{match[4]}" if match else None if looks_numeric(cell) else cell
    match = _WITH_UNIT.fullmatch(cell)
    if match and match[2] == unit:
        return match[1]
    return None if match or looks_numeric(cell) else cell


def _minutes_told(name: str, column: int) -> Finding:
    """Return the finding on a column of minutes and seconds."""
    message = f"{name}: column {column + 1} holds minutes and seconds, and was read in seconds."
    return Finding("note", "minutes_read", message)
