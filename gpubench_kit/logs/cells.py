"""Cells and lines of a log as text: stamps, numbers in their marks, separators, the whole lines of a stretch."""

from __future__ import annotations

import csv
import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

_MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
_MONTH_NUMBER = {name[:length]: at + 1 for at, name in enumerate(_MONTHS) for length in (3, len(name))}

_WEEKDAY = r"(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*,? +)?"
_NAME = rf"(?P<month>{'|'.join(sorted(_MONTH_NUMBER, key=len, reverse=True))})\.?"
_CLOCK_TIME = r"(?P<hour>\d{1,2}):(?P<minute>\d\d)(?::(?P<second>\d\d)(?:(?P<part>[.,]\d+)|:(?P<ms>\d{3}))?)?"
_NOON = r"(?: ?(?P<noon>[ap])\.?m\.?)?"
_ZONE = r"(?: ?(?P<zone>UTC|GMT|Z|[+-]\d\d(?::?\d\d)?))?"
_TIME = rf"(?P<gap>T|_|,? +|,){_CLOCK_TIME}{_NOON}{_ZONE}"

#: Every form of a stamp, each with the same names for its parts.
_FORMS = tuple(
    re.compile(form, re.IGNORECASE | re.ASCII)
    for form in (
        rf"(?P<year>\d{{4}})(?P<mark>[-/.])(?P<month>\d{{1,2}})(?P=mark)(?P<day>\d{{1,2}})(?:{_TIME})?",
        # Which of the two is the day is not for this module to say.
        rf"(?P<date>\d{{1,2}}(?P<mark>[-/.])\d{{1,2}}(?P=mark)(?:\d{{4}}|\d\d)){_TIME}",
        rf"{_WEEKDAY}(?P<day>\d{{1,2}})(?P<mark>[- /]){_NAME}(?P=mark)(?P<year>\d{{4}})(?:{_TIME})?",
        rf"{_WEEKDAY}{_NAME} +(?P<day>\d{{1,2}}),? +(?P<year>\d{{4}})(?:{_TIME})?",
        rf"{_WEEKDAY}{_NAME} +(?P<day>\d{{1,2}})(?P<gap> +){_CLOCK_TIME}{_NOON}{_ZONE} +(?P<year>\d{{4}})",
        r"(?P<year>\d{4})(?P<month>\d\d)(?P<day>\d\d)(?P<gap>T)(?P<hour>\d\d)(?P<minute>\d\d)(?P<second>\d\d)"
        rf"(?P<part>[.,]\d+)?{_ZONE}",
        rf"{_CLOCK_TIME}{_NOON}",
    )
)

#: What may stand behind the first stamp of a line.
_BEHIND_STAMP = re.compile(r'\s*(?:[],;|"]|\s|$)')


def is_stamp(cell: str) -> bool:
    """Return whether a cell has one of the forms of a stamp."""
    return bool(_plain_by(cell, _FORMS))


def begins_with_stamp(line: str) -> bool:
    """Return whether a line begins with a stamp."""
    found = (form.match(line.lstrip(' "[')) for form in _FORMS)
    return any(part and _BEHIND_STAMP.match(part.string, part.end()) for part in found)


def plain_stamp(cell: str) -> str:
    """Return a stamp as ``2026-11-02 21:04:05.250``, with ``Z`` or its offset where it names its zone.

    Parameters
    ----------
    cell : text of the cell

    Returns
    -------
    str. A date in digits that begins with day or month keeps its order, a time of day its AM or PM; others stay.
    """
    return _plain_by(cell, _FORMS) or cell.strip()


def plain_stamps(cells: Iterable[str]) -> list[str]:
    """Return stamps of one column as `plain_stamp` does, as they are where the first one is plain already.

    Parameters
    ----------
    cells : texts of the cells
    """
    texts = [cell.strip() for cell in cells]
    first = next(filter(None, texts), "")
    if plain_stamp(first) == first:
        return texts
    # The form of the first stamp is most likely that of the others.
    forms = sorted(_FORMS, key=lambda form: form.fullmatch(_bare(first)) is None)
    return [_plain_by(text, forms) or text for text in texts]


def _bare(cell: str) -> str:
    """Return a cell without blanks around it, nor brackets."""
    text = cell.strip()
    return text[1:-1].strip() if text[:1] + text[-1:] == "[]" else text


