"""Everything of the evening that is on the disk: plan, journal, run sheet, copies of logs, what was judged."""

from __future__ import annotations

import csv
import errno
import io
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from gpubench_kit.desk.evening import CAN_UNDO, Evening, evening_of, undo_of
from gpubench_kit.desk.journal import RESERVE, Disk, Journal, digest, effective
from gpubench_kit.desk.judge import Judge
from gpubench_kit.desk.sheet_text import Cells, SheetText, merged, read_sheet
from gpubench_kit.model.errors import Fault, GpubenchError, TableError
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan, load_plan
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.rows import KNOWN
from gpubench_kit.sheet.text import read_cells

#: The desk's own folder in the review folder.
FOLDER = "desk"
SET_ASIDE = "logs/set_aside"
#: Needed beside a copy [bytes].
MARGIN = 60_000_000
_WITNESS = ("run", "frame_log", "sha256", "length_s", "slack_s", "ended_at")


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


@dataclass(frozen=True)
class Question:
    """A cell, or a row, that another program and the desk changed both: theirs stays until it is answered."""

    run: str
    column: str
    theirs: str
    ours: str


class Keeper:
    """Keeps every step: first one line of the journal, then the sheet.

    Attributes
    ----------
    plan, folder : the review
    evening : what the journal says
    questions : what another program changed too
    waiting : steps that are not in the sheet yet, since it cannot be written
    notes : what was noticed on the way, for the list
    """

    def __init__(self, folder: Path, *, clock: Clock, disk: Disk):
        self.folder, self.clock, self.disk = folder, clock, disk
        self.plan: ReviewPlan = load_plan(folder)
        self.home = folder / FOLDER
        self.home.mkdir(exist_ok=True)
        self.sheet = folder / "runs.csv"
        self._make_sheet()
        load_run_sheet(self.plan)
        self.journal = Journal(self.home / "journal.jsonl", disk)
        self.judge = Judge(self.plan, self.home / "judged.json")
        self.questions: list[Question] = []
        self.notes: list[str] = []
        self.waiting = 0
        self._sheet_seen = (0, 0)
        self._boot = secrets.token_hex(4)
        self._base_file = self.home / "sheet_before.csv"
        self._content = self.sheet.read_bytes()
        self.base: Cells = read_sheet(self.sheet, self._content).cells
        if self._base_file.exists():
            self.base = read_sheet(self._base_file, self._base_file.read_bytes()).cells
        self.evening: Evening = evening_of(self.journal.lines, self.base)

    def _make_sheet(self) -> None:
        """Make ``runs.csv`` from a workbook, which is kept under another name and no longer read."""
        book = self.folder / "runs.xlsx"
        if self.sheet.exists() or not book.exists():
            return
        cells = read_cells(book, KNOWN)
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows([cells.headings, *(row for _, row in cells.rows)])
        self.disk.replace(self.home / "runs_made.csv", out.getvalue().encode())
        self.disk.move(book, self.folder / "runs_before_desk.xlsx")
        self.disk.move(self.home / "runs_made.csv", self.sheet)

    def recover(self) -> list[str]:
        """Bring what a desk that died left behind in order.

        Returns
        -------
        list of what was done, in words
        """
        done = []
        if self.journal.cut:
            done.append("the journal's last line was torn and is cut off")
        for part in [
            *(self.folder / "logs").glob(".*.part"),
            *self.home.glob(".*.part"),
            *self.folder.glob(".*.part"),
        ]:
            part.unlink()
            done.append(f"a copy that was half done is removed ({part.name.strip('.').removesuffix('.part')})")
        self.place_copies()
        self.settle()
        return done

    def place_copies(self) -> None:
        """Put copies where the journal has them: of takings that stand in ``logs``, of others aside."""
        takes = [line for line in effective(self.journal.lines) if line.get("file", {}).get("copy")]
        standing = set({line["run"]: line["n"] for line in takes}.values())
        for line in self.journal.lines:
            if not line.get("file", {}).get("copy"):
                continue
            copy = self.folder / line["file"]["copy"]
            aside = self.folder / SET_ASIDE / f"{line['n']}.{copy.name}"
            if line["n"] in standing:
                self.disk.move(aside, copy)
            elif copy.exists() and digest(copy.read_bytes()) == line["file"]["hash"]:
                self.disk.move(copy, aside)

    def step(self, did: str, about: Mapping | None = None) -> dict:
        """Do one step: the journal, then the sheet.

        Parameters
        ----------
        did : kind of step
        about : what it did
        """
        self.take_over()
        line = self._add(did, self._without_theirs(about or {}))
        self.settle()
        return line

    def _without_theirs(self, about: Mapping) -> Mapping:
        """Return what a step does without cells that another program changed meanwhile; those are asked about."""
        cells: dict = {}
        for run, name, before, after in (
            (run, name, *pair) for run, changed in about.get("cells", {}).items() for name, pair in changed.items()
        ):
            now = self.evening.rows.get(run, {}).get(name, "")
            if now in (before, after):
                cells.setdefault(run, {})[name] = [now, after]
            else:
                self.questions.append(Question(run, name, now, after))
        return {**about, "cells": cells}

    def is_sheet_new(self) -> bool:
        """Return whether another program wrote the sheet since the last look."""
        try:
            found = self.sheet.stat()
        except OSError:
            return False
        before, self._sheet_seen = self._sheet_seen, (found.st_size, found.st_mtime_ns)
        return before != self._sheet_seen

    def _add(self, did: str, about: Mapping) -> dict:
        """Write one line of the journal; with its reserve where the disk is full."""
        now = {"at": self.clock.now().isoformat(timespec="seconds"), "mono": round(self.clock.monotonic(), 1)}
        line = self.journal.add(did, {**now, "boot": self._boot, **about})
        self.evening = evening_of(self.journal.lines, self.base)
        return line

    def take_over(self) -> None:
        """Take over what another program changed in the sheet since it was written; theirs stays where both did."""
        try:
            content = self.sheet.read_bytes()
            if content == self._content and not self.waiting:
                return
            theirs = read_sheet(self.sheet, content).cells
        except (OSError, TableError):
            return
        ours = self.evening.rows
        _, changed, conflicts = merged(self.base, theirs, ours)
        gone = [run for run, cells in changed.items() if not cells and run not in theirs]
        for run in gone:
            if self.evening.is_recorded(run):
                self.questions.append(Question(run, "", "", "row"))
        self.questions += [Question(*one) for one in conflicts]
        cells = {run: {name: [ours[run].get(name, ""), text] for name, text in new.items()}
                 for run, new in changed.items() if run in ours and run not in gone}  # fmt: skip
        rows = [theirs[run] for run in changed if run not in ours and run in theirs]
        if changed:
            names = [f"{name.replace('_', ' ')} of {run}" for run, new in cells.items() for name in new]
            self.notes += [f"{one} changed elsewhere" for one in names[:3]]
            removed = [ours[run] for run in gone]
            self._add("sheet", {"cells": cells, "gone": gone, "rows": rows, "removed": removed})
        self.base, self._content = theirs, content
        self.evening = evening_of(self.journal.lines, self.base)

    def settle(self) -> bool:
        """Write the sheet as the journal has it; where it cannot be, the steps wait.

        Returns
        -------
        bool: whether all is written
        """
        try:
            content = self.sheet.read_bytes()
            text: SheetText = read_sheet(self.sheet, content)
            if content != self._content:
                self.take_over()
            new = text.with_cells(self.evening.rows)
            if new != content:
                self.disk.replace(self.sheet, new)
            if new != content or not self._base_file.exists():
                self.disk.replace(self._base_file, new)
            self._content, self.waiting = new, 0
            self.base = read_sheet(self._base_file, new).cells
        except (PermissionError, FileNotFoundError, TableError):
            self.waiting += 1
            return False
        return True

    def undo(self) -> dict | None:
        """Take the last step back, or put it back where that was the last step.

        Returns
        -------
        the step; None where there is none
        """
        lines = [one for one in self.journal.lines if one["did"] not in ("sheet", "found", "unused")]
        last = lines[-1] if lines else None
        by_number = {one["n"]: one for one in self.journal.lines}
        if last and last["did"] == "undo":
            step = by_number[last["of"]]
            self.step(
                "redo",
                {
                    "of": step["n"],
                    "cells": step.get("cells", {}),
                    "rows": step.get("rows", []),
                    "gone": step.get("gone", []),
                },
            )
        else:
            step = self.last()
            if step is None:
                return None
            later = [one for one in self.journal.lines[step["n"] :] if one["did"] == "sheet"]
            self.step("undo", {**undo_of(step, later)})
        self.place_copies()
        return step

    def last(self) -> dict | None:
        """Return the last step that can be taken back."""
        steps = [one for one in self.evening.steps if one["did"] in CAN_UNDO]
        return steps[-1] if steps else None

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

    def write_beside(self) -> None:
        """Write what is kept beside the journal: what was judged, and the lengths that were seen."""
        rows = [
            line["seen"] | {"run": line["run"], "frame_log": line["file"]["copy"], "sha256": line["file"]["hash"]}
            for line in self.journal.lines
            if line["did"] == "take" and line.get("seen") and line["run"] in self.evening.rows
        ]
        out = io.StringIO()
        writer = csv.DictWriter(out, _WITNESS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        for name, content in (("witness.csv", out.getvalue().encode()), ("judged.json", self.judge.text())):
            file = self.home / name
            if not file.exists() or file.read_bytes() != content:
                self.disk.replace(file, content)

    def reload_plan(self) -> Fault | None:
        """Read the plan anew; return why it cannot be used, and keep the old one then."""
        try:
            self.plan = load_plan(self.folder / PLAN_FILE)
            self.judge.plan = self.plan
        except GpubenchError as error:
            return error.faults[0]
        return None


def is_full(error: OSError) -> bool:
    """Return whether an error says that a disk is full."""
    return error.errno in (errno.ENOSPC, errno.EDQUOT)
