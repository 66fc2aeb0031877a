"""Lines in which each value stands behind its key: 't=0.5; frame_ms=16.7'. The keys become the heading of a table.

One line from the middle of a log's beginning tells whether it is such a log. No value changes.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from dataclasses import dataclass

from gpubench_kit.logs.cell_text import looks_numeric
from gpubench_kit.logs.dialect import COMMENT_MARKS, LOOK_AHEAD, full_lines, whole_lines
from gpubench_kit.logs.object_lines import ObjectLayout, cell_of_value, layout_of_object
from gpubench_kit.model.errors import Fault, LogError

#: Largest text whose lines are taken apart [MB]: an hour of frames.
_LARGEST_MB = 12

#: Share of lines of the look-ahead that have the same keys.
_SHARE_OF_LINES = 0.6

_LONGEST_KEY = 80

#: In this order: what stands between pairs (nothing where a line has one), and between a key and its value.
_SEPARATORS = ("\t", ";", "|", ",", " ", "")
_MARKS = ("=", ":")


@dataclass(frozen=True)
class PairLayout:
    """How pairs are written.

    Attributes
    ----------
    separator : what stands between pairs; empty where a line has one
    mark : what stands between key and value
    keys : in their order
    """

    separator: str
    mark: str
    keys: tuple[str, ...]

    @property
    def between_cells(self) -> str:
        """What stands between the cells of the table; a tab for blanks, as a value may be empty."""
        return "\t" if self.separator == " " else self.separator

    def heading(self) -> str:
        """Return the keys as a heading."""
        return self.between_cells.join(self.keys)

    def row(self, line: str) -> str | None:
        """Return the values of a line; the line itself where it has none of the keys, None where only some."""
        pairs = _pairs(line, self.separator, self.mark)
        if tuple(key for key, _ in pairs) == self.keys:
            return self.between_cells.join(value for _, value in pairs)
        return None if any(key in self.keys for key, _ in pairs) else line


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
    document = _document_as_table(text) if text[:64].lstrip()[:1] in (b"[", b"{") else None
    if document is not None:
        return document
    head = whole_lines(text, 0, LOOK_AHEAD)
    start = head.rfind(b"\n", 0, len(head) // 2) + 1
    probe = head[start : head.find(b"\n", start)].decode("utf-8", "replace").strip()
    layout = layout_of_pairs(probe) or layout_of_object(probe)
    if layout is None or not _is_usual(layout, full_lines(head)):
        return None
    if len(text) > _LARGEST_MB * 1_000_000:
        problem = f"the file has {len(text) / 1e6:.0f} MB and keys in each line, which takes too long."
        raise LogError(Fault(name, problem, f"Cut it to the run: at most {_LARGEST_MB} MB are read so."))
    lines = [line.rstrip("\r") for line in text.decode("utf-8", "replace").split("\n")]
    rows = [line if line.startswith(COMMENT_MARKS) else layout.row(line) for line in lines]
    if None in rows:
        raise LogError(_other_keys(f"{name}, line {rows.index(None) + 1}", lines[rows.index(None)], layout))
    first = next(place for place, (row, line) in enumerate(zip(rows, lines, strict=True)) if row is not line)
    return "\n".join([*rows[:first], layout.heading(), *rows[first:]]).encode("utf-8", "replace")


def _document_as_table(text: bytes) -> bytes | None:
    """Return a file that is one JSON document with the rows of a log as lines with tabs; None where it is none.

    The rows are a list of flat objects or of lists, or an object of lists of one length; one of several members of
    an object may hold them. Numbers keep every digit.
    """
    if len(text) > _LARGEST_MB * 1_000_000:
        return None
    try:
        found = json.loads(text, object_pairs_hook=tuple, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError):
        return None
    inside = [value for _, value in found] if isinstance(found, tuple) else []
    tables = [rows for one in (found, *inside) if (rows := _rows_of_document(one))]
    if len(tables) != 1:
        return None
    return "".join("\t".join(map(cell_of_value, row)) + "\n" for row in tables[0]).encode("utf-8", "replace")


def _rows_of_document(found: object) -> list[Sequence[object]]:
    """Return heading and rows that a part of a JSON document holds; none where it holds none."""
    if isinstance(found, tuple) and len(found) > 1 and all(isinstance(values, list) for _, values in found):
        columns = [values for _, values in found]
        if len({len(values) for values in columns}) == 1 and all(map(_are_cells, columns)):
            return [[key for key, _ in found], *zip(*columns, strict=True)]
    if not isinstance(found, list) or len(found) < 2:
        return []
    if all(isinstance(row, tuple) for row in found):
        keys = [key for key, _ in found[0]]
        if all([key for key, _ in row] == keys and _are_cells([value for _, value in row]) for row in found):
            return [keys, *([value for _, value in row] for row in found)]
    is_rectangle = all(isinstance(row, list) and len(row) == len(found[0]) > 1 and _are_cells(row) for row in found)
    return found if is_rectangle else []


def _are_cells(values: Sequence[object]) -> bool:
    """Return whether values are texts and numbers."""
    return len(values) > 0 and not any(isinstance(value, list | tuple) for value in values)


def layout_of_pairs(line: str) -> PairLayout | None:
    """Return how the pairs of a line are written; None where it is anything but pairs of keys and values.

    Parameters
    ----------
    line : without its end
    """
    for separator, mark in itertools.product(_SEPARATORS, _MARKS):
        if separator not in line or mark not in line:
            continue
        pairs = _pairs(line, separator, mark)
        if pairs and _are_keys([key for key, _ in pairs]) and _has_number(pairs):
            return PairLayout(separator, mark, tuple(key for key, _ in pairs))
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


def _are_keys(keys: Sequence[str]) -> bool:
    """Return whether texts can name columns: they begin with a letter, and no two are equal."""
    can_be = all((key[:1].isalpha() or key[:1] == "_") and len(key) <= _LONGEST_KEY for key in keys)
    return can_be and len(set(keys)) == len(keys)


def _has_number(pairs: Sequence[tuple[str, str]]) -> bool:
    """Return whether a value is a number, to which a unit may belong."""
    return any(looks_numeric(value.partition(" ")[0]) for _, value in pairs)


def _is_usual(layout: PairLayout | ObjectLayout, lines: Sequence[str]) -> bool:
    """Return whether most lines are written so."""
    n_alike = sum(layout.row(line) not in (None, line) for line in lines)
    return n_alike >= _SHARE_OF_LINES * len(lines)


def _other_keys(where: str, line: str, layout: PairLayout | ObjectLayout) -> Fault:
    """Return the fault for a line with other keys."""
    keys = ", ".join(f"'{key}'" for key in layout.keys)[:200]
    problem = f"{line.strip()[:80]!r} has not the keys of the other lines ({keys}), each once."
    return Fault(where, problem, "Let the recorder write the same keys in the same order in every line.")
