"""Lines and cells that hold more than a table does, made plain before rows are looked at: no number changes.

Units and minutes in cells ('16.7 ms', '1:07.25'), keys before values ('t=0.5; frame_ms=16.7'), JSON.
"""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from gpubench_kit.logs.cells import (
    begins_with_words,
    best_fit,
    is_clock,
    is_missing,
    looks_numeric,
    split_line,
)
from gpubench_kit.logs.clock import begins_at_zero, is_time_only
from gpubench_kit.logs.dialect import COMMENT_MARKS, GOOD_FIT, LOOK_AHEAD, UNITS, full_lines, whole_lines
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.notes import note

#: Largest text whose cells are made plain [MB]: hours of frames.
_LARGEST_MB = 12

#: Share of lines of the look-ahead that hold such a cell.
_SHARE_OF_LINES_WITH_UNIT = 0.5

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
    if not lines or n_with < _SHARE_OF_LINES_WITH_UNIT * len(lines):
        return None
    fit = best_fit([_MINUTES_IN_LINE.sub(r"\1", _UNIT_IN_LINE.sub("", line)) for line in lines])
    if fit is None or fit.separator == " ":
        return None
    written = whole_lines(text, 0, LOOK_AHEAD).decode("utf-8", "replace").split("\n")
    rows = [
        split_line(line.rstrip("\r"), fit.separator)
        for line in written
        if line.strip() and (_UNIT_IN_LINE.search(line) or _MINUTES_IN_LINE.search(line))
    ]
    rows = [row for row in rows if len(row) == len(fit.is_numeric)]
    units: dict[int, str] = {}
    is_alone = sum(fit.is_numeric) == 1
    has_date = any(is_clock(cell) and not is_time_only(cell) for cell in rows[0]) if rows else False
    for place, cells in enumerate(zip(*rows, strict=True)):
        full = [cell for cell in cells if not is_missing(cell)]
        are_minutes = _are_minutes(full) or (not has_date and _count_from_zero(full, is_alone=is_alone))
        matches = [_WITH_UNIT.fullmatch(cell) for cell in full]
        kinds = {match[2] if match else "" for match in matches}
        # The one unit that all cells have.
        held = (kinds.pop() if len(kinds) == 1 else "") or (_SECONDS if are_minutes else "")
        units |= {place: held} if held else {}
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
    findings = tuple(
        note("logs.minutes_read", name=name, column=column + 1)
        for column, unit in units.items()
        if unit == _SECONDS
    )
    told = tuple("s" if unit == _SECONDS else unit for unit in told)
    return PlainText("\n".join(plain).encode("utf-8", "replace"), told, findings)


def _are_minutes(cells: Sequence[str]) -> bool:
    """Return whether cells are minutes and seconds, and cannot be hours and minutes."""
    found = [match for cell in cells if (match := _MINUTES.fullmatch(cell))]
    if len(found) < max(2, len(cells)) or all(match[1] for match in found):
        return False
    is_told = any(match[1] or match[4] for match in found)
    return is_told or len(cells) <= _MOST_EQUAL * len(set(cells))


def _count_from_zero(cells: Sequence[str], *, is_alone: bool) -> bool:
    """Return whether cells are minutes and seconds that begin at zero, or hours too where nothing else is a number.

    Beside numbers, hours, minutes and seconds are left to be looked at as a clock.
    """
    found = [match for cell in cells if (match := _MINUTES.fullmatch(cell))]
    if len(found) < max(2, len(cells)):
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
        match = (_MINUTES if unit == _SECONDS else _WITH_UNIT).fullmatch(cells[column])
        # Words stay; a number without the unit, or with another one, is a fault.
        plain = None if match or looks_numeric(cells[column]) else cells[column]
        if match and unit == _SECONDS:
            plain = f"{(int(match[1] or 0) * 60 + int(match[2])) * 60 + int(match[3])}{match[4]}"
        elif match and match[2] == unit:
            plain = match[1]
        if plain is None and not begins_with_words(bare):
            shown = cells[column].strip()[:40]
            problem = f"column {column + 1} holds {shown!r}, where the rows above are in '{unit}'."
            raise LogError(Fault(f"{name}, line {number}", problem, "Let the recorder write one unit per column."))
        cells[column] = cells[column] if plain is None else plain
    return separator.join(f'"{cell}"' if separator and separator in cell else cell for cell in cells)


