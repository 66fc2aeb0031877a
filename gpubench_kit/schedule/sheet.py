"""Planned runs written into ``runs.csv``: rows are added at its end, and those that are there keep every byte."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from gpubench_kit.file_names import swap_file
from gpubench_kit.model.errors import Fault, TableError, shown
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet.new_review import SHEET_HEADINGS
from gpubench_kit.sheet.rows import KNOWN, read_columns
from gpubench_kit.sheet.text import SHEET_FILES, SheetCells, encoding_of, find_sheet, read_cells

_WRITTEN = ("run", "card", "bench", "tuning", "game", "setting", "purpose", "session", "launch", "round", "order",
            "note")  # fmt: skip
_ALWAYS = ("run", "tuning", "game", "round", "order")
_WORKBOOK = b"PK\x03\x04"
_FORMULA_SIGNS = ("=", "+", "-", "@")


@contextmanager
def extended_run_sheet(rows: pd.DataFrame, plan: ReviewPlan) -> Iterator[Path | None]:
    """Add planned runs to the end of the run sheet, in its own columns, separator and encoding.

    Parameters
    ----------
    rows : see ``schedule.tables.PLANNED_RUNS``
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
    start = before if before is not None else (",".join(SHEET_HEADINGS) + "\n").encode("utf-8")
    after = _extended(start, rows, plan, file=file)
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


def _extended(content: bytes, rows: pd.DataFrame, plan: ReviewPlan, *, file: Path) -> bytes:
    """Return the bytes of the sheet with the rows added."""
    if file.exists():
        cells = read_cells(file, KNOWN)
    else:
        cells = SheetCells(file.name, tuple(content.decode("utf-8").strip().split(",")), (), ",")
    encoding, separator = encoding_of(content), cells.separator or ","
    text = content.decode(encoding)
    line_end = next((one for one in ("\r\n", "\n", "\r") if one in text), "\n")
    place = dict(read_columns(cells, logs_by_pattern=True).place)
    missing = [name for name in _needed(rows, plan, is_empty=not cells.rows) if name not in place]
    start = _start_of_headings(text)
    reader = csv.reader(io.StringIO(text[start:], newline=""), delimiter=separator, strict=True)
    width = len(next(reader, []))
    first_row = "".join(list(io.StringIO(text[start:], newline=""))[: reader.line_num])
    stop = start + len(first_row.rstrip("\r\n"))
    text = text[:stop] + "".join(separator + name for name in missing) + text[stop:]
    place |= {name: width + number for number, name in enumerate(missing)}
    size = max(width + len(missing), *(position + 1 for position in place.values()))
    added = io.StringIO()
    lines = [_line(row, place, size=size) for row in rows.to_dict("records")]
    csv.writer(added, delimiter=separator, lineterminator=line_end).writerows(lines)
    gap = "" if text.endswith(("\n", "\r")) else line_end
    try:
        return (text + gap + added.getvalue()).encode(encoding)
    except UnicodeEncodeError as error:
        letter = shown(error.object[error.start : error.end])
        problem = f"its encoding (Windows code page 1252) has no {letter}, which a name in the plan has."
        raise TableError(Fault(file.name, problem, "Save the run sheet as UTF-8 and call again.")) from error


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
    return [name for name in _WRITTEN if name in _ALWAYS or several.get(name, False)]


def _start_of_headings(text: str) -> int:
    """Return where the first row with cells begins: after a byte-order mark, a ``sep=`` line and blanks."""
    start = 1 if text.startswith("\ufeff") else 0
    for line in text[start:].splitlines(keepends=True):
        cells = line.strip().strip('"').lower()
        if cells.strip(",;\t") and not cells.startswith("sep="):
            break
        start += len(line)
    return start


def _line(row: dict, place: dict[str, int], *, size: int) -> list[str]:
    """Return the cells of one run, in the columns of the sheet, none of which a spreadsheet takes for a formula."""
    cells = [""] * size
    for name in (one for one in _WRITTEN if one in place):
        text = "" if pd.isna(row[name]) else str(row[name])
        # The reader takes the apostrophe away again.
        cells[place[name]] = f"'{text}" if text.lstrip("'").startswith(_FORMULA_SIGNS) else text
    return cells


def _bytes_of(file: Path) -> bytes:
    """Return the bytes of the sheet."""
    try:
        return file.read_bytes()
    except OSError as error:
        problem = f"the file cannot be read ({error.strerror})."
        raise TableError(Fault(file.name, problem, "Check its permissions.")) from error
