"""The run sheet as a text whose form is kept: changed cells are written, all else stays byte for byte."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from gpubench_kit.sheet.rows import KNOWN, read_columns
from gpubench_kit.sheet.text import encoding_of, plain_cell, read_cells

#: Columns that the desk writes.
WRITTEN = (
    "session", "launch", "tuning_change", "round", "order", "started_at", "frame_log", "sensor_log", "excluded",
    "replaces", "game_version", "note",
)  # fmt: skip
_FORMULA = ("=", "+", "-", "@")

Cells = dict[str, dict[str, str]]


@dataclass
class SheetText:
    """A run sheet.

    Attributes
    ----------
    encoding, separator, line_end : how it is written
    head : what stands before the row of headings: a byte-order mark, a ``sep=`` line
    headings : first row, as written
    places : known column -> position
    records : (raw text, cells) of each row, in order
    """

    encoding: str
    separator: str
    line_end: str
    head: str
    headings: str
    places: dict[str, int]
    records: list[tuple[str, list[str]]] = field(default_factory=list)

    @property
    def cells(self) -> Cells:
        """Cells by run and known column, in the order of the rows."""
        rows = ({name: plain_cell(cells[at]) if at < len(cells) else "" for name, at in self.places.items()}
                for _, cells in self.records)  # fmt: skip
        return {row["run"]: row for row in rows if row["run"]}

    def with_cells(self, wanted: Mapping[str, Mapping[str, str]]) -> bytes:
        """Return the bytes of the sheet with these rows.

        Parameters
        ----------
        wanted : every run that shall be there, with its cells; rows that differ are written anew, new ones added
        """
        now = self.cells
        self._add_columns(name for cells in wanted.values() for name, text in cells.items() if text)
        kept, seen = [], set()
        for raw, cells in self.records:
            run = plain_cell(cells[self.places["run"]]) if len(cells) > self.places["run"] else ""
            if run and run not in wanted:
                continue
            seen.add(run)
            changed = {name: text for name, text in wanted.get(run, {}).items() if now[run].get(name, "") != text}
            kept.append(self._changed(cells, changed) if changed else raw)
        kept += [self._changed([], cells) for run, cells in wanted.items() if run not in seen]
        lines = [self.headings, *kept]
        text = "".join(line if line.endswith(("\n", "\r")) else line + self.line_end for line in lines)
        return (self.head + text).encode(self.encoding)

    def _changed(self, cells: list[str], changed: Mapping[str, str]) -> str:
        """Return the text of a row with some cells changed."""
        row = [*cells, *[""] * (max(self.places.values()) + 1 - len(cells))]
        for name, text in changed.items():
            if name in self.places:
                row[self.places[name]] = f"'{text}" if text.startswith(_FORMULA) else text
        out = io.StringIO()
        csv.writer(out, delimiter=self.separator, lineterminator=self.line_end).writerow(row)
        return out.getvalue()

    def _add_columns(self, names: Iterable[str]) -> None:
        """Add headings of columns that are needed and missing."""
        for name in dict.fromkeys(names):
            if name in WRITTEN and name not in self.places:
                self.places[name] = len(next(csv.reader([self.headings], delimiter=self.separator)))
                self.headings = self.headings.rstrip("\r\n") + self.separator + name + self.line_end


def read_sheet(file: Path, content: bytes) -> SheetText:
    """Return a run sheet with its form.

    Parameters
    ----------
    file : where it stands, for its separator and its headings
    content : its bytes

    Raises
    ------
    TableError : it is no table, or lacks columns
    """
    cells = read_cells(file, KNOWN)
    places = dict(read_columns(cells, logs_by_pattern=True).place)
    encoding = encoding_of(content)
    text = content.decode(encoding)
    line_end = next((one for one in ("\r\n", "\n", "\r") if one in text), "\n")
    raws, head = _records(text, cells.separator or ","), ""
    while raws and not _is_heading(raws[0]):
        head += raws.pop(0)
    if text.startswith("\ufeff") and not head:
        head, raws[0] = "\ufeff", raws[0][1:]
    split = [
        next(csv.reader(io.StringIO(raw, newline=""), delimiter=cells.separator or ","), []) for raw in raws[1:]
    ]
    return SheetText(encoding, cells.separator or ",", line_end, head, raws[0], places,
                     list(zip(raws[1:], split, strict=True)))  # fmt: skip


def _records(text: str, separator: str) -> list[str]:
    """Return the raw text of each row; a cell in quotes may hold line ends."""
    lines, raws, start = list(io.StringIO(text, newline="")), [], 0
    reader = csv.reader(lines, delimiter=separator)
    for _ in reader:
        raws.append("".join(lines[start : reader.line_num]))
        start = reader.line_num
    return raws


def _is_heading(raw: str) -> bool:
    """Return whether a row is one of headings, not a mark, a ``sep=`` line or a blank one."""
    shown = raw.strip('\ufeff \r\n"').lower()
    return bool(shown.strip(",;\t")) and not shown.startswith("sep=")


def merged(base: Cells, theirs: Cells, ours: Cells) -> tuple[Cells, Cells, list[tuple[str, str, str, str]]]:
    """Bring together what another program and the desk did to the sheet, cell by cell.

    Parameters
    ----------
    base : the sheet as both knew it
    theirs : as it stands now
    ours : as the desk has it

    Returns
    -------
    the sheet that both together make; what they changed, by run (a run without cells: its row is gone); conflicts
    as (run, column, theirs, ours), of which theirs stays
    """
    out: Cells = {run: dict(cells) for run, cells in theirs.items()}
    changed: Cells = {run: {} for run in ours if run in base and run not in theirs}
    conflicts = []
    for run, cells in ours.items():
        if run in changed:
            continue
        if run not in theirs:
            out[run] = dict(cells)
            continue
        before = base.get(run, {})
        told = [(name, theirs[run].get(name, ""), mine, before.get(name, "")) for name, mine in cells.items()]
        out[run] |= {name: mine for name, their, mine, old in told if their == old}
        if new := {name: their for name, their, mine, old in told if their not in (old, mine)}:
            changed[run] = new
        conflicts += [(run, name, their, mine) for name, their, mine, old in told
                      if their not in (old, mine) and mine != old]  # fmt: skip
    for run in [run for run in theirs if run not in ours]:
        if theirs[run] == base.get(run):
            del out[run]  # The desk took its own row back.
        else:
            changed[run] = theirs[run]
    return out, changed, conflicts
