"""Everything of the session that is on the disk: plan, journal, run sheet, copies of logs."""

from __future__ import annotations

import csv
import io
import secrets
import time
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import pandas as pd

from gpubench_kit.desk.journal import CAN_UNDO, Disk, Journal, digest, session_of
from gpubench_kit.logs.match_files import WITNESS_FILE
from gpubench_kit.model.errors import Fault, GpubenchError, ReportError, TableError, shown
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan, load_plan
from gpubench_kit.model.table_checks import known_names
from gpubench_kit.schedule.run_sheet import Cells, read_sheet
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.rows import KNOWN
from gpubench_kit.sheet.text import find_sheet, read_cells

#: The desk's own folder in the review folder, its journal, and the sheet as it was written last.
FOLDER, JOURNAL, SHEET_BEFORE = "desk", "journal.jsonl", "sheet_before.csv"
#: Needed beside a copy; given up when the disk is full, so that the journal can still say why it stopped [bytes].
MARGIN, RESERVE = 60_000_000, 1_000_000
_WITNESS = ("run", "frame_log", "sha256", "length_s", "slack_s", "ended_at")
#: Steps that are no one's doing at the keys.
_BY_ITSELF = ("sheet", "found", "unused")


class Clock:
    """The two clocks of the machine; tests put their own in its place."""

    def now(self) -> datetime:
        """Return the time of the wall."""
        return datetime.now()

    def monotonic(self) -> float:
        """Return seconds that never go back."""
        return time.monotonic()


class DiskFull(Exception):
    """There is too little room: (free, needed) bytes."""


