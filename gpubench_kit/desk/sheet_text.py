"""The run sheet as a text whose form is kept: changed cells are written, all else stays byte for byte."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gpubench_kit.sheet.rows import KNOWN, read_columns
from gpubench_kit.sheet.text import encoding_of, plain_cell, read_cells

#: Columns that the desk writes, and adds where they are missing.
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
    records: list[tuple[str, list[str]]]

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
        places, headings, now = dict(self.places), self.headings, self.cells
        needed = {name for cells in wanted.values() for name, text in cells.items() if text}
        for name in (name for name in WRITTEN if name in needed and name not in places):
            places[name] = len(next(csv.reader([headings], delimiter=self.separator)))
            headings = headings.rstrip("\r\n") + self.separator + name + self.line_end
        lines, seen = [headings], set()
        for raw, cells in self.records:
            run = plain_cell(cells[places["run"]]) if len(cells) > places["run"] else ""
            changed = {name: text for name, text in wanted.get(run, {}).items() if now[run].get(name, "") != text}
            seen.add(run)
            if not run or run in wanted:
                lines.append(self._row(cells, changed, places) if changed else raw)
        lines += [self._row([], cells, places) for run, cells in wanted.items() if run not in seen]
        text = "".join(line if line.endswith(("\n", "\r")) else line + self.line_end for line in lines)
        return (self.head + text).encode(self.encoding)

    def _row(self, cells: list[str], changed: Mapping[str, str], places: dict[str, int]) -> str:
        """Return the text of a row with some cells changed."""
        row = [*cells, *[""] * (max(places.values()) + 1 - len(cells))]
        for name in places.keys() & changed.keys():
            row[places[name]] = f"'{changed[name]}" if changed[name].startswith(_FORMULA) else changed[name]
        out = io.StringIO()
        csv.writer(out, delimiter=self.separator, lineterminator=self.line_end).writerow(row)
        return out.getvalue()


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
    separator, encoding = cells.separator or ",", encoding_of(content)
    text = content.decode(encoding)
    line_end = next((one for one in ("\r\n", "\n", "\r") if one in text), "\n")
    # The raw text of each row; a cell in quotes may hold line ends.
    lines, raws, start = list(io.StringIO(text, newline="")), [], 0
    reader = csv.reader(lines, delimiter=separator)
    for _ in reader:
        raws.append("".join(lines[start : reader.line_num]))
        start = reader.line_num
    head = ""
    while raws and not _is_heading(raws[0]):
        head += raws.pop(0)
    if text.startswith("\ufeff") and not head:
        head, raws[0] = "\ufeff", raws[0][1:]
    split = [next(csv.reader(io.StringIO(raw, newline=""), delimiter=separator), []) for raw in raws[1:]]
    places = dict(read_columns(cells, logs_by_pattern=True).place)
    return SheetText(encoding, separator, line_end, head, raws[0], places, list(zip(raws[1:], split, strict=True)))


def _is_heading(raw: str) -> bool:
    """Return whether a row is one of headings, not a mark, a ``sep=`` line or a blank one."""
    shown = raw.strip('\ufeff \r\n"').lower()
    return bool(shown.strip(",;\t")) and not shown.startswith("sep=")


def merged(base: Cells, theirs: Cells, ours: Cells) -> tuple[Cells, list[tuple[str, str, str, str]]]:
    """Tell what another program did to the sheet while the desk changed it too, cell by cell.

    Parameters
    ----------
    base : the sheet as both knew it
    theirs : as it stands now
    ours : as the desk has it

    Returns
    -------
    what they changed, by run (a run without cells: its row is gone; one that the desk has not: its row is new), and
    conflicts as (run, column, theirs, ours), of which theirs stays
    """
    changed: Cells = {run: {} for run in ours if run in base and run not in theirs}
    changed |= {run: row for run, row in theirs.items() if run not in ours and row != base.get(run)}
    conflicts = []
    for run in [run for run in ours if run in theirs]:
        before = base.get(run, {})
        news = {name: theirs[run].get(name, "") for name in {**ours[run], **theirs[run]}
                if theirs[run].get(name, "") not in (before.get(name, ""), ours[run].get(name, ""))}  # fmt: skip
        conflicts += [(run, name, their, mine) for name, their in news.items()
                      if (mine := ours[run].get(name, "")) != before.get(name, "")]  # fmt: skip
        changed |= {run: news} if news else {}
    return changed, conflicts