_WORDS = {None: "", True: "true", False: "false"}

#: Share of lines of the look-ahead that have the same keys.
_SHARE_OF_LINES = 0.6

_LONGEST_KEY = 80

#: In this order: what stands between pairs (nothing where a line has one), and between a key and its value.
_SEPARATORS = ("\t", ";", "|", ",", " ", "")
_MARKS = ("=", ":")


@dataclass(frozen=True)
class KeyedLines:
    """How lines of keys and values are written.

    Attributes
    ----------
    keys : in the order of one of the lines
    heading : the keys as a heading of the table
    pairs_of : keys and values of a line; a value that is no cell is None
    between : what stands between the cells of the table
    may_lack : whether a key may be left out, and stand in any order
    """

    keys: tuple[str, ...]
    heading: str
    pairs_of: Callable[[str], Sequence[tuple[str, str | None]]]
    between: str = "\t"
    may_lack: bool = False

    def row(self, line: str) -> str | None:
        """Return the values of a line, in the order of the heading.

        It is the line itself where it has none of the keys, and None where it has others too, or a key twice, or
        lacks one that may not be left out.
        """
        pairs = self.pairs_of(line)
        cells = {key: value for key, value in pairs if key in self.keys and value is not None}
        if not any(key in self.keys for key, _ in pairs):
            return line
        if len(cells) < len(pairs) or (tuple(cells) != self.keys and not self.may_lack):
            return None
        return self.between.join(cells.get(key, "") for key in self.keys)


def layout_of_pairs(line: str) -> KeyedLines | None:
    """Return how the pairs of a line are written; None where it is anything but pairs of keys and values.

    Parameters
    ----------
    line : without its end
    """
    for separator, mark in itertools.product(_SEPARATORS, _MARKS):
        if separator not in line or mark not in line:
            continue
        pairs = _pairs(line, separator, mark)
        keys = tuple(key for key, _ in pairs)
        are_keys = all((key[:1].isalpha() or key[:1] in {"_", "#"}) and len(key) <= _LONGEST_KEY for key in keys)
        has_number = any(looks_numeric(value.partition(" ")[0]) for _, value in pairs)
        if are_keys and has_number and len(set(keys)) == len(keys) and not line.startswith(COMMENT_MARKS):
            # A tab for blanks, as a value may be empty.
            between = "\t" if separator == " " else separator
            pairs_of = partial(_pairs, separator=separator, mark=mark)
            return KeyedLines(keys, between.join(keys), pairs_of, between)
    return None


def _pairs(line: str, separator: str, mark: str) -> list[tuple[str, str]]:
    """Return keys and values of a line; none where a cell of it has no mark."""
    if separator == " ":
        # Blanks beside the mark separate nothing.
        cells = mark.join(part.strip(" ") for part in line.split(mark)).split()
    else:
        cells = line.split(separator) if separator else [line]
    if len(cells) > 1 and not cells[-1].strip():
        cells.pop()
    parts = [cell.partition(mark) for cell in cells]
    if not all(found for _, found, _ in parts):
        return []
    return [(key.strip().strip('"'), value.strip()) for key, _, value in parts]


def _layout_of_object(line: str) -> KeyedLines | None:
    """Return how the object in a line is written; None where there is none."""
    keys = tuple(dict.fromkeys(key for key, _ in _pairs_of_object(line)))
    layout = KeyedLines(keys, "\t".join(map(cell_of_value, keys)), _pairs_of_object, may_lack=True)
    return layout if keys and layout.row(line) is not None else None


def _has_lines(layout: KeyedLines, lines: Sequence[str]) -> bool:
    """Return whether most lines are written in a layout."""
    return sum(layout.row(one) not in (None, one) for one in lines) >= _SHARE_OF_LINES * len(lines)


def _flat(pairs: Sequence[tuple[str, object]]) -> list[tuple[str, object]]:
    """Return members of an object, and those of objects in it by both keys."""
    inner = [(key, value if isinstance(value, tuple) else ((None, value),)) for key, value in pairs]
    return [(key if own is None else f"{key} {own}", one) for key, values in inner for own, one in values]


def _pairs_of_object(line: str) -> list[tuple[str, str | None]]:
    """Return keys and values of the object in a line; none where there is no object."""
    line = line.strip().rstrip(",")
    pairs = _from_json(line) if line.startswith("{") and line.endswith("}") else None
    if not isinstance(pairs, tuple):
        return []
    return [(key, None if isinstance(value, list | tuple) else cell_of_value(value)) for key, value in _flat(pairs)]


