"""A desk opened: the folders checked, the lock held, everything brought together."""

from __future__ import annotations

import math
import os
import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from gpubench_kit.desk.journal import Disk, Foreign, Journal, evening_of
from gpubench_kit.desk.keeping import FOLDER, JOURNAL, SHEET_BEFORE, Clock, Keeper
from gpubench_kit.desk.sheet_text import read_sheet
from gpubench_kit.desk.states import Desk
from gpubench_kit.desk.taking import Taker
from gpubench_kit.desk.watch import FileView, Watch
from gpubench_kit.locks import Busy, locked
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.model.errors import Fault, ReportError


@contextmanager
def opened_desk(
    folder: Path,
    watched: Sequence[Path],
    *,
    clock: Clock | None = None,
    disk: Disk | None = None,
    view: FileView | None = None,
) -> Iterator[Desk]:
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
    for one in watched:
        if not one.exists():
            raise ReportError(Fault(str(one), "there is no such folder to watch.", "Correct --watch."))
        inside = (folder / "logs").resolve()
        if one.resolve() == inside or inside in one.resolve().parents:
            problem = "this is the review's own folder of logs; the desk copies into it."
            raise ReportError(Fault(str(one), problem, "Watch the folder that the recorder writes to."))
    files = {one for one in watched if one.is_file()}
    folders = tuple(dict.fromkeys(one.parent if one.is_file() else one for one in watched))
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
            yield Keeper(folder, clock=clock, disk=disk)
            holder.unlink(missing_ok=True)
    except Busy:
        where = holder.read_text(encoding="utf-8") if holder.exists() else "another machine"
        problem = f"this review is open at the desk on {where}."
        raise ReportError(Fault(folder.name, problem, "Close it there; --page shows the same view.")) from None
    except Foreign:
        problem = "another desk wrote into this review's journal; this one stops, and nothing is lost."
        raise ReportError(Fault(folder.name, problem, "Go on there, or close it there and start again.")) from None


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
    sheet = folder / "runs.csv"
    before = sheet.read_bytes().splitlines() if sheet.exists() else []
    with _kept(folder, Clock(), Disk()) as keeper:
        keeper.recover()
        keeper.write_witness()
    after = sheet.read_bytes().splitlines()
    changed = sum(one != two for one, two in zip(before, after, strict=False))
    return changed + abs(len(before) - len(after))


def rows_waiting(folder: Path) -> int:
    """Return how many rows the journal has otherwise than the sheet, since a desk ended before it wrote them.

    Parameters
    ----------
    folder : the review folder
    """
    files = (folder / FOLDER / JOURNAL, folder / FOLDER / SHEET_BEFORE, folder / "runs.csv")
    if not all(one.exists() for one in files):
        return 0
    base, sheet = (read_sheet(one, one.read_bytes()).cells for one in files[1:])
    ours = evening_of(Journal(files[0], Disk(), is_read_only=True).lines, base).rows
    changed = {run for run, row in ours.items() if row != base.get(run)} | set(base) - set(ours)
    return sum(sheet.get(run) != ours.get(run) for run in changed)
