"""The run sheet as a text whose form is kept: changed cells and new rows are written, all else stays as it is."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from gpubench_kit.files import swap_file
from gpubench_kit.model.errors import Fault, TableError, shown
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet.new_review import SHEET_HEADINGS
from gpubench_kit.sheet.rows import KNOWN, read_columns
from gpubench_kit.sheet.text import SHEET_FILES, SheetCells, encoding_of, find_sheet, plain_cell, read_cells

#: Cells of the run sheet by run and column.
Cells = dict[str, dict[str, str]]

#: Columns that the desk writes, and adds where they are missing.
WRITTEN_AT_DESK = (
    "session", "launch", "tuning_change", "round", "order", "started_at", "frame_log", "sensor_log", "excluded",
    "replaces", "game_version", "note",
)  # fmt: skip
#: The same of the planner; those that it always writes.
_PLANNED = ("run", "card", "bench", "tuning", "game", "setting", "purpose", "session", "launch", "round", "order",
            "note")  # fmt: skip
_ALWAYS = ("run", "tuning", "game", "round", "order")
_WORKBOOK = b"PK\x03\x04"
_FORMULA_SIGNS = ("=", "+", "-", "@")


@dataclass
class SheetText:
    """A run sheet.

    Attributes
    ----------
    name : of its file
    encoding, separator, line_end : how it is written
    head : what stands before the row of headings: a byte-order mark, a ``sep=`` line
    headings : first row, as written
    places : known column -> position
    records : (raw text, cells) of each row, in order
    """

    name: str
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

    def with_cells(
        self, wanted: Mapping[str, Mapping[str, str]], *, added: Sequence[str] = WRITTEN_AT_DESK
    ) -> bytes:
        """Return the bytes of the sheet with these rows.

        Parameters
        ----------
        wanted : every run that shall be there, with its cells; rows that differ are written anew, new ones added
        added : columns that are added where they are missing and a cell has a text

        Raises
        ------
        TableError : its encoding has no such letter
        """
        places, headings, now = dict(self.places), self.headings, self.cells
        width = len(next(csv.reader([headings], delimiter=self.separator)))
        needed = {name for cells in wanted.values() for name, text in cells.items() if text}
        for name in (name for name in added if name in needed and name not in places):
            places[name], width = width, width + 1
            headings = headings.rstrip("\r\n") + self.separator + name + self.line_end
        lines, seen = [headings], set()
        for raw, cells in self.records:
            run = plain_cell(cells[places["run"]]) if len(cells) > places["run"] else ""
            changed = {name: text for name, text in wanted.get(run, {}).items() if now[run].get(name, "") != text}
            seen.add(run)
            if not run or run in wanted:
                lines.append(self._row(cells, changed, places) if changed else raw)
        lines += [self._row([""] * width, cells, places) for run, cells in wanted.items() if run not in seen]
        text = "".join(line if line.endswith(("\n", "\r")) else line + self.line_end for line in lines)
        try:
            return (self.head + text).encode(self.encoding)
        except UnicodeEncodeError as error:
            letter = shown(error.object[error.start : error.end])
            problem = f"its encoding (Windows code page 1252) has no {letter}, which a name in the plan has."
            raise TableError(Fault(self.name, problem, "Save the run sheet as UTF-8 and call again.")) from error

    def _row(self, cells: list[str], changed: Mapping[str, str], places: dict[str, int]) -> str:
        """Return the text of a row with some cells changed, none of which a spreadsheet takes for a formula."""
        row = [*cells, *[""] * (max(places.values()) + 1 - len(cells))]
        for name in places.keys() & changed.keys():
            # The reader takes the apostrophe away again.
            is_formula = changed[name].lstrip("'").startswith(_FORMULA_SIGNS)
            row[places[name]] = f"'{changed[name]}" if is_formula else changed[name]
        out = io.StringIO()
        csv.writer(out, delimiter=self.separator, lineterminator=self.line_end).writerow(row)
        return out.getvalue()


def read_sheet(file: Path, content: bytes) -> SheetText:
    """Return a run sheet with its form.

    Parameters
    ----------
    file : where it stands, for its separator and its headings; a new one where there is none
    content : its bytes

    Raises
    ------
    TableError : it is no table, or lacks columns
    """
    cells = SheetCells(file.name, tuple(SHEET_HEADINGS), (), ",")
    if file.exists():
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
    return SheetText(
        file.name, encoding, separator, line_end, head, raws[0], places, list(zip(raws[1:], split, strict=True))
    )


def _is_heading(raw: str) -> bool:
    """Return whether a row is one of headings, not a mark, a ``sep=`` line or a blank one."""
    shown = raw.strip('\ufeff \r\n"').lower()
    return bool(shown.strip(",;\t")) and not shown.startswith("sep=")


@contextmanager
def extended_run_sheet(rows: pd.DataFrame, plan: ReviewPlan) -> Iterator[Path | None]:
    """Add planned runs to the end of the run sheet, in its own columns, separator and encoding.

    Parameters
    ----------
    rows : see ``schedule.design.PLANNED_RUNS``
    plan : the review's plan, with its folder

    Yields
    ------
    Path of the run sheet; None where there is nothing to add. Should what follows fail, the rows are taken back.

    Raises
    ------
    TableError : the sheet is a workbook, has changed meanwhile, or cannot hold a name
    ReportError : it cannot be written

    Notes
    -----
    Rows that are there stay as they are, byte for byte. A column that is needed and missing gets its
    heading at the end of the first row; cells that a row lacks count as empty. The file is replaced in one step.
    """
    if not len(rows):
        yield None
        return
    check_extendable(plan)
    exists = any((plan.folder / name).exists() for name in SHEET_FILES)
    file = find_sheet(plan.folder) if exists else plan.folder / SHEET_FILES[0]
    before = _bytes_of(file) if exists else None
    sheet = read_sheet(file, before if before is not None else (",".join(SHEET_HEADINGS) + "\n").encode())
    names = {*_needed(rows, plan, is_empty=not sheet.records), *sheet.places} & set(_PLANNED)
    texts = rows[list(names)].astype(object).where(rows[list(names)].notna(), "").astype(str)
    planned = {row["run"]: row for row in texts.to_dict("records")}
    after = sheet.with_cells({run: {} for run in sheet.cells} | planned, added=_PLANNED)
    if (_bytes_of(file) if file.exists() else None) != before:
        raise TableError(Fault(file.name, "the file was changed while the session was planned.", "Call again."))
    swap_file(file, after)
    try:
        yield file
    except BaseException:
        swap_file(file, before)
        raise


def check_extendable(plan: ReviewPlan) -> None:
    """Raise where rows could not be added to the run sheet, so that nothing is begun in vain.

    Parameters
    ----------
    plan : the review's plan, with its folder

    Raises
    ------
    TableError : the run sheet is a workbook
    """
    for file in (plan.folder / name for name in SHEET_FILES):
        if file.exists() and (file.suffix == ".xlsx" or _bytes_of(file).startswith(_WORKBOOK)):
            problem = "the run sheet is a workbook, to which no rows are added: more than its cells could be lost."
            action = "Save it as CSV under the name runs.csv, take the workbook out, and call again."
            raise TableError(Fault(file.name, problem, action))


def _needed(rows: pd.DataFrame, plan: ReviewPlan, *, is_empty: bool) -> list[str]:
    """Return the columns without which the rows would not say what they are."""
    several = {
        "card": len(plan.cards) > 1,
        "bench": len(plan.benches) > 1,
        "setting": any(len(game.settings) > 1 for game in plan.games),
        "session": rows["session"].nunique() > 1 or not is_empty,
        "launch": is_empty or plan.exclude.warm_up_runs_per_launch > 0,
        "note": bool(rows["note"].any()),
    }
    return [name for name in _PLANNED if name in _ALWAYS or several.get(name, False)]


def _bytes_of(file: Path) -> bytes:
    """Return the bytes of the sheet."""
    try:
        return file.read_bytes()
    except OSError as error:
        problem = f"the file cannot be read ({error.strerror})."
        raise TableError(Fault(file.name, problem, "Check its permissions.")) from error
