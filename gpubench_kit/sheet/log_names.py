"""Names of log files taken apart: words, numbers and stamps, and which game, tuning and round they speak of.

The words are single ones, for tunings, the reference, tries and resolutions.
"""

from __future__ import annotations

import calendar
import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from gpubench_kit.model.words import fold


def word_set(text: str) -> frozenset[str]:
    """Return the folded words of a list.

    Parameters
    ----------
    text : words with blanks between them
    """
    return frozenset(fold(word) for word in text.split())


#: Words for the state that a card is sold in.
REFERENCE = word_set(
    "factory stock default standard serie original werk origine usine fábrica fabbrica fabryczne fabriek standaard "
    "reference référence referenz referencia riferimento сток завод заводской מפעל 定格 標準 出厂 공장"
)
#: Words for states of the card's limits.
TUNING = REFERENCE | word_set(
    "uv undervolt undervolting oc overclock quiet silent leise eco limit limited pl tuned optimiert fast schnell "
    "boost sparsam economy turbo balanced performance silencieux silencioso silencio silenzioso "
    "ciche cichy stil stille тихо тихий שקט 静音 저소음"
)
#: Words for a recording that may not count.
TRY = word_set(
    "bad retry abort aborted abbruch crash crashed wrong failed fail falsch fehler kaputt nochmal again redo "
    "rejected scrap verworfen ungültig invalid test warmup aufwärmen"
)
#: Those for a recording that repeats another one.
AGAIN = word_set("retry again redo nochmal")
#: Words that say nothing about a run.
GENERIC = word_set(
    "log logs capture captures recording aufnahme frames frame frametimes sensors sensor sensoren data daten csv "
    "txt bench results run runs copy kopie"
)

#: A word with a small number right behind it.
_GLUED = re.compile(r"(?<![^\W_])([^\W\d_]+)(\d{1,2})(?![^\W_])")

#: A resolution: not a tuning, and not a game.
RESOLUTION = re.compile(r"\d{3,4}p|[248]k|uhd|qhd|wqhd|fhd|\d{3,4}x\d{3,4}")
#: A limit written as a number with a unit, with or without a sign: 300w, -90mv, 88%.
_VALUE = re.compile(r"[+-]?\d+(?:[.,]\d+)?(?:mv|w|mhz|%|v)")
_NUMBERED_WORD = re.compile(r"([^\W\d_]+)(\d+)(?:mv|w|mhz|%|v)?")


def names_tuning(phrase: str) -> bool:
    """Return whether every word of a phrase is a word for a tuning, or a limit's value.

    Parameters
    ----------
    phrase : folded words
    """
    return bool(phrase) and all(map(_is_tuning_word, phrase.split()))


def _is_tuning_word(word: str) -> bool:
    """Return whether a word names a tuning: one of the list, also with a number (uv950), or a limit's value."""
    numbered = _NUMBERED_WORD.fullmatch(word)
    return word in TUNING or bool(_VALUE.fullmatch(word)) or bool(numbered and numbered[1] in TUNING)


def names_reference(phrase: str) -> bool:
    """Return whether a phrase holds a word for the state that a card is sold in.

    Parameters
    ----------
    phrase : words
    """
    return bool(set(fold(phrase).split()) & REFERENCE)