class Keeper:
    """Keeps every step: first one line of the journal, then the sheet.

    Attributes
    ----------
    plan, folder, home, sheet : the review, its folder, the desk's own folder in it, the run sheet
    session : what the journal says
    held : why the sheet cannot be written, and since when, monotonic [s]; None where it is
    notes : what was noticed on the way, for the list
    """

    def __init__(self, folder: Path, *, clock: Clock, disk: Disk):
        self.folder, self.clock, self.disk, self.home = folder, clock, disk, folder / FOLDER
        self.plan: ReviewPlan = load_plan(folder)
        self.sheet = find_sheet(folder)
        if self.sheet.suffix == ".xlsx":
            problem = "the desk writes runs.csv, and the runs stand in a workbook."
            raise ReportError(Fault(self.sheet.name, problem, "Save it as runs.csv and move the workbook away."))
        load_run_sheet(self.plan)
        self.journal = Journal(self.home / JOURNAL, disk)
        self.session = session_of(self.journal.lines)
        self.notes: list[str] = []
        self.held: tuple[Exception, float] | None = None
        self._boot, self._settled = secrets.token_hex(4), len(self.journal.lines)
        before = self.home / SHEET_BEFORE
        self._content = before.read_bytes() if before.exists() else b""
        self._base: Cells = read_sheet(before, self._content).cells if self._content else {}
        self._stamps: dict[Path, tuple[int, int] | None] = {}
        self.is_new(folder / PLAN_FILE)

    def recover(self) -> list[str]:
        """Bring what a desk that died left behind in order.

        Returns
        -------
        list of what was done, in words
        """
        done = ["the journal's last line was torn and is cut off"] if self.journal.cut else []
        places = (self.folder / "logs", self.home, self.folder)
        for part in [part for place in places for part in place.glob(".*.part")]:
            part.unlink()
            done.append(f"a copy that was half done is removed ({part.name.strip('.').removesuffix('.part')})")
        self._place_copies()
        self.settle()
        return done

    def _place_copies(self) -> None:
        """Put copies where the journal has them: of takings that stand in ``logs``, of others aside."""
        copied = [line for line in self.journal.lines if line.get("file", {}).get("copy")]
        standing = {line["run"]: line["n"] for line in copied if line in self.session.kept}.values()
        for line in copied:
            copy = self.folder / line["file"]["copy"]
            aside = copy.parent / "set_aside" / f"{line['n']}.{copy.name}"
            if line["n"] in standing:
                self.disk.move(aside, copy)
            elif copy.exists() and digest(copy.read_bytes()) == line["file"]["hash"]:
                self.disk.move(copy, aside)

    def step(self, did: str, run: str = "", cells: Mapping[str, Mapping[str, str]] | None = None, *,
             repeat: bool | None = None, about: Mapping | None = None) -> None:  # fmt: skip
        """Do one step: the journal, then the sheet; cells that another program changed meanwhile are asked about.

        Parameters
        ----------
        did : kind of step
        run : that it is about; empty for none
        cells : new texts by run and column
        repeat : whether the run gets a row that repeats it, or loses it; None leaves that as it is
        about : what else the step says
        """
        known = self.session.rows
        with suppress(OSError, TableError):
            self.take_over()  # Where it cannot be read the steps wait, and that is told.
        rows, new, asked = self.session.rows, {}, []
        for name, texts in ((name, texts) for name, texts in (cells or {}).items() if name in rows):
            now = {column: rows[name].get(column, "") for column in texts}
            theirs = [one for one in texts if now[one] not in (known[name].get(one, ""), texts[one])]
            asked += [[name, one, now[one], texts[one]] for one in theirs]
            new[name] = {one: text for one, text in texts.items() if one not in theirs and text != now[one]}
        more: dict = {"run": run} if run else {}
        if repeat is False:
            more["removed"] = [rows[one] for one in self.session.repeats(run)]
        elif repeat and not self.session.repeats(run, is_open=False):
            more["rows"] = [self.session.repeat_of(run)]
        self._add(did, {**more, "cells": new, "asked": asked, **(about or {})})
        self.settle()

    def _add(self, did: str, about: Mapping) -> None:
        """Write one line of the journal, without what is empty."""
        now = {"at": self.clock.now().isoformat(timespec="seconds"), "mono": round(self.clock.monotonic(), 1)}
        kept = {
            name: one for name, one in about.items() if one or name not in ("cells", "asked", "rows", "removed")
        }
        self.journal.add(did, {**now, "boot": self._boot, **kept})
        self.session = session_of(self.journal.lines)

    def take_over(self) -> None:
        """Take over what another program changed in the sheet since it was written; theirs stays where both did.

        Raises
        ------
        OSError, TableError : it cannot be read, such as while it is half saved
        """
        content = self.sheet.read_bytes()
        if content == self._content:
            return
        theirs = read_sheet(self.sheet, content).cells
        ours, is_first = self.session.rows, not self._content
        changed, asked = merged(self._base, theirs, ours)
        gone = [run for run in changed if run not in theirs]
        asked += [(run, "", "", "row") for run in gone if self.session.is_recorded(run)]
        cells = {run: new for run, new in changed.items() if run in ours and run in theirs}
        if not is_first:
            # The first, and names that the plan has not.
            every = known_names(self.plan)
            news = [(f"{name.replace('_', ' ')} of {run} changed elsewhere", name, text)
                    for run, new in cells.items() for name, text in new.items()]  # fmt: skip
            unknown = [f"{one}: {shown(text)} is not in the plan" for one, name, text in news
                       if text not in every.get(name, {text})]  # fmt: skip
            self.notes += [*(one for one, *_ in news[:3]), *unknown[:3]]
        if changed:
            rows = [theirs[run] for run in changed if run not in ours]
            self._add("sheet", {"cells": cells, "rows": rows, "removed": [ours[run] for run in gone],
                                "asked": asked})  # fmt: skip
        self._base, self._content = theirs, content

    def settle(self) -> bool:
        """Write the sheet as the journal has it; where it cannot be, the steps wait.

        Returns
        -------
        bool: whether all is written
        """
        before = self.home / SHEET_BEFORE
        try:
            self.take_over()
            new = read_sheet(self.sheet, self._content).with_cells(self.session.rows)
            for file in (self.sheet, before):
                if not file.exists() or file.read_bytes() != new:
                    self.disk.replace(file, new)
            self._content, self._base = new, read_sheet(before, new).cells
        except (OSError, TableError) as error:
            self.held = error, self.held[1] if self.held else self.clock.monotonic()
            return False
        self.held, self._settled = None, len(self.journal.lines)
        return True

    @property
    def waiting(self) -> int:
        """Steps that are not in the sheet yet."""
        return len(self.journal.lines) - self._settled

    def undo(self) -> dict | None:
        """Take the last step back, or put it back where that was the last step.

        Returns
        -------
        the step; None where there is none
        """
        step = self.last()
        if step:
            self.step("undo", about={"of": step["n"]})
            self._place_copies()
        return step

    def last(self) -> dict | None:
        """Return the step that undo takes back, or puts back."""
        lines = [one for one in self.journal.lines if one["did"] not in _BY_ITSELF]
        if lines and lines[-1]["did"] == "undo":
            return self.journal.lines[lines[-1]["of"] - 1]
        return next(reversed(self.session.of(*CAN_UNDO)), None)

    def since(self, line: Mapping) -> float:
        """Return how long ago a step was [s]; by the wall where the desk was started anew since."""
        if line["boot"] == self._boot:
            return self.clock.monotonic() - line["mono"]
        return (self.clock.now() - datetime.fromisoformat(line["at"])).total_seconds()

    def with_note(self, run: str, text: str) -> dict[str, str]:
        """Return the cell of a run's note with a text added."""
        before = self.session.rows[run].get("note", "")
        return {"note": f"{before}; {text}" if before else text}

    def is_new(self, file: Path) -> bool:
        """Return whether a file was written since this was asked last."""
        try:
            found = file.stat()
        except OSError:
            return False
        before, self._stamps[file] = self._stamps.get(file), (found.st_size, found.st_mtime_ns)
        return before != self._stamps[file]

    def check_room(self, needed: int) -> None:
        """Raise where the review's disk has too little room for a copy.

        Raises
        ------
        DiskFull : with what is free and what is needed [bytes]
        """
        free = self.disk.free(self.folder)
        if free < needed + MARGIN:
            raise DiskFull(free, needed + MARGIN)

    def keep_reserve(self, *, is_full: bool) -> None:
        """Keep a reserve on the disk, or give it up so that the journal can still be written."""
        reserve = self.home / "reserve"
        if is_full:
            reserve.unlink(missing_ok=True)
        elif not reserve.exists():
            self.disk.replace(reserve, bytes(RESERVE))

    def write_witness(self) -> None:
        """Write the lengths that were seen beside the journal, where reading the logs looks for them."""
        takes = [one for one in self.session.kept if one.get("seen") and one["run"] in self.session.rows]
        rows = [one["seen"] | {"run": one["run"], "frame_log": one["file"]["copy"], "sha256": one["file"]["hash"]}
                for one in takes]  # fmt: skip
        text = pd.DataFrame(rows, columns=_WITNESS).to_csv(index=False, lineterminator="\n")
        file, content = self.folder / WITNESS_FILE, text.encode()
        if not file.exists() or file.read_bytes() != content:
            self.disk.replace(file, content)

    def reload_plan(self) -> Fault | None:
        """Read the plan anew; return why it cannot be used, and keep the old one then."""
        self.is_new(self.folder / PLAN_FILE)
        try:
            self.plan = load_plan(self.folder / PLAN_FILE)
        except GpubenchError as error:
            return error.faults[0]
        return None


#: A sheet in a workbook, what it is called once it is no longer read, and the sheet that is made of it.
BOOK, BOOK_KEPT, MADE = "runs.xlsx", "runs_before_desk.xlsx", "runs_made.csv"


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
