"""Names of log files taken apart: words, numbers, stamps, and words that say that a recording may not count."""

from __future__ import annotations

import calendar
import re
from collections.abc import Mapping
from dataclasses import dataclass

from gpubench_kit.model.words import fold
from gpubench_kit.sheet.name_words import RESOLUTION, TRY, TUNING

#: Endings that say what kind of file it is.
_ENDINGS = re.compile(r"(\.(csv|tsv|txt|log|gz|bz2|xz|zip|zst|frames|sensors|json|jsonl))+$", re.IGNORECASE)
_CAMEL = re.compile(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])")
_SPLIT = re.compile(r"[\s_\-.,|+;()\[\]{}&]+")
_COUNTED = re.compile(
    r"(?i)(?:^|[\s_\-.|])(?:run|r|lauf|durchgang|pass|take|round|runde|rd|nr|no|#|versuch|mess(?:ung)?)"
    r"[\s_\-]*(\d{1,3})(?=$|[\s_\-.|])"
)
_IN_BRACKETS = re.compile(r"\((\d{1,3})\)")
_TIME = re.compile(r"(?<!\d)([0-2]\d)[-_.:h]([0-5]\d)[-_.:m]([0-5]\d)s?(?!\d)")
_SIX_DIGITS = re.compile(r"([01]\d|2[0-3])[0-5]\d[0-5]\d")
_YEAR_FIRST = re.compile(
    r"(?<!\d)(20\d\d)[-_. ]?([01]\d)[-_. ]?([0-3]\d)"
    r"(?:[-_ T,.]{0,2}([0-2]\d)[-_.:h ]?([0-5]\d)[-_.:m ]?([0-5]\d))?(?!\d)"
)
_YEAR_LAST = re.compile(
    r"(?<!\d)([0-3]\d)[-._]([0-3]\d)[-._](20\d\d)"
    r"(?:[-_ T,.]{0,2}([0-2]\d)[-_.:h ]?([0-5]\d)(?:[-_.:m ]?([0-5]\d))?)?(?!\d)"
)
#: A number of this size behind a word for a tuning is the value of its limit.
_LEAST_LIMIT = 20


@dataclass(frozen=True)
class NameParts:
    """The parts of one name.

    Attributes
    ----------
    words : (folded, as written), folders first
    numbers : label of the place -> number: ``run`` (behind a word for it), ``(n)``, ``lead``, ``n0`` and so on,
        ``long`` (five digits and more) and ``time`` (a time of day without a date)
    stamp_s : date and time in the name, seconds since 1970; None without
    day : year, month, day; empty without
    is_day_doubtful : whether day and month of that date could be exchanged
    tries : words that say that the recording may not count
    """

    words: tuple[tuple[str, str], ...]
    numbers: Mapping[str, int]
    stamp_s: float | None
    day: tuple[int, ...]
    is_day_doubtful: bool
    tries: frozenset[str]


def parts_of(path: str) -> NameParts:
    """Take a name apart.

    Parameters
    ----------
    path : of the file, from the folder of logs, with slashes
    """
    words: list[tuple[str, str]] = []
    numbers: dict[str, int] = {}
    stamp_s, day, is_doubtful = None, (), False
    parts = _ENDINGS.sub("", path).split("/")
    for depth, part in enumerate(parts):
        found_s, found_day, doubt, part = _stamp(part)
        stamp_s, day, is_doubtful = found_s or stamp_s, found_day or day, is_doubtful or doubt
        time, part = _time(part) if found_s is None else ((), part)
        if time:
            numbers["time"] = time[0] * 10000 + time[1] * 100 + time[2]
            stamp_s = float(calendar.timegm((*day, *time))) if day else stamp_s
        _read_part(part, "" if depth == len(parts) - 1 else str(depth), words, numbers)
    return NameParts(tuple(words), numbers, stamp_s, day, is_doubtful, frozenset(f for f, _ in words) & TRY)


def _stamp(part: str) -> tuple[float | None, tuple[int, ...], bool, str]:
    """Return stamp, day, whether day and month could be exchanged, and the rest of a part of a name."""
    for pattern in (_YEAR_LAST, _YEAR_FIRST):
        found = pattern.search(part)
        date = _date(found) if found else None
        if found and date:
            break
    else:
        return None, (), False, part
    is_doubtful = pattern is _YEAR_LAST and max(date[1:]) <= 12 and date[1] != date[2] and "." not in found[0][:6]
    hour, minute, second = (int(one) if one else 0 for one in found.groups()[3:6])
    stamp_s = float(calendar.timegm((*date, hour, minute, second))) if found[4] and hour < 24 else None
    return stamp_s, date, is_doubtful, f"{part[: found.start()]} | {part[found.end() :]}"


def _date(found: re.Match[str]) -> tuple[int, ...] | None:
    """Return year, month and day; None where there is no such day."""
    first, second, third = (int(one) for one in found.groups()[:3])
    year, month, day = (third, second, first) if third > 31 else (first, second, third)
    if month > 12 and third > 31:
        month, day = day, month
    is_day = 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]
    return (year, month, day) if is_day else None


def _time(part: str) -> tuple[tuple[int, ...], str]:
    """Return a time of day in a part of a name, and the rest."""
    found = _TIME.search(part)
    if not found:
        return (), part
    return tuple(int(one) for one in found.groups()), f"{part[: found.start()]} | {part[found.end() :]}"


def _read_part(part: str, depth: str, words: list[tuple[str, str]], numbers: dict[str, int]) -> None:
    """Add the words and numbers of a part of a name; ``depth`` is empty for the file's own name."""
    for found in _IN_BRACKETS.finditer(part):
        numbers["(n)"] = int(found[1])
    part = _CAMEL.sub(" ", _IN_BRACKETS.sub(" | ", part))
    counted = _COUNTED.search(part)
    if counted:
        numbers["run"] = int(counted[1])
        part = f"{part[: counted.start()]} | {part[counted.end() :]}"
    # The last number counts; one before it that stands behind a word belongs to that word (Orbit 2 quiet 1).
    tokens = [written for written in _SPLIT.split(part) if written]
    plain = [place for place, written in enumerate(tokens) if place and re.fullmatch(r"\d{1,4}", fold(written))]
    inner = set() if depth else set(plain[:-1])
    for place, written in enumerate(tokens):
        word = fold(written)
        if _SIX_DIGITS.fullmatch(word):
            numbers["time"] = int(word)
        elif re.fullmatch(r"\d{5,}", word):
            numbers["long"] = int(word)
        elif not re.fullmatch(r"\d{1,4}", word) or RESOLUTION.fullmatch(word):
            words.append((word, written))
        elif words and _belongs_to_word(word, words[-1][0], is_inner=place in inner):
            words[-1] = (words[-1][0] + word.lstrip("0"), f"{words[-1][1]} {written}")
        else:
            numbers[f"{'lead' if place == 0 and not depth else 'n'}{depth}"] = int(word)


def _belongs_to_word(number: str, word: str, *, is_inner: bool) -> bool:
    """Return whether a number is part of the word before it: the value of a limit, or of a name."""
    return int(number) >= _LEAST_LIMIT if word in TUNING else is_inner