#: Endings that say what kind of file it is.
_ENDINGS = re.compile(r"(\.(csv|tsv|txt|log|gz|bz2|xz|zip|zst|frames|sensors|json|jsonl))+$", re.IGNORECASE)
#: Values of limits keep their sign where it is no separator.
_LIMIT = re.compile(
    r"(?<![^\s_(\[,;|+\-])(?:(?<![^\s_(\[,;])[+\-−])?\d+(?:[.,]\d\d?)?(?:mV|mv|MV|V|W|w|MHz|mhz|MHZ|%)(?![^\W_])"
)
_CAMEL = re.compile(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])")
_SPLIT = re.compile(r"[\s_\-.,|+;()\[\]{}&]+")
_COUNTED = re.compile(
    r"(?i)(?:^|[\s_\-.|])(?:run|r|lauf|durchgang|durchlauf|pass|take|round|runde|rd|nr|no|#|versuch|mess(?:ung)?|"
    r"passe|essai|vuelta|ronda|giro|prova|проход|прогон|раунд|סיבוב|回)"
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
#: Stands for the value of a limit while a name is split.
_LIMIT_MARK = "\0"
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


def parts_of(path: str, *, joins: bool = True) -> NameParts:
    """Take a name apart.

    Parameters
    ----------
    path : of the file, from the folder of logs, with slashes
    joins : whether a number behind a word for a tuning is the value of its limit
    """
    words: list[tuple[str, str]] = []
    numbers: dict[str, int] = {}
    stamp_s: float | None = None
    day: tuple[int, ...] = ()
    is_doubtful = False
    parts = _ENDINGS.sub("", path).split("/")
    for depth, part in enumerate(parts):
        found_s, found_day, doubt, part = _stamp(part)
        stamp_s, day, is_doubtful = found_s or stamp_s, found_day or day, is_doubtful or doubt
        time = _TIME.search(part) if found_s is None else None
        if time:
            part = f"{part[: time.start()]} |{part[time.end() :]}"
            of_day = tuple(int(one) for one in time.groups())
            numbers["time"] = of_day[0] * 10000 + of_day[1] * 100 + of_day[2]
            stamp_s = float(calendar.timegm((*day, *of_day))) if day else stamp_s
        _read_part(part, "" if depth == len(parts) - 1 else str(depth), words, numbers=numbers, joins=joins)
    return NameParts(tuple(words), numbers, stamp_s, day, is_doubtful, frozenset(f for f, _ in words) & TRY)


def parts_of_all(paths: Sequence[str]) -> list[NameParts]:
    """Take the names of a folder apart; numbers behind words for tunings that seldom repeat are no limits.

    Parameters
    ----------
    paths : of the files, from the folder of logs, with slashes
    """
    numbers: dict[str, set[int]] = defaultdict(set)
    for path in paths:
        for word, number in _GLUED.findall(path):
            numbers[fold(word)].add(int(number))
    # Numbers right behind words for tunings count runs where the state of sale, which has no levels of its own,
    # has them too, from 1 on.
    counts = set().union(*(held for word, held in numbers.items() if word in REFERENCE))
    if len(counts) > 1 and min(counts) <= 1:
        apart = {word for word, held in numbers.items() if word in TUNING and held <= counts}
        paths = [_GLUED.sub(lambda found: " ".join(found.groups()) if fold(found[1]) in apart else found[0], path)
                 for path in paths]  # fmt: skip
    parts = [parts_of(path) for path in paths]
    joined = [word for name in parts for word, written in name.words if " " in written and re.search(r"\d", word)
              and _is_tuning_word(word)]  # fmt: skip
    if len(set(joined)) * 3 > len(joined) > 3:
        return [parts_of(path, joins=False) for path in paths]
    return parts


def _stamp(part: str) -> tuple[float | None, tuple[int, ...], bool, str]:
    """Return stamp, day, whether day and month could be exchanged, and the rest of a part of a name."""
    for pattern in (_YEAR_LAST, _YEAR_FIRST):
        found = pattern.search(part)
        if not found:
            continue
        first, second, third = (int(one) for one in found.groups()[:3])
        year, month, day = (third, second, first) if third > 31 else (first, second, third)
        if month > 12 and third > 31:
            month, day = day, month
        if 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]:
            break
    else:
        return None, (), False, part
    date = (year, month, day)
    is_doubtful = pattern is _YEAR_LAST and max(month, day) <= 12 and month != day and "." not in found[0][:6]
    hour, minute, second = (int(one) if one else 0 for one in found.groups()[3:6])
    stamp_s = float(calendar.timegm((*date, hour, minute, second))) if found[4] and hour < 24 else None
    return stamp_s, date, is_doubtful, f"{part[: found.start()]} |{part[found.end() :]}"


def _read_part(
    part: str, depth: str, words: list[tuple[str, str]], *, numbers: dict[str, int], joins: bool
) -> None:
    """Add the words and numbers of a part of a name; ``depth`` is empty for the file's own name."""
    for found in _IN_BRACKETS.finditer(part):
        numbers["(n)"] = int(found[1])
    part = _IN_BRACKETS.sub(" | ", part)
    limits = _LIMIT.findall(part)
    part = _CAMEL.sub(" ", _LIMIT.sub(f" {_LIMIT_MARK} ", part))
    counted = _COUNTED.search(part)
    if counted:
        numbers["run"] = int(counted[1])
        part = f"{part[: counted.start()]} | {part[counted.end() :]}"
    # The last number counts; one before it that stands behind a word belongs to that word (Orbit 2 quiet 1).
    tokens = [one for written in _SPLIT.split(part) if written for one in _parted(written)]
    plain = [place for place, written in enumerate(tokens) if place and re.fullmatch(r"\d{1,4}", fold(written))]
    inner = set() if depth else set(plain[:-1])
    for place, written in enumerate(tokens):
        word = fold(written)
        if written == _LIMIT_MARK:
            limit = limits.pop(0).replace("−", "-")
            words.append((fold(limit), limit))
        elif _SIX_DIGITS.fullmatch(word):
            numbers["time"] = int(word)
        elif re.fullmatch(r"\d{5,}", word):
            numbers["long"] = int(word)
        elif not re.fullmatch(r"\d{1,4}", word) or RESOLUTION.fullmatch(word):
            words.append((word, written))
        elif words and _belongs_to_word(word, words[-1][0], is_inner=place in inner, joins=joins):
            words[-1] = (words[-1][0] + word.lstrip("0"), f"{words[-1][1]} {written}")
        else:
            numbers[f"{'lead' if place == 0 and not depth else 'n'}{depth}"] = int(word)