#: What a line of words holds: stamps, texts in quotes, and numbers that are no part of a word.
_STAMP = r"(?:\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[T ])?\d{1,3}:\d\d(?::\d\d)?(?:[.,]\d+)?(?:Z|[-+]\d\d:?\d\d)?"
_IN_WORDS = re.compile(
    rf"""(?<![\w.,])(?<!\d[-/:])(?:(?P<stamp>{_STAMP})|"(?P<text>[^"]*)"|"""
    rf"(?P<number>[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d{{1,3}})?)(?:{_BLANK}(?P<unit>{_UNIT}))?)(?!\w|[-.,/:]\d)",
    re.IGNORECASE,
)
_LETTER = re.compile(r"[^\W\d_]")
_WORDS_OF_NAME = re.compile(r"[^\W_](?:[\w'’ ]*\w)?")
_NAME_AND_MARK = re.compile(r"(\w+)\s*[=:]\W*$")


def _layout_of_words(line: str) -> KeyedLines | None:
    """Return how numbers stand among words that are the same in each line; None where nothing names them.

    A number is called by the words before it, and by those of a whole number before these: 'Frame 12 took 5.1 ms'.
    """
    names, before = [], ""
    for words, found in _parts_in_words(line):
        marked = _NAME_AND_MARK.search(words)
        own = marked[1] if marked else " ".join(_WORDS_OF_NAME.findall(words))
        before = "" if found["stamp"] else before
        name = (own if marked else f"{before} {own}".strip()) or ("stamp" if found["stamp"] else "")
        before = own if (found["number"] or "").isdecimal() and not found["unit"] else ""
        names.append(f"{name} [{found['unit']}]".strip() if found["unit"] else name)
    has_number = any(found["number"] for _, found in _parts_in_words(line))
    if not has_number or not any(names) or "" in names[1:] or len(set(names)) < len(names):
        return None
    return KeyedLines(tuple(key for key, _ in _pairs_in_words(line)), "\t".join(names), _pairs_in_words)


def _parts_in_words(line: str) -> list[tuple[str, re.Match[str]]]:
    """Return each number, text or stamp of a line with the words before it."""
    found = list(_IN_WORDS.finditer(line))
    ends = [0, *(one.end() for one in found)]
    return [(line[end : one.start()], one) for end, one in zip(ends, found, strict=False)]


def _pairs_in_words(line: str) -> list[tuple[str, str]]:
    """Return each number, text or stamp of a line, as a key what all the line says beside them."""
    parts = _parts_in_words(line)
    told = [*(f"{words}{one['unit'] or ''}" for words, one in parts), line[parts[-1][1].end() :] if parts else ""]
    says = " … ".join(" ".join(one.split()) for one in told)
    return [
        (f"{place}: {says}", one["stamp"] or one["number"] or one["text"]) for place, (_, one) in enumerate(parts)
    ]


def _from_json(text: str | bytes) -> object:
    """Return what a JSON text holds: objects as tuples of pairs, numbers as text; None where it is none."""
    try:
        # As pairs, so that a key that stands twice is seen; as text, so that every digit is kept.
        return json.loads(text, object_pairs_hook=tuple, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError):
        return None


def cell_of_value(value: object) -> str:
    """Return a value of a JSON document as the text of a cell."""
    if value is None or isinstance(value, bool):
        return _WORDS[value]
    text = " ".join(str(value).split())
    return '"' + text.replace('"', '""') + '"' if '"' in text else text


_LAYOUTS = (layout_of_pairs, _layout_of_object)