def _plain_by(cell: str, forms: Sequence[re.Pattern]) -> str:
    """Return a stamp in plain form by the first form that it has; empty where it has none."""
    text = _bare(cell)
    for form in forms:
        if part := form.fullmatch(text):
            have = {"date": "", "noon": "", "ms": "", "zone": "", **part.groupdict("")}
            date = have["date"] or (_year_first(have["year"], have["month"], have["day"]) if "year" in have else "")
            if not have["hour"]:
                return date
            hour, noon = have["hour"], have["noon"].lower()
            rest = ":" + have["minute"] + (have["second"] and ":" + have["second"]) + have["part"]
            rest += have["ms"] and "." + have["ms"]
            if not date:
                return f"{hour}{rest} {noon}m" if noon else hour + rest
            if noon:
                hour = str(int(hour) % 12 + 12 * (noon == "p"))
            gap = "T" if have["gap"] == "T" else " "
            return f"{date}{gap}{hour:0>2}{rest}{'Z' if have['zone'].isalpha() else have['zone']}"
    return ""


@lru_cache(maxsize=64)
def _year_first(year: str, month: str, day: str) -> str:
    """Return a date as year, month and day in digits; months may have names."""
    return f"{year}-{_MONTH_NUMBER.get(month.lower()) or int(month):02d}-{int(day):02d}"


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

#: Several cells, of which the first begins with a digit and another has a word.
_SEVERAL = re.compile(r"\s*\d[^,;|\t]*[,;|\t].*[^\W\d_]{3}")

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
    before = _BEFORE_SEPARATOR.match(line.strip().strip('"'))
    first = before[0].strip() if before else ""
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
    for decimal, thousands in (
        *[(decimal, mark) for decimal in ".," for mark in _GROUP_MARKS],
        (".", ","),
        (",", "."),
    ):
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


#: In this order: one that comes earlier is kept unless a later one fits better.
_SEPARATORS = ("\t", ";", "|", ",", " ", "")


@dataclass(frozen=True)
class SeparatorFit:
    """How well a separator fits.

    Attributes
    ----------
    separator : one character; a blank for aligned columns; empty for one column
    is_numeric : for each cell of a row, whether it is a number
    score : share of cells that are understood, 0 to 1
    of_stamps : whether the one cell of each row is a stamp in place of a number
    """

    separator: str
    is_numeric: tuple[bool, ...]
    score: float
    of_stamps: bool = False

    def holds(self, cells: list[str]) -> bool:
        """Return whether a line is a row of data: as many cells, with numbers where numbers belong."""
        if len(cells) != len(self.is_numeric):
            return False
        if self.of_stamps:
            return is_clock(cells[0])
        pairs = [cell for cell, is_numeric in zip(cells, self.is_numeric, strict=True) if is_numeric]
        return any(map(looks_numeric, pairs)) and all(looks_numeric(cell) or is_missing(cell) for cell in pairs)

    def resembles(self, cells: list[str]) -> bool:
        """Return whether a line has as many cells as a row, and a number where one belongs."""
        pairs = zip(cells, self.is_numeric, strict=False)
        return len(cells) == len(self.is_numeric) and any(
            numeric and looks_numeric(cell) for cell, numeric in pairs
        )


def cells_of(line: str, separator: str) -> list[str]:
    """Return the cells of a line as `split_line` does; a lone cell without the quotes around it."""
    is_quoted = separator == "" and '"' in line
    return split_line(line.strip(), "\t") if is_quoted else split_line(line, separator)


def best_fit(lines: list[str]) -> SeparatorFit | None:
    """Return the separator that makes most lines rows of numbers; None where no line has a number."""
    text, best = "\n".join(lines), None
    fits = (_fit(lines, separator) for separator in _SEPARATORS if separator in text)
    for fit in (fit for fit in fits if fit is not None):
        best = fit if best is None or fit.score > best.score + 0.05 else best
    return best


def _fit(lines: list[str], separator: str) -> SeparatorFit | None:
    """Return how well a separator fits; None where it leaves no numbers."""
    rows = [cells_of(line, separator) for line in lines]
    counts = Counter(map(len, rows))
    if not counts:
        return None
    n_columns = max(counts, key=lambda n: (counts[n], n))
    rows = [row for row in rows if len(row) == n_columns]
    kinds = [[_kind(cell) for cell in column] for column in zip(*rows, strict=True)]
    is_numeric = tuple(kind.count("number") > 0.6 * (len(kind) - kind.count("none")) for kind in kinds)
    n_stamps = 0 if separator else sum(is_stamp(row[0]) for row in rows)
    if n_stamps > 0.6 * len(rows):
        return SeparatorFit("", (True,), n_stamps / len(rows), of_stamps=True)
    if not any(is_numeric) or (separator and n_columns == 1):
        return None
    n_understood = sum(len(kind) - kind.count("text") for kind in kinds)
    return SeparatorFit(separator, is_numeric, n_understood / n_columns / len(lines))


def _kind(cell: str) -> str:
    """Return what a cell holds: ``number``, ``clock``, ``none`` or ``text``."""
    if looks_numeric(cell):
        return "number"
    if is_missing(cell):
        return "none"
    return "clock" if is_clock(cell) and not _SEVERAL.match(cell) else "text"
