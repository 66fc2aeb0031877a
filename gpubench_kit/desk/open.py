"""A desk opened: the folders checked, the lock held, everything brought together."""

from __future__ import annotations

import math
import os
import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from gpubench_kit.desk.journal import Disk, Foreign
from gpubench_kit.desk.keeping import FOLDER, MARGIN, Clock, Keeper
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
    """  # fmt: skip
    for one in watched:
        if not one.exists():
            raise ReportError(Fault(str(one), "there is no such folder to watch.", "Correct --watch."))
        inside = (folder / "logs").resolve()
        if one.resolve() == inside or inside in one.resolve().parents:
            problem = "this is the review's own folder of logs; the desk copies into it."
            raise ReportError(Fault(str(one), problem, "Watch the folder that the recorder writes to."))
    clock, disk = clock or Clock(), disk or Disk()
    home = folder / FOLDER
    if not folder.is_dir():
        raise ReportError(Fault(str(folder), "there is no such folder.", "Make one with: gpubench-kit new FOLDER"))
    home.mkdir(exist_ok=True)
    holder = home / "open_at"
    try:
        with locked(home / "lock"):
            holder.write_text(
                f"{socket.gethostname()} since {clock.now():%H:%M} (process {os.getpid()})", encoding="utf-8"
            )
            yield _desk(Keeper(folder, clock=clock, disk=disk), watched, view or FileView())
            holder.unlink(missing_ok=True)
    except Busy:
        where = holder.read_text(encoding="utf-8") if holder.exists() else "another machine"
        problem = f"this review is open at the desk on {where}."
        raise ReportError(Fault(folder.name, problem, "Close it there; --page shows the same view.")) from None
    except Foreign:
        problem = "another desk wrote into this review's journal; this one stops, and nothing is lost."
        raise ReportError(Fault(folder.name, problem, "Go on there, or close it there and start again.")) from None


def _desk(keeper: Keeper, watched: Sequence[Path], view: FileView) -> Desk:
    """Return the desk, begun."""
    files = {one for one in watched if one.is_file()}
    folders = tuple(dict.fromkeys(one.parent if one.is_file() else one for one in watched))
    only = {one.parent for one in files} - set(watched)
    alone = {folder: {file for file in files if file.parent == folder} for folder in only}

    def length_of(file: Path) -> float:
        facts = facts_of_log(file)
        return facts.length_s if facts.kind in ("frames", "sensors") else math.nan

    watch = Watch(folders, view, length_of, alone=alone, sensor_folders=tuple(folders[1:]))
    desk = Desk(keeper, watch, Taker(keeper, watch, began_s=keeper.clock.monotonic()))
    desk.start()
    left, largest = len(desk.due), max((one.size for one in watch.files.values()), default=4_000_000)
    free = keeper.disk.free(keeper.folder)
    if free < left * largest * 2 + MARGIN:
        fit = max(0, (free - MARGIN) // (2 * max(largest, 1)))
        keeper.notes.append(f"the disk has room for about {fit} more runs; {left} are due")
    return desk


def settle(folder: Path) -> int:
    """Write the steps of the journal that the sheet does not have yet; return how many cells were written.

    Parameters
    ----------
    folder : the review folder
    """
    before = (folder / "runs.csv").read_bytes() if (folder / "runs.csv").exists() else b""
    try:
        with locked(folder / FOLDER / "lock"):
            keeper = Keeper(folder, clock=Clock(), disk=Disk())
            keeper.take_over()
            keeper.recover()
            keeper.write_beside()
    except Busy:
        raise ReportError(Fault(folder.name, "this review is open at a desk.", "Close it there.")) from None
    after = (folder / "runs.csv").read_bytes()
    return sum(one != two for one, two in zip(before.splitlines(), after.splitlines(), strict=False)) + abs(
        len(before.splitlines()) - len(after.splitlines())
    )