def with_keys_as_heading(text: bytes, name: str) -> bytes | None:
    """Return a log of keys and values as a table, one line longer by its heading; None where it is no such log.

    Parameters
    ----------
    text : the log as UTF-8
    name : what to call it in messages

    Raises
    ------
    LogError : a line has only some of the keys, or others too; or the text is too large
    """
    if text[:64].lstrip()[:1] in (b"[", b"{") and len(text) <= _LARGEST_MB * 1_000_000:
        # One JSON document: a list of flat objects or of lists, or an object of lists of one length; one of several
        # members of an object may hold them. Numbers keep every digit.
        found = _from_json(text)
        inside = [value for _, value in found] if isinstance(found, tuple) else []
        tables = [part for one in (found, *inside) if (part := _rows_of_document(one))]
        if len(tables) == 1:
            told = _flat(found) if isinstance(found, tuple) else []
            above = [f"# {key}: {cell_of_value(one)}" for key, one in told if not isinstance(one, list | tuple)]
            table = ("\t".join(map(cell_of_value, row)) for row in tables[0])
            return "\n".join([*above, *table, ""]).encode("utf-8", "replace")
    head = whole_lines(text, 0, LOOK_AHEAD)
    start = head.rfind(b"\n", 0, len(head) // 2) + 1
    probe = head[start : head.find(b"\n", start)].decode("utf-8", "replace").strip()
    usual = full_lines(head)
    layout = next((one for find in _LAYOUTS if (one := find(probe)) and _has_lines(one, usual)), None)
    if layout is None and usual and " " in probe and not _is_table(usual, probe):
        # Prose above a table may say the same again and again.
        end = full_lines(whole_lines(text, max(0, len(text) - LOOK_AHEAD // 8), LOOK_AHEAD))
        found = _layout_of_words(probe)
        layout = found if found and _has_lines(found, usual) and _has_lines(found, end) else None
    if layout is None:
        return None
    if len(text) > _LARGEST_MB * 1_000_000:
        problem = f"the file has {len(text) / 1e6:.0f} MB and keys in each line, which takes too long."
        raise LogError(Fault(name, problem, f"Cut it to the run: at most {_LARGEST_MB} MB are read so."))
    lines = [line.rstrip("\r") for line in text.decode("utf-8", "replace").split("\n")]
    rows = [line if line.startswith(COMMENT_MARKS) else layout.row(line) for line in lines]
    whole = [row for row in rows if row is not None]
    if len(whole) < len(rows):
        place, shown = rows.index(None), ", ".join(f"'{key}'" for key in layout.keys)[:200]
        problem = f"{lines[place].strip()[:80]!r} has not the keys of the other lines ({shown}), each once."
        action = "Let the recorder write the same keys in the same order in every line."
        raise LogError(Fault(f"{name}, line {place + 1}", problem, action))
    first = next(place for place, (row, line) in enumerate(zip(whole, lines, strict=True)) if row is not line)
    return "\n".join([*whole[:first], layout.heading, *whole[first:]]).encode("utf-8", "replace")


def _is_table(lines: list[str], probe: str) -> bool:
    """Return whether lines are rows of a table, and no words with numbers among them."""
    has_cells = any("." in cell and looks_numeric(cell) for cell in probe.split(","))
    if has_cells or not _LETTER.search(probe) or "\t" in probe or ";" in probe:
        return True
    bare = [_MINUTES_IN_LINE.sub(r"\1", _UNIT_IN_LINE.sub("", line)) for line in lines]
    fit = best_fit(bare)
    if fit is None:
        return False
    # What blanks part may be sentences as well, unless a heading has as many words.
    has_heading = not _IN_WORDS.search(lines[0]) and len(lines[0].split()) == len(probe.split())
    return fit.separator not in " " or has_heading or (fit.separator == "" and fit.score >= GOOD_FIT)


def _rows_of_document(found: object) -> list[Sequence[object]]:
    """Return heading and rows that a part of a JSON document holds; none where it holds none."""
    if isinstance(found, tuple):
        # Single texts and numbers beside the columns tell of the whole run.
        told = [(key, values) for key, values in found if isinstance(values, list)]
        if len({len(values) for _, values in told}) == 1 and all(_are_cells(values) for _, values in told):
            return [[key for key, _ in told], *zip(*(values for _, values in told), strict=True)]
    if not isinstance(found, list) or len(found) < 2:
        return []
    if all(isinstance(row, tuple) for row in found):
        flat = list(map(_flat, found))
        keys = [key for key, _ in flat[0]]
        if all([key for key, _ in row] == keys and _are_cells([value for _, value in row]) for row in flat):
            return [keys, *([value for _, value in row] for row in flat)]
    is_rectangle = all(isinstance(row, list) and len(row) == len(found[0]) > 1 and _are_cells(row) for row in found)
    return found if is_rectangle else []


def _are_cells(values: Sequence[object]) -> bool:
    """Return whether values are texts and numbers."""
    return len(values) > 0 and not any(isinstance(value, list | tuple) for value in values)
