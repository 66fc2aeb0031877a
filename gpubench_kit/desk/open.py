"""A desk opened: the folders checked, the lock held, everything brought together."""

from __future__ import annotations

import csv
import io
import math
import os
import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from gpubench_kit.desk.desk import Desk
from gpubench_kit.desk.journal import Disk, Foreign, Journal
from gpubench_kit.desk.keeper import FOLDER, JOURNAL, SHEET_BEFORE, Clock, Keeper
from gpubench_kit.desk.session import session_of
from gpubench_kit.desk.sheet_text import read_sheet
from gpubench_kit.desk.taking import Taker
from gpubench_kit.desk.watch import FileView, Watch
from gpubench_kit.locks import Busy, locked
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.sheet.rows import KNOWN
from gpubench_kit.sheet.text import find_sheet, read_cells

#: A sheet in a workbook, what it is called once it is no longer read, and the sheet that is made of it.
BOOK, BOOK_KEPT, MADE = "runs.xlsx", "runs_before_desk.xlsx", "runs_made.csv"


@contextmanager
def opened_desk(folder: Path, watched: Sequence[Path], *, clock: Clock | None = None, disk: Disk | None = None,
                view: FileView | None = None) -> Iterator[Desk]:  # fmt: skip
    """Open the desk of a review; it is locked while the ``with`` lasts.

    Parameters
    ----------
    folder : the review folder
    watched : folders of recordings and of sensor logs, or one file of them
    clock, disk, view : what it sees of the machine; tests give their own

    Raises
    ------
    GpubenchError : plan or sheet have faults, a folder is missing, or another desk is open
    """
    inside = (folder / "logs").resolve()
    for one in watched:
        if not one.exists():
            raise ReportError(Fault(str(one), "there is no such folder to watch.", "Correct --watch."))
        if inside in (one.resolve(), *one.resolve().parents):
            problem = "this is the review's own folder of logs; the desk copies into it."
            raise ReportError(Fault(str(one), problem, "Watch the folder that the recorder writes to."))
    files = {one for one in watched if one.is_file()}
    folders = tuple(dict.fromkeys(one.parent if one in files else one for one in watched))
    alone = {one.parent: {file for file in files if file.parent == one.parent}
             for one in files if one.parent not in watched}  # fmt: skip
    watch = Watch(folders, view or FileView(), _length_of, alone=alone, sensor_folders=folders[1:])
    with _kept(folder, clock or Clock(), disk or Disk()) as keeper:
        desk = Desk(keeper, watch, Taker(keeper, watch))
        desk.start()
        yield desk


@contextmanager
def _kept(folder: Path, clock: Clock, disk: Disk) -> Iterator[Keeper]:
    """Hold the lock of a review while its keeper is used; another desk is refused, or ends this one."""
    if not folder.is_dir():
        raise ReportError(Fault(str(folder), "there is no such folder.", "Make one with: gpubench-kit new FOLDER"))
    home, holder = folder / FOLDER, folder / FOLDER / "open_at"
    home.mkdir(exist_ok=True)
    try:
        with locked(home / "lock"):
            about = f"{socket.gethostname()} since {clock.now():%H:%M} (process {os.getpid()})"
            holder.write_text(about, encoding="utf-8")
            if not (folder / BOOK).exists():
                disk.move(home / MADE, folder / "runs.csv")  # Where making it ended between two steps.
            yield Keeper(folder, clock=clock, disk=disk)
            holder.unlink(missing_ok=True)
    except Busy:
        where = holder.read_text(encoding="utf-8") if holder.exists() else "another machine"
        problem = f"this review is open at the desk on {where}."
        raise ReportError(Fault(folder.name, problem, "Close it there; --page shows the same view.")) from None
    except Foreign:
        problem = "another desk wrote into this review's journal; this one stops, and nothing is lost."
        raise ReportError(Fault(folder.name, problem, "Go on there, or close it there and start again.")) from None


def has_workbook(folder: Path) -> bool:
    """Return whether the run sheet of a review is a workbook, which the desk does not write.

    Parameters
    ----------
    folder : the review folder
    """
    return (folder / BOOK).exists() and find_sheet(folder).name == BOOK


def make_sheet(folder: Path, disk: Disk | None = None) -> None:
    """Make ``runs.csv`` of the workbook, which is kept under another name and no longer read.

    Parameters
    ----------
    folder : the review folder
    disk : writes; tests give their own

    Raises
    ------
    TableError : the workbook cannot be read
    ReportError : a workbook was set aside before
    """
    disk, cells, out = disk or Disk(), read_cells(folder / BOOK, KNOWN), io.StringIO()
    if (folder / BOOK_KEPT).exists():
        raise ReportError(Fault(BOOK_KEPT, "a workbook set aside before is still there.", "Move it away."))
    csv.writer(out, lineterminator="\n").writerows([cells.headings, *(row for _, row in cells.rows)])
    disk.replace(folder / FOLDER / MADE, out.getvalue().encode())
    disk.move(folder / BOOK, folder / BOOK_KEPT)
    disk.move(folder / FOLDER / MADE, folder / "runs.csv")


def _length_of(file: Path) -> float:
    """Return the length of a log [s]; nan where it has none."""
    facts = facts_of_log(file)
    return facts.length_s if facts.kind in ("frames", "sensors") else math.nan


def settle(folder: Path) -> int:
    """Write the steps of the journal that the sheet does not have yet; return how many rows were written.

    Parameters
    ----------
    folder : the review folder
    """
    n = rows_waiting(folder)
    with _kept(folder, Clock(), Disk()) as keeper:
        keeper.recover()
        keeper.write_witness()
        if keeper.held:
            raise ReportError(Fault(keeper.sheet.name, f"it cannot be written ({keeper.held[0]}).", "Close it."))
    return n


def rows_waiting(folder: Path) -> int:
    """Return how many rows the journal has otherwise than the sheet, since a desk ended before it wrote them.

    Parameters
    ----------
    folder : the review folder
    """
    files = (folder / FOLDER / JOURNAL, folder / FOLDER / SHEET_BEFORE)
    if not all(one.exists() for one in files):
        return 0
    file = find_sheet(folder)
    base, sheet = (read_sheet(one, one.read_bytes()).cells for one in (files[1], file))
    ours = session_of(Journal(files[0], Disk(), is_read_only=True).lines).rows
    changed = {run for run in {**ours, **base} if _filled(ours.get(run)) != _filled(base.get(run))}
    return sum(_filled(sheet.get(run)) != _filled(ours.get(run)) for run in changed)


def _filled(row: dict[str, str] | None) -> dict[str, str] | None:
    """Return the cells of a row that hold anything; None for no row."""
    return None if row is None else {name: text for name, text in row.items() if text}