def _parted(written: str) -> tuple[str, ...]:
    """Return a word, parted from a number that counts logs (log001), or from a letter that counts takes (OCA)."""
    numbered = _NUMBERED_WORD.fullmatch(fold(written))
    if numbered and numbered[1] in GENERIC and numbered[0] == numbered[1] + numbered[2]:
        return written[: len(numbered[1])], numbered[2]
    if len(written) > 2 and written.isupper() and fold(written[:-1]) in TUNING and fold(written) not in TUNING:
        return written[:-1], written[-1]
    return (written,)


def _belongs_to_word(number: str, word: str, *, is_inner: bool, joins: bool) -> bool:
    """Return whether a number is part of the word before it: the value of a limit, or of a name."""
    if word in GENERIC:
        return False
    return joins and int(number) >= _LEAST_LIMIT if word in TUNING else is_inner


def stem_of(path: str) -> tuple[str, ...]:
    """Return the words and numbers of a name without those that say what kind of log it is.

    Parameters
    ----------
    path : of the log, with its folders
    """
    parts = re.split(r"[\s_\-.()/]+", fold(re.sub(r"(\.\w+)+$", "", path)))
    return tuple(part for part in parts if part and part not in GENERIC)


#: Names as short as this have to be a word of their own: "oc" stands in "rocket" by chance.
_SHORT = 4


class NamedRow(NamedTuple):
    """A row without a log: run, game, tuning, round (0 where not given), order as planned, start as typed [s]."""

    run: str
    game: str
    tuning: str
    round: int
    order: float = math.nan
    started_at_s: float = math.nan


class ByNames(NamedTuple):
    """What names of logs tell.

    ``logs``: run -> log; ``said``: log -> (game, tuning) that its name speaks of, empty where it does not.
    """

    logs: Mapping[str, str]
    said: Mapping[str, tuple[str, str]]

    @property
    def speak(self) -> bool:
        """Whether any name speaks of a game or a tuning."""
        return any(game or tuning for game, tuning in self.said.values())

    def contradict(self, row: NamedRow, log: str) -> bool:
        """Return whether a log's name speaks of another game or tuning than a row."""
        game, tuning = self.said.get(log, ("", ""))
        return bool(game and game != row.game) or bool(tuning and tuning != row.tuning)


def logs_by_names(rows: Sequence[NamedRow], names: Sequence[str]) -> ByNames:
    """Match rows and logs by the words and numbers in the logs' names.

    Parameters
    ----------
    rows : rows that name no log
    names : of logs that no row names, with slashes

    Returns
    -------
    ByNames: a log belongs to a row if it is the only one whose name speaks of its game and tuning, or the only one
    of these whose number is the round. Names that do not tell are left out; the alphabet tells nothing
    """
    games, tunings = {row.game for row in rows}, {row.tuning for row in rows}
    parts = {name: parts_of(name) for name in names}
    said = {name: (said_of(name, games), said_of(name, tunings)) for name in names}
    if len(games) == 1:
        said = {name: (game or next(iter(games)) * bool(tuning), tuning) for name, (game, tuning) in said.items()}
    logs_of, rows_of = defaultdict(list), defaultdict(list)
    for name, key in said.items():
        logs_of[key].append(name)
    for row in rows:
        rows_of[row.game, row.tuning].append(row)
    found: dict[str, str] = {}
    for key, same in rows_of.items():
        found |= _by_number(same, logs_of.get(key, []), parts)
    return ByNames(found, said)


def _by_number(rows: Sequence[NamedRow], logs: Sequence[str], parts: Mapping[str, NameParts]) -> dict[str, str]:
    """Return the log of each row of one game and tuning, by the number in the names that gives all their rounds."""
    if len(rows) == len(logs) == 1:
        return {rows[0].run: logs[0]}
    rounds = [row.round for row in rows]
    if 0 in rounds or len(set(rounds)) < len(rounds):
        return {}
    for label in sorted({label for name in logs for label in parts[name].numbers} - {"time", "long"}):
        numbers = [parts[name].numbers.get(label, 1 if label == "(n)" else 0) for name in logs]
        if len(set(numbers)) == len(numbers) and set(rounds) == set(numbers):
            of_round = dict(zip(numbers, logs, strict=True))
            return {row.run: of_round[row.round] for row in rows}
    return {}


def said_of(name: str, known: Iterable[str]) -> str:
    """Return the one of some names that a log's name speaks of; empty for none, and where two are meant.

    Parameters
    ----------
    name : of the log, with its folders
    known : names of games, or of tunings
    """
    words, whole = {word for word, _ in parts_of(name).words}, _squeezed(name)
    forms = {one: _squeezed(one) for one in known if one}
    held = [one for one, form in forms.items() if form and form in (words if len(form) < _SHORT else whole)]
    inner = {one for one in held for other in held if one != other and forms[one] in forms[other]}
    longest = [one for one in held if one not in inner]
    return longest[0] if len(longest) == 1 else ""


def _squeezed(text: str) -> str:
    """Return a text folded, without anything but letters and digits."""
    return re.sub(r"[\W_]+", "", fold(text))
