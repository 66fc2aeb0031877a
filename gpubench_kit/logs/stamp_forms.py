"""Stamps as recorders write them, to the few forms that clocks are read from; months have their English names."""

from __future__ import annotations

import re
from collections.abc import Sequence
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


def plain_stamps(cells: Sequence[str]) -> list[str]:
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
            return _plain(part)
    return ""


def _plain(part: re.Match) -> str:
    """Return the stamp of these parts."""
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


@lru_cache(maxsize=64)
def _year_first(year: str, month: str, day: str) -> str:
    """Return a date as year, month and day in digits; months may have names."""
    return f"{year}-{_MONTH_NUMBER.get(month.lower()) or int(month):02d}-{int(day):02d}"
