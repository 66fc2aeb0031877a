"""Everything of the session that is on the disk: plan, journal, run sheet, copies of logs."""

from __future__ import annotations

import csv
import io
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from gpubench_kit.desk.journal import CAN_UNDO, Disk, Journal, digest, evening_of, inverse
from gpubench_kit.desk.sheet_text import merged, read_sheet
from gpubench_kit.logs.match_files import WITNESS_FILE
from gpubench_kit.model.errors import Fault, GpubenchError, TableError
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan, load_plan
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.rows import KNOWN
from gpubench_kit.sheet.text import read_cells

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


@dataclass(frozen=True)
class Question:
    """A cell, or a row, that another program and the desk changed both: theirs stays until it is answered."""

    run: str
    column: str
    theirs: str
    ours: str

    @property
    def says(self) -> str:
        """The question in words."""
        if self.column:
            return f"{self.run}: {self.column} is '{self.theirs}' here and '{self.ours}' at the desk."
        return f"{self.run} is recorded, but its row is gone: 1 leave it out, 2 put it back."


class Keeper:
    """Keeps every step: first one line of the journal, then the sheet.

    Attributes
    ----------
    plan, folder, home : the review, its folder, the desk's own folder in it
    evening : what the journal says
    questions : what another program changed too
    waiting, held : steps that are not in the sheet yet, and why it cannot be written
    notes : what was noticed on the way, for the list
    """

    def __init__(self, folder: Path, *, clock: Clock, disk: Disk):
        self.folder, self.clock, self.disk, self.home = folder, clock, disk, folder / FOLDER
        self.plan: ReviewPlan = load_plan(folder)
        self.questions: list[Question] = []
        self.notes: list[str] = []
        self.waiting, self._boot = 0, secrets.token_hex(4)
        self.held: Exception = OSError()
        self._sheet_seen: tuple[int, int] | None = None
        self._plan_seen = _stamp_of(folder / PLAN_FILE)
        self._sheet, self._base_file = folder / "runs.csv", self.home / SHEET_BEFORE
        book = folder / "runs.xlsx"
        if not self._sheet.exists() and book.exists():
            cells, out = read_cells(book, KNOWN), io.StringIO()
            csv.writer(out, lineterminator="\n").writerows([cells.headings, *(row for _, row in cells.rows)])
            disk.replace(self.home / "runs_made.csv", out.getvalue().encode())
            disk.move(book, folder / "runs_before_desk.xlsx")
            self.notes.append("runs.csv was made from runs.xlsx, now runs_before_desk.xlsx and no longer read")
        # Where a desk died between these two, the next start moves it.
        disk.move(self.home / "runs_made.csv", self._sheet)
        load_run_sheet(self.plan)
        self.journal = Journal(self.home / JOURNAL, disk)
        before = self._base_file if self._base_file.exists() else self._sheet
        self._content = before.read_bytes()
        self._base = read_sheet(before, self._content).cells
        self.evening = evening_of(self.journal.lines, self._base)

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
        self.take_over()
        self.settle()
        return done

    def _place_copies(self) -> None:
        """Put copies where the journal has them: of takings that stand in ``logs``, of others aside."""
        copied = [line for line in self.journal.lines if line.get("file", {}).get("copy")]
        standing = {line["run"]: line["n"] for line in copied if line in self.evening.kept}.values()
        for line in copied:
            copy = self.folder / line["file"]["copy"]
            aside = copy.parent / "set_aside" / f"{line['n']}.{copy.name}"
            if line["n"] in standing:
                self.disk.move(aside, copy)
            elif copy.exists() and digest(copy.read_bytes()) == line["file"]["hash"]:
                self.disk.move(copy, aside)

    def step(self, did: str, about: Mapping | None = None) -> None:
        """Do one step: the journal, then the sheet; cells that another program changed meanwhile are asked about.

        Parameters
        ----------
        did : kind of step
        about : what it did
        """
        self.take_over()
        about, cells = dict(about or {}), {}
        for run, changed in about.get("cells", {}).items():
            now = {name: self.evening.rows.get(run, {}).get(name, "") for name in changed}
            theirs = [name for name, pair in changed.items() if now[name] not in pair]
            self.questions += [Question(run, name, now[name], changed[name][1]) for name in theirs]
            cells[run] = {name: [now[name], pair[1]] for name, pair in changed.items() if name not in theirs}
        self._add(did, {**about, "cells": cells})
        self.settle()

    def change(
        self,
        did: str,
        run: str,
        new: Mapping[str, str],
        *,
        repeat: bool | None = None,
        about: Mapping | None = None,
    ) -> None:
        """Do one step that changes cells of a run, and adds or takes away the row that repeats it.

        Parameters
        ----------
        did : kind of step
        run : name of a row
        new : texts by column
        repeat : whether the run is to be repeated; None leaves that as it is
        about : what else the step says
        """
        evening, row = self.evening, self.evening.rows[run]
        cells = {name: [row.get(name, ""), text] for name, text in new.items() if text != row.get(name, "")}
        more: dict = {"run": run, "cells": {run: cells}, **(about or {})}
        if repeat is False:
            more["removed"] = [dict(evening.rows[name]) for name in evening.repeats(run)]
        if repeat and not evening.repeats(run, is_open=False):
            more["rows"] = [evening.repeat_of(run)]
        self.step(did, more)

    def since(self, line: Mapping) -> float:
        """Return how long ago a step was [s]; by the wall where the desk was started anew since."""
        if line["boot"] == self._boot:
            return self.clock.monotonic() - line["mono"]
        return (self.clock.now() - datetime.fromisoformat(line["at"])).total_seconds()

    def with_note(self, run: str, text: str) -> dict[str, str]:
        """Return the cell of a run's note with a text added."""
        before = self.evening.rows[run].get("note", "")
        return {"note": f"{before}; {text}" if before else text}

    def is_sheet_new(self) -> bool:
        """Return whether another program wrote the sheet since the last look."""
        before, self._sheet_seen = self._sheet_seen, _stamp_of(self._sheet) or self._sheet_seen
        return before != self._sheet_seen

    def is_plan_new(self) -> bool:
        """Return whether another program wrote the plan since it was read."""
        return (_stamp_of(self.folder / PLAN_FILE) or self._plan_seen) != self._plan_seen

    def _add(self, did: str, about: Mapping) -> None:
        """Write one line of the journal."""
        now = {"at": self.clock.now().isoformat(timespec="seconds"), "mono": round(self.clock.monotonic(), 1)}
        self.journal.add(did, {**now, "boot": self._boot, **about})
        self.evening = evening_of(self.journal.lines, self._base)

    def take_over(self) -> None:
        """Take over what another program changed in the sheet since it was written; theirs stays where both did."""
        try:
            content = self._sheet.read_bytes()
            if content == self._content and not self.waiting:
                return
            theirs = read_sheet(self._sheet, content).cells
        except (OSError, TableError):
            return
        ours = self.evening.rows
        changed, conflicts = merged(self._base, theirs, ours)
        gone = [run for run in changed if run not in theirs]
        self.questions += [Question(run, "", "", "row") for run in gone if self.evening.is_recorded(run)]
        self.questions += [Question(*one) for one in conflicts]
        if changed:
            kept = {run: new for run, new in changed.items() if run in ours and run in theirs}
            names = [f"{name.replace('_', ' ')} of {run}" for run, new in kept.items() for name in new]
            self.notes += [f"{one} changed elsewhere" for one in names[:3]]
            cells = {run: {name: [ours[run].get(name, ""), text] for name, text in new.items()}
                     for run, new in kept.items()}  # fmt: skip
            rows = [theirs[run] for run in changed if run not in ours]
            self._add("sheet", {"cells": cells, "rows": rows, "removed": [ours[run] for run in gone]})
        self._base, self._content = theirs, content
        self.evening = evening_of(self.journal.lines, self._base)

    def settle(self) -> bool:
        """Write the sheet as the journal has it; where it cannot be, the steps wait.

        Returns
        -------
        bool: whether all is written
        """
        try:
            content = self._sheet.read_bytes()
            if content != self._content:
                self.take_over()
            new = read_sheet(self._sheet, content).with_cells(self.evening.rows)
            if new != content:
                self.disk.replace(self._sheet, new)
            if new != content or not self._base_file.exists():
                self.disk.replace(self._base_file, new)
            self._content, self.waiting = new, 0
            self._base = read_sheet(self._base_file, new).cells
        except (OSError, TableError) as error:
            self.waiting, self.held = self.waiting + 1, error
            return False
        return True

    def undo(self) -> dict | None:
        """Take the last step back, or put it back where that was the last step.

        Returns
        -------
        the step; None where there is none
        """
        lines = [one for one in self.journal.lines if one["did"] not in _BY_ITSELF]
        back = lines[-1] if lines and lines[-1]["did"] == "undo" else None
        step = self.journal.lines[back["of"] - 1] if back else self.last()
        if step:
            self.step("redo" if back else "undo", {**inverse(back or step), "of": step["n"]})
            self._place_copies()
        return step

    def last(self) -> dict | None:
        """Return the last step that can be taken back."""
        return next(reversed(self.evening.of(*CAN_UNDO)), None)

    @property
    def undo_says(self) -> str:
        """What the key of undo takes back, or puts back."""
        lines, last = [one for one in self.journal.lines if one["did"] not in _BY_ITSELF], self.last()
        if lines and lines[-1]["did"] == "undo":
            return "0 put it back"
        if last is None:
            return ""
        kind = last["verdict"][2].partition("_")[0] if last["did"] == "take" else ""
        words = {"take": {"not": "short", "tuning": "lost", "wrong": "wrong", "log": "unread"}.get(kind, "taken"),
                 "leave_out": "left out", "count": "counts", "later": "put off"}  # fmt: skip
        about = last.get("run") or last.get("tuning", "")
        return " ".join(f"0 undo: {about} {words.get(last['did'], last['did'].replace('_', ' '))}".split())

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
        takes = [one for one in self.evening.kept if one["did"] == "take" and one.get("seen")]
        rows = [one["seen"] | {"run": one["run"], "frame_log": one["file"]["copy"], "sha256": one["file"]["hash"]}
                for one in takes if one["run"] in self.evening.rows]  # fmt: skip
        out = io.StringIO()
        writer = csv.DictWriter(out, _WITNESS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        file, content = self.folder / WITNESS_FILE, out.getvalue().encode()
        if not file.exists() or file.read_bytes() != content:
            self.disk.replace(file, content)

    def reload_plan(self) -> Fault | None:
        """Read the plan anew; return why it cannot be used, and keep the old one then."""
        self._plan_seen = _stamp_of(self.folder / PLAN_FILE)
        try:
            self.plan = load_plan(self.folder / PLAN_FILE)
        except GpubenchError as error:
            return error.faults[0]
        return None


def _stamp_of(file: Path) -> tuple[int, int] | None:
    """Return size and time of a file; None where it is not there."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns
